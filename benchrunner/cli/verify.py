"""`benchrunner verify`: is a record whole, and who signed it?"""

import argparse
import sys
from pathlib import Path

from benchrunner.errors import Problem, Refused


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    parser.add_argument(
        "--trust", metavar="FILE", help="public keys that count; a signature by any other key then fails"
    )
    parser.add_argument(
        "--allow-unsigned", action="store_true", help="a record without signature is no failure"
    )
    parser.add_argument(
        "--rejudge", action="store_true", help="judge the recorded readings again and compare every verdict"
    )


def call(options: argparse.Namespace) -> int:
    """0 if it verifies, 1 if not."""
    from benchrunner.record.verify import verify

    path = a_file(options.record)
    result = verify(path, trust=options.trust, allow_unsigned=options.allow_unsigned)
    for finding in result.findings:
        print(f"wrong: {finding}", file=sys.stderr)
    for line in result.says:
        print(line)
    if not any(finding.kind != "unsigned" for finding in result.findings):
        _digests(path)
    ok = result.ok
    unsigned = any(finding.kind == "unsigned" for finding in result.findings)
    if unsigned:
        print("    mend: sign runs with --key NAME, or give --allow-unsigned", file=sys.stderr)
    if options.rejudge:
        if any(finding.kind != "unsigned" for finding in result.findings):
            print("not judged again: the record is not as it was sealed", file=sys.stderr)
            return 1
        ok = _rejudge(path) and ok
    print("verifies" if ok else "DOES NOT VERIFY")
    return 0 if ok else 1


def _digests(path: Path) -> None:
    """What two runs of the same procedure, cards and seed have in common, for who reruns and compares."""
    from benchrunner.record.opened import Record

    header = Record.open(path).header
    for name in ("inputs", "readings", "checks"):
        print(f"digest of {name}: {header['digests'][name]}")


def a_file(name: str) -> Path:
    """The record that is meant. Raises `Refused` where there is no file of that name, so that nothing is said about it."""
    path = Path(name)
    if not name or not path.exists():
        raise Refused(Problem(name or "''", "there is no such file", "give the record's path (.bench)"))
    if not path.is_file():
        raise Refused(Problem(name, "is a folder, not a record", "give the record's path (.bench)"))
    return path


def _rejudge(path: Path) -> bool:
    from benchrunner.record.opened import Record

    outcome = Record.open(path).rejudge()
    for line in outcome.says:
        print(line, file=sys.stdout if outcome.ok else sys.stderr)
    return bool(outcome.ok)
