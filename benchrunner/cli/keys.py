"""`benchrunner keys`: signing keys in the user's own store."""

import argparse
import getpass
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from benchrunner.cli import certificate
from benchrunner.cli.target import replace_option, target
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.record.keys import PublicKey


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
    replace_option(export)
    trust = verbs.add_parser(
        "trust", help="take the keys of a public key file among the known ones, or into a trust list"
    )
    trust.add_argument("file", help="made by `benchrunner keys export`, or a JSON Web Key")
    trust.add_argument(
        "--list",
        metavar="TRUST",
        help="enter them in this trust list (TOML), for `verify --trust TRUST`; made where there is none",
    )
    trust.add_argument("--person", default="", metavar="NAME", help="with --list: whose they are")
    trust.add_argument(
        "--role", action="append", default=[], metavar="ROLE",
        help="with --list: in which they may sign (operator, reviewer, ...); may be given again; not given: in any",
    )  # fmt: skip
    trust.add_argument(
        "--from", dest="since", default="", metavar="DATE", help="with --list: from when they count"
    )
    trust.add_argument("--until", default="", metavar="DATE", help="with --list: until when they count")
    certificate.arguments(verbs)


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.record.keys import Store

    store = Store()
    if options.verb == "make":
        key = store.make(options.name, _new_passphrase(options), options.demo)
        print(f"key {key.name}{' (demo)' if key.demo else ''}: {key.thumbprint}")
        print(f"to read aloud: {key.fingerprint}")
        print(f"kept in {store.folder}, encrypted; it cannot be recovered without its passphrase")
    elif options.verb == "certificate":
        return certificate.call(options, _new_passphrase(options))
    elif options.verb == "list":
        for key in store.own():
            _line("own", key)
        for key in store.trusted():
            _line("trusted", key)
        if not store.own() and not store.trusted():
            print("no keys yet; make one with: benchrunner keys make NAME")
    elif options.verb == "export":
        text = json.dumps(store.export(options.name), indent=2) + "\n"
        if options.out == "-":
            sys.stdout.write(text)
        else:
            path = target(options.out or f"{options.name}.public.json", options.replace)
            try:
                path.write_text(text, encoding="utf-8")
            except OSError as error:
                raise Refused(
                    Problem(str(path), f"cannot be written: {error.strerror}", "choose another --out")
                ) from error
            print(path)
    elif options.list:
        from benchrunner.record.keys import read_public
        from benchrunner.record.trust import extend

        new = read_public(options.file)
        whole = extend(Path(options.list), new, options.person, options.role, options.since, options.until)
        for key in new:
            _line("trusted", key)
        print(
            f"{options.list}: {len(whole.keys)} key{'' if len(whole.keys) == 1 else 's'}. "
            "Compare each thumbprint with its owner by another way."
        )
    else:
        only = {
            "--person": options.person,
            "--role": options.role,
            "--from": options.since,
            "--until": options.until,
        }
        if given := [name for name, value in only.items() if value]:
            what = "says something that only a trust list keeps"
            raise Refused(Problem(", ".join(given), what, "give --list TRUST as well"))
        for key in store.trust(options.file):
            _line("trusted", key)
    return 0


def _line(how: str, key: "PublicKey") -> None:
    """A key as `verify` names it, and its fingerprint for reading aloud."""
    print(f"{how:8} {key.name:24} {key.thumbprint}  {key.fingerprint}{'  demo' if key.demo else ''}")


def _new_passphrase(options: argparse.Namespace) -> str:
    from benchrunner.cli.run import passphrase

    if options.passphrase_file or sys.stdin is None or not sys.stdin.isatty():
        return passphrase(options.name, options.passphrase_file)
    first = getpass.getpass("passphrase for the new key: ")
    if getpass.getpass("the same again: ") != first:
        raise Refused(Problem(f"key {options.name}", "the two passphrases differ", "try again"))
    return first
