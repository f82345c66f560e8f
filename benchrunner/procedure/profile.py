"""Profiles over time from CSV: a first column `time`, and one column for each setting, checked as it is read.

    time (s),load.power (kW),pv_source.irradiance (W/m^2)
    0,2.4,900
    10,,350

A head names the setting and, in brackets, its unit; without a unit the column is in SI. An empty cell leaves the setting
as it is. Times rise. The file is untrusted: bytes, rows, columns and lengths are bounded, numbers are finite, nothing in it
is executed. Bytes come in, values and problems come out: who reads the file is not the business of this module.
"""

import csv
import hashlib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from benchrunner import units
from benchrunner.errors import Problem, Refused

LARGEST = 4_000_000  # bytes
MOST_COLUMNS = 32
MOST_PROBLEMS = 20  # listed; a file with more has one cause
LONGEST = 31_622_400.0  # s: a leap year
_HEAD = re.compile(r"([a-z][a-z0-9_.]{0,80})(?:[ \t]*[(\[][ \t]*([^()\[\]]{1,20}?)[ \t]*[)\]])?")


@dataclass(frozen=True, slots=True)
class Column:
    """One setting over time: value k (SI) at `times[k]` (s), from line `lines[k]`. `unit`: its SI unit, "" where none is stated."""

    name: str
    unit: str
    lines: tuple[int, ...]
    times: tuple[float, ...]
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ProfileFile:
    """A file of profiles as read. `time_unit`: whether its head states one."""

    name: str
    raw: bytes = field(repr=False)
    columns: dict[str, Column] = field(repr=False)
    time_unit: bool = False

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, in hex."""
        return hashlib.sha256(self.raw).hexdigest()


def parse_profile(raw: bytes, where: str, most_rows: int = 50_000, largest: int = LARGEST) -> ProfileFile:
    """The profiles in a CSV file's bytes; `where` names it in messages. Raises `Refused` with all that is wrong."""
    if len(raw) > largest:
        raise Refused(Problem(where, f"has more than {largest:,} bytes", "thin it out"))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise Refused(Problem(f"{where}:{line}", "is no UTF-8 text", "save it as CSV in UTF-8")) from error
    lines = text.replace("\r\n", "\n").split("\n")
    if len(lines) > most_rows + 2:
        raise Refused(Problem(where, f"has more than {most_rows:,} rows", "thin it out"))
    try:
        # a line at a time: a quote that is never closed cannot swallow the rest, and line numbers are true
        rows = [next(csv.reader([line], strict=True), []) for line in lines]
    except csv.Error as error:
        raise Refused(
            Problem(where, f"is no CSV: {error}", "separate by commas, numbers with a point")
        ) from error
    table = _Table(where, rows[0])
    for number, row in enumerate(rows[1:], 2):
        if any(cell.strip() for cell in row) and len(table.problems) < MOST_PROBLEMS:
            table.row(number, row)
    return table.finished(raw)


class _Table:
    """Takes rows and gathers columns and problems."""

    def __init__(self, where: str, head: list[str]) -> None:
        self.where, self.problems = where, list[Problem]()
        found = [_HEAD.fullmatch(cell.strip()) for cell in head]
        self.names = [
            match.group(1) if match else cell.strip() for match, cell in zip(found, head, strict=True)
        ]
        if not self.names or self.names[0] != "time":
            mend = "head it: time (s),load.power (W)"
            raise Refused(Problem(f"{where}:1", "does not begin with the column `time`", mend))
        if not 2 <= len(self.names) <= MOST_COLUMNS:
            raise Refused(
                Problem(f"{where}:1", f"has {len(self.names)} columns", f"give 2 to {MOST_COLUMNS}")
            )
        for match, name in zip(found, self.names, strict=True):
            if match is None:
                mend = "write the setting and its unit, such as load.power (kW)"
                self.problems.append(Problem(f"{where}:1", f"has a column {name[:40]!r}", mend))
        for name in sorted({name for name in self.names if self.names.count(name) > 1}):
            self.problems.append(
                Problem(f"{where}:1, {name[:40]}", "is a column twice", "give each setting once")
            )
        self.units = [self._unit(match) for match in found]
        self.stated = bool(found[0] and found[0].group(2))
        if self.units[0][2] not in ("", "s"):
            self.problems.append(Problem(f"{where}:1, time", "is no time by its unit", "write time (s)"))
        self.last = -1.0
        self.rows = 0
        self.cells: list[list[tuple[int, float, float]]] = [[] for _ in self.names[1:]]

    def _unit(self, match: "re.Match[str] | None") -> tuple[float, float, str]:
        """Factor, offset and SI unit of a column; the unit "" where the head states none."""
        if match is None or match.group(2) is None:
            return 1.0, 0.0, ""
        try:
            zero, one = units.parse(f"0 {match.group(2)}"), units.parse(f"1 {match.group(2)}")
        except units.UnitError as error:
            self.problems.append(Problem(f"{self.where}:1, {match.group(1)}", error.what, error.mend))
            return 1.0, 0.0, ""
        return one.value - zero.value, zero.value, one.unit

    def row(self, number: int, row: list[str]) -> None:
        at = f"{self.where}:{number}"
        self.rows += 1
        if len(row) != len(self.names):
            what = f"has {len(row)} cells under {len(self.names)} heads"
            self.problems.append(Problem(at, what, "one for each head, numbers with a point"))
            return
        time = _number(row[0])
        time = None if time is None else time * self.units[0][0]
        if time is None or not 0.0 <= time <= LONGEST:  # an empty one is NaN
            what = f"is {row[0][:40]!r}"
            self.problems.append(Problem(f"{at}, time", what, f"give a time from 0 to {LONGEST:g} s"))
            return
        if time <= self.last:
            what = f"goes back to {time:g} s after {self.last:g} s"
            self.problems.append(Problem(f"{at}, time", what, "times rise from row to row"))
            return
        self.last = time
        for name, cell, (factor, offset, _), cells in zip(
            self.names[1:], row[1:], self.units[1:], self.cells, strict=True
        ):
            value = _number(cell)
            if value is None:
                what = f"is {cell[:40]!r}, no number"
                self.problems.append(
                    Problem(f"{at}, {name[:40]}", what, "write it with a point, without its unit")
                )
            elif not math.isnan(value):
                cells.append((number, time, value * factor + offset))

    def finished(self, raw: bytes) -> ProfileFile:
        if not self.rows and not self.problems:
            self.problems.append(Problem(self.where, "has no rows", "give at least one time with its values"))
        for name, cells in zip(self.names[1:], self.cells, strict=True):
            if not cells and not self.problems:
                where = f"{self.where}, {name[:40]}"
                self.problems.append(
                    Problem(where, "has no values", "give at least one, or leave the column out")
                )
        if self.problems:
            raise Refused(self.problems[:MOST_PROBLEMS])
        columns = {
            name: Column(name, unit, *_columns(cells))
            for name, (_, _, unit), cells in zip(self.names[1:], self.units[1:], self.cells, strict=True)
        }
        return ProfileFile(self.where, raw, columns, self.stated)


def _columns(
    cells: Iterable[tuple[int, float, float]],
) -> tuple[tuple[int, ...], tuple[float, ...], tuple[float, ...]]:
    lines, times, values = zip(*cells, strict=True)
    return lines, times, values


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
