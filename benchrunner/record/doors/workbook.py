"""A record's readings as a workbook (Office Open XML, ISO/IEC 29500), written row by row. No cell holds a formula: what begins like
one stays text.
"""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

import numpy as np

from benchrunner.errors import Problem, Refused
from benchrunner.record.doors.readings import Readings, line

MOST_ROWS = 1_048_576  # of one sheet
MOST_CELLS = 20_000_000  # beyond that no spreadsheet opens it
LONGEST_NAME = 31
CHECKS = (
    "step", "id", "title", "measure", "of", "value", "low", "high", "unit", "uncertainty", "margin", "rule", "verdict", "reason",
)  # fmt: skip


def write(readings: Readings, path: Path) -> None:
    """Write the workbook. Raises `Refused` for a record with more readings than a spreadsheet opens, `OSError`."""
    cells = int(readings.record.header.get("counts", {}).get("readings", 0))
    if cells > MOST_CELLS:  # of all channels: now of those that are wanted
        cells = sum(len(table.times) * len(table.channels) for table in readings.tables())
    if cells > MOST_CELLS:
        raise Refused(
            Problem(
                str(readings.record.path), f"holds {cells} readings, more than a spreadsheet opens",
                "use --to parquet or hdf5, or fewer --channels",
            )
        )  # fmt: skip
    with path.open("xb") as stream:  # before anything is gathered
        target = _Target(stream)
        _fill(readings).save(target)
    if target.failed is not None:
        raise target.failed


def _fill(readings: Readings) -> Any:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    names = _Names()
    _sheet(book, names("record"), (("what", "is"), *readings.about()))
    _sheet(
        book,
        names("checks"),
        (CHECKS, *(tuple(check.get(key) for key in CHECKS) for check in readings.record.checks)),
    )
    rows = ((s.number, s.id, s.title, s.start, s.end) for s in readings.steps)
    _sheet(book, names("steps"), (("number", "id", "title", "start [s]", "end [s]"), *rows))
    for table in readings.tables():
        head = ("time", "step", *table.channels)
        units = ("s", "", *(readings.units[name] for name in table.channels))
        steps = ["", *(s.id for s in readings.steps)]
        numbers = readings.step_numbers(table.times)
        for first in range(0, max(len(table.times), 1), MOST_ROWS - 2):
            part = slice(first, first + MOST_ROWS - 2)
            columns = [column[part].tolist() for column in (table.times, *table.channels.values())]
            marks = [steps[number] for number in numbers[part].tolist()]
            body = (
                (at, mark, *values) for at, mark, *values in zip(columns[0], marks, *columns[1:], strict=True)
            )
            _sheet(book, names(table.source), (head, units), body)
    return book


class _Target:
    """A file that remembers the first error and takes everything else: the writer, broken off in the middle, would
    leave some forty traces of its own on the terminal beside the one message that helps.
    """

    def __init__(self, stream: IO[bytes]) -> None:
        self.failed: OSError | None = None
        self._stream = stream
        self._at = self._end = 0

    def write(self, content: Any) -> int:
        size = memoryview(content).nbytes
        if self.failed is None:
            try:
                self._stream.seek(self._at)
                self._stream.write(content)
                self._stream.flush()  # now, and not when it is closed
            except OSError as error:
                self.failed = error
        self._at += size
        self._end = max(self._end, self._at)
        return size

    def seek(self, offset: int, whence: int = 0) -> int:
        self._at = offset + (0, self._at, self._end)[whence]
        return self._at

    def tell(self) -> int:
        return self._at

    def flush(self) -> None: ...

    def seekable(self) -> bool:
        return True


class _Names:
    """Sheets' names: no sign that is not allowed, short enough, each once."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def __call__(self, wanted: str) -> str:
        plain = re.sub(r"[\[\]:*?/\\']", "_", line(wanted)).strip() or "x"
        number, name = 1, plain[:LONGEST_NAME]
        while name.casefold() in self._taken:
            number += 1
            end = f" ({number})"
            name = plain[: LONGEST_NAME - len(end)] + end
        self._taken.add(name.casefold())
        return name


def _sheet(book: Any, name: str, head: Iterable[Iterable[Any]], body: Iterable[Iterable[Any]] = ()) -> None:
    from openpyxl.cell import WriteOnlyCell

    sheet = book.create_sheet(name)

    def cell(value: Any) -> Any:
        if isinstance(value, str):
            made = WriteOnlyCell(sheet, line(value))
            made.data_type = "s"  # else what begins with "=" would be a formula
            return made
        if isinstance(value, float):
            if not np.isfinite(value):
                return None
            if (
                float(f"{value:.16g}") != value
            ):  # as many digits as the writer gives a number; some need one more
                made = WriteOnlyCell(sheet, repr(value))
                made.data_type = "n"
                return made
        return value

    for row in head:
        sheet.append([cell(value) for value in row])
    for row in body:
        sheet.append([cell(value) for value in row])
