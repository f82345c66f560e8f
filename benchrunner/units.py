"""Quantities as people write them ("2.4 kW", "1 %", "25 degC") and as the program keeps them: floats in SI.

Common forms are read from a hand-kept table, so that nothing heavy is loaded; other spellings go through
pint, which is loaded on first need and sees only the unit part, after its shape was checked. Text here is
untrusted: it is bounded in length, never evaluated, and only finite numbers come out.
"""

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

LONGEST = 64  # characters; "1.234567890123 W/m^2" has 20

# The units the program keeps values in, with their dimensions as powers of (kg, m, s, A, K). Where several
# share dimensions the first is what arithmetic gives: power times nothing is W until someone says that it is
# VA or var.
_DIMENSIONS: dict[str, tuple[int, int, int, int, int]] = {
    "1": (0, 0, 0, 0, 0),
    "V": (1, 2, -3, -1, 0),
    "A": (0, 0, 0, 1, 0),
    "W": (1, 2, -3, 0, 0),
    "VA": (1, 2, -3, 0, 0),
    "var": (1, 2, -3, 0, 0),
    "Hz": (0, 0, -1, 0, 0),
    "s": (0, 0, 1, 0, 0),
    "J": (1, 2, -2, 0, 0),
    "C": (0, 0, 1, 1, 0),
    "K": (0, 0, 0, 0, 1),
    "W/m^2": (1, 0, -3, 0, 0),
    "ohm": (1, 2, -3, -2, 0),
    "F": (-1, -2, 4, 2, 0),
    "H": (1, 2, -2, -2, 0),
    "Hz/s": (0, 0, -2, 0, 0),
    "V/s": (1, 2, -4, -1, 0),
    "A/s": (0, 0, -1, 1, 0),
    "W/s": (1, 2, -4, 0, 0),
    "VA/s": (1, 2, -4, 0, 0),
    "var/s": (1, 2, -4, 0, 0),
    "K/s": (0, 0, -1, 0, 1),
    "V/K": (1, 2, -3, -1, -1),
    "1/s": (0, 0, -1, 0, 0),
    "V s": (1, 2, -2, -1, 0),
    "m": (0, 1, 0, 0, 0),
    "m^2": (0, 2, 0, 0, 0),
    "rad": (0, 0, 0, 0, 0),
}
UNITS = tuple(_DIMENSIONS)
_OF_DIMENSIONS: dict[tuple[int, ...], str] = {}
for _unit, _powers in _DIMENSIONS.items():
    _OF_DIMENSIONS.setdefault(_powers, _unit)

_SAYS = {
    "1": "a ratio", "V": "a voltage", "A": "a current", "W": "an active power", "VA": "an apparent power",
    "var": "a reactive power", "Hz": "a frequency", "s": "a time", "J": "an energy", "C": "a charge",
    "K": "a temperature", "W/m^2": "an irradiance", "ohm": "a resistance", "F": "a capacitance",
    "H": "an inductance",
    "Hz/s": "a rate of change of frequency", "V/s": "a rate of change of voltage", "rad": "an angle",
}  # fmt: skip

_PREFIXES = {"n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
_KELVIN_OF_0_DEGC = 273.15


def _table() -> dict[str, tuple[float, float, str]]:
    """spelling -> (factor, offset, SI unit): SI value = number * factor + offset."""
    spellings: dict[str, tuple[float, float, str]] = {}
    prefixed = {
        "V": ("V", 1.0), "A": ("A", 1.0), "W": ("W", 1.0), "VA": ("VA", 1.0), "var": ("var", 1.0),
        "Hz": ("Hz", 1.0),
        "s": ("s", 1.0), "J": ("J", 1.0), "Wh": ("J", 3600.0), "Ah": ("C", 3600.0), "C": ("C", 1.0),
        "ohm": ("ohm", 1.0), "Ω": ("ohm", 1.0), "F": ("F", 1.0), "H": ("H", 1.0),
        "Hz/s": ("Hz/s", 1.0), "V/s": ("V/s", 1.0), "A/s": ("A/s", 1.0), "W/s": ("W/s", 1.0), "K": ("K", 1.0),
        "VA/s": ("VA/s", 1.0), "var/s": ("var/s", 1.0), "K/s": ("K/s", 1.0), "V/K": ("V/K", 1.0), "V s": ("V s", 1.0),
        "W/m^2": ("W/m^2", 1.0), "W/m2": ("W/m^2", 1.0), "W/m²": ("W/m^2", 1.0), "rad": ("rad", 1.0),
        "m": ("m", 1.0),
    }  # fmt: skip
    for name, (unit, factor) in prefixed.items():
        for prefix, scale in _PREFIXES.items():
            spellings[prefix + name] = (scale * factor, 0.0, unit)
    per_minute, per_hour = 1 / 60.0, 1 / 3600.0
    for name, unit in (("V", "V/s"), ("A", "A/s"), ("W", "W/s"), ("kW", "W/s"), ("Hz", "Hz/s")):
        scale = 1e3 if name == "kW" else 1.0
        spellings[f"{name}/min"] = (scale * per_minute, 0.0, unit)
    spellings |= {
        "min": (60.0, 0.0, "s"), "h": (3600.0, 0.0, "s"), "d": (86400.0, 0.0, "s"),
        "%": (0.01, 0.0, "1"), "percent": (0.01, 0.0, "1"), "ppm": (1e-6, 0.0, "1"),
        "degC": (1.0, _KELVIN_OF_0_DEGC, "K"), "°C": (1.0, _KELVIN_OF_0_DEGC, "K"),
        "℃": (1.0, _KELVIN_OF_0_DEGC, "K"), "deg": (math.pi / 180, 0.0, "rad"), "°": (math.pi / 180, 0.0,
        "rad"),
        "%/s": (0.01, 0.0, "1/s"), "%/min": (0.01 * per_minute, 0.0, "1/s"), "1/s": (1.0, 0.0, "1/s"),
        "1/h": (per_hour, 0.0, "1/s"), "m^2": (1.0, 0.0, "m^2"), "m2": (1.0, 0.0, "m^2"), "m²": (1.0, 0.0,
        "m^2"),
    }  # fmt: skip
    return spellings


_TABLE = _table()
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
# What pint may see: names with small powers, joined by * / or a blank. No digits that could grow, no
# brackets.
_UNIT_SHAPE = re.compile(
    r"[A-Za-zµμΩ°_]{1,24}(?:(?:\^|\*\*)?-?[1-4])?(?:[ */·][A-Za-zµμΩ°_]{1,24}(?:(?:\^|\*\*)?-?[1-4])?){0,4}"
)


class UnitError(ValueError):
    """A text that is no quantity, or one of the wrong kind: `what` is wrong and how to `mend` it."""

    def __init__(self, what: str, mend: str) -> None:
        self.what, self.mend = what, mend
        super().__init__(f"{what}; {mend}")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI and its unit, one of `UNITS`."""

    value: float
    unit: str

    def __str__(self) -> str:
        return show(self.value, self.unit)


def parse(text: object, expect: str | None = None) -> Quantity:
    """Read one quantity, such as "2.4 kW", "1 %" (0.01 of unit "1"), "200 Ah" (720000 C) or "25 degC" (298.15
    K).

    `expect`: the SI unit that it must come in. A bare number is read only where `expect` is "1". Active,
    apparent and reactive power are three kinds, not one. Raises `UnitError`.
    """
    if expect is not None and expect not in _DIMENSIONS:
        raise UnitError(f"{expect!r} is no unit of this program", f"use one of {', '.join(UNITS)}")
    if not isinstance(text, str):
        wanted = f", for example {_example(expect)!r}"
        raise UnitError(
            f"{_short(text)} is not a quantity in text", f"write number and unit in quotes{wanted}"
        )
    if len(text) > LONGEST:
        raise UnitError(
            f"{_short(text)} is longer than {LONGEST} characters", "write one number and one unit"
        )
    plain = (
        text.strip()
        .replace("\u2212", "-")
        .replace("\u00a0", " ")
        .replace("\u202f", " ")
        .replace("\u2126", "\u03a9")
    )
    match = _NUMBER.match(plain)
    if match is None:
        raise UnitError(f"{_short(text)} does not begin with a number", f"write it as {_example(expect)!r}")
    number, spelling = float(match.group()), plain[match.end() :].strip()
    if spelling[:1] in (",", "_", "'"):
        raise UnitError(
            f"{_short(text)} has {spelling[0]!r} inside the number", "write digits and a decimal point"
        )
    if not spelling:
        if expect != "1":
            raise UnitError(f"{_short(text)} has no unit", f"add the unit, for example {_example(expect)!r}")
        return Quantity(_finite(number, text), "1")
    factor, offset, unit = _meaning(spelling)
    value = _finite(number * factor + offset, text)
    if unit == "K" and value < 0.0 and offset:
        raise UnitError(f"{_short(text)} is below absolute zero", "check the sign and the unit")
    if expect is not None and unit != expect:
        value = _as_expected(value, unit, expect, text, spelling)
        unit = expect
    return Quantity(value, unit)


def _as_expected(value: float, unit: str, expect: str, text: str, spelling: str) -> float:
    """Only Hz and 1/s, and an angle and a ratio, may stand in for one another; all else is another kind."""
    if {unit, expect} in ({"Hz", "1/s"}, {"Hz/s", "1/s^2"}):
        return value
    mend = f"give {_says(expect)}, for example {_example(expect)!r}"
    if expect == "K" and spelling == "C":
        mend = "C is coulomb; write degC for a temperature"
    elif _DIMENSIONS[unit] == _DIMENSIONS[expect] and expect in ("W", "VA", "var"):
        mend = f"W is active, VA apparent and var reactive power; here {expect} is meant"
    raise UnitError(f"{_short(text)} is {_says(unit)}, not {_says(expect)}", mend)


@lru_cache(maxsize=512)
def _meaning(spelling: str) -> tuple[float, float, str]:
    found = _TABLE.get(spelling) or _TABLE.get(re.sub(r"\s+", " ", spelling))
    if found:
        return found
    near = [name for name in _TABLE if name.lower() == spelling.lower()] or difflib.get_close_matches(
        spelling, _TABLE, 1
    )
    mend = (
        f"did you mean {near[0]!r}?"
        if near
        else "known units: " + ", ".join(u for u in UNITS if u != "1") + ", %, min, h, Ah, Wh, degC"
    )
    if len(spelling) > 40 or not _UNIT_SHAPE.fullmatch(spelling):
        raise UnitError(f"{_short(spelling)} is no unit", mend)
    return _through_pint(spelling, mend)


def _through_pint(spelling: str, mend: str) -> tuple[float, float, str]:
    import pint

    ureg = _registry()
    try:
        at_zero = ureg.Quantity(0.0, spelling).to_base_units()
        at_one = ureg.Quantity(1.0, spelling).to_base_units()
    except (
        pint.PintError,
        AttributeError,
        ValueError,
        TypeError,
        ArithmeticError,
        KeyError,
        RecursionError,
        SyntaxError,
    ) as error:
        raise UnitError(f"{_short(spelling)} is no unit", mend) from error
    dimensions = {str(key): power for key, power in at_one.dimensionality.items()}
    order = ("[mass]", "[length]", "[time]", "[current]", "[temperature]")
    if set(dimensions) - set(order):
        raise UnitError(f"{_short(spelling)} is nothing that this program measures", mend)
    powers = tuple(
        int(dimensions.get(name, 0)) if float(dimensions.get(name, 0)).is_integer() else 99 for name in order
    )
    unit = _OF_DIMENSIONS.get(powers)
    if "radian" in str(at_one.units) and unit in ("Hz", "Hz/s"):
        # an angle has no dimension: 1 rad/s would pass for 1 Hz, and 3000 rpm for 314 Hz
        what = f"{_short(spelling)} counts angle, and a frequency counts periods"
        raise UnitError(what, "give Hz: divide rad/s by 2 pi, or rpm by 60")
    if unit is None or unit == "1":  # a dimensionless oddity (dozen, neper, ...) is not a ratio of ours
        raise UnitError(f"{_short(spelling)} is nothing that this program measures", mend)
    offset = float(at_zero.magnitude)
    return float(at_one.magnitude) - offset, offset, unit


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


_SHOWN_PREFIXES = {-9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_LEAST = {"K": 0, "C": 0, "m": 0}
_MOST = {"s": 0, "K": 0, "V s": 0, "m": 0, "Hz": 3, "Hz/s": 0, "K/s": 0, "rad": 0}


def show(value: float, unit: str, digits: int = 4, percent: bool = False) -> str:
    """The value for people, with an engineering prefix: `show(2400.0, "W")` -> "2.400 kW".

    `digits` significant digits; unit "1" as it is, or in per cent where `percent`; energy from 100 kJ on in
    Wh and charge in Ah, as the trade does; NaN reads "no value".
    """
    digits = max(1, min(int(digits), 15))
    if not isinstance(value, (int, float)) or math.isnan(value):
        return "no value"
    if math.isinf(value):
        return f"{'-' if value < 0 else ''}infinite" + ("" if unit == "1" else f" {sign(unit)}")
    if unit == "1":
        return f"{_digits(value * 100, digits)} %" if percent else _digits(value, digits)
    if unit == "rad":
        return f"{_digits(value * 180 / math.pi, digits)} deg"
    if unit == "J" and abs(value) >= 1e5:
        value, unit = value / 3600.0, "Wh"
    elif unit == "C" and abs(value) >= 360.0:
        value, unit = value / 3600.0, "Ah"
    if unit in ("W/m^2", "m^2", "1/s") or value == 0:
        return f"{_digits(value, digits)} {sign(unit)}"
    exponent = int(
        f"{value:.{digits - 1}e}".partition("e")[2]
    )  # after rounding, so that 999.96 W is 1.000 kW
    step = 3 * math.floor(exponent / 3)
    if unit in ("Hz", "Hz/s") and exponent == -1:
        step = 0  # 0.5 Hz stays 0.5 Hz; smaller ones are said in mHz
    step = min(max(step, _LEAST.get(unit, -9), -9), _MOST.get(unit, 9), 9)
    return f"{_digits(value / 10.0**step, digits)} {_SHOWN_PREFIXES[step]}{unit}"


def scale(largest: float, unit: str) -> tuple[str, float]:
    """The unit in which `show` says `largest`, and the factor from SI to it: `scale(2400.0, "W")` -> ("kW", 0.001)."""
    if unit == "1":
        return "", 1.0
    if not (math.isfinite(largest) and largest):
        return sign(unit), 1.0
    if unit == "rad":
        return "deg", 180.0 / math.pi
    figure, _, word = show(largest, unit, 12).partition(" ")
    hours = 3600.0 if word.endswith("h") and unit in ("J", "C") else 1.0
    return word, 10.0 ** round(math.log10(float(figure) / largest * hours)) / hours


def alike(numbers: Iterable[float], unit: str, digits: int = 4) -> list[str]:
    """Numbers of one sentence, all in the unit that suits the largest of them: no Wh beside kJ and J."""
    numbers = list(numbers)
    word, factor = scale(max((abs(n) for n in numbers if math.isfinite(n)), default=0.0), unit)
    return [
        f"{_digits(n * factor, digits)} {word}".rstrip() if math.isfinite(n) else show(n, unit)
        for n in numbers
    ]


def sign(unit: str) -> str:
    """The unit as people write it: W/m² for W/m^2. Both are read."""
    return unit.replace("^2", "²")


def _digits(value: float, digits: int) -> str:
    """`value` with so many significant digits, without an exponent where it stays readable."""
    if value == 0:
        return f"{0.0:.{digits - 1}f}"
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2])
    if not -5 < exponent < 15:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(0, digits - 1 - exponent)}f}"


def times(unit: str, other: str, power: int = 1) -> str:
    """The unit of a product (`power` 1) or quotient (`power` -1) of two units: `times("W", "s")` -> "J".

    Raises `UnitError` where the result is nothing that the program measures, or for an unknown unit.
    """
    for name in (unit, other):
        if name not in _DIMENSIONS:
            raise UnitError(f"{name!r} is no unit of this program", f"use one of {', '.join(UNITS)}")
    if other == "1":
        return unit
    if unit == "1" and power == 1:
        return other
    if power == -1 and unit == other:
        return "1"
    if power == -1 and other == "s" and f"{unit}/s" in _DIMENSIONS:
        return f"{unit}/s"
    powers = tuple(a + power * b for a, b in zip(_DIMENSIONS[unit], _DIMENSIONS[other], strict=True))
    found = _OF_DIMENSIONS.get(powers)
    if found is None:
        sign = "times" if power == 1 else "divided by"
        raise UnitError(
            f"{unit} {sign} {other} is nothing that this program measures", "check the arithmetic"
        )
    return found


def _finite(value: float, text: str) -> float:
    if not math.isfinite(value):
        raise UnitError(f"{_short(text)} is not a finite number", "give a number that an instrument can show")
    return value


def _says(unit: str) -> str:
    return f"{_SAYS[unit]} ({unit})" if unit in _SAYS and unit != "1" else _SAYS.get(unit, unit)


def _example(unit: str | None) -> str:
    if unit == "K":
        return "25 degC"
    if unit == "1":
        return "5 %"
    return f"1 {unit or 'kW'}"


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 50 else text[:47] + "..."
