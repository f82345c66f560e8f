"""Quantities as they stand in a card ("100 ms", "0.1 %"): field types that read as text and hold SI floats.

The JSON Schema of such a field is a text, since that is what a person writes; the model holds a plain float.
"""

import math
import re
from collections.abc import Callable
from functools import lru_cache
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from benchrunner import units
from benchrunner.cards.reading import Mended

_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
_LABEL = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,59}$")


def si(value: Any, unit: str) -> float:
    """A text such as "2.4 kW" as a float in the SI unit `unit`. Raises `Mended` for anything else."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise Mended(f"is {value!r}, not a quantity", f"write a number with its unit as text, in {unit}")
    if isinstance(value, (int, float)):
        if unit == "1":
            return float(value)
        raise Mended(
            f"is the bare number {value!r}", f'write it as text with its unit, for example "{value} {unit}"'
        )
    try:
        return float(units.parse(value, expect=unit).value)
    except units.UnitError as error:
        raise Mended(error.what, error.mend) from error


@lru_cache(maxsize=256)
def conversion(unit: str, expect: str) -> tuple[float, float]:
    """Factor and offset that take a number in the instrument's `unit` to SI: `si = factor * number + offset`.

    Raises `Mended` where `unit` is not known or is not one of `expect`.
    """
    if unit == "1" and expect == "1":
        return 1.0, 0.0
    zero = si(f"0 {unit}", expect)
    return si(f"1 {unit}", expect) - zero, zero


LONGEST = 600.0  # s; what lies beyond, on a card of instruments, is a slip (a guard that never acts, a poll that never comes)


def _reader(
    unit: str, least: float | None, above: float | None, most: float = math.inf
) -> Callable[[Any], float]:
    def read(value: Any) -> float:
        number = si(value, unit)
        if least is not None and number < least:
            raise Mended(f"is {value!r}, which is too small", f"give at least {least:g} {unit}")
        if above is not None and number <= above:
            raise Mended(f"is {value!r}, which is too small", f"give more than {above:g} {unit}")
        if number > most:
            raise Mended(
                f"is {value!r}, which is too large",
                f"give at most {units.show(most, unit, 3, percent=unit == '1')}",
            )
        return number

    return read


def _schema(example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": [example]})


Seconds = Annotated[float, BeforeValidator(_reader("s", 0.0, None, LONGEST)), _schema("100 ms")]
PositiveSeconds = Annotated[float, BeforeValidator(_reader("s", None, 0.0, LONGEST)), _schema("100 ms")]
PerSecond = Annotated[float, BeforeValidator(_reader("Hz", None, 0.0)), _schema("100 kHz")]
Ratio = Annotated[float, BeforeValidator(_reader("1", 0.0, None, 1.0)), _schema("0.1 %")]


def name(value: Any) -> str:
    """A name as channels and settings use them: lower case, digits, underscores."""
    if not isinstance(value, str) or not _NAME.match(value):
        raise Mended(
            f"is {value!r}, not a name", "use lower-case letters, digits and underscores, a letter first"
        )
    return value


def dotted(value: Any) -> str:
    """A channel or setting: `role.quantity`."""
    if (
        not isinstance(value, str)
        or value.count(".") != 1
        or not all(_NAME.match(part) for part in value.split("."))
    ):
        raise Mended(
            f"is {value!r}, not a channel or setting", 'write role.quantity, for example "bus.voltage"'
        )
    return value


def label(value: Any) -> str:
    """An identifier for people: letters, digits, dots, hyphens, underscores."""
    if not isinstance(value, str) or not _LABEL.match(value):
        raise Mended(f"is {value!r}, not an identifier", "use letters, digits, '.', '-' and '_', at most 60")
    return value


Name = Annotated[str, BeforeValidator(name), WithJsonSchema({"type": "string", "pattern": _NAME.pattern})]
Label = Annotated[str, BeforeValidator(label), WithJsonSchema({"type": "string", "pattern": _LABEL.pattern})]
Dotted = Annotated[
    str,
    BeforeValidator(dotted),
    WithJsonSchema({"type": "string", "pattern": r"^[a-z][a-z0-9_]{0,39}\.[a-z][a-z0-9_]{0,39}$"}),
]
