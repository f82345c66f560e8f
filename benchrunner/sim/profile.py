"""Owns what the plant makes of profiles over time: a CSV file of settings, given to the plant order by order.

The form of the file is that of procedures (`procedure.profile`); here every column is a setting of the plant by its name
(`load.power`, `pv_source.irradiance`), within its range. A value holds until the next row (steps), or, with `ramps`, is
approached in straight lines whose steps the caller chooses. Empty cells leave a setting as it is.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from benchrunner.cards.reading import load_bytes
from benchrunner.errors import Problem, Refused
from benchrunner.procedure import profile as table
from benchrunner.sim.settings import SETTINGS

LARGEST = 20_000_000  # bytes
MOST_ROWS = 200_000
_UNITS = {
    "power": "W", "voltage": "V", "frequency": "Hz", "frequency_rate": "Hz/s", "irradiance": "W/m^2", "temperature": "K",
    "reactive_power": "var", "phase": "rad", "phase_cut_angle": "rad", "resistance": "ohm", "reactance": "ohm",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Profile:
    """Settings over time: `times` (s, rising), and for each setting its values, NaN where a row leaves it as it is."""

    times: tuple[float, ...]
    values: dict[str, tuple[float, ...]]

    def orders(self, ramps: float = 0.0) -> list[tuple[float, str, float]]:
        """(time, setting, value) in their order. `ramps`: s between the steps of a straight line; 0: no lines."""
        found: list[tuple[float, str, float]] = []
        for name, values in self.values.items():
            known = [(t, v) for t, v in zip(self.times, values, strict=True) if not math.isnan(v)]
            for k, (time, value) in enumerate(known):
                if k and ramps > 0.0:
                    before, was = known[k - 1]
                    count = math.floor((time - before) / ramps)
                    for step in range(1, count):
                        share = step * ramps / (time - before)
                        found.append((before + step * ramps, name, was + share * (value - was)))
                found.append((time, name, value))
        found.sort(key=lambda order: order[0])
        return found


def read_profile(path: Path | str) -> Profile:
    """A profile from a CSV file. Raises `Refused` with all that is wrong in it."""
    return _profile(table.parse_profile(load_bytes(path, LARGEST), str(path), MOST_ROWS, LARGEST))


def parse_profile(text: str, where: str = "profile") -> Profile:
    """A profile from the text of a CSV file. Raises `Refused` with all that is wrong in it."""
    return _profile(table.parse_profile(text.encode("utf-8", "replace"), where, MOST_ROWS, LARGEST))


def _profile(file: table.ProfileFile) -> Profile:
    problems = [problem for column in file.columns.values() for problem in _misfits(column, file.name)]
    if problems:
        raise Refused(sorted(problems, key=lambda p: int(p.where.rsplit(":", 1)[-1].split(",")[0])))
    times = sorted({time for column in file.columns.values() for time in column.times})
    values = {}
    for name, column in file.columns.items():
        known = dict(zip(column.times, column.values, strict=True))
        values[name] = tuple(known.get(time, math.nan) for time in times)
    return Profile(tuple(times), values)


def _misfits(column: table.Column, where: str) -> Iterator[Problem]:
    """What the plant does not take: unknown settings, other units, values out of range."""
    known = SETTINGS.get(column.name)
    if known is None:
        mend = f"settings: {', '.join(SETTINGS)}"
        yield Problem(f"{where}:1, {column.name}", "is no setting of the plant", mend)
        return
    unit = unit_of(column.name)
    if column.unit not in ("", unit):
        yield Problem(f"{where}:1, {column.name}", f"is in {column.unit}", f"give it in {unit}")
        return
    for line, value in zip(column.lines, column.values, strict=True):
        if not known.least <= value <= known.most:
            what = f"is {value:g} {unit}, out of range"
            yield Problem(
                f"{where}:{line}, {column.name}", what, f"give {known.least:g} to {known.most:g} {unit}"
            )


def unit_of(setting: str) -> str:
    """The SI unit of a setting of the plant; 1 for switches and ratios."""
    quantity = setting.partition(".")[2]
    for ending, unit in sorted(_UNITS.items(), key=lambda pair: -len(pair[0])):
        if quantity == ending or quantity.endswith("_" + ending) or quantity.startswith(ending + "_l"):
            return unit
    return "1"
