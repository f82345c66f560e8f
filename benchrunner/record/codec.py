"""Plans and inputs as plain data and back, without loss: what makes a record re-judge bit for bit.

Data means what JSON and MessagePack both carry: mappings, lists, text, numbers, yes/no, nothing. Reading
back follows the dataclasses' own type hints, so a new field with a default needs nothing here, and an old
record still reads. Numbers that JSON cannot carry travel as `{"float": "NaN" | "Infinity" | "-Infinity" |
"-0"}` or `{"int": "..."}`.
"""

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

import numpy as np

from benchrunner.core.messages import Answer, Captured, Fault, Input, Operator, OrderDone, Readings, Tick
from benchrunner.core.plan import RunPlan

T = TypeVar("T")
LARGEST_EXACT = 2**53 - 1  # RFC 7493 (I-JSON), 2.2: larger integers do not survive every JSON reader
KINDS: dict[str, type[Any]] = {
    "readings": Readings,
    "tick": Tick,
    "order_done": OrderDone,
    "captured": Captured,
    "answer": Answer,
    "operator": Operator,
    "fault": Fault,
}
NAMES = {kind: name for name, kind in KINDS.items()}
_SPECIAL = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf, "-0": -0.0}


class CodecError(ValueError):
    """The data does not fit the type that it should become; the text names the place."""


def to_data(value: Any) -> Any:
    """Any dataclass, tuple, mapping or number of ours as plain data, losslessly. Raises `CodecError` for
    others.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, float):  # np.float64 too
        value = float(value)
        if math.isnan(value):
            return {"float": "NaN"}
        if math.isinf(value):
            return {"float": "Infinity" if value > 0 else "-Infinity"}
        if value == 0.0 and math.copysign(1.0, value) < 0:
            return {"float": "-0"}
        return value
    if isinstance(value, int):
        return value if abs(value) <= LARGEST_EXACT else {"int": str(value)}
    if isinstance(value, np.generic):
        return to_data(value.item())
    if isinstance(value, tuple | list):
        return [to_data(inner) for inner in value]
    if isinstance(value, Mapping):
        return {str(key): to_data(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return {"shape": list(value.shape), "values": to_data(value.ravel().tolist())}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_data(getattr(value, f.name)) for f in dataclasses.fields(value)}
    raise CodecError(f"cannot keep a {type(value).__name__}")


def from_data(kind: type[T], data: Any, where: str = "") -> T:
    """The inverse of `to_data`. Raises `CodecError` with the place where data and type part ways."""
    return typing.cast(T, _build(kind, data, where or getattr(kind, "__name__", "value")))


_FIELDS: dict[Any, dict[str, tuple[Any, bool]]] = {}


def _hints(kind: Any) -> dict[str, tuple[Any, bool]]:
    """Field name -> (type, must be there)."""
    if kind not in _FIELDS:
        found = typing.get_type_hints(kind)
        _FIELDS[kind] = {
            f.name: (
                found[f.name],
                f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING,
            )
            for f in dataclasses.fields(kind)
        }
    return _FIELDS[kind]


def _build(kind: Any, data: Any, where: str) -> Any:
    origin = get_origin(kind)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _build_dataclass(kind, data, where)
    if kind is float:
        return _number(data, where)
    if kind is int:
        if isinstance(data, dict) and set(data) == {"int"} and isinstance(data["int"], str):
            return _long(data["int"], where)
        if isinstance(data, int) and not isinstance(data, bool):
            return data
        if isinstance(data, float) and data.is_integer():
            return int(data)
        raise CodecError(f"{where}: {_short(data)} is not a whole number")
    if kind in (str, bool):
        if isinstance(data, kind):
            return data
        raise CodecError(f"{where}: {_short(data)} is not a {'text' if kind is str else 'yes or no'}")
    if kind is type(None):
        if data is None:
            return None
        raise CodecError(f"{where}: {_short(data)} where nothing should stand")
    if origin is Literal:
        if data in get_args(kind):
            return data
        raise CodecError(f"{where}: {_short(data)} is none of {', '.join(map(str, get_args(kind)))}")
    if origin in (Union, types.UnionType):
        return _one_of(get_args(kind), data, where)
    if origin is tuple:
        return _build_tuple(get_args(kind), data, where)
    if origin is dict:
        if not isinstance(data, dict):
            raise CodecError(f"{where}: {_short(data)} is not a mapping")
        inner = get_args(kind)[1]
        return {str(key): _build(inner, value, f"{where}.{key}") for key, value in data.items()}
    if origin is np.ndarray or kind is np.ndarray:
        return _array(data, where)
    if kind is Any:
        return data
    raise CodecError(f"{where}: no way to read a {kind}")


def _build_dataclass(kind: type[Any], data: Any, where: str) -> Any:
    if not isinstance(data, dict):
        raise CodecError(f"{where}: {_short(data)} is not a mapping")
    hints = _hints(kind)
    unknown = set(data) - set(hints)
    if unknown:
        raise CodecError(
            f"{where}: unknown {', '.join(sorted(map(str, unknown)))}; written by a newer version?"
        )
    missing = [name for name, (_, needed) in hints.items() if needed and name not in data]
    if missing:
        raise CodecError(f"{where}: {', '.join(missing)} missing")
    return kind(**{name: _build(hints[name][0], value, f"{where}.{name}") for name, value in data.items()})


def _build_tuple(inner: tuple[Any, ...], data: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(data, list | tuple):
        raise CodecError(f"{where}: {_short(data)} is not a list")
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_build(inner[0], value, f"{where}[{k}]") for k, value in enumerate(data))
    if len(inner) != len(data):
        raise CodecError(f"{where}: {len(data)} values where {len(inner)} belong")
    return tuple(
        _build(kind, value, f"{where}[{k}]") for k, (kind, value) in enumerate(zip(inner, data, strict=True))
    )


def _one_of(kinds: tuple[Any, ...], data: Any, where: str) -> Any:
    failures = []
    for kind in kinds:
        try:
            return _build(kind, data, where)
        except CodecError as error:
            failures.append(str(error))
    raise CodecError(
        failures[0] if len(failures) == 1 else f"{where}: {_short(data)} fits none of the types allowed"
    )


def _number(data: Any, where: str) -> float:
    if isinstance(data, dict) and set(data) == {"float"}:
        try:
            return _SPECIAL[data["float"]]
        except (KeyError, TypeError):
            raise CodecError(f"{where}: {_short(data)} is not a number") from None
    if isinstance(data, dict) and set(data) == {"int"} and isinstance(data["int"], str):
        return float(_long(data["int"], where))
    if isinstance(data, float) or (isinstance(data, int) and not isinstance(data, bool)):
        try:
            return float(data)
        except OverflowError:
            raise CodecError(f"{where}: {_short(data)} is too large") from None
    raise CodecError(f"{where}: {_short(data)} is not a number")


def _long(text: str, where: str) -> int:
    if len(text) > 40 or not text.removeprefix("-").isdigit():
        raise CodecError(f"{where}: {_short(text)} is not a whole number")
    return int(text)


def _array(data: Any, where: str) -> Any:
    if not isinstance(data, dict) or set(data) != {"shape", "values"}:
        raise CodecError(f"{where}: {_short(data)} is not an array")
    values = np.array([_number(value, where) for value in data["values"]], dtype=np.float64)
    try:
        return values.reshape([int(n) for n in data["shape"]])
    except (ValueError, TypeError) as error:
        raise CodecError(f"{where}: {error}") from None


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def plan_to_data(plan: RunPlan) -> dict[str, Any]:
    """The run plan as data; `plan_from_data` gives an equal plan."""
    return typing.cast(dict[str, Any], to_data(plan))


def plan_from_data(data: Any) -> RunPlan:
    """A run plan from `plan_to_data`'s output. Raises `CodecError`."""
    return from_data(RunPlan, data, "plan")


def input_to_data(item: Input) -> dict[str, Any]:
    """One input of the core as `{"kind": ..., ...}`; the samples of a capture are left out (they have a part
    of their own).
    """
    data = to_data(
        dataclasses.replace(item, samples=np.zeros((0, 0))) if isinstance(item, Captured) else item
    )
    if isinstance(item, Captured):
        del data["samples"]
    return {"kind": NAMES[type(item)], **data}


def input_from_data(data: Any, samples: Any = None) -> Input:
    """The inverse of `input_to_data`; `samples` is the array of a capture. Raises `CodecError`."""
    if not isinstance(data, dict) or not isinstance(data.get("kind"), str) or data["kind"] not in KINDS:
        raise CodecError(f"input: {_short(data)} is of no known kind")
    kind = KINDS[data["kind"]]
    item = from_data(kind, {key: value for key, value in data.items() if key != "kind"}, data["kind"])
    if isinstance(item, Captured) and samples is not None:
        item = dataclasses.replace(item, samples=samples)
    return typing.cast(Input, item)


def plain(value: Any) -> Any:
    """Anything that events carry as strict JSON for people: a number that JSON has not becomes nothing
    (null).
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, int):
        return value if abs(value) <= LARGEST_EXACT else str(value)
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list | set | frozenset):
        return [plain(inner) for inner in (sorted(value) if isinstance(value, set | frozenset) else value)]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    return str(value)
