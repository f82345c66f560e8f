"""`benchrunner verify`: is a record whole, and who signed it?"""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.cli.wrapping import wrapped
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.record.verify import Verification


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    parser.add_argument(
        "--trust",
        metavar="FILE",
        help="trust list (TOML: whose keys count, in which roles, from when to when) or public keys; any other signature then fails",
    )
    parser.add_argument(
        "--allow-unsigned", action="store_true", help="a record without signature is no failure"
    )
    parser.add_argument(
        "--rejudge", action="store_true", help="judge the recorded readings again and compare every verdict"
    )
    parser.add_argument(
        "--limits",
        metavar="FILE",
        help="would it have passed under these limits? (TOML; the record stays as it is; exit 0 pass, 1 fail, 3 inconclusive)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")


def call(options: argparse.Namespace) -> int:
    """0 if it verifies, 1 if not; under other limits 0, 1 or 3."""
    from benchrunner.record.verify import verify

    path = a_file(options.record)
    result = verify(path, trust=options.trust, allow_unsigned=options.allow_unsigned)
    outcome: dict[str, Any] = {}
    code = _told(options, path, result, outcome)
    if options.json:
        from benchrunner.cli.verify_json import as_json

        print(as_json(path, result, code, outcome))
    return code


def _told(options: argparse.Namespace, path: Path, result: "Verification", outcome: dict[str, Any]) -> int:
    """Say it to people; what was done beyond verifying goes into `outcome`. The exit code."""
    for finding in result.findings:
        print(wrapped(f"wrong: {finding}"), file=sys.stderr)
    for line in result.says:
        print("\n".join(wrapped(one) for one in line.splitlines()))
    whole = all(finding.kind == "unsigned" for finding in result.findings)
    if whole:
        _digests(path, outcome)
    ok = result.ok
    if any(finding.kind == "unsigned" for finding in result.findings):
        print("    mend: sign runs with --key NAME, or give --allow-unsigned", file=sys.stderr)
    if options.rejudge and not whole:
        print("not judged again: the record is not as it was sealed", file=sys.stderr)
        return 1
    if options.rejudge:
        ok = _rejudge(path, outcome) and ok
    outcome["verifies"] = ok
    print("verifies" if ok else "DOES NOT VERIFY")
    if options.limits and ok:
        return _under_limits(path, options.limits, outcome)
    if options.limits:
        print("not judged under other limits: the record does not verify", file=sys.stderr)
    return 0 if ok else 1


def _digests(path: Path, outcome: dict[str, Any]) -> None:
    """What two runs of the same procedure, cards and seed have in common, for who reruns and compares."""
    from benchrunner.record.opened import Record

    header = Record.open(path).header
    digests = header.get("digests")
    known: dict[str, str | None] = {}
    for name in ("inputs", "readings", "checks"):
        said = digests.get(name) if isinstance(digests, dict) else None
        known[name] = said if isinstance(said, str) and said.isalnum() else None
        print(f"digest of {name}:\n    {known[name] or 'not given'}")
    outcome["header"], outcome["digests"] = header, known


def a_file(name: str) -> Path:
    """The record that is meant. Raises `Refused` where there is no file of that name, so that nothing is said about it."""
    from benchrunner.record.kinds import no_file

    if not name:
        raise Refused(Problem("''", "there is no such file", "give the record's path (.bench)"))
    path = Path(name)
    if problem := no_file(path):
        raise Refused(problem)
    return path


def _rejudge(path: Path, outcome: dict[str, Any]) -> bool:
    from benchrunner.record.opened import Record

    again = outcome["rejudged"] = Record.open(path).rejudge()
    for line in again.says:
        print(wrapped(line), file=sys.stdout if again.ok else sys.stderr)
    return bool(again.ok)


def _under_limits(path: Path, file: str, outcome: dict[str, Any]) -> int:
    """Print what each check would have been; 0 pass, 1 fail, 3 inconclusive."""
    from benchrunner.cli.words import table
    from benchrunner.judge.verdicts import worst
    from benchrunner.record.limits import judge_under
    from benchrunner.record.opened import Record

    found = outcome["limits"] = judge_under(Record.open(path), file)
    print()
    print(
        wrapped(
            f"under the limits of {file} (the record is not touched; its values and uncertainties are taken as they are):"
        )
    )
    table([dict(one.after) for one in found], sys.stdout)
    for one in found:
        if one.changed:
            was, now = one.before.get("verdict"), one.after.get("verdict")
            told = "stays" if was == now else f"was {was}, would have been"
            print(wrapped(f"  {one.name}: {told} {now}: {one.after.get('reason', '')}"))
    verdict = worst(str(one.after.get("verdict")) for one in found)
    print(f"verdict under these limits: {verdict}")
    return {"pass": 0, "not applicable": 0, "fail": 1}.get(str(verdict), 3)
