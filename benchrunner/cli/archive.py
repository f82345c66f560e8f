"""`benchrunner archive`: records kept in a folder: add, search, forget, and make the index again."""

import argparse
import dataclasses
import json
import os
import sys
from pathlib import Path
from typing import Any

from benchrunner.cli.found import found_lines
from benchrunner.errors import Problem, Refused

FOLDER = "archive"


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--archive",
        metavar="FOLDER",
        help="the archive's folder (default: $BENCHRUNNER_ARCHIVE or ./archive)",
    )
    common.add_argument(
        "--index", metavar="URL",
        help="postgresql://NAME@HOST/DATABASE for an index that a lab shares (default: $BENCHRUNNER_INDEX, or SQLite in the folder)",
    )  # fmt: skip
    common.add_argument("--json", action="store_true", help="one JSON object on the last line")
    whats = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    add = whats.add_parser(
        "add", parents=[common], help="verify records and take a copy of each into the archive"
    )
    add.add_argument("records", nargs="+", metavar="RECORD")
    whats.add_parser("rebuild", parents=[common], help="make the index again from the records alone")
    search = whats.add_parser(
        "search", parents=[common], help="the newest records that fit all that is given"
    )
    search.add_argument("--pairing", default="", help="its title or file name; * stands for anything")
    search.add_argument("--procedure", default="", help="its title or file name; * stands for anything")
    search.add_argument(
        "--firmware",
        default="",
        metavar="[PART=]VERSION",
        help="for example battery_inverter=2.4.1, or 2.4.*",
    )
    search.add_argument("--verdict", default="", help="pass, fail, inconclusive, 'not judged'")
    search.add_argument(
        "--from", dest="since", default="", metavar="DAY", help="started on this day or later (UTC)"
    )
    search.add_argument("--until", default="", metavar="DAY", help="started on this day or before (UTC)")
    search.add_argument(
        "--channel", action="append", default=[], metavar="CONDITION",
        help="for example 'battery.voltage maximum > 58 V'; also minimum, mean, count; may be given several times",
    )  # fmt: skip
    search.add_argument("--check", default="", metavar="ID[=VERDICT]", help="has this check (judged so)")
    search.add_argument("--most", type=int, default=20, metavar="N", help="how many are shown (default 20)")
    search.add_argument(
        "--read-only",
        action="store_true",
        help="write nothing (so by itself where the folder cannot be written)",
    )
    search.add_argument("--paths", action="store_true", help="only the files, one a line, for other commands")
    forget = whats.add_parser(
        "forget",
        parents=[common],
        help="take a record out of index and search; its file is moved, not deleted",
    )
    forget.add_argument(
        "record", metavar="ID", help="the beginning of its id, as search shows it, or its path"
    )


def call(options: argparse.Namespace) -> int:
    """0; 1 where a rebuild leaves files out; refusals are raised."""
    from benchrunner.record.archive import Archive

    folder = _folder(options)
    query = _query(options) if options.what == "search" else None
    index = options.index or os.environ.get("BENCHRUNNER_INDEX", "")
    only = True if options.what == "search" and options.read_only else None
    with Archive(folder, index, only) as archive:
        if archive.read_only:
            for line in archive.stale():
                print(f"THE INDEX IS STALE: {line}; have 'benchrunner archive rebuild' run", file=sys.stderr)
        if archive.rebuilt is not None and options.what != "rebuild":
            if archive.rebuilt.records or archive.rebuilt.left_out:
                print("the index was missing or of an older layout and was made again", file=sys.stderr)
            _left_out(archive.rebuilt)
        if options.what == "add":
            return _add(archive, options)
        if options.what == "search":
            return _search(archive, query, options)
        if options.what == "forget":
            where = archive.forget(options.record)
            print(f"forgotten; its file lies in {where}")
            return _json(options, {"forgotten": str(where)})
        result = archive.rebuilt or archive.rebuild()
        _left_out(result)
        files = {problem.where for problem in result.left_out}  # of one file several things may be wrong
        print(
            f"{result.records} record{'' if result.records == 1 else 's'} in the index, {len(files)} left out"
        )
        _json(
            options,
            {"records": result.records, "left_out": [dataclasses.asdict(p) for p in result.left_out]},
        )
        return 1 if result.left_out else 0


def _folder(options: argparse.Namespace) -> Path:
    folder = Path(options.archive or os.environ.get("BENCHRUNNER_ARCHIVE") or FOLDER)
    if options.what != "add" and not folder.is_dir():
        raise Refused(
            Problem(
                str(folder), "there is no such archive",
                "give --archive FOLDER, or begin one with 'benchrunner archive add RECORD'",
            )
        )  # fmt: skip
    return folder


def _query(options: argparse.Namespace) -> Any:
    """All that is wrong with it at once."""
    from benchrunner.record.archive import Condition, Query
    from benchrunner.record.archive.search import verdict, when

    problems: list[Problem] = []

    def take(read: Any, *given: Any) -> Any:
        try:
            return read(*given)
        except Refused as refusal:
            problems.extend(refusal.problems)
            return None

    check, _, judged = options.check.partition("=")
    query = Query(
        pairing=options.pairing,
        procedure=options.procedure,
        firmware=options.firmware,
        verdict=take(verdict, options.verdict, "--verdict") if options.verdict else "",
        since=take(when, options.since, "--from") if options.since else None,
        until=take(when, options.until, "--until", True) if options.until else None,
        channels=tuple(take(Condition.read, text) for text in options.channel),
        check=check,
        check_verdict=take(verdict, judged, "--check") if judged else "",
        most=options.most,
    )
    if not 1 <= options.most <= 1_000_000:
        problems.append(Problem(f"--most {options.most}", "is no number of records", "give 1 to 1000000"))
    if problems:
        raise Refused(problems)
    return query


def _add(archive: Any, options: argparse.Namespace) -> int:
    from benchrunner.cli.verify import a_file

    problems: list[Problem] = []
    added = []
    for name in options.records:
        try:
            done = archive.add(a_file(name))
        except Refused as refusal:
            problems += refusal.problems
            continue
        added.append({"id": done.id, "digest": done.digest, "path": str(done.path), "how": done.how})
        print(f"{done.how}: {done.id[:12]} {done.path}")
    _json(options, {"added": added, "refused": [dataclasses.asdict(p) for p in problems]})
    if problems:
        raise Refused(problems)
    return 0


def _search(archive: Any, query: Any, options: argparse.Namespace) -> int:
    hits = archive.search(query)
    if options.paths:
        for found in hits.found:
            print(found.path)
        return 0
    equipment = archive.equipment(hits.found) if hits.found else {}
    if hits.found:
        for line in found_lines(hits.found, equipment):
            print(line)
    more = f", the newest {len(hits.found)} shown" if len(hits.found) < hits.total else ""
    counted = f"more than {hits.total}" if hits.more else str(hits.total)
    print(f"{counted} record{'' if hits.total == 1 else 's'}{more}")
    found_ = [
        {
            **dataclasses.asdict(found),
            "path": str(found.path),
            "equipment": [dataclasses.asdict(device) for device in equipment.get(found.id, ())],
        }
        for found in hits.found
    ]
    return _json(options, {"total": hits.total, "more": hits.more, "found": found_})


def _json(options: argparse.Namespace, data: dict[str, Any]) -> int:
    if options.json:
        print(json.dumps(data, ensure_ascii=False))
    return 0


def _left_out(result: Any) -> None:
    for problem in result.left_out:
        print(f"left out: {problem}", file=sys.stderr)
