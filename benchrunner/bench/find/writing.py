"""Writes what was found as the draft of a bench card: readable by `check`, refused by `run` until a person has finished it.

Nothing is invented: accuracy, calibration, limits, guards, the safe order and the wiring stand as TODO, since no
instrument can tell them.
"""

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path

from benchrunner.bench.find.proposing import Proposal, drivers
from benchrunner.errors import Problem, Refused

HEAD = """\
# Draft of a bench card, written by `benchrunner find`. It holds what the instruments say of themselves, and nothing else.
# No run starts on it. Finish every TODO, then remove draft = true:
#   - role of each meter, by tracing its wires (a meter cannot tell where it sits)
#   - accuracy, resolution, update and window, from its manual or certificate; calibrated, due and certificate (its number), from its certificate
#   - ratio and direction of clamps and shunts; limits of sources and loads
#   - [wiring], between, interlock, [[guards]] and the [[safe]] order of this bench
# What each of these says: the guide's page bench.md; a finished card to look at: resources/benches/loopback.toml
format = 1
title = {title}   # TODO the name of this bench, as records and reports print it
simulated = {simulated}
draft = true
"""

# A meter at the battery inverter's AC terminals reads the bus's voltage and frequency, and these of the inverter:
OF_THE_INVERTER = ("current", "power", "apparent_power", "reactive_power")


def names(proposals: Sequence[Proposal]) -> list[str]:
    """A name for each instrument on the card: its role where that is sure and free, else its class with a number."""
    roles = [proposal.role for proposal in proposals]
    taken: dict[str, int] = {}
    found = []
    for proposal in proposals:
        sure = proposal.role and roles.count(proposal.role) == 1
        base = proposal.role if sure else _class_of(proposal)
        taken[base] = taken.get(base, 0) + 1
        found.append(base if sure else f"{base}_{taken[base]}")
    return found


def _class_of(proposal: Proposal) -> str:
    classes = {drivers()[name].klass for name in proposal.drivers}
    return classes.pop() if len(classes) == 1 else "instrument"


def card_text(proposals: Sequence[Proposal], title: str = "Bench found on this machine") -> str:
    """The draft as TOML. Instruments that no driver card suits, or several do, stand as comments."""
    sure = [proposal for proposal in proposals if proposal.answer.found]
    simulated = bool(sure) and all("simulated" in proposal.answer.identity.casefold() for proposal in sure)
    parts = [HEAD.format(title=_quoted(title), simulated="true" if simulated else "false")]
    for name, proposal in zip(names(sure), sure, strict=True):
        parts.append(_instrument(name, proposal))
    return "\n".join(parts)


def _instrument(name: str, proposal: Proposal) -> str:
    answer = proposal.answer
    said = answer.identity.split(",")
    lines = [f"# says: {_plain(answer.identity)}"]
    if not proposal.driver:
        among = ", ".join(proposal.drivers) or "none: write one for its class"
        lines += [f"# TODO which driver card? suiting: {among}", f"# address = {_quoted(answer.address)}"]
        return "\n".join(lines) + "\n"
    driver = drivers()[proposal.driver]
    if not proposal.role:
        lines.append(f"# TODO role: one of {', '.join(proposal.roles)}; trace its wires")
    lines += [
        f"[instruments.{name}]",
        f"role = {_quoted(proposal.role or name)}",
        f"class = {_quoted(driver.klass)}",
        f"driver = {_quoted(proposal.driver)}",
        f"address = {_quoted(answer.address)}",
    ]
    if driver.reads:
        lines.append('period = "1 s"                     # TODO as often as its guards and checks need')
    fields = [*said[:2], "*", "*"]
    if all(fields[:2]):
        lines.append(f"identity = {_quoted(','.join(field.strip() for field in fields))}")
    if len(said) > 2 and said[2].strip():
        lines.append(f"serial = {_quoted(said[2].strip()[:60])}")
    lines.append("# TODO accuracy, calibrated, due, certificate: not stated")
    if driver.reads:
        lines.append(
            f"#   [instruments.{name}.accuracy], a line each for: {', '.join(driver.quantities())}, like"
        )
        lines.append(f'#   {driver.quantities()[0]} = {{ of_reading = "", of_range = "", resolution = "" }}')
    if "bus" in proposal.roles and driver.klass == "ac_meter":
        lines.append(
            f"# where its role is bus: what it sees of the battery inverter, under [instruments.{name}.channels]"
        )
        lines += [f'#   {q} = "battery_inverter.{q}"' for q in OF_THE_INVERTER if q in driver.quantities()]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string (its escapes are those of JSON)."""
    return json.dumps(_plain(text), ensure_ascii=False)


def _plain(text: str) -> str:
    return re.sub(r"[^\x20-\x7e\u00a0-\ud7ff]", "?", text)[:200]


def write_card(path: Path, text: str) -> None:
    """Write a new file. Raises `Refused` where there is one already, or it cannot be written."""
    try:
        with os.fdopen(
            os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666), "w", encoding="utf-8"
        ) as file:
            file.write(text)
    except FileExistsError as error:
        raise Refused(
            Problem(str(path), "is there already", "give another name; no card is overwritten")
        ) from error
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "choose another place")
        ) from error
