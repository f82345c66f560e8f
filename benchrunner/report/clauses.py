"""Where each item of ISO/IEC 17025:2017, 7.8.2.1, 7.8.3 and 7.8.6 stands in the report. No claim of accreditation."""

from collections.abc import Mapping
from typing import Any

from benchrunner.report import words
from benchrunner.report.laboratory import LaboratoryCard, Work
from benchrunner.report.plain import plain

UNSTATED = "not stated"
NOT_OURS = "The laboratory did not verify that; where it is wrong, what rests on it may not be valid."


def clauses(
    made: Mapping[str, Any], header: Mapping[str, Any], card: LaboratoryCard | None
) -> list[dict[str, str]]:
    """One row an item: clause, what it asks for, what holds. What nobody stated appears as "not stated"."""
    work = card.work if card else Work()

    def stated(text: str | None) -> str:
        return plain(text) if text else UNSTATED

    if card:
        who = ", ".join(
            t for t in (card.laboratory.name, card.laboratory.address, card.laboratory.contact) if t
        )
        if header["laboratory"] and header["laboratory"] != card.laboratory.name:
            who += f" (the record names: {header['laboratory']})"
        who += "" if card.laboratory.address else "; address not stated"
    else:
        who = f"{header['laboratory'] or UNSTATED}; address not stated"
    customer = ", ".join(t for t in (card.customer.name, card.customer.address, card.customer.contact) if t) \
        if card and card.customer else ""  # fmt: skip
    by = (
        ", ".join(t for t in (card.authorised.by, card.authorised.function) if t)
        if card and card.authorised
        else ""
    )
    signed = made["summary"]["signed"]
    number = made["number"]
    changes = made["changed"]
    excluded = f"{changes} under Deviations" if changes else "None recorded"
    if not header["finished"] and not made["imported"]:
        excluded += "; the run did not finish: what was left out is what Checks calls not judged"
    judged = bool(made["checks"])
    foreign = bool(made["imported"])
    verdicts = (
        f"{made['outcome']['sentence']} Each under Checks" if judged else "None made: nothing was judged"
    )
    method = f"Procedure {header['procedure']['file']}, in full in the record, digest under Facts"
    if foreign:
        method = f"Not known: imported. How the file was read stands in {header['procedure']['file']}, in full in the record"
    found = [
        ("7.8.2.1 a", "Title", f"{made['report']}: {made['title']}"),
        ("7.8.2.1 b", "Laboratory, name and address", plain(who)),
        ("7.8.2.1 c", "Place where the work was done", stated(work.place) + f"; bench: {made['bench']}"),
        ("7.8.2.1 d", "Unique identification, on every page; clear end", f"Record {number}; the last line is the end mark"),
        ("7.8.2.1 e", "Customer", stated(customer)),
        ("7.8.2.1 f", "Method", plain(method)),
        ("7.8.2.1 g", "Item: description, identification, condition",
         "Under Equipment under test; condition: " + stated(work.condition)),
        ("7.8.2.1 h", "Date of receipt of the item", stated(work.received)),
        ("7.8.2.1 i", "Dates of the test", plain(f"{header['started']}, {words.span(header['duration'])}; sealed {header['sealed']}")),
        ("7.8.2.1 j", "Date of issue", f"{made['issued']}, by the clock of the computer that made this report"),
        ("7.8.2.1 k", "Sampling", stated(work.sampling)),
        ("7.8.2.1 l", "Scope of the results", words.ITEMS),
        ("7.8.2.1 m", "Results with units", "Under Checks and Steps" if judged else "Readings with their units under Course of the run"),
        ("7.8.2.1 n", "Additions, deviations, exclusions", excluded),
        ("7.8.2.1 o", "Who authorises the report", stated(by) + f"; signatures on the record: {signed}"),
        ("7.8.2.1 p", "Results of external providers", stated(work.external)),
        ("7.8.2.2", "Responsibility; data provided by the customer; items as received", plain(responsibility(work, foreign))),
        ("7.8.3.1 a", "Conditions of the test", ("Not known: imported" if foreign else "Start state and parameters of the run, each in its place") + "; surroundings: " + stated(work.environment)),
        ("7.8.3.1 b", "Statement of conformity", plain(verdicts)),
        ("7.8.3.1 c", "Uncertainty of measurement", "Expanded uncertainty U beside each value; where it was not evaluated, so said" if judged else "Not stated: nothing was judged"),
        ("7.8.3.1 d", "Opinions and interpretations", stated(work.opinions)),
        ("7.8.3.1 e", "Further information asked for by method, authority or customer", "Settings as the pairing card states them, and digests, each in its part" if foreign else "Energy balance, guards, settings and digests, each in its part"),
        ("7.8.6.1", "Decision rule and its risk", "Under Decision rule and uncertainty" if judged else "None applied: nothing was judged"),
        ("7.8.6.2", "Results, specification and rule that the statement applies to", "In each row of Checks: limit, rule, verdict; where each limit comes from, under them" if judged else "No statement of conformity is made"),
    ]  # fmt: skip
    if work.amends:
        found.append(("7.8.8", "Amended report: what it replaces", plain(work.amends)))
    if card and card.laboratory.statement:
        found.append(("", "The laboratory's own statement", plain(card.laboratory.statement)))
    return [{"clause": c, "what": w, "says": s} for c, w, s in found]


def responsibility(work: Work, foreign: bool = False) -> str:
    """7.8.2.2: what the customer provided is named and disclaimed, the laboratory answers for the rest."""
    if foreign:
        said = f"The readings come from another logger's file. {NOT_OURS}"
        said += f" Provided by the customer: {work.provided.rstrip('.')}." if work.provided else ""
    elif work.provided:
        said = f"Provided by the customer: {work.provided.rstrip('.')}. {NOT_OURS} The laboratory is responsible for everything else."
    else:
        said = (
            "Which data the customer provided: not stated; unless it is, the laboratory is responsible for everything in this "
            "report. The source of each part's figures stands under Equipment under test."
        )
    if work.items_chosen_by == "customer":
        said += " The customer chose the items: the results apply to the items as received."
    elif work.items_chosen_by == "laboratory":
        said += " The laboratory chose the items."
    return said
