"""Plans an order that follows a column of a profile file: the column found, its unit held against the setting's, its numbers worked out."""

import math
from collections.abc import Mapping

from benchrunner.cards.classes import Setting
from benchrunner.cards.reading import KeyPath
from benchrunner.procedure import model, running
from benchrunner.procedure.amounts import Amounts, Base, shown
from benchrunner.procedure.names import did_you_mean
from benchrunner.procedure.profile import ProfileFile

Profiles = Mapping[str, ProfileFile]
CLOSEST = 0.05  # s between two values, at least; as for the steps of a ramp


def following(
    amounts: Amounts, given: model.Order, path: KeyPath, setting: Setting, profiles: Profiles | None
) -> running.PlannedOrder | None:
    """The planned order; None where it is at fault, or where nobody has looked for its file (no problem of this order)."""
    findings, name = amounts.findings, given.profile or ""
    if setting.kind == "switch":
        findings.add(
            path, f"lets the switch {given.set!r} follow a profile", "switch it in an order of its own"
        )
        return None
    file = (profiles or {}).get(name)
    if file is None:
        return None  # told by who reads it
    column = file.columns.get(given.set)
    if column is None:
        findings.add(
            (*path, "profile"),
            f"{name} has no column {given.set!r}",
            did_you_mean(given.set, file.columns, "columns"),
        )
        return None
    factor = _factor(amounts, given, path, setting.unit, column.unit, name)
    if not file.time_unit:
        findings.add((*path, "profile"), f"{name} does not say in what its times are", "head it: time (s)")
    gaps = [
        (b - a, line) for a, b, line in zip(column.times, column.times[1:], column.lines[1:], strict=False)
    ]
    if gaps and min(gaps)[0] < CLOSEST * (1.0 - 1e-9):
        gap, line = min(gaps)
        what = f"line {line} of {name} comes {gap:g} s after the value before it"
        findings.add(
            (*path, "profile"), what, f"leave at least {CLOSEST:g} s between two values: thin it out"
        )
    every = 0.5 if given.every is None else amounts.seconds((*path, "every"), given.every, least=CLOSEST)
    values = column.values if factor == 1.0 else tuple(factor * value for value in column.values)
    profile = running.PlannedProfile(
        name, file.sha256, column.lines, column.times, values, factor, given.every is not None
    )
    low, high = (shown(end(values), setting.unit) for end in (min, max))
    how = "in straight lines" if profile.straight else "in steps"
    text = f"{given.set} as {name} says: {len(values)} values in {shown(column.times[-1], 's')}, {low} to {high}, {how}"
    return running.PlannedOrder(
        given.set, values[-1], setting.unit, text, given.together, every=every, profile=profile
    )


def _factor(amounts: Amounts, given: model.Order, path: KeyPath, wanted: str, unit: str, name: str) -> float:
    """What the column's values are multiplied with; NaN where the units do not fit, or where only the cards know it."""
    findings = amounts.findings
    if unit == wanted:
        if given.base is not None and wanted != "1":
            what = f"is of no use: {name} gives {given.set} in {unit}"
            findings.add((*path, "base"), what, "remove it, or give the column in %")
        return 1.0
    if unit == "1" and given.base is not None:
        return amounts.number((*path, "base"), given.base, wanted, Base((*path, "base"), None))
    what = (
        f"{name} gives {given.set} in {unit}"
        if unit not in ("", "1")
        else f"{name} gives {given.set} without a unit"
    )
    mend = f"head the column {given.set} ({wanted})"
    if unit == "1":
        what, mend = f"{name} gives {given.set} in %, and the order does not say of what", "add base = ..."
    findings.add((*path, "profile"), what, mend)
    return math.nan
