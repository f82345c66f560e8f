"""Which column of another logger's file is which channel: read from words or from a TOML file.

```toml
format = 1
title = "Weekend of the 14th"            # optional
separator = ";"                          # optional, as are decimal, encoding, data_from, duplicates, sort
[time]
column = "Time"
unit = "ISO 8601"                        # or a unit of time; the default is s
[channels]
"bus.voltage" = "Ubus [V]"               # the column "Ubus [V]", or else the column "Ubus", in V
"battery.current" = { column = "Ibat", unit = "A", sign = -1 }   # our sign: positive when the battery charges
```
"""

import json
import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchrunner.cards.classes import CLASSES
from benchrunner.cards.quantities import conversion, dotted
from benchrunner.cards.reading import Mended
from benchrunner.errors import Problem, Refused
from benchrunner.units import UnitError, parse

FORMAT = 1
MOST_CHANNELS = 256
LARGEST = 1 << 20
ISO = "ISO 8601"
ENCODINGS = ("utf-8", "utf-16", "cp1252", "latin-1")
DUPLICATES = ("refuse", "first", "last")
_UNIT = re.compile(r"(.*?)\s*\[([^\[\]]*)\]\s*")


@dataclass(frozen=True, slots=True)
class Column:
    """One channel: `value = sign * (factor * number + offset)` in the SI unit `unit`; `spelling` is the file's unit."""

    channel: str
    name: str  # the column's name as it was given
    short: str  # without the unit in brackets
    spelling: str
    unit: str
    factor: float
    offset: float
    sign: float = 1.0


@dataclass(frozen=True, slots=True)
class Map:
    """All that an import is told. Empty: found out from the file. `time_factor` 0: ISO 8601."""

    time: str
    time_short: str
    time_factor: float
    time_spelling: str
    columns: tuple[Column, ...]
    title: str = "Imported readings"
    separator: str = ""
    decimal: str = ""
    encoding: str = ""
    data_from: int = 0
    duplicates: str = "refuse"
    sort: bool = False

    def toml(self) -> bytes:
        """As a file that `--map` reads: what the record keeps in the place of a procedure."""
        lines = [f"format = {FORMAT}", f"title = {json.dumps(self.title)}"]
        lines += [
            f"{name} = {json.dumps(value)}"
            for name in ("separator", "decimal", "encoding", "data_from", "duplicates", "sort")
            if (value := getattr(self, name)) not in ("", 0, False, "refuse")
        ]
        lines += [
            "",
            "[time]",
            f"column = {json.dumps(self.time)}",
            f"unit = {json.dumps(self.time_spelling)}",
        ]
        lines += ["", "[channels]"]
        for c in self.columns:
            sign = ", sign = -1" if c.sign < 0 else ""
            lines.append(
                f"{json.dumps(c.channel)} = {{ column = {json.dumps(c.name)}, unit = {json.dumps(c.spelling)}{sign} }}"
            )
        return ("\n".join(lines) + "\n").encode()


def from_words(time: str, channels: Sequence[str], **options: Any) -> Map:
    """From `--time COLUMN` and `--channel 'bus.voltage=Ubus [V]'`. Raises `Refused` with all problems."""
    problems: list[Problem] = []
    columns = []
    for text in channels:
        channel, equals, column = text.partition("=")
        where = f"--channel {text[:80]!r}"
        if not equals or not column.strip():
            problems.append(Problem(where, "names no column", "write it as 'bus.voltage=Ubus [V]'"))
            continue
        columns.append((where, channel.strip(), column.strip(), "", 1.0))
    return _map(time.strip(), "", "--time", columns, problems, options)


def from_file(path: Path | str, **options: Any) -> Map:
    """From a TOML file; what `options` give goes before it. Raises `Refused` with all problems."""
    path = Path(path)
    mend = "write it as the guide's page on readings shows"
    try:
        if path.stat().st_size > LARGEST:
            raise Refused(Problem(str(path), "is larger than any map", mend))
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be read: {error.strerror}", "give the map's path")
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise Refused(Problem(str(path), f"is no TOML: {error}", mend)) from error
    problems: list[Problem] = []
    known = {
        "format",
        "title",
        "separator",
        "decimal",
        "encoding",
        "data_from",
        "duplicates",
        "sort",
        "time",
        "channels",
    }
    problems += [
        Problem(f"{path}: {key}", "is no key of a map", f"use {', '.join(sorted(known))}")
        for key in data
        if key not in known
    ]
    if data.get("format") != FORMAT:
        problems.append(
            Problem(
                f"{path}: format",
                f"is {str(data.get('format'))[:20]}, not {FORMAT}",
                f"write format = {FORMAT}",
            )
        )
    time = data.get("time")
    time = {"column": time} if isinstance(time, str) else time if isinstance(time, dict) else {}
    columns = []
    channels = data.get("channels")
    for channel, given in channels.items() if isinstance(channels, dict) else ():
        table = {"column": given} if isinstance(given, str) else given if isinstance(given, dict) else {}
        where = f"{path}: channels.{channel}"
        name, unit, sign = table.get("column"), table.get("unit", ""), table.get("sign", 1)
        if (
            not isinstance(name, str)
            or not name.strip()
            or not isinstance(unit, str)
            or set(table) - {"column", "unit", "sign"}
        ):
            problems.append(
                Problem(where, "names no column", 'write "bus.voltage" = { column = "Ubus", unit = "V" }')
            )
        elif isinstance(sign, bool) or sign not in (1, -1):
            problems.append(Problem(where, f"has the sign {str(sign)[:20]}", "write 1 or -1"))
        else:
            columns.append((where, channel, name.strip(), unit.strip(), float(sign)))
    names = ("title", "separator", "decimal", "encoding", "data_from", "duplicates", "sort")
    kept: dict[str, Any] = {key: data[key] for key in names if key in data}
    kept |= {key: value for key, value in options.items() if value not in (None, "")}
    return _map(
        str(time.get("column", "")).strip(),
        str(time.get("unit", "")).strip(),
        f"{path}: time",
        columns,
        problems,
        kept,
    )


def _map(
    time: str, time_unit: str, where: str, columns: list[tuple[str, str, str, str, float]], problems: list[Problem],
    options: dict[str, Any],
) -> Map:  # fmt: skip
    found: list[Column] = []
    for place, channel, name, unit, sign in columns:
        try:
            found.append(_column(dotted(channel), name, unit, sign))
        except Mended as error:
            problems.append(Problem(place, error.what, error.mend))
        if sum(1 for c in found if c.channel == channel) > 1:
            problems.append(
                Problem(place, "is the second column for this channel", "give each channel one column")
            )
    if not columns and not problems:
        problems.append(
            Problem(
                "--channel", "no channel is mapped", "give --channel 'bus.voltage=Ubus [V]', or --map FILE"
            )
        )
    if len(columns) > MOST_CHANNELS:
        problems.append(Problem("--channel", f"more than {MOST_CHANNELS} channels", "import them in parts"))
    short, spelling = _apart(time)
    if time_unit:
        spelling = time_unit
    factor = 1.0
    if not time:
        problems.append(
            Problem(
                where,
                "no time column is named",
                "give --time COLUMN, with its unit: 'Time [ms]'; without one it is s",
            )
        )
    if spelling.casefold() in ("iso 8601", "iso8601", "iso"):
        factor, spelling = 0.0, ISO
    elif spelling:
        try:
            factor = float(parse(f"1 {spelling}", "s").value)
        except UnitError as error:
            problems.append(Problem(where, str(error), f"give s, ms, min, h or {ISO} in brackets"))
    result = Map(time, short, factor, spelling, tuple(found))
    try:
        result = replace(
            result, **{str(key): value for key, value in options.items() if value not in (None, "")}
        )
    except TypeError as error:
        raise ValueError(str(error)) from error
    problems += _options(result)
    if problems:
        raise Refused(problems)
    return result


def _options(given: Map) -> list[Problem]:
    tests: list[tuple[str, Callable[[Any], bool], str]] = [
        ("title", lambda v: isinstance(v, str) and 0 < len(v) <= 120 and v.isprintable(), "give a line of text"),
        ("separator", lambda v: v in ("", ",", ";", "\t", "|"), "give one of , ; | or a tabulator, or leave it away"),
        ("decimal", lambda v: v in ("", ".", ","), "give . or , or leave it away"),
        ("encoding", lambda v: v == "" or v in ENCODINGS, f"give one of {', '.join(ENCODINGS)}"),
        ("data_from", lambda v: isinstance(v, int) and not isinstance(v, bool) and 0 <= v <= 10_000, "give the number of the first line of readings"),
        ("duplicates", lambda v: v in DUPLICATES, f"give one of {', '.join(DUPLICATES)}"),
        ("sort", lambda v: isinstance(v, bool), "give true or false"),
    ]  # fmt: skip
    found = [
        Problem(f"--{name.replace('_', '-')}", f"{str(getattr(given, name))[:40]!r} is not possible", mend)
        for name, fits, mend in tests
        if not fits(getattr(given, name))
    ]
    if not found and given.separator and given.separator == given.decimal:
        found.append(Problem("--decimal", "is the separator as well", "give two different signs"))
    return found


def _apart(name: str) -> tuple[str, str]:
    """`Ubus [V]` -> `Ubus`, `V`."""
    match = _UNIT.fullmatch(name)
    return (match[1], match[2].strip()) if match else (name, "")


def _column(channel: str, name: str, unit: str, sign: float) -> Column:
    """Raises `Mended` for a unit that is none or that the quantity does not come in."""
    short, spelling = _apart(name)
    spelling = unit or spelling
    quantity = channel.partition(".")[2]
    kinds = sorted({k.reads[quantity].unit for k in CLASSES.values() if quantity in k.reads})
    if not spelling:
        example = kinds[0] if kinds else "V"
        raise Mended(
            f"the column {name!r} has no unit", f"write the unit in brackets: '{channel}={name} [{example}]'"
        )
    if not kinds:
        try:
            kinds = [parse(f"1 {spelling}").unit]
        except UnitError as error:
            raise Mended(error.what, error.mend) from error
    for kind in kinds:
        try:
            factor, offset = conversion(spelling, kind)
        except Mended:
            continue
        return Column(channel, name, short, spelling, kind, factor, offset, sign)
    known = [f"{kind} or degC" if kind == "K" else kind for kind in kinds]
    raise Mended(f"{spelling!r} is no unit of {quantity}", f"{quantity} comes in {' or '.join(known)}")
