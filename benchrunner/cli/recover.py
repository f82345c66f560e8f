"""`benchrunner recover`: seals what a crashed run left, as "did not finish"."""

import argparse
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("journal", help="the run's folder, or its run.journal")
    parser.add_argument(
        "--out", metavar="FILE", help="the record to write (default: beside the run's folder)"
    )
    parser.add_argument("--key", default="", help="sign the record with this key")
    parser.add_argument(
        "--timestamp", default="", metavar="URL", help="with --key: ask this time-stamp server (RFC 3161)"
    )
    parser.add_argument(
        "--passphrase-file", metavar="F", help="file that holds the key's passphrase on its first line"
    )


def call(options: argparse.Namespace) -> int:
    """0 once sealed."""
    from benchrunner.cli.run import key_passphrase
    from benchrunner.cli.wrapping import wrapped
    from benchrunner.errors import Problem, Refused
    from benchrunner.record.keys import Store
    from benchrunner.record.recover import recover
    from benchrunner.record.sealing import time_stamp_server

    if options.timestamp and not options.key:
        mend = "sign the record (--key NAME), or leave --timestamp away"
        raise Refused(Problem("--timestamp", "stamps a signature, and nothing is signed", mend))
    server = time_stamp_server(options.timestamp) if options.key else ""
    key = (
        Store().open(options.key, key_passphrase(options.key, options.passphrase_file))
        if options.key
        else None
    )
    outcome = recover(Path(options.journal), Path(options.out) if options.out else None, key, server)
    for line in outcome.says:
        print(wrapped(line))
    print(f"record: {outcome.record}")
    return 0
