"""`benchrunner report`: the report of a record as one self-contained HTML file."""

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    parser.add_argument("--html", action="store_true", help="as HTML (the only kind so far, and the default)")
    parser.add_argument("--out", metavar="FILE", help="default: the record's name with .html")


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.cli.verify import a_file
    from benchrunner.report.html import write_report

    record = a_file(options.record)
    print(write_report(record, Path(options.out) if options.out else record.with_suffix(".html")))
    return 0
