"""The published SunSpec models as data: where each point lies, and what a model's registers say.

Offsets count from the model's first register (its number; the length is the second), as in the standard. The
definitions lie in `resources/sunspec/models.toml`. Source: SunSpec Device Information Model Specification.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from benchrunner import data
from benchrunner.cards import reading

Value = float | int | str | None
HEAD = 2  # registers before the first point: the model's number and length
MOST_REPEATS = 100
SIZES = {
    "int16": 1, "uint16": 1, "enum16": 1, "bitfield16": 1, "sunssf": 1, "pad": 1, "count": 1, "acc16": 1, "raw16": 1,
    "int32": 2, "uint32": 2, "enum32": 2, "bitfield32": 2, "acc32": 2, "float32": 2, "ipaddr": 2,
    "int64": 4, "uint64": 4, "bitfield64": 4, "acc64": 4, "float64": 4,
}  # fmt: skip
# what stands in a register that the device does not have (SunSpec Information Model Specification)
UNIMPLEMENTED = {
    "int16": 0x8000, "uint16": 0xFFFF, "enum16": 0xFFFF, "bitfield16": 0xFFFF, "sunssf": 0x8000, "pad": 0x8000,
    "count": 0xFFFF, "acc16": 0, "int32": 0x80000000, "uint32": 0xFFFFFFFF, "enum32": 0xFFFFFFFF,
    "bitfield32": 0xFFFFFFFF, "acc32": 0, "int64": 1 << 63, "uint64": (1 << 64) - 1, "bitfield64": (1 << 64) - 1,
    "acc64": 0,
}  # fmt: skip
_SIGNED = {"int16", "sunssf", "int32", "int64"}


@dataclass(frozen=True, slots=True)
class Point:
    """One point: its type, size in registers, the point (or number) that scales it, and its unit as published."""

    name: str
    kind: str
    size: int
    scale: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Points that repeat `count` times: a number, the name of a point, or 0 for as many as the model has room for."""

    name: str
    count: str
    items: "tuple[Point | Group, ...]"


@dataclass(frozen=True, slots=True)
class Placed:
    """A point at its offset; in groups it is named `Crv[0].Pt[1].V`."""

    at: int
    point: Point


Items = tuple[Point | Group, ...]


@cache
def published() -> dict[int, Items]:
    """Every model that we know, by its number."""
    document = reading.load(data.folder("resources") / "sunspec" / "models.toml")
    return {int(number): parse(part["points"]) for number, part in document.data.items()}


def parse(text: str) -> Items:
    """Points from the text of a definition. Raises `ValueError` for an unknown type."""
    stack: list[tuple[str, str, list[Point | Group]]] = [("", "", [])]
    for word in text.split():
        if word == ")":
            name, count, items = stack.pop()
            stack[-1][2].append(Group(name, count, tuple(items)))
        elif word.endswith("(") and "*" in word:
            name, _, count = word[:-1].partition("*")
            stack.append((name, count, []))
        else:
            name, kind, scale, unit = (*word.split(":"), "", "", "")[:4]
            size = int(kind[6:]) if kind.startswith("string") else SIZES.get(kind, 0)
            if not size:
                raise ValueError(f"{kind!r} is no type of a point")
            stack[-1][2].append(
                Point(name, "string" if kind.startswith("string") else kind, size, scale, unit)
            )
    if len(stack) != 1:
        raise ValueError("a group does not end")
    return tuple(stack[0][2])


def fixed_length(items: Items) -> int:
    """Registers of the points outside repeating groups, and of one of each group that is not counted by a point."""
    return sum(
        item.size if isinstance(item, Point) else (fixed_length(item.items) if item.count == "1" else 0)
        for item in items
    )


def place(model: int, registers: Sequence[int]) -> dict[str, Placed]:
    """Where each point of a model lies, given its registers with number and length; {} for an unknown model.

    What would lie beyond the registers is left out, however large the counts in them.
    """
    items = published().get(model, ())
    found: dict[str, Placed] = {}
    _place(items, HEAD, "", registers, found)
    return found


def _place(items: Items, at: int, prefix: str, registers: Sequence[int], found: dict[str, Placed]) -> int:
    for item in items:
        if isinstance(item, Point):
            if at + item.size > len(registers):
                return len(registers)
            found[prefix + item.name] = Placed(at, item)
            at += item.size
            continue
        repeats, room = _repeats(item, registers, found, prefix), len(registers) - at
        size = _size(item.items, registers, found)
        if item.count == "0":
            repeats = min(room // size if size else 0, MOST_REPEATS)
        if not prefix and item.count != "1" and repeats * size != room:
            # a device of another edition of the model: where its points lie in such a group cannot be told
            return len(registers)
        for k in range(repeats):
            if at >= len(registers):
                return at
            inner = f"{prefix}{item.name}." if item.count == "1" else f"{prefix}{item.name}[{k}]."
            at = _place(item.items, at, inner, registers, found)
    return at


def _size(items: Items, registers: Sequence[int], found: dict[str, Placed]) -> int:
    return sum(
        item.size
        if isinstance(item, Point)
        else _repeats(item, registers, found, "") * _size(item.items, registers, found)
        for item in items
    )


def _repeats(group: Group, registers: Sequence[int], found: dict[str, Placed], prefix: str) -> int:
    if group.count.isdigit():
        return int(group.count) or MOST_REPEATS
    counter = found.get(prefix + group.count) or found.get(group.count)
    if counter is None:
        return 0
    number = registers[counter.at]
    return 0 if number == UNIMPLEMENTED["uint16"] else min(number, MOST_REPEATS)


def decode(model: int, registers: Sequence[int]) -> dict[str, Value]:
    """What each point of a model says, scaled; None where it is not implemented or its scale factor is not.

    `registers`: the whole model, its number and length first.
    """
    placed = place(model, registers)
    raw = {name: _raw(one.point, registers[one.at : one.at + one.point.size]) for name, one in placed.items()}
    values: dict[str, Value] = {}
    for name, one in placed.items():
        value, scale = raw[name], one.point.scale
        if value is None or not scale or isinstance(value, str):
            values[name] = value
            continue
        # a scale factor lies in the same group, or in the model itself
        group = name.rpartition(".")[0]
        factor = int(scale) if scale.lstrip("-").isdigit() else raw.get(f"{group}.{scale}", raw.get(scale))
        in_range = isinstance(factor, int) and -10 <= factor <= 10  # SunSpec scale factors run from -10 to 10
        values[name] = value * 10.0 ** int(factor) if in_range and factor is not None else None
    return values


def _raw(point: Point, registers: Sequence[int]) -> Value:
    raw = b"".join(register.to_bytes(2, "big") for register in registers)
    if point.kind == "string":
        text = raw.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
        return "".join(c if c.isprintable() else " " for c in text) or None
    if point.kind in ("float32", "float64"):
        number: float = struct.unpack(">f" if point.size == 2 else ">d", raw)[0]
        return number if number == number else None
    number = int.from_bytes(raw, "big", signed=False)
    if number == UNIMPLEMENTED.get(point.kind):
        return None
    return int.from_bytes(raw, "big", signed=True) if point.kind in _SIGNED else number
