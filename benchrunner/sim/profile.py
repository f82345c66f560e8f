"""Owns profiles over time: a CSV file of settings, checked, and given to the plant order by order.

The first column is `time` in seconds from the start, rising; every other one is a setting of the plant by its name, in
SI (`load.power`, `pv_source.irradiance`). A value holds until the next row (steps), or, with `ramps`, is approached in
straight lines whose steps the caller chooses. Empty cells leave a setting as it is.

The file is untrusted: its size, its rows and its columns are bounded, numbers must be finite, nothing is executed.
"""

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from benchrunner.errors import Problem, Refused
from benchrunner.sim.settings import SETTINGS

LARGEST = 20_000_000  # bytes
MOST_ROWS, MOST_COLUMNS = 200_000, 32
MOST_PROBLEMS = 20  # listed; a file with more has one cause
LONGEST = 31_622_400.0  # s: a leap year


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
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise Refused(
                Problem(str(path), f"has {size} bytes", f"a profile has at most {LARGEST}: thin it out")
            )
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise Refused(Problem(str(path), "is no UTF-8 text", "save it as CSV in UTF-8")) from error
    except OSError as error:
        raise Refused(Problem(str(path), f"cannot be read: {error.strerror}", "check the path")) from error
    return parse_profile(text, str(path))


def parse_profile(text: str, where: str = "profile") -> Profile:
    """A profile from the text of a CSV file. Raises `Refused` with all that is wrong in it."""
    try:
        rows = list(csv.reader(text.splitlines()[: MOST_ROWS + 2], strict=True))
    except csv.Error as error:
        raise Refused(
            Problem(where, f"is no CSV: {error}", "separate by commas, numbers with a point")
        ) from error
    if not rows or [cell.strip() for cell in rows[0][:1]] != ["time"]:
        raise Refused(
            Problem(f"{where}:1", "does not begin with the column `time`", "head it: time,load.power")
        )
    head = [cell.strip() for cell in rows[0]]
    problems = _head(head, where)
    if len(rows) - 1 > MOST_ROWS:
        problems.append(Problem(where, f"has more than {MOST_ROWS} rows", "thin it out"))
    times: list[float] = []
    columns: list[list[float]] = [[] for _ in head[1:]]
    for line, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(problems) >= MOST_PROBLEMS:
            break
        at = f"{where}:{line}"
        if len(row) != len(head):
            problems.append(Problem(at, f"has {len(row)} cells under {len(head)} heads", "one for each head"))
            continue
        time = _number(row[0])
        last = times[-1] if times else -1.0
        if time is None or math.isnan(time) or not 0.0 <= time <= LONGEST:
            problems.append(Problem(at, f"has the time {row[0]!r}", f"give seconds, 0 to {LONGEST:g}"))
            continue
        if time <= last:
            problems.append(Problem(at, f"goes back to {time:g} s after {last:g} s", "times rise"))
            continue
        times.append(time)
        for name, cell, column in zip(head[1:], row[1:], columns, strict=True):
            value = _number(cell)
            known = SETTINGS.get(name)
            if value is None or (known and not math.isnan(value) and not known.least <= value <= known.most):
                span = f"{known.least:g} to {known.most:g}" if known else "a number"
                problems.append(Problem(f"{at}, {name}", f"is {cell!r}", f"give {span} in the SI unit"))
                value = math.nan
            column.append(value)
    if not times and not problems:
        problems.append(Problem(where, "has no rows", "give at least one time with its values"))
    if problems:
        raise Refused(problems)
    return Profile(tuple(times), {name: tuple(c) for name, c in zip(head[1:], columns, strict=True)})


def _head(head: list[str], where: str) -> list[Problem]:
    problems: list[Problem] = []
    if len(head) < 2 or len(head) > MOST_COLUMNS:
        problems.append(Problem(f"{where}:1", f"has {len(head)} columns", f"give 2 to {MOST_COLUMNS}"))
    for name in head[1:]:
        if name not in SETTINGS:
            problems.append(
                Problem(f"{where}:1", f"has a column {name[:40]!r}", f"settings: {', '.join(SETTINGS)}")
            )
    for name in sorted({name for name in head if head.count(name) > 1}):
        problems.append(Problem(f"{where}:1", f"has the column {name!r} twice", "give each once"))
    return problems[:MOST_PROBLEMS]


def _number(cell: str) -> float | None:
    """The number in a cell; NaN where it is empty; None where it is none, or not finite."""
    text = cell.strip()
    if not text:
        return math.nan
    if len(text) > 40 or not set(text) <= set("0123456789+-.eE"):
        return None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
