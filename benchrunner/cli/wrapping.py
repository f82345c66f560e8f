"""Lines and tables at the width of whoever reads: the terminal's, 110 columns where there is none (COLUMNS says otherwise)."""

import shutil
import textwrap
from collections.abc import Sequence
from typing import IO

NARROW = 110  # the table of checks in one line each
LEAST = 40


def width() -> int:
    """Columns of the terminal; `NARROW` where the output goes elsewhere."""
    return max(shutil.get_terminal_size((NARROW, 24)).columns, LEAST)


def wrapped(text: str, deeper: str = "    ") -> str:
    """A line, and what does not fit below it, `deeper` than it begins. No word is broken: digests and paths stay whole."""
    indent = text[: len(text) - len(text.lstrip(" "))]
    return textwrap.fill(
        text.strip(), width(), initial_indent=indent, subsequent_indent=indent + deeper, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def columns(
    rows: Sequence[Sequence[str]], left: Sequence[int], sink: IO[str], names: int = 1, indent: str = "  "
) -> list[list[str]]:
    """Rows of cells in aligned columns, `left` of them to the left: the lines of each row, also written to `sink`.

    Where a line would not fit, the first `names` cells of a row stand on a line of their own and the others below it.
    """
    lines = laid_out(rows, left, names, indent)
    for one in lines:
        for line in one:
            print(line, file=sink)
    return lines


def laid_out(
    rows: Sequence[Sequence[str]], left: Sequence[int], names: int = 1, indent: str = "  "
) -> list[list[str]]:
    """As `columns`, without writing."""
    widths = [max((len(row[k]) for row in rows), default=0) for k in range(len(rows[0]) if rows else 0)]

    def line(row: Sequence[str], first: int, last: int, before: str) -> str:
        cells = [
            row[k].ljust(widths[k]) if k in left else row[k].rjust(widths[k]) for k in range(first, last)
        ]
        return (before + "  ".join(cells)).rstrip()

    whole = [line(row, 0, len(row), indent) for row in rows]
    if max(map(len, whole), default=0) <= width():
        return [[one] for one in whole]
    below, last = indent + "    ", len(rows[0]) - 1
    two = [[line(row, 0, names, indent), line(row, names, last + 1, below)] for row in rows]
    if max(len(one[1]) for one in two) <= width():
        return two
    return [
        [line(row, 0, names, indent), line(row, names, last, below), wrapped(below + row[last], "")]
        for row in rows
    ]
