"""`benchrunner sheet`: what all records of a pairing show, on one page."""

import argparse
from pathlib import Path
from typing import Literal

from benchrunner.cli.target import replace_option, target


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("pairing", help="a pairing card, by name or path")
    parser.add_argument(
        "--from",
        dest="folder",
        default=".",
        metavar="FOLDER",
        help="where the records are, folders in it included, or an archive, asked by its index (default: here)",
    )
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--html", action="store_true", help="as one HTML file (the default)")
    kind.add_argument("--pdf", action="store_true", help="as PDF of one page")
    parser.add_argument("--paper", type=str.lower, choices=("a4", "letter"), help="of the PDF (default: a4)")
    parser.add_argument(
        "--out", metavar="FILE", help="default: the card's name with -sheet.html or -sheet.pdf"
    )
    replace_option(parser)


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.cli.report import wants_pdf
    from benchrunner.errors import Problem, Refused
    from benchrunner.report.pairing_pages import write_sheet

    kind: Literal["html", "pdf"] = "pdf" if wants_pdf(options) else "html"
    if options.paper and kind == "html":
        raise Refused(Problem("--paper", "is of a PDF only", "give --pdf as well"))
    out = target(options.out or f"{Path(options.pairing).stem}-sheet.{kind}", options.replace)
    print(write_sheet(options.pairing, options.folder, out, kind, options.paper or "a4"))
    return 0
