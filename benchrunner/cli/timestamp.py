"""`benchrunner timestamp`: an authority's word on when a record's signatures existed (RFC 3161)."""

import argparse

from benchrunner.cli.verify import a_file


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    parser.add_argument(
        "--server", required=True, metavar="URL", help="the time-stamp server; it sees digests only"
    )


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.record.countersign import timestamp

    for part in timestamp(a_file(options.record), options.server):
        print(f"{options.record}: {part}: stamped")
    return 0
