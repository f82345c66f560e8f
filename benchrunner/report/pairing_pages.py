"""The pairing sheet as one HTML file or as one page of PDF."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from benchrunner.errors import Problem, Refused
from benchrunner.report.html import fill
from benchrunner.report.pairing_sheet import sheet
from benchrunner.report.pdf import Paper, pages_of, set_pages
from benchrunner.report.place import place

SIZES = (9.6, 9.0, 8.4, 7.8, 7.2)  # pt; the largest at which it is one page
FEWER = (26, 18, 12, 8)  # rows
LONGEST = 72  # characters of a procedure's name


def write_sheet(
    pairing: str, folder: Path | str, out: Path | str, kind: Literal["html", "pdf"], paper: Paper = "a4"
) -> Path:
    """Write the sheet of a pairing to `out`; gives its path. Raises `Refused`."""
    content = sheet(pairing, folder)
    if kind == "html":
        return place(fill("pairing_sheet.html.j2", content).encode("utf-8"), out)
    return place(one_page(content, paper), out)


def one_page(content: Mapping[str, Any], paper: Paper) -> bytes:
    """The sheet as a PDF of exactly one page, in the largest letters that fit; what does not fit is counted and said."""
    named = [{**row, "name": _short(row["name"])} for row in content["procedures"]]
    content = {**content, "untested": [_short(name) for name in content["untested"]]}
    for most in FEWER:
        rows = named[:most]
        cut = content["cut"] + len(named) - len(rows)
        for size in SIZES:
            made = set_pages(
                {**content, "procedures": rows, "cut": cut}, "pairing_sheet.typ", paper, size=f"{size}"
            )
            if pages_of(made) == 1:
                return made
    raise Refused(Problem("the sheet", "does not fit on one page", "take --html"))


def _short(name: str) -> str:
    return name if len(name) <= LONGEST else name[: LONGEST - 1] + "\u2026"
