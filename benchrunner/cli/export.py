"""`benchrunner export`: the readings of a record as a file for other tools."""

import argparse
import sys
from pathlib import Path

from benchrunner.cli.target import replace_option
from benchrunner.cli.wrapping import wrapped


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    parser.add_argument("--to", required=True, metavar="KIND", help="csv, parquet, xlsx or hdf5")
    parser.add_argument(
        "--out", metavar="FILE", default="", help="default: the record's name with the kind's ending"
    )
    parser.add_argument(
        "--channels",
        nargs="+",
        default=[],
        metavar="CHANNEL",
        help="only these; * stands for anything: 'battery.*'",
    )
    replace_option(parser)


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.cli.verify import a_file
    from benchrunner.record.doors.export import SUFFIXES, export
    from benchrunner.record.doors.readings import changed
    from benchrunner.record.opened import Record

    record = Record.open(a_file(options.record))
    kind = options.to.casefold().strip()
    out = Path(options.out) if options.out else record.path.with_suffix(SUFFIXES.get(kind, ""))
    waves = len(record.waveforms)  # before anything is written: a damaged one is refused
    out = export(record, kind, out, options.channels, options.replace)
    if waves and kind != "hdf5":
        print(f"without the {waves} captured waveform{'s' if waves > 1 else ''}: --to hdf5 carries them")
    if said := changed(record):
        print(wrapped(f"wrong: {said}"), file=sys.stderr)
    if record.simulated:
        print("SIMULATED BENCH: not evidence about any real equipment.")
    print(out)
    return 0
