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
        "--passphrase-file", metavar="F", help="file that holds the key's passphrase on its first line"
    )


def call(options: argparse.Namespace) -> int:
    """0 once sealed."""
    from benchrunner.cli.run import passphrase
    from benchrunner.record.keys import Store
    from benchrunner.record.recover import recover

    key = Store().open(options.key, passphrase(options.key, options.passphrase_file)) if options.key else None
    outcome = recover(Path(options.journal), Path(options.out) if options.out else None, key)
    for line in outcome.says:
        print(line)
    print(f"record: {outcome.record}")
    return 0
