"""The energy balance of each step as the report's rows."""

import math
from typing import Any

from benchrunner.report.balance import LOAD, SOURCES, Balance, balance
from benchrunner.report.pictures import Pictures, StepPicture
from benchrunner.report.plain import cell, plain
from benchrunner.report.words import DASH, MINUS

NAMES = {"grid.power": "grid", "pv.power": "pv", "battery_inverter.power": "inverter", LOAD: "load"}


def balances(pictures: Pictures, steps: list[StepPicture]) -> dict[str, Any]:
    """Rows by step, all in one unit, and how many close. Energies in Wh (3600 J), or kWh where the run is long."""
    series = {name: pictures.channel(name) for name in NAMES if name in pictures.periods}
    found = [(p, balance(series, pictures.plan.channels, pictures.periods, p.start, p.end)) for p in steps]
    rows = []
    for number, (picture, sums) in enumerate(found, 1):
        row: dict[str, Any] = {
            "number": number,
            "title": cell(picture.step.title),
            "reason": cell(sums.reason),
        }
        places = _places(sums)
        for name, short in NAMES.items():
            term = sums.terms[name]
            row[short] = _wh(term.energy, places) if term else DASH
        row["residue"] = _wh(sums.residue, places, "+") if sums.residue is not None else DASH
        row["expanded"] = "not evaluated" if sums.residue is not None and sums.expanded is None else (
            _wh(sums.expanded, places) if sums.expanded is not None else DASH)  # fmt: skip
        row["closes"] = {True: "closes", False: "does not close", None: "cannot say"}[sums.closes]
        rows.append(row)
    judged = [sums.closes for _, sums in found if sums.closes is not None]
    missing = [name for name in (*SOURCES, LOAD) if name not in series]
    if missing:
        says = f"The bench does not meter {', '.join(missing)}: the balance cannot be drawn up."
    elif not judged:
        says = "No step has readings enough for a balance."
    else:
        says = f"{sum(judged)} of {len(judged)} steps close within their expanded uncertainty."
        if not all(judged):
            says += " What does not close points at the metering (a reversed clamp, a ratio, a load that nobody meters)."
    return {"rows": [] if missing else rows, "says": plain(says), "method": METHOD}


METHOD = (
    "In Wh to the second digit of U, by the trapezoidal rule over the readings. Signs: grid positive on import, PV and battery inverter positive to "
    "the bus, load positive when drawn. Residue = grid + PV + battery inverter \u2212 load. U (k = 2) takes each meter's error as the "
    "same through the step, and adds where between two readings a change fell. It judges nothing: it is the bench's own "
    "plausibility test."
)


def _places(sums: Balance) -> int:
    """Decimals of a row: to the second digit of its uncertainty (JCGM 100:2008, 7.2.6), as values of checks are shown."""
    if sums.expanded:
        return min(max(1 - math.floor(math.log10(sums.expanded / 3600.0)), 0), 4)
    largest = max((abs(term.energy) for term in sums.terms.values() if term), default=0.0) / 3600.0
    return min(max(3 - math.floor(math.log10(largest)), 0), 3) if largest > 0 else 3


def _wh(joule: float, places: int, sign: str = "") -> str:
    text = f"{joule / 3600.0:{sign}.{places}f}"
    return text.lstrip("-" if float(text) == 0.0 and not sign else "").replace("-", MINUS)
