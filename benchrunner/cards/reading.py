"""Reads a TOML file and holds it against a pydantic model; every problem names file, line, key and mend.

`tomllib` keeps no line numbers, so a small scan of the same text maps each key path to its line. The scan runs
only on text that `tomllib` has accepted, and an unknown path falls back to its nearest known parent.
"""

import difflib
import math
import re
import tomllib
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from benchrunner.errors import Problem, Refused

KeyPath = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)
LARGEST_FILE = 1_000_000  # bytes; a card or procedure is a few kilobytes, so more is a mistake or an attack
DEEPEST = 40  # levels of nesting; tomllib recurses, and no card needs more than six

_NAME_RULE = "use lower-case letters, digits and underscores, a letter first"
_PATTERNS = {
    r"^[a-z][a-z0-9_]{0,39}$": _NAME_RULE,
    r"^[a-z][a-z0-9_-]{0,39}$": "use lower-case letters, digits, '-' and '_', a letter first",
    r"^[a-z][a-z0-9_]{0,39}\.[a-z][a-z0-9_]{0,39}$": 'write role.quantity, such as "bus.voltage"',
}
# A dotted key with more parts than any card has; tomllib takes time as their square.
_LONG_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]+|"")[ \t]*\.[ \t]*){40}""")
_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.)?""")


@dataclass(frozen=True)
class Document:
    """One TOML file as read: its text byte for byte, its data, and the line on which each key path stands."""

    path: Path
    raw: bytes
    data: dict[str, Any]
    lines: Mapping[KeyPath, int] = field(repr=False)

    def line(self, path: KeyPath) -> int:
        """The line (from 1) of a key path, or of its nearest parent that has one."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def where(self, path: KeyPath) -> str:
        """`file:line: key` as an error message names it."""
        return (
            f"{self.path}:{self.line(path)}: {key_text(path)}" if path else f"{self.path}:{self.line(path)}"
        )

    def problem(self, path: KeyPath, what: str, mend: str) -> Problem:
        """A problem with the value at `path`."""
        return Problem(self.where(path), what, mend)


def key_text(path: KeyPath) -> str:
    """`("steps", 2, "checks", 0, "high")` -> `steps[3].checks[1].high` (counted from 1, as people do)."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def load(path: Path | str) -> Document:
    """Read one TOML file. Raises `Refused` for a file that is missing, too large, not text or not TOML."""
    return parse(load_bytes(path, LARGEST_FILE), path)


def load_bytes(path: Path | str, largest: int) -> bytes:
    """The bytes of a file, and one more than `largest` where it has more. Raises `Refused` where it cannot be read."""
    try:
        with Path(path).open("rb") as stream:
            return stream.read(largest + 1)
    except OSError as error:
        raise Refused(
            Problem(
                str(path), f"cannot be read: {error.strerror or error}", "check the path and the permissions"
            )
        ) from error


def parse(raw: bytes, path: Path | str) -> Document:
    """As `load`, from bytes already at hand (a record carries its cards verbatim)."""
    path = Path(path)
    if len(raw) > LARGEST_FILE:
        raise Refused(
            Problem(
                str(path),
                f"is larger than {LARGEST_FILE:,} bytes",
                "is this the right file? A card is a few kilobytes of text",
            )
        )
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise Refused(Problem(f"{path}:{line}", "is not UTF-8 text", "save the file as UTF-8")) from error
    if _nesting(text) > DEEPEST:
        raise Refused(
            Problem(
                str(path),
                f"nests brackets or keys more than {DEEPEST} deep",
                "no card needs that; simplify the value",
            )
        )
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found.group(1)) if found else text.count("\n") + 1
        raise Refused(
            Problem(f"{path}:{line}", f"is not valid TOML: {error}", "mend the syntax on or before this line")
        ) from error
    except RecursionError as error:
        raise Refused(
            Problem(str(path), "is nested too deeply", "no card needs that; simplify the value")
        ) from error
    lines = _line_map(text)
    document = Document(path, raw, data, lines)
    bad = [
        document.problem(where, f"is {value}, which is not a finite number", "give a number")
        for where, value in _leaves(data)
        if isinstance(value, float) and not math.isfinite(value)
    ]
    if bad:
        raise Refused(bad)
    return document


def fit(document: Document, model: type[Model]) -> Model:
    """The file's data as an instance of `model`. Raises `Refused` with every problem found, in file order."""
    found: list[tuple[int, Problem]] = []
    seen: set[KeyPath] = set()
    fitted: Model | None = None
    cause: ValidationError | None = None
    try:
        fitted = model.model_validate(document.data)
    except ValidationError as error:
        cause = error
        for e in error.errors(include_url=False):
            path = clean(e["loc"])
            seen.add(path)
            found.append((document.line(path), _explain(document, dict(e), model)))
    for path, value in _leaves(document.data):  # pydantic takes true for 1, which nobody meant
        if isinstance(value, bool) and path not in seen and _wants_number(model, path):
            written = str(value).lower()
            found.append(
                (document.line(path), document.problem(path, f"is {written}, not a number", "write a number"))
            )
    if fitted is None or found:
        raise Refused([problem for _, problem in sorted(found, key=lambda pair: pair[0])]) from cause
    return fitted


def _wants_number(model: type[BaseModel], path: KeyPath) -> bool:
    """Whether the model has a number at `path`, and no place for true or false."""
    current: list[Any] = [model]
    for part in path:
        current = [inner for annotation in current for inner in _inside(annotation, part)]
    kinds: list[Any] = []
    for one in (inner for annotation in current for inner in _alternatives(annotation)):
        kinds += [type(value) for value in get_args(one)] if get_origin(one) is Literal else [one]
    return bool not in kinds and (int in kinds or float in kinds)


def _explain(document: Document, error: dict[str, Any], model: type[BaseModel]) -> Problem:
    path = clean(error["loc"])
    kind, value = error["type"], error.get("input")
    if kind == "extra_forbidden":
        known = _known_keys(model, path[:-1])
        near = difflib.get_close_matches(str(path[-1]), known, 1)
        hint = f"did you mean {near[0]!r}?" if near else "known keys: " + ", ".join(sorted(known))
        return document.problem(path, "is not a known key", hint)
    if kind == "missing":
        return document.problem(path, "is missing", f"add {path[-1]!r}")
    context = error.get("ctx", {})
    if kind == "value_error" and isinstance(context.get("error"), Mended):
        mended = context["error"]
        return document.problem(path, mended.what, mended.mend)
    if kind == "literal_error":
        return document.problem(path, f"is {_short(value)}", f"write {context['expected']}")
    if kind == "string_pattern_mismatch":
        mend = _PATTERNS.get(context["pattern"], f"it must match {context['pattern']}")
        return document.problem(path, f"({_short(value)}) has a form that is not known here", mend)
    if kind in ("tuple_type", "list_type"):
        return document.problem(path, f"is {_short(value)}, not a list", 'write a list: ["one", "another"]')
    if kind == "string_type":
        return document.problem(
            path, f"is {_short(value)}, not text", "write it in quotes, a quantity with its unit"
        )
    message = str(error["msg"]).removeprefix("Value error, ")
    return document.problem(
        path,
        f"is {_short(value)}: {message[:1].lower()}{message[1:]}",
        "see the schema in resources/schemas, or the guide",
    )


class Mended(ValueError):  # noqa: N818 - it carries the mend, and is not shown as an error
    """Raised inside a model's validator: what is wrong and how to mend it; `fit` adds file, line and key."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(f"{what}; {mend}")


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def clean(loc: tuple[str | int, ...]) -> KeyPath:
    """The key path of an error's location: pydantic adds tags of unions and functions to a location (`str`, `function-after[...]`); they are not keys."""
    tags = re.compile(
        r"^(str|int|float|bool|list\[.*|dict\[.*|tuple\[.*|function-.*|literal\[.*|constrained-.*|nullable.*|\[key\]|lax-or-strict.*|[A-Z]\w*)$"
    )
    return tuple(part for part in loc if isinstance(part, int) or not tags.match(part))


def _known_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    """The keys that the model knows at `path`, following fields through lists, mappings and alternatives."""
    current: list[Any] = [model]
    for part in path:
        current = [inner for annotation in current for inner in _inside(annotation, part)]
    keys: list[str] = []
    for candidate in current:
        for one in _alternatives(candidate):
            if isinstance(one, type) and issubclass(one, BaseModel):
                keys += [info.alias or name for name, info in one.model_fields.items()]
    return keys


def _inside(annotation: Any, part: str | int) -> Iterator[Any]:
    """What stands at key or index `part` of a value of that type."""
    for one in _alternatives(annotation):
        if isinstance(one, type) and issubclass(one, BaseModel):
            for name, info in one.model_fields.items():
                if part == (info.alias or name):
                    yield info.annotation
        elif get_origin(one) in (list, tuple) and isinstance(part, int):
            yield from get_args(one)[:1]
        elif get_origin(one) is dict and isinstance(part, str):
            yield get_args(one)[1]


def _alternatives(annotation: Any) -> Iterator[Any]:
    """The members of a union, without the metadata of `Annotated`."""
    if get_origin(annotation) is Annotated:
        yield from _alternatives(get_args(annotation)[0])
    elif get_origin(annotation) in (Union, types.UnionType):
        for one in get_args(annotation):
            yield from _alternatives(one)
    else:
        yield annotation


def _leaves(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _leaves(inner, (*path, index))
    else:
        yield path, value


def _nesting(text: str) -> int:
    deepest = depth = 0
    for line in text.split("\n"):
        bare = _bare(line)
        if _LONG_KEY.search(bare):
            return DEEPEST + 1
        for character in bare:
            if character in "[{":
                depth += 1
                deepest = max(deepest, depth)
            elif character in "]}":
                depth = max(0, depth - 1)
    return deepest


def _bare(line: str) -> str:
    """The line without its strings and comment; good enough to count brackets."""
    return re.sub(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'', '""', line).split("#", 1)[0]


def _split_key(text: str) -> tuple[list[str], str]:
    """`a."b.c".d = 1` -> (["a", "b.c", "d"], "= 1")"""
    parts: list[str] = []
    position = 0
    while match := _KEY_PART.match(text, position):
        parts.append(next(group for group in match.groups()[:3] if group is not None))
        position = match.end()
        if not match.group(4):
            break
    return parts, text[position:]


def _line_map(text: str) -> dict[KeyPath, int]:
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    here: KeyPath = ()
    closing = ""  # the delimiter of a multi-line string we are inside
    depth = 0  # open brackets of a multi-line array
    array: KeyPath = ()
    element = 0

    def resolve(parts: list[str]) -> KeyPath:
        """Walk a header's parts, stepping into the newest element of each array of tables on the way."""
        path: KeyPath = ()
        for part in parts:
            path = (*path, part)
            if path in counts:
                path = (*path, counts[path] - 1)
        return path

    for number, line in enumerate(text.split("\n"), 1):
        if closing:
            if closing in line:
                closing = ""
            continue
        if depth:
            bare = _bare(line).strip()
            if bare and depth == 1 and bare[0] not in "],":
                lines.setdefault((*array, element), number)
            depth += sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")
            if depth == 1 and bare.endswith(","):
                element += 1
            continue
        stripped = line.strip()
        if stripped.startswith("["):  # outside an array only a header begins so
            array_of_tables = stripped.startswith("[[")
            parts, _ = _split_key(stripped[2 if array_of_tables else 1 :])
            if array_of_tables:
                path = (*resolve(parts[:-1]), parts[-1])
                counts[path] = counts.get(path, 0) + 1
                lines.setdefault(path, number)
                here = (*path, counts[path] - 1)
            else:
                here = resolve(parts)
            lines.setdefault(here, number)
            continue
        parts, rest = _split_key(line)
        rest = rest.lstrip()
        if not parts or not rest.startswith("="):
            continue
        path = (*here, *parts)
        for upto in range(len(here) + 1, len(path) + 1):
            lines.setdefault(path[:upto], number)
        value = rest[1:].strip()
        for quote in ('"""', "'''"):
            if value.startswith(quote) and quote not in value[3:]:
                closing = quote
        if not closing:
            bare = _bare(value)
            depth = sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")
            array, element = path, 0
    return lines
