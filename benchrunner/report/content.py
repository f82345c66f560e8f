"""What a report says, as plain data: one content, two renderers (HTML and PDF).

Everything comes from the record, from the laboratory card where one is given, and from what `verify` finds when the
report is made. Every string is text (never markup), every picture our own SVG.
"""

import hashlib
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any

from benchrunner.record.imported import imported
from benchrunner.record.opened import Record
from benchrunner.record.seal import HEADER
from benchrunner.record.verify import Verification
from benchrunner.report import notes, spoken, subject, words
from benchrunner.report.clauses import clauses
from benchrunner.report.laboratory import LaboratoryCard
from benchrunner.report.pictures import Pictures, StepPicture
from benchrunner.report.plain import cell, plain, word
from benchrunner.report.power_sums import balances
from benchrunner.report.svg import margin_scale

Row = dict[str, Any]


class Svg(str):
    """A picture that we drew ourselves; any other string is text, whatever it looks like."""

    __slots__ = ()


MOST_WORST, MOST_NEAR = 6, 3
PHASES = {"started": "did not end", "skipped": "broken off"}  # of a step that was begun


def content(
    record: Record,
    verification: Verification,
    laboratory: LaboratoryCard | None = None,
    issued: datetime | None = None,
    panels_at_once: int | None = None,
) -> Row:
    """The report's content; `panels_at_once`: the most in one picture of a step, for pages. Raises what a damaged header or part raises: the caller turns that into a refusal."""
    header = record.header
    pictures = Pictures(record, panels_at_once)
    steps = pictures.steps()
    checks = record.checks
    number = record_number(record)
    when = (issued or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%SZ")
    units = {str(channel["name"]): str(channel["unit"]) for channel in header["channels"]}
    where = {picture.step.id: position for position, picture in enumerate(steps, 1)}
    rows = [check_row(check, where.get(str(check.get("step"))), units) for check in checks]
    foreign = imported(header) is not None
    pairing, procedure = (bytes(record.part(part) or b"") for part in ("pairing.toml", "procedure.toml"))
    made: Row = {
        "number": number,
        "title": plain(header["procedure"]["title"]),
        "lead": plain(f"{header['pairing']['title']} · {header['bench']['title']} · {words.day(header['started'])}"),
        "subject": plain(header["pairing"]["title"]),
        "bench": plain(header["bench"]["title"]),
        "purpose": plain(header["procedure"].get("purpose") or ""),
        "laboratory": plain(laboratory.laboratory.name if laboratory else header["laboratory"] or ("Imported readings" if foreign else "Test report")),
        "simulated": words.SIMULATED if record.simulated else words.IMPORTED if foreign else "",
        "imported": foreign,
        "report": "Report of imported readings" if foreign else "Test report",
        "kind": "simulated bench" if record.simulated else "imported",
        "operator": plain(header["operator"] or "not stated"),
        "issued": when,
        "issued_day": words.day(when),
        "broken": [plain(f) for f in verification.findings if f.kind != "unsigned"],
        "outcome": outcome(header, checks, units),
        "summary": summary(rows, header, verification),
        "equipment": subject.equipment(pairing),
        "settings": subject.settings(pairing),
        "parameters": subject.parameters(header, procedure),
        "starts": subject.starts(record.plan.order),
        "sources": subject.sources(record.plan.order, procedure),
        "facts": facts(header),
        "checks": rows,
        "unjudged": list(dict.fromkeys(plain(c.get("reason")) for c in checks if c.get("verdict") == "not judged")),
        "rules": [{"rule": r, "says": words.RULES[r]} for r in sorted({str(c.get("rule")) for c in checks} & set(words.RULES))],
        "uncertainty": words.UNJUDGED if foreign else how_uncertain(checks),
        "overview": [plot(caption, svg) for caption, svg in pictures.overview(steps)],
        "balances": balances(pictures, steps),
        "steps": [step_row(p, k) for k, p in enumerate(steps, 1)],
        "cautions": [plain(c) for c in header["cautions"]],
        "no_cautions": words.NO_CAUTIONS_IMPORTED if foreign else "The procedure states none.",
        "instruments": [instrument(i, str(header["started"])[:10]) for i in header["instruments"]],
        "guards": [guard(g) for g in record.plan.guards],
        "safe": [safe_step(s, units) for s in header["safe"]["steps"]],
        "no_safe_order": no_safe_order(header),
        "deviations": notes.deviations(header, procedure),
        "answers": notes.of_the_operator(header),
        "messages": notes.messages(header),
        "changed": notes.changed(header),
        "program": program(header),
        "signatures": signatures(verification),
        "says": [plain(line) for line in verification.says],
        "caution": words.CAUTION,
        "accredited": words.ACCREDITED,
        "items": words.ITEMS,
        "clauses": [],
    }  # fmt: skip
    made["clauses"] = clauses(made, header, laboratory)
    return made


def record_number(record: Record) -> str:
    """The record's unique identification: the first 16 digits of its header's SHA-256, which a countersignature leaves."""
    return hashlib.sha256(bytes(record.part(HEADER))).hexdigest()[:16]


def outcome(header: Mapping[str, Any], checks: list[dict[str, Any]], channels: Iterable[str] = ()) -> Row:
    """The verdict with how the run ended."""
    ending = words.ENDINGS.get(str(header["ended_by"]), str(header["ended_by"]))
    if not header["finished"]:
        reason = str(header["reason"]).removeprefix("the operator stopped the run").lstrip(": ")
        ending = (
            f"{ending.rstrip('.')}: {spoken.in_words(reason, channels).rstrip('.')}." if reason else ending
        )
    state = str(header["safe"]["state"])
    return {
        "verdict": plain(header["verdict"]),
        "sentence": words.verdict_sentence(checks),
        "finished": bool(header["finished"]),
        "ending": plain(ending),
        "duration": f"Duration {words.span(header['duration'])} on the {'logger' if imported(header) is not None else 'bench'}'s clock.",
        "safe": plain(words.SAFE.get(state, state)),
        "unsafe": state == "not confirmed",
        "gap": plain(header["gap"]["says"]) if header.get("gap") else "",
    }


def summary(rows: list[Row], header: Mapping[str, Any], verification: Verification) -> Row:
    """What somebody needs who reads one page: the sense of the verdict, what to look at, who stands for it."""
    wrong = [r for verdict in ("fail", "inconclusive") for r in rows if r["verdict"] == verdict]
    near = sorted(
        (r for r in rows if r["times"] is not None and r["verdict"] == "pass"), key=lambda r: r["times"]
    )
    worst: dict[str, Row] = {}  # of repeats the one nearest to its limit
    for row in near:
        worst.setdefault(row["title"], row)
    count = notes.changed(header)
    signed = "; ".join(
        f"{s.role or 'signer'}: {s.name}{' (DEMO KEY)' if s.demo else ''}" for s in verification.signatures
    )
    return {
        "sense": sense(rows, header),
        "wrong": wrong[:MOST_WORST],
        "more": max(0, len(wrong) - MOST_WORST),
        "near": list(worst.values())[:MOST_NEAR],
        "deviations": f"{count} listed under Deviations" if count else "none recorded",
        "signed": plain(signed) if signed else "not signed",
    }


def sense(rows: list[Row], header: Mapping[str, Any]) -> str:
    """The verdict and what to do about it, in sentences."""
    if imported(header) is not None:
        return words.SENSE_IMPORTED
    verdict = str(header["verdict"])
    judged = [r["verdict"] for r in rows if r["verdict"] in ("pass", "fail", "inconclusive")]
    failed = judged.count("fail")
    said = {
        "pass": f"All {len(judged)} judged checks met their limits under the decision rule stated for each.",
        "fail": f"{failed} of {len(judged)} judged checks did not meet {'its limit' if failed == 1 else 'their limits'}.",
        "inconclusive": "No check failed, but at least one could not be decided within its uncertainty or its data.",
    }.get(verdict, "No check was judged: this run shows neither conformity nor the lack of it.")
    if not header["finished"]:
        said += " The run did not finish, so it does not stand for the whole procedure."
    return (
        f"{said} {words.NEXT.get(verdict if header['finished'] or verdict == 'fail' else '', words.NEXT[''])}"
    )


def check_row(check: Mapping[str, Any], step: int | None, channels: Iterable[str] = ()) -> Row:
    """One judgement in words, with its margin drawn. `spoken...`: for the summary, `channels` by what they measure."""
    figures = words.figures(check)
    value, uncertainty, low, high = (
        check.get(n) if words.is_number(check.get(n)) else None
        for n in ("value", "uncertainty", "low", "high")
    )
    verdict = str(check.get("verdict"))
    margin = check.get("margin")
    times = float(margin) / uncertainty if words.is_number(margin) and uncertainty else None
    measured = cell(
        f"{check.get('measure', '')} of {check['of']}" if check.get("of") else check.get("measure", "")
    )
    silent = verdict in ("pass", "not judged") or not check.get("reason")
    return {
        "title": cell(check.get("title") or check["id"]),
        "spoken": cell(spoken.capital(spoken.in_words(str(check.get("title") or check["id"]), channels))),
        "spoken_reason": ""
        if silent
        else cell(spoken.capital(spoken.in_words(words.reason(check), channels))),
        "spare": word_of_margin(figures.margin, times),
        "step": cell(check.get("step", "")),
        "at": step,
        "measure": measured,
        "limit": word(figures.limit),
        "value": word(figures.value),
        "uncertainty": word(figures.uncertainty),
        "k": f"k = {check['k']:g}"
        if words.is_number(check.get("k")) and words.is_number(uncertainty)
        else "",
        "margin": word(figures.margin),
        "in_u": figures.in_u,
        "times": times,
        "rule": word(check.get("rule", "")),
        "verdict": word(verdict),
        "reason": "" if silent else cell(words.reason(check)),
        "scale": Svg(margin_scale(value, uncertainty, low, high, verdict)),
    }


def how_uncertain(checks: Iterable[Mapping[str, Any]]) -> str:
    """What U is; and what percentage points are, where a check has its margin in them."""
    said = f"{words.UNCERTAINTY} {words.FIXED}"
    points = any(words.POINTS in words.figures(check).margin for check in checks)
    return f"{said} {words.POINTS_SAID}" if points else said


def word_of_margin(margin: str, times: float | None) -> str:
    """`2.21 Hz/s inside the limit, 3.7 times the measurement uncertainty`; nothing where there is no margin."""
    if margin[:1] not in ("+", words.MINUS):
        return ""
    side = "beyond" if margin[0] == words.MINUS else "inside"
    margin = margin.replace(words.POINTS, words.POINTS_IN_FULL)
    if times is None:
        return f"{margin[1:]} {side} the limit, uncertainty not evaluated"
    often = f"{abs(times):.1f}" if abs(times) < 100 else "more than 100"
    return f"{margin[1:]} {side} the limit, {often} times the measurement uncertainty"


def step_row(picture: StepPicture, number: int) -> Row:
    """One step as run: orders, condition, checks, pictures."""
    step = picture.step
    orders = "; ".join(order.text or order.setting for order in step.do)
    until = f"Until {step.until.text}, at most {words.span(step.at_most)}." if step.until else ""
    return {
        "number": number,
        "title": plain(step.title),
        "group": plain(f"({step.group} {step.repeat})") if step.group else "",
        "id": plain(step.id),
        "timing": plain(
            f"{step.id} · {words.span(picture.end - picture.start)}, from {picture.start:.1f} s · "
            + PHASES.get(picture.phase, picture.phase)
            + (f": {_titles(picture)}" if picture.text else "")
        ),
        "says": plain(step.says or ""),
        "orders": plain(". ".join(part for part in (orders, until) if part)),
        "cautions": [plain(c) for c in step.cautions],
        "checks": [check_row(c, number) for c in picture.checks],
        "plots": [plot(caption, svg) for caption, svg in picture.plots],
    }


def _titles(picture: StepPicture) -> str:
    """Why a step failed: the failed checks by their titles, where the text names them by their ids."""
    titles = {str(c.get("id")): str(c.get("title") or c.get("id")) for c in picture.checks}
    return "; ".join(titles.get(part, part) for part in picture.text.split(", "))


def plot(caption: str, svg: str) -> Row:
    """One picture with what is said over it."""
    return {"caption": plain(caption), "svg": Svg(svg)}


def facts(header: Mapping[str, Any]) -> list[Row]:
    """Who, when, by which files. `code`: a digest beside the words."""

    def row(what: str, says: object, code: str = "") -> Row:
        return {"what": plain(what), "says": plain(says), "code": plain(code)}

    basis = "; ".join(str(b) for b in header["procedure"].get("basis") or ())
    return [
        row("Laboratory", header["laboratory"] or "not stated"),
        row("Operator", header["operator"] or "not stated"),
        row("Cautions acknowledged by", header["acknowledged"] or "nobody"),
        row("Begun", f"{header['started']}{', as stated at import' if imported(header) is not None else ''} (sealed {header['sealed']})"),
        row("Procedure", header["procedure"]["file"] + (f"; basis: {basis}" if basis else ""), header["procedure"]["sha256"]),
        *(row("Profile", p["file"], p["sha256"]) for p in header.get("profiles") or ()),
        row("Pairing card", header["pairing"]["file"], header["pairing"]["sha256"]),
        row("Bench card", header["bench"]["file"], header["bench"]["sha256"]),
    ]  # fmt: skip


def instrument(item: Mapping[str, Any], day: str = "") -> Row:
    """One instrument with its calibration, and whether that was overdue on the day of the test (dates as ISO 8601)."""
    name, role = str(item.get("name", "")), item.get("role")
    return {
        "name": cell(f"{name} ({role})" if role and role != name else name),
        "class": word(spoken.words(str(item.get("class", "")))),
        "identity": cell(item.get("identity") or "none"),
        "accuracy": cell(spoken.quantities(str(item.get("accuracy") or ""))),
        "serial": word(item.get("serial") or "not stated"),
        "calibrated": word(item.get("calibrated") or "not stated"),
        "due": word(
            f"{item['due']} OVERDUE"
            if day and item.get("due") and str(item["due"])[:10] < day
            else item.get("due") or "not stated"
        ),
        "certificate": cell(item.get("certificate") or ""),
    }


def guard(item: Any) -> Row:
    """One guard as it stood during the run."""
    return {
        "says": cell(spoken.capital(item.says or item.id)),
        "channel": word(item.channel),
        "allowed": cell(words.limit(item.low, item.high, item.unit, item.channel)),
        "delay": words.span(item.delay),
        "acts": words.span(item.acts_within) if item.acts_within else "not worked out",
        "origin": word(item.origin),
    }


def safe_step(item: Mapping[str, Any], units: Mapping[str, str]) -> Row:
    """One order of making safe, with what the meter said in its unit."""
    at = item.get("at")
    return {
        "says": cell(item.get("says") or item.get("id")),
        "phase": word(item.get("phase", "")),
        "text": cell(_READS.sub(partial(_with_unit, units), str(item.get("text", "")))),
        "at": f"{at:.1f} s" if words.is_number(at) else "",
    }


_READS = re.compile(r"(?P<channel>[a-z0-9_.]+) reads (?P<value>-?[0-9][0-9.e+-]*)$")


def no_safe_order(header: Mapping[str, Any]) -> str:
    """What is said where no order of the safe order is on record."""
    why = "gap" if header.get("gap") else str(header["safe"]["state"])
    return words.NO_SAFE_ORDER.get(why, "No order of the safe order was given.")


def _with_unit(units: Mapping[str, str], found: "re.Match[str]") -> str:
    unit = units.get(found["channel"], "")
    try:
        said = words.bound(float(found["value"]), unit, found["channel"]) if unit else found["value"]
    except ValueError:
        said = found["value"]
    return f"{found['channel']} reads {said.replace('-', words.MINUS)}"


def program(header: Mapping[str, Any]) -> list[Row]:
    """Program, data, digests."""
    made, counts = header["program"], header["counts"]
    libraries = ", ".join(f"{n} {v}" for n, v in (made["libraries"] or {}).items())
    rows = [
        ("Program", f"{made['name']} {made['version']}, Python {made['python']}, {made['platform']}", ""),
        ("Libraries", libraries or "not stated", ""),
        ("Seed", header["seed"], ""),
        (
            "Data",
            f"{counts['inputs']} inputs, {counts['readings']} readings, {counts['waveforms']} waveform{'' if counts['waveforms'] == 1 else 's'}",
            "",
        ),
        ("Digest of readings", "", header["digests"]["readings"]),
        ("Digest of inputs", "", header["digests"]["inputs"]),
        ("Digest of checks", "", header["digests"]["checks"]),
    ]
    return [{"what": w, "says": plain(s), "code": plain(c)} for w, s, c in rows]


def signatures(verification: Verification) -> list[Row]:
    """Every signature that holds, as `verify` sees it now."""
    return [
        {
            "role": cell(s.role),
            "name": cell(s.name),
            "demo": s.demo,
            "key": cell(s.key.thumbprint),
            "at": cell(s.at),
            "comment": cell(s.comment),
        }
        for s in verification.signatures
    ]
