"""`benchrunner keys`: signing keys in the user's own store."""

import argparse
import getpass
import json
import sys
from pathlib import Path

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    make = verbs.add_parser("make", help="make a key, encrypted under a passphrase")
    make.add_argument("name")
    make.add_argument(
        "--passphrase-file", metavar="F", help="its first line is the passphrase; asked for otherwise"
    )
    make.add_argument(
        "--demo", action="store_true", help="mark the key, and all that it signs, as a demonstration"
    )
    verbs.add_parser("list", help="the keys that can sign here, and those trusted")
    export = verbs.add_parser("export", help="write the public half of a key")
    export.add_argument("name")
    export.add_argument("--out", metavar="FILE", help="default: NAME.public.json; - for standard output")
    trust = verbs.add_parser("trust", help="take the keys of a public key file among the known ones")
    trust.add_argument("file")


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.record.keys import Store

    store = Store()
    if options.verb == "make":
        key = store.make(options.name, _new_passphrase(options), options.demo)
        print(f"key {key.name}{' (demo)' if key.demo else ''}: {key.fingerprint}")
        print(f"kept in {store.folder}, encrypted; it cannot be recovered without its passphrase")
    elif options.verb == "list":
        for key in store.own():
            print(f"own      {key.name:24} {key.fingerprint}{'  demo' if key.demo else ''}")
        for key in store.trusted():
            print(f"trusted  {key.name:24} {key.fingerprint}{'  demo' if key.demo else ''}")
        if not store.own() and not store.trusted():
            print("no keys yet; make one with: benchrunner keys make NAME")
    elif options.verb == "export":
        text = json.dumps(store.export(options.name), indent=2) + "\n"
        if options.out == "-":
            sys.stdout.write(text)
        else:
            path = Path(options.out or f"{options.name}.public.json")
            try:
                path.write_text(text, encoding="utf-8")
            except OSError as error:
                raise Refused(
                    Problem(str(path), f"cannot be written: {error.strerror}", "choose another --out")
                ) from error
            print(path)
    else:
        for key in store.trust(options.file):
            print(f"trusted  {key.name:24} {key.fingerprint}{'  demo' if key.demo else ''}")
    return 0


def _new_passphrase(options: argparse.Namespace) -> str:
    from benchrunner.cli.run import passphrase

    if options.passphrase_file or sys.stdin is None or not sys.stdin.isatty():
        return passphrase(options.name, options.passphrase_file)
    first = getpass.getpass("passphrase for the new key: ")
    if getpass.getpass("the same again: ") != first:
        raise Refused(Problem(f"key {options.name}", "the two passphrases differ", "try again"))
    return first
