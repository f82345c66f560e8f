"""`benchrunner import`: another logger's file as a record, marked as not measured by us."""

import argparse
import json
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused

SEPARATORS = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";"}


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("csv", metavar="CSV")
    parser.add_argument(
        "--map", metavar="FILE", help="which column is which channel, as TOML (guide: readings)"
    )
    parser.add_argument(
        "--time",
        metavar="COLUMN",
        help="the time's column; its unit in brackets: 'Time [ms]', 'Stamp [ISO 8601]'; needed without --map",
    )
    parser.add_argument(
        "--channel",
        action="append",
        default=[],
        metavar="CHANNEL=COLUMN",
        help="for example 'bus.voltage=Ubus [V]'; one for each channel",
    )
    parser.add_argument("--separator", help="between columns: , ; | or tab (default: seen by itself)")
    parser.add_argument("--decimal", help="the decimal sign, . or , (default: seen by itself)")
    parser.add_argument("--encoding", help="utf-8 (default), utf-16, cp1252, latin-1")
    parser.add_argument(
        "--data-from",
        type=int,
        metavar="LINE",
        help="the first line of readings (default: the one after the names)",
    )
    parser.add_argument("--duplicates", help="of two lines with one time: refuse (default), first, last")
    parser.add_argument("--sort", action="store_true", default=None, help="sort lines that go back in time")
    parser.add_argument("--title", help="what the record is called")
    parser.add_argument(
        "--started", default="", metavar="TIME", help="when time 0 was (UTC), where the file does not say it"
    )
    parser.add_argument("--logger", default="", metavar="TEXT", help="what measured it, in words")
    parser.add_argument(
        "--pairing",
        default="",
        metavar="CARD",
        help="the pairing card of what was measured: its name or a file",
    )
    parser.add_argument("--operator", default="", metavar="NAME", help="who imports it")
    parser.add_argument("--out", default="runs", metavar="DIR", help="default: runs")
    parser.add_argument("--key", metavar="NAME", help="sign with this key, as importer")
    parser.add_argument("--passphrase-file", metavar="F")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.record.doors.importing import import_csv
    from benchrunner.record.imported import SAYS

    given = _map(options)
    key = None
    if options.key:
        from benchrunner.cli.run import key_passphrase
        from benchrunner.record.keys import Store

        key = Store().open(options.key, key_passphrase(options.key, options.passphrase_file))
    path, stated = import_csv(
        options.csv, given, Path(options.out), key=key, operator=options.operator, logger=options.logger,
        started=options.started, pairing=options.pairing,
    )  # fmt: skip
    for line in stated:
        print(f"note: {line}")
    print(f"{SAYS}; nothing was judged")
    print(f"record: {path}")
    if options.json:
        print(
            json.dumps(
                {"record": str(path), "imported": True, "verdict": "not judged", "stated": stated},
                ensure_ascii=False,
            )
        )
    return 0


def _map(options: argparse.Namespace) -> Any:
    from benchrunner.record.doors.mapping import from_file, from_words

    separator = options.separator
    told = {
        "separator": SEPARATORS.get(separator, separator), "decimal": options.decimal, "encoding": options.encoding,
        "data_from": options.data_from, "duplicates": options.duplicates, "sort": options.sort, "title": options.title,
    }  # fmt: skip
    if options.map:
        if options.time or options.channel:
            raise Refused(
                Problem(
                    "--map", "and --time or --channel say the same twice", "give either the file or the words"
                )
            )
        return from_file(options.map, **told)
    return from_words(options.time or "", options.channel, **told)
