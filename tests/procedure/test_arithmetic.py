"""The arithmetic of procedures: right, dimension checked, bounded."""

import math
import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.procedure.arithmetic import (
    LONGEST,
    ArithmeticFault,
    Value,
    dimension_of,
    evaluate,
    names,
    parse,
    unit_text,
)
from benchrunner.units import UNITS

KNOWN = {
    "x": Value(56.0, dimension_of("V")),
    "load": Value(3000.0, dimension_of("W")),
    "pairing.battery.capacity": Value(720_000.0, dimension_of("C")),
    "bench.unknown": Value(math.nan, None),
}


def lookup(name: str) -> Value:
    if name not in KNOWN:
        raise ArithmeticFault(f"unknown {name}", "")
    return KNOWN[name]


def worth(text: str) -> tuple[float, str]:
    value = evaluate(parse(text), lookup)
    return value.number, unit_text(value.dimension)


@pytest.mark.parametrize(
    ("text", "number", "unit"),
    [
        ("2.4 kW", 2400.0, "W"),
        ("101 % * x", 56.56, "V"),
        ("x * 101 %", 56.56, "V"),
        ("load / x", 3000 / 56, "A"),
        ("pairing.battery.capacity / 60 A + 30 min", 720_000 / 60 + 1800, "s"),
        ("min(load, 2 kW, 4 kW) + 0.1 kW", 2100.0, "W"),
        ("max(1 V, x)", 56.0, "V"),
        ("1 / 50 Hz", 0.02, "s"),
        ("load * 2 min", 360_000.0, "J"),
        ("900 W/m^2 / 1000 W/m^2", 0.9, "1"),
        ("1 Hz/s * 2 s", 2.0, "Hz"),
        ("3 V / 1.5 s", 2.0, "V/s"),
        ("-10 degC", 263.15, "K"),  # BIPM, SI Brochure, 2.3.1: T/K = t/degC + 273.15
        ("25 degC", 298.15, "K"),
        ("-x + 60 V", 4.0, "V"),
        ("--2", 2.0, "1"),
        ("8 - 3 - 2", 3.0, "1"),
        ("8 / 4 / 2", 1.0, "1"),
        ("2 + 3 * 4", 14.0, "1"),
        ("(2 + 3) * 4", 20.0, "1"),
        ("2 - -3", 5.0, "1"),
        ("1e3 W", 1000.0, "W"),
        ("20 deg", math.radians(20), "rad"),
    ],
)
def test_values(text: str, number: float, unit: str) -> None:
    assert worth(text) == (pytest.approx(number, rel=1e-12), unit)


@pytest.mark.parametrize(
    "text",
    [
        "x + load",
        "x + 10 %",
        "x + 1",
        "min(x, load)",
        "1 / 0",
        "x / (2 - 2)",
        "",
        "   ",
        "2 +",
        "* 2",
        "(2",
        "2)",
        "2 3",
        "2 x",
        "3 apples",
        "sin(2)",
        "x(2)",
        "min()",
        "min(2",
        "min 2",
        "min",
        "9**9",
        "9^9",
        "2 // 3",
        "1e400",
        "1e200 * 1e200",
        "__import__('os')",
        "x.__class__",
        "x if x else x",
        "a = 1",
        "[1]",
        "'text'",
        "lambda: 1",
        "0x10 V",
        "1_000 V",
        "५ V",
        "५",
        "nan",
        "inf V",
        "\x00",
        "2 V;3",
    ],
)
def test_refused(text: str) -> None:
    with pytest.raises(ArithmeticFault) as caught:
        worth(text)
    assert caught.value.what


@pytest.mark.parametrize(
    "text",
    [
        "(" * 5000 + "1" + ")" * 5000,
        "(" * 150 + "1" + ")" * 150,
        "-" * 300 + "x",
        "9**9**9**9 V",
        "1" * 10_000,
        "1" * 390,
        "min(" * 80 + "1" + ")" * 80,
        "+".join(["1"] * 5000),
        "*".join(["1e9"] * 80),
        " " * 5000,
        "(" * 390,
    ],
)
def test_hostile_texts_do_not_hang(text: str) -> None:
    begin = time.perf_counter()
    with pytest.raises(ArithmeticFault):
        worth(text)
    assert time.perf_counter() - begin < 10.0


def test_a_long_sum_is_no_deep_one() -> None:
    text = "+".join(["1"] * ((LONGEST + 1) // 2))
    assert worth(text) == ((LONGEST + 1) // 2, "1")


def test_percent_is_a_factor_and_says_so_otherwise() -> None:
    with pytest.raises(ArithmeticFault, match="percentage is a factor"):
        worth("x + 10 %")


def test_an_unknown_dimension_is_not_complained_about() -> None:
    assert evaluate(parse("bench.unknown + 3 V"), lookup).dimension == dimension_of("V")
    assert evaluate(parse("bench.unknown * 3 V"), lookup).dimension is None


def test_names_are_found() -> None:
    assert list(names(parse("min(a, b.c) * -a + 2 V"))) == ["a", "b.c", "a"]


def test_every_unit_of_the_program_has_a_dimension() -> None:
    for unit in UNITS:
        assert isinstance(dimension_of(unit), tuple), unit


numbers = st.integers(min_value=0, max_value=999).map(str)
expressions = st.recursive(
    numbers,
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from("+-*/"), inner).map(" ".join),
        inner.map(lambda text: f"({text})"),
        inner.map(lambda text: f"-({text})"),
    ),
    max_leaves=12,
)


@given(expressions)
def test_agrees_with_exact_arithmetic(text: str) -> None:
    """The oracle is Python's own grammar over exact fractions (only digits, signs and brackets are in the text)."""
    if len(text) > LONGEST or text.count("(") > 20:
        return
    exact_text = "".join(f"F({part})" if part.isdigit() else part for part in _split(text))
    try:
        exact = eval(exact_text, {"__builtins__": {}, "F": Fraction})  # our own generated text
    except ZeroDivisionError:
        with pytest.raises(ArithmeticFault, match="zero"):
            worth(text)
        return
    if abs(exact) > 1e25 or _divides_by_nearly_nothing(text):
        return
    assert worth(text)[0] == pytest.approx(float(exact), rel=1e-9, abs=1e-9)


def _split(text: str) -> list[str]:
    import re

    return re.findall(r"\d+|\D", text)


def _divides_by_nearly_nothing(text: str) -> bool:
    """Differences that are zero in exact arithmetic and 1e-17 in floating point are no matter of the parser."""
    return text.count("/") > 1


@given(st.text(max_size=60))
def test_any_text_is_a_value_or_a_fault(text: str) -> None:
    try:
        value = evaluate(parse(text), lookup)
    except ArithmeticFault:
        return
    assert isinstance(value.number, float)
