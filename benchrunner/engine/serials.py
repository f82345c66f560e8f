"""An instrument of a real bench was exchanged for another of its kind: passed by a named person for one run, and kept.

Identity patterns are never passed: a command to another kind of instrument may do anything. Nor is a serial number that
belongs to another instrument of the card, since then two cables are exchanged.
"""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchrunner.bench.prechecks import SERIAL
from benchrunner.record.facts import utc_now

if TYPE_CHECKING:
    from benchrunner.engine.prepare import Prepared


def may_pass(prepared: "Prepared") -> bool:
    """Whether a named person answers for other serial numbers in this run."""
    return SERIAL in prepared.request.override and not prepared.bench.simulated


def let_pass(prepared: "Prepared", host: Any) -> None:
    """Tell the instruments so, before their links are opened."""
    if may_pass(prepared):
        for instrument in host.instruments.values():
            instrument.other_serial_passes = True


def kept(prepared: "Prepared", host: Any) -> "Prepared":
    """What was passed, as the record keeps it; an override that was not needed is not kept."""
    other = [instrument for instrument in host.instruments.values() if instrument.passed_serial]
    if not other:
        return prepared
    request = prepared.request
    said = tuple(
        f"{one.name} is another instrument than the bench card names: serial number {one.passed_serial}, where the card says "
        f"{one.part.serial}; accuracy, calibration and wiring proof on the card are those of the latter"
        for one in other
    )
    gate = {
        "gate": SERIAL, "by": request.override_by.strip(), "why": request.override_why.strip(), "at": utc_now(),
        "missing": "; ".join(f"{one.name}: {one.part.serial}, not {one.passed_serial}" for one in other),
    }  # fmt: skip
    return replace(
        prepared, overridden=(*prepared.overridden, gate), deviations=(*prepared.deviations, *said)
    )
