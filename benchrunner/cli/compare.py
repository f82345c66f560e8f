"""`benchrunner compare`: a record against its baseline: what moved, beyond the uncertainty."""

import argparse
import json
import textwrap
from typing import Any

from benchrunner.cli.target import replace_option, target

MARKS = {"worse": "[v]", "cannot tell": "[?]", "improved": "[^]", "no change": "[=]"}
MOST_CHANGES = 25


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.epilog = (
        "exit codes: 0 no change or improved · 1 something is worse · 3 it cannot be told · 2 refused input"
    )
    parser.add_argument("record")
    parser.add_argument("baseline")
    parser.add_argument(
        "--repeats", nargs="+", default=[], metavar="RECORD",
        help="further runs of what the baseline is: their scatter tells a change from chance",
    )  # fmt: skip
    parser.add_argument("--html", metavar="FILE", help="also as a page, with the traces laid over each other")
    replace_option(parser)
    parser.add_argument("--all", action="store_true", help="list also the checks and inputs without a change")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")


def call(options: argparse.Namespace) -> int:
    """0, 1 or 3; refusals are raised."""
    from benchrunner.cli.verify import a_file
    from benchrunner.record.compare import compare

    page = target(options.html, options.replace, "--html") if options.html else None
    found = compare(
        a_file(options.record), a_file(options.baseline), [a_file(name) for name in options.repeats]
    )
    _say(found, options.all)
    if page is not None:
        from benchrunner.report.compare_page import write_page

        print(f"page: {write_page(found, page)}")
    if options.json:
        print(json.dumps(found.data(), ensure_ascii=False))
    return int(found.exit)


def _say(found: Any, everything: bool) -> None:
    from benchrunner.cli.words import plain
    from benchrunner.cli.wrapping import laid_out, width, wrapped
    from benchrunner.report.compare_words import figures

    header, before = found.record.header, found.baseline.header
    print(wrapped(f"{header['procedure']['title']} - {header['pairing']['title']}, {header['started']}"))
    print(
        wrapped(
            f"baseline: {before['procedure']['title']} - {before['pairing']['title']}, {before['started']}"
        )
    )
    if found.repeats:
        print(f"earlier repeats: {len(found.repeats)}; before: the mean of all {len(found.repeats) + 1}")
    shown = [row for row in found.rows if everything or row.result.verdict != "no change"]
    table = [("", "check", "before", "now", "margin moved", "needed", "verdicts")]
    for row in shown:
        cells = figures(row)
        name = f"{row.step}/{row.id}" if row.step else row.id
        verdicts = row.now if row.now == row.before else f"{row.before} -> {row.now}"
        mark = f"{MARKS[row.result.verdict]} {row.result.verdict}"
        table.append((mark, name, cells.reference, cells.value, cells.margin_shift, cells.needed, verdicts))
    if shown:
        cells_ = [[plain(cell) for cell in row] for row in table]
        for lines, row in zip(laid_out(cells_, (0, 1, 6), names=2), [None, *shown], strict=True):
            for line in lines:
                print(line)
            if row is not None and row.result.verdict != "no change":
                print(wrapped(f"      {plain(row.result.reason)}", ""))
    same = len(found.rows) - len(shown)
    if same:
        print(f"  ({same} more without a change)")
    if found.changes:
        print("what went in differently:")
        for change in found.changes if everything else found.changes[:MOST_CHANGES]:
            print(wrapped(f"  {change.group}: {change.name}: {change.before} -> {change.now}"))
        if len(found.changes) > MOST_CHANGES and not everything:
            print(f"  ({len(found.changes) - MOST_CHANGES} more: --all)")
    for line in found.assumptions:
        print(textwrap.fill(line, width(), initial_indent="  note: ", subsequent_indent="        "))
    if found.record.simulated or found.baseline.simulated:
        print("SIMULATED BENCH: not evidence about any real equipment.")
    print(f"verdict: {found.verdict}")
