"""Reads a procedure file: form and content are held against what the program knows, and all that is wrong is said at once."""

import copy
import re
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from benchrunner.cards import reading
from benchrunner.cards.reading import Document, KeyPath
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.model import Procedure
from benchrunner.procedure.order import examine

_MOST_SHOWN = 50  # problems; a file with more has one cause


def read(path: Path | str) -> Procedure:
    """The procedure in a file. Raises `Refused` with every problem: file, line, key, what is wrong, how to mend it."""
    return read_document(reading.load(path))


def read_bytes(raw: bytes, name: Path | str) -> Procedure:
    """As `read`, from bytes at hand: a record carries its procedure verbatim."""
    return read_document(reading.parse(raw, name))


def read_document(document: Document) -> Procedure:
    """As `read`, from a document that is already parsed."""
    try:
        procedure = reading.fit(document, Procedure)
    except Refused as refused:
        problems = sorted([*refused.problems, *_behind(document)], key=_line)
        raise Refused(problems[:_MOST_SHOWN]) from refused
    problems = examine(procedure.attach(document)).problems
    if problems:
        raise Refused(problems[:_MOST_SHOWN])
    return procedure


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
