"""Turns replies into SI numbers, compiled once from a driver card so that a poll costs a few microseconds.

SCPI's 9.91E37 (not a number; SCPI-1999 vol. 1, 7.2.1.5) becomes NaN; 9.9E37 (infinity, 7.2.1.4), the answer of an
overloaded range, becomes NaN with its overload bit. SunSpec's "not implemented" values become NaN. Anything that is
no number raises ValueError: garbage is never a reading.
"""

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from benchrunner.cards.bench import InstrumentPart
from benchrunner.cards.driver import DriverCard, ReadField, ReadPart
from benchrunner.cards.quantities import conversion

NOT_A_NUMBER = 9.905e37  # from here on: 9.91E37
OVERLOAD = 9.85e37  # from here to NOT_A_NUMBER: 9.9E37
SANE = 1e30  # no instrument of a bench reads more
UNDERSCORE, COMMA = b"_,"

TextDecoder = Callable[[bytes], tuple[list[float], int]]
RegisterDecoder = Callable[[Sequence[int]], tuple[list[float], int]]

FORMATS = {  # how a register type is packed
    "int16": ">h",
    "uint16": ">H",
    "enum16": ">H",
    "sunssf": ">h",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
}
_MISSING: dict[str, float] = {  # SunSpec Information Model Specification: values that mean "not implemented"
    "int16": -0x8000,
    "uint16": 0xFFFF,
    "enum16": 0xFFFF,
    "sunssf": -0x8000,
    "int32": -0x80000000,
    "uint32": 0xFFFFFFFF,
}
_SCALES = {k: float(f"1e{k}") for k in range(-10, 11)}  # SunSpec scale factors run from -10 to 10


@dataclass(frozen=True)
class Wanted:
    """A field that ends in a channel: its place in the reply, and `si = factor * number + offset`."""

    place: int
    field: ReadField
    factor: float
    offset: float


def wanted(driver: DriverCard, part: InstrumentPart, read: ReadPart) -> list[Wanted]:
    """The fields of one read that this bench uses, in order."""
    found = []
    for place, field in enumerate(read.fields):
        quantity = field.quantity
        if not quantity or part.channels.get(quantity) == "":
            continue
        factor, offset = conversion(field.unit, driver.kind.reads[quantity].unit)
        sign = (
            field.sign
            * field.scale
            * part.ratio.get(quantity, 1.0)
            * (-1 if quantity in part.reversed else 1)
        )
        found.append(Wanted(place, field, factor * sign, offset * sign))
    return found


def text_decoder(read: ReadPart, fields: Sequence[Wanted]) -> TextDecoder:
    """For `single` and `comma list`: takes the reply without its ends, gives the values and the overload bits."""
    count = len(read.fields)
    places = tuple(w.place for w in fields)
    affine = tuple((w.factor, w.offset) for w in fields)
    plain = all(pair == (1.0, 0.0) for pair in affine)
    whole = places == tuple(range(count))
    pick = itemgetter(*places) if len(places) > 1 else None

    def one(reply: bytes) -> tuple[list[float], int]:
        """A reply of one number, taken as it is: what switches and contacts send."""
        if UNDERSCORE in reply or COMMA in reply:
            raise ValueError(f"the reply is not 1 number: {reply[:60]!r}")
        number = float(reply)
        return ([number], 0) if -SANE < number < SANE else _special([number])

    def decode(reply: bytes) -> tuple[list[float], int]:
        parts = reply.split(b",")
        if len(parts) != count or UNDERSCORE in reply:  # Python's float would take 1_000
            raise ValueError(f"the reply is not {count} number{'s' if count > 1 else ''}: {reply[:60]!r}")
        numbers = list(map(float, parts if whole else pick(parts) if pick else [parts[k] for k in places]))
        flags = 0
        if not math.hypot(*numbers) < SANE:  # one is too large, infinite or none
            numbers, flags = _special(numbers)
        if plain:
            return numbers, flags
        return [a * x + b for (a, b), x in zip(affine, numbers, strict=True)], flags

    def nothing(reply: bytes) -> tuple[list[float], int]:
        return [], 0

    if not fields:
        return nothing
    return one if count == 1 and plain else decode


def _special(numbers: list[float]) -> tuple[list[float], int]:
    flags = 0
    for k, x in enumerate(numbers):
        size = abs(x)
        if size < SANE:
            continue
        if OVERLOAD <= size < NOT_A_NUMBER or math.isinf(x):
            flags |= 1 << k
        numbers[k] = math.nan
    return numbers, flags


def register_decoder(read: ReadPart, fields: Sequence[Wanted], words: str) -> RegisterDecoder:
    """For `register map`: takes the registers of `read.span()`.

    The scale factors of the first registers decoded hold for all that follow: they are fixed while a device runs
    (SunSpec Device Information Model Specification). Others come from somewhere else: ValueError.
    """
    first, count = read.span()
    fixed: dict[int, int] = {}  # register -> scale factor
    plan = []
    for w in fields:
        kind = w.field.type or "int16"
        at = (w.field.at or 0) - first
        scale_at = None if w.field.scale_at is None else w.field.scale_at - first
        double = kind in ("int32", "uint32", "float32")
        swap = double and words == "low first"
        plan.append(
            (at, struct.Struct(FORMATS[kind]), _MISSING.get(kind), swap, scale_at, w.factor, w.offset)
        )
    pack = struct.Struct(f">{count}H").pack

    def decode(registers: Sequence[int]) -> tuple[list[float], int]:
        raw = pack(*registers)
        values = []
        for at, form, missing, swap, scale_at, factor, offset in plan:
            if swap:
                number = form.unpack(raw[2 * at + 2 : 2 * at + 4] + raw[2 * at : 2 * at + 2])[0]
            else:
                number = form.unpack_from(raw, 2 * at)[0]
            if number == missing:
                values.append(math.nan)
                continue
            if scale_at is not None:
                exponent = registers[scale_at]
                if fixed.setdefault(scale_at, exponent) != exponent:
                    raise ValueError(
                        f"the scale factor in register {scale_at} was {fixed[scale_at]} and is {exponent}: no readings"
                    )
                scale = _SCALES.get(exponent - 0x10000 if exponent >= 0x8000 else exponent)
                if scale is None:  # 0x8000, not implemented, or nonsense: the value cannot be told
                    values.append(math.nan)
                    continue
                number *= scale
            values.append(factor * number + offset)
        return values, 0

    return decode
