"""`benchrunner countersign`: a second person's signature on a sealed record."""

import argparse

from benchrunner.cli.verify import a_file


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `countersign`."""
    parser.add_argument("record")
    parser.add_argument(
        "--key", required=True, metavar="KEY", help="the key that signs: NAME of `benchrunner keys make NAME`"
    )
    parser.add_argument(
        "--passphrase-file", metavar="F", help="its first line is the passphrase; asked for otherwise"
    )
    parser.add_argument(
        "--role", default="reviewer", metavar="ROLE", help="in which you sign (default: reviewer)"
    )
    parser.add_argument("--comment", default="", metavar="TEXT", help="becomes part of what is signed")
    parser.add_argument(
        "--server",
        default="",
        metavar="URL",
        help="a time-stamp server (RFC 3161) of your laboratory's choice",
    )


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.cli.run import key_passphrase
    from benchrunner.errors import Problem, Refused
    from benchrunner.record.countersign import countersign
    from benchrunner.record.keys import Store
    from benchrunner.record.signing import LONGEST_COMMENT

    path = a_file(options.record)
    if not options.role.strip() or len(options.role) > 64 or not options.role.isprintable():
        raise Refused(
            Problem(
                f"--role {options.role[:70]!r}", "is no role", "one to 64 letters: reviewer, witness, ..."
            )
        )
    if len(options.comment) > LONGEST_COMMENT:
        raise Refused(
            Problem("--comment", f"is longer than {LONGEST_COMMENT} characters", "say it in fewer words")
        )
    key = Store().open(options.key, key_passphrase(options.key, options.passphrase_file))
    made = countersign(path, key, options.role.strip(), options.comment, options.server)
    print(f"{path}: {made.part}: signed as {made.role} by {made.name!r}, key {made.key.thumbprint}")
    if made.covers:
        print(
            f"made over {', '.join(sorted(made.covers))} as well: if one of them goes missing, verify says so"
        )
    print(
        "if this last one goes missing nobody can notice, until another is made over it: keep a copy elsewhere"
    )
    return 0
