"""`benchrunner check`: reads procedures and cards without running anything."""

import argparse
import sys
from pathlib import Path

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="procedures, pairing, bench and driver cards (TOML)"
    )
    parser.add_argument(
        "--pairing", default="", metavar="CARD", help="also unroll each procedure for this pairing"
    )
    parser.add_argument("--order", action="store_true", help="with --pairing: print the running order")


def call(options: argparse.Namespace) -> int:
    """0 if every file is in order, 2 if not."""
    from benchrunner.engine.files import check_any

    if options.order and not options.pairing:
        raise Refused(
            Problem(
                "--order", "needs a pairing: limits and times come from it", "add --pairing tarn6-corrie5"
            )
        )
    problems: list[Problem] = []
    for name in options.files:
        try:
            found, kind, says = check_any(Path(name), options.pairing)
        except Refused as refusal:
            found, kind, says = list(refusal.problems), "", []
        problems += found
        if not found:
            print(f"{name}: {kind}, in order")
        for line in says if options.order or kind != "procedure" else []:
            print(f"    {line}")
    for problem in problems:
        print(f"wrong: {problem}", file=sys.stderr)
    if problems:
        print(
            f"{len(problems)} problem{'s' if len(problems) > 1 else ''} in {len(options.files)} file{'s' if len(options.files) > 1 else ''}",
            file=sys.stderr,
        )
    return 2 if problems else 0
