"""Reads a procedure file: form and content are held against what the program knows, and all that is wrong is said at once."""

import copy
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from benchrunner.cards import reading
from benchrunner.cards.reading import Document, KeyPath
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.model import Procedure
from benchrunner.procedure.order import examine
from benchrunner.procedure.profile import LARGEST, ProfileFile, parse_profile

_MOST_SHOWN = 50  # problems; a file with more has one cause


def read(path: Path | str) -> Procedure:
    """The procedure in a file, with the profiles beside it that its orders follow.

    Raises `Refused` with every problem: file, line, key, what is wrong, how to mend it.
    """
    folder = Path(path).parent
    return read_document(reading.load(path), lambda name: _beside(folder, name))


def read_bytes(raw: bytes, name: Path | str, profiles: Mapping[str, bytes] | None = None) -> Procedure:
    """As `read`, from bytes at hand: a record carries its procedure verbatim, and the profiles by their names."""
    held = profiles or {}
    return read_document(reading.parse(raw, name), held.get)


def read_document(document: Document, fetch: Callable[[str], bytes | None] = lambda name: None) -> Procedure:
    """As `read`, from a document that is already parsed; `fetch` gives the bytes of a profile, None where there is none."""
    try:
        procedure = reading.fit(document, Procedure)
    except Refused as refused:
        problems = sorted([*refused.problems, *_behind(document)], key=_line)
        raise Refused(problems[:_MOST_SHOWN]) from refused
    profiles, problems = _profiles(procedure, document, fetch)
    problems = [*problems, *examine(procedure.attach(document, profiles)).problems]
    if problems:
        raise Refused(problems[:_MOST_SHOWN])
    return procedure


def _beside(folder: Path, name: str) -> bytes | None:
    """The bytes of a file of this folder; a link out of it is none of them."""
    path = folder / name
    if not path.is_file() or path.resolve().parent != folder.resolve():
        return None
    return reading.load_bytes(path, LARGEST)


def _profiles(
    procedure: Procedure, document: Document, fetch: Callable[[str], bytes | None]
) -> tuple[dict[str, ProfileFile], list[Problem]]:
    """The profiles that the orders follow, each read once; one that is at fault is told and left out."""
    found: dict[str, ProfileFile] = {}
    problems: list[Problem] = []
    for name, path in procedure.profile_names.items():
        try:
            raw = fetch(name)
            if raw is None:
                mend = "put the file beside the procedure, under this very name"
                problems.append(document.problem(path, f"{name!r} is not there", mend))
            else:
                found[name] = parse_profile(raw, str(document.path.parent / name))
        except Refused as refused:
            problems += refused.problems
    return found, problems


def check_file(path: Path | str) -> list[Problem]:
    """What is wrong with a procedure file; empty where nothing is."""
    try:
        read(path)
    except Refused as refused:
        return list(refused.problems)
    return []


def _behind(document: Document) -> list[Problem]:
    """What else is wrong, behind errors of form: the keys at fault are taken out and the rest is examined.

    Where a role, a name or a whole step is at fault nothing more is said, since what follows may follow from it.
    """
    data = copy.deepcopy(document.data)
    touched: set[KeyPath] = set()
    for _ in range(4):
        try:
            procedure = Procedure.model_validate(data)
            break
        except ValidationError as error:
            for found in error.errors(include_url=False):
                path, kind = reading.clean(found["loc"]), found["type"]
                if kind != "extra_forbidden" and path and path[0] in ("roles", "parameters", "values"):
                    return []
                touched.add(path)
                if not _mend(data, path, kind):
                    return []
    else:
        return []
    return [
        problem
        for path, problem in examine(procedure.attach(document)).placed
        if not any(path[: len(one)] == one for one in touched)
    ]


def _mend(data: Any, path: KeyPath, kind: str) -> bool:
    """Take the value at `path` out, or fill a missing text; False where that cannot be done."""
    holder = data
    for part in path[:-1]:
        try:
            holder = holder[part]
        except (KeyError, IndexError, TypeError):
            return False
    if not path or not isinstance(holder, dict):
        return False
    if kind == "missing":
        holder[path[-1]] = "x"
        return True
    return holder.pop(path[-1], None) is not None


def _line(problem: Problem) -> int:
    found = re.search(r":(\d+)(?::|$)", problem.where)
    return int(found.group(1)) if found else 0
