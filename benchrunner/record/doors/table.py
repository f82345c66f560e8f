"""Another logger's file, read: columns of numbers over time, and all that was not as plain as it should be, with lines.

Nothing is mended in silence: what a careful reader might do is either refused, or done because it was asked for and said.
"""

import csv
import io
import math
import re
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path

from benchrunner.errors import Problem, Refused
from benchrunner.record.doors.mapping import Map
from benchrunner.record.tables import MOST_ROWS

LARGEST = 256 << 20  # bytes of a file
HEAD = 200  # lines within which the names of the columns must come
LONGEST_CELL = 4096
LONGEST_TIME = 1e12  # s
MOST_SAID = 10
GAP = 5.0  # times the usual interval
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_MISSING = frozenset(("", "nan", "na", "n/a", "null", "none", "-", "--", "---"))
_OVERLOAD = 9.85e37  # SCPI-1999 vol. 1, 7.2.1.4: 9.9E37 is infinity, 9.91E37 not a number


@dataclass
class Parsed:
    """`times` in s from the first; `values[k]` of the map's column k in SI, NaN where there was none.

    `lines`: the file's line of each row; `started`: UTC of time 0 where the file says it; `stated`: what had to be said.
    """

    times: "array[float]"
    values: "list[array[float]]"
    lines: "array[int]"
    started: str = ""
    separator: str = ""
    decimal: str = "."
    encoding: str = "utf-8"
    header_line: int = 0
    interval: float = 1.0
    stated: list[str] = field(default_factory=list)


def read_bytes(path: Path) -> bytes:
    """The file as it is. Raises `Refused`."""
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise Refused(
                Problem(
                    str(path),
                    f"has {size >> 20} MiB; {LARGEST >> 20} are read at most",
                    "split it, and import the parts",
                )
            )
        return path.read_bytes()
    except OSError as error:
        raise Refused(Problem(str(path), f"cannot be read: {error.strerror}", "give a CSV file")) from error


def parse(raw: bytes, name: str, given: Map) -> Parsed:
    """The readings in `raw`. Raises `Refused` with lines for all that cannot be read as it stands."""
    text, encoding = _text(raw, name, given.encoding)
    separator, header_line, index, named = _header(text, name, given)
    first = given.data_from or header_line + 1
    rows = _rows(text, name, separator, first)
    decimal = given.decimal or _decimal(text, name, separator, first, index)
    found = Parsed(array("d"), [array("d") for _ in given.columns], array("q"))
    found.separator, found.decimal, found.encoding, found.header_line = (
        separator,
        decimal,
        encoding,
        header_line,
    )
    reading = _Reading(name, given, index, named, decimal, found)
    for line, row in rows:
        reading.take(line, row)
        if len(reading.problems) >= MOST_SAID:
            break
    reading.close()
    return found


def _text(raw: bytes, name: str, encoding: str) -> tuple[str, str]:
    if raw[:3] == b"\xef\xbb\xbf":
        encoding = "utf-8-sig"
    elif raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    encoding = encoding or "utf-8"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise Refused(
            Problem(
                f"{name}:{line}",
                f"is no {encoding} text",
                "give --encoding cp1252 (or the one that it was written in)",
            )
        ) from error
    if "\0" in text:
        raise Refused(
            Problem(
                f"{name}:{text[: text.index(chr(0))].count(chr(10)) + 1}",
                "holds a NUL: it is no text",
                "give a CSV file",
            )
        )
    return text, encoding


def _rows(text: str, name: str, separator: str, first: int) -> Iterator[tuple[int, list[str]]]:
    """Each row from line `first` on with the line that it ends on; blank ones are left out."""
    stream = io.StringIO(text, newline="")
    for _ in range(first - 1):
        if not stream.readline():
            return
    csv.field_size_limit(LONGEST_CELL)
    reader = csv.reader(stream, delimiter=separator)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            where = f"{name}:{first - 1 + reader.line_num}"
            long = "field larger" in str(error)
            what = f"has a cell of more than {LONGEST_CELL} characters" if long else f"is no CSV: {error}"
            raise Refused(Problem(where, what, "check its quotes and its separator")) from error
        if any(cell.strip() for cell in row):
            yield first - 1 + reader.line_num, row


def _header(text: str, name: str, given: Map) -> tuple[str, int, list[int], int]:
    """Separator, line, the index of each wanted column (the time's first), and how many columns the line names."""
    wanted = [(given.time, given.time_short), *((c.name, c.short) for c in given.columns)]
    head = []
    stream = io.StringIO(text)
    for line in stream:
        head.append(line[: 1 << 16])
        if len(head) >= HEAD:
            break
    best: tuple[int, list[str], int] = (-1, [], 0)
    for separator in [given.separator] if given.separator else [";", "\t", ",", "|"]:
        for number, line in enumerate(head, 1):
            try:
                cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
            except csv.Error:
                continue
            index = [_place(cells, *pair) for pair in wanted]
            there = sum(1 for place in index if place is not None)
            if there == len(wanted):
                places = [place for place in index if place is not None]
                doubled = [cells[p] for p in places if cells.count(cells[p]) > 1]
                if doubled:
                    raise Refused(
                        Problem(
                            f"{name}:{number}",
                            f"has two columns {doubled[0]!r}",
                            "give each column a name of its own",
                        )
                    )
                return separator, number, places, len(cells)
            if (there, len(cells)) > (best[0], len(best[1])):
                best = (there, cells, number)
    _, cells, number = best
    if not any(cells):
        what, mend = (
            "is empty: it has no line with the names of columns",
            "give a file with readings over time",
        )
        if "\r" in text.rstrip().replace("\r\n", ""):
            what = "ends its lines with a carriage return alone, as very old systems did"
            mend = "save it again with the line ends of today"
        raise Refused([Problem(name, what, mend)])
    problems = []
    for long, short in wanted:
        if _place(cells, long, short) is None:
            near = get_close_matches(long, cells, 3, 0.4)
            mend = (
                f"did you mean {' or '.join(map(repr, near))}?"
                if near
                else f"it has {', '.join(map(repr, cells[:12]))}"
            )
            problems.append(Problem(f"{name}:{number or 1}", f"has no column {long!r}", mend))
    raise Refused(problems)


def _place(cells: Sequence[str], long: str, short: str) -> int | None:
    return next((cells.index(name) for name in (long, short) if name in cells), None)


def _decimal(text: str, name: str, separator: str, first: int, index: Sequence[int]) -> str:
    """A comma, where the first rows have commas inside numbers and no points."""
    if separator == ",":
        return "."
    cells = []
    for _, row in _rows(text, name, separator, first):
        cells += [row[k].strip() for k in index[1:] if k < len(row)]
        if len(cells) > 1000:
            break
    comma = any(re.fullmatch(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?", cell) for cell in cells)
    point = any(re.fullmatch(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?", cell) for cell in cells)
    return "," if comma and not point else "."


class _Reading:
    """Takes the rows one after the other."""

    def __init__(
        self, name: str, given: Map, index: Sequence[int], named: int, decimal: str, found: Parsed
    ) -> None:
        self.problems: list[Problem] = []
        self._name, self._map, self._found, self._named = name, given, found, named
        self._index, self._decimal = index, decimal
        self._iso = given.time_factor == 0.0
        self._auto = not given.time_spelling  # the first row shows whether it is a number or ISO 8601
        self._naive: bool | None = None
        self._missing = self._overload = 0
        self._latest = -math.inf
        self._same: list[int] = []
        self._replaced: list[int] = []
        self._back: list[int] = []

    def take(self, line: int, row: list[str]) -> None:
        """One row. What is wrong with it is kept."""
        if len(self._found.times) >= MOST_ROWS:  # what is sealed must be readable again
            what = f"is row {MOST_ROWS + 1} of readings; a record holds {MOST_ROWS:,} at most"
            raise Refused(Problem(f"{self._name}:{line}", what, "split the file, and import the parts"))
        if len(row) <= max(self._index):
            self._wrong(
                line,
                f"has {len(row)} columns where {max(self._index) + 1} are needed",
                "complete the line, or remove it",
            )
            return
        if any(cell.strip() for cell in row[self._named :]):  # the comma of 230,1 would cut a number in two
            what = f"has {len(row)} values where the line of names has {self._named} columns"
            mend = "is the separator the decimal sign as well? Write the file with another separator, or name every column"
            self._wrong(line, what, mend)
            return
        at = self._time(line, row[self._index[0]].strip())
        if at is None:
            return
        values = [
            self._value(line, row[k].strip(), column)
            for k, column in zip(self._index[1:], range(len(self._map.columns)), strict=True)
        ]
        found = self._found
        if at <= self._latest and not self._again(line, at, values):
            return
        self._latest = max(self._latest, at)
        found.times.append(at)
        found.lines.append(line)
        for column, value in zip(found.values, values, strict=True):
            column.append(value)

    def _again(self, line: int, at: float, values: list[float]) -> bool:
        """A time that is not later than the one before; whether the row is still to be kept."""
        found = self._found
        if at == self._latest and found.times and at == found.times[-1]:
            before = [column[-1] for column in found.values]
            if all(a == b or (a != a and b != b) for a, b in zip(before, values, strict=True)):
                self._same.append(line)
                return False
            if self._map.duplicates == "refuse":
                self._wrong(
                    line, f"has the time of line {found.lines[-1]} and other values",
                    "remove one of them, or give --duplicates first or last (a clock set back shows so, too)",
                )  # fmt: skip
                return False
            self._replaced.append(line)
            if self._map.duplicates == "last":
                for column, value in zip(found.values, values, strict=True):
                    column[-1] = value
            return False
        if self._map.sort:
            self._back.append(line)
            return True
        self._wrong(
            line, f"goes back in time, behind line {found.lines[-1]}",
            "was the clock set, or do two measurements follow each other? Split the file, or give --sort",
        )  # fmt: skip
        return False

    def _wrong(self, line: int, what: str, mend: str) -> None:
        self.problems.append(Problem(f"{self._name}:{line}", what, mend))

    def _time(self, line: int, text: str) -> float | None:
        if self._auto:
            self._auto, self._iso = False, _NUMBER.fullmatch(text.replace(",", ".")) is None
        if not self._iso:
            number = text.replace(",", ".") if self._decimal == "," else text
            at = float(number) * (self._map.time_factor or 1.0) if _NUMBER.fullmatch(number) else math.nan
            if not abs(at) < LONGEST_TIME:
                self._wrong(
                    line,
                    f"{text[:40]!r} is no time",
                    "name the first line of readings by --data-from, or give the time's format",
                )
                return None
            return at
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            self._wrong(
                line,
                f"{text[:40]!r} is no time as ISO 8601 writes it",
                "write 2026-03-14T10:15:00Z, or --data-from the first line of readings",
            )
            return None
        naive = moment.tzinfo is None
        if self._naive is not None and naive is not self._naive:
            self._wrong(line, "has a time with and others without a time zone", "write them all in one way")
            return None
        self._naive = naive
        return (moment.replace(tzinfo=UTC) if naive else moment).timestamp()

    def _value(self, line: int, text: str, column: int) -> float:
        if text.casefold() in _MISSING:
            self._missing += 1
            return math.nan
        number = text.replace(",", ".") if self._decimal == "," and "." not in text else text
        if not _NUMBER.fullmatch(number):
            mend = "is the decimal sign right (--decimal)? Thousands are not separated; leave a cell empty where there is no value"
            self._wrong(line, f"{text[:40]!r} is no number (column {self._map.columns[column].name!r})", mend)
            return math.nan
        value = float(number)
        if abs(value) >= _OVERLOAD:
            self._overload += 1
            return math.nan
        known = self._map.columns[column]
        return known.sign * (known.factor * value + known.offset)

    def close(self) -> None:
        """The end of the file: refuse, or set in order and say what is to be said."""
        found = self._found
        if self.problems:
            more = (
                [Problem(self._name, f"more than {MOST_SAID} lines are wrong", "mend these first")]
                if len(self.problems) >= MOST_SAID
                else []
            )
            raise Refused([*self.problems[:MOST_SAID], *more])
        if len(found.times) < 2:
            what = f"holds {_number_of(len(found.times), 'row')} of readings; an interval takes two"
            raise Refused(Problem(self._name, what, "give a file with readings over time"))
        if self._back:
            _sort(found, self._map.duplicates, self._name)
        self._zero()
        steps = sorted(b - a for a, b in zip(found.times, found.times[1:], strict=False))
        found.interval = steps[len(steps) // 2]
        say = found.stated.append
        for lines, words in (
            (self._same, "repeated the one before were left out"),
            (
                self._replaced,
                f"had the time of the one before and other values (the {self._map.duplicates} was kept, as told)",
            ),
            (self._back, "went back in time (all were sorted by time, as told)"),
        ):
            if lines:
                say(f"{_number_of(len(lines), 'line')} that {words}: {_listed(lines)}")
        gaps = [
            k
            for k in range(1, len(found.times))
            if found.times[k] - found.times[k - 1] > GAP * found.interval
        ]
        if gaps:
            longest = max(found.times[k] - found.times[k - 1] for k in gaps)
            say(
                f"{_number_of(len(gaps), 'gap')} longer than {GAP:g} intervals of {found.interval:.6g} s, the longest {longest:.6g} s, before line{'s' if len(gaps) > 1 else ''} "
                f"{_listed([found.lines[k] for k in gaps])}"
            )
        if self._missing:
            say(f"{_number_of(self._missing, 'cell')} without a value")
        if self._overload:
            say(
                f"{_number_of(self._overload, 'cell')} with an instrument's number for overload or for no value (9.9E37, 9.91E37 and beyond)"
            )
        if self._decimal == "," and not self._map.decimal:
            say("commas were taken for decimal signs")
        if self._naive:
            say("its times carry no time zone and were taken for UTC")

    def _zero(self) -> None:
        """Time 0 is the first row of an absolute time; seconds stay as they are unless they cannot be from a start."""
        found = self._found
        first = found.times[0]
        if self._iso:
            found.started = (
                datetime.fromtimestamp(first, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            )
        elif 0.0 <= first <= 1e6:
            return
        else:
            found.stated.append(f"times were counted from that of the first row, {first!r} s in the file")
        for k, at in enumerate(found.times):
            found.times[k] = at - first


def _sort(found: Parsed, duplicates: str, name: str) -> None:
    order = sorted(range(len(found.times)), key=found.times.__getitem__)
    found.times = array("d", (found.times[k] for k in order))
    found.lines = array("q", (found.lines[k] for k in order))
    found.values = [array("d", (column[k] for k in order)) for column in found.values]
    for k in range(1, len(order)):
        if found.times[k] == found.times[k - 1]:
            raise Refused(
                Problem(
                    f"{name}:{found.lines[k]}", f"has the time of line {found.lines[k - 1]}",
                    f"sorting does not tell which of them counts (--duplicates {duplicates} looks at neighbours only): remove one",
                )
            )  # fmt: skip


def _number_of(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _listed(lines: Sequence[int]) -> str:
    return ", ".join(map(str, lines[:MOST_SAID])) + (", ..." if len(lines) > MOST_SAID else "")
