"""Reading and showing quantities, with pint as the outside reference for every spelling in the table."""

import math
import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner import units
from benchrunner.units import Quantity, UnitError, parse, show


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("2.4 kW", 2400.0, "W"),
        ("1 %", 0.01, "1"),
        ("30 s", 30.0, "s"),
        ("200 Ah", 720000.0, "C"),
        ("25 degC", 298.15, "K"),
        ("20 mHz", 0.02, "Hz"),
        ("900 W/m^2", 900.0, "W/m^2"),
        ("4Hz/s", 4.0, "Hz/s"),
        ("-5 kW", -5000.0, "W"),
        ("\u22125\u00a0kW", -5000.0, "W"),
        ("10 kWh", 3.6e7, "J"),
        ("5 min", 300.0, "s"),
        ("6 kVA", 6000.0, "VA"),
        ("90 deg", math.pi / 2, "rad"),
        ("12 µs", 12e-6, "s"),
        ("77 degF", 298.15, "K"),  # through pint
        ("500 kcal", 2.092e6, "J"),  # through pint
        ("100 V/ms", 1e5, "V/s"),  # through pint
    ],
)
def test_reads_what_people_write(text: str, value: float, unit: str) -> None:
    got = parse(text)
    assert got.unit == unit
    assert got.value == pytest.approx(value, rel=1e-12)
    assert parse(text, unit) == got


@pytest.mark.parametrize(
    ("text", "expect"),
    [
        ("5", "V"), ("5", None), ("", None), ("3 apples", None), ("nan V", None), ("inf V", None),
        ("1e999 V", None),
        ("1e5000 V", None), ("1,5 V", None), ("1_000 V", None), ("9**9**9**9 V", None), ("__import__('os')",
        None),
        ("5 (((((", None), ("3 kW", "VA"), ("3 kVA", "W"), ("5 V", "A"), ("25 C", "K"), ("-400 degC", "K"),
        ("5 kw", None),
        ("1 dozen", None), ("3 mol", None), ("5 V V V V V", None), ("0x10 V", None), ("1 m^9 V", None),
        ("x" * 10_000, None),
        ("9" * 10_000, "1"), ("5 %", "W"), ("5 V", "Volt"), ("3 PS", None), ("5\n V;", None),
    ],
)  # fmt: skip
def test_refuses_with_what_and_mend(text: str, expect: str | None) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, expect)
    assert caught.value.what
    assert caught.value.mend
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("text", ["3000 rpm", "1 rad/s", "360 deg/s", "50 cycle/s", "1 rad/s**2"])
@pytest.mark.parametrize("expect", ["Hz", "Hz/s", None])
def test_an_angle_over_time_is_no_frequency(text: str, expect: str | None) -> None:
    """By dimensions alone 1 rad/s would be 1 Hz (SI Brochure 2019, table 4: hertz is for periods only; from memory)."""
    with pytest.raises(UnitError, match="counts angle") as caught:
        parse(text, expect)
    assert "divide rad/s by 2 pi" in caught.value.mend
    assert parse("50 hertz", "Hz").value == 50.0  # through pint as well


@pytest.mark.parametrize("value", [None, 5, 5.0, True, b"5 V", ["5 V"], {"a": 1}, object()])
def test_refuses_what_is_not_text(value: object) -> None:
    with pytest.raises(UnitError):
        parse(value)


def test_bare_number_only_for_a_ratio() -> None:
    assert parse("0.5", "1") == Quantity(0.5, "1")
    assert parse("50 %", "1") == Quantity(0.5, "1")


def test_mends_point_the_way() -> None:
    with pytest.raises(UnitError, match="did you mean 'kW'"):
        parse("5 kw")
    with pytest.raises(UnitError, match="degC"):
        parse("25 C", "K")
    with pytest.raises(UnitError, match="apparent"):
        parse("6 kVA", "W")


def test_every_spelling_of_the_table_agrees_with_pint() -> None:
    """Reference: pint 0.24 and later, an independent registry of units."""
    import pint

    registry = pint.UnitRegistry()
    own = {"var": "W", "VA": "W", "%": "0.01", "Ω": "ohm"}
    checked = 0
    for spelling, (factor, offset, unit) in units._TABLE.items():
        if offset or any(name in spelling for name in own) or unit == "1/s" or spelling in ("m2", "m²", "d"):
            continue
        text = (
            spelling.replace("m2", "m^2").replace("²", "^2").replace("Ah", "A*hour").replace("Wh", "W*hour")
        )
        head, slash, tail = text.partition("/")
        text = f"{head.replace(' ', '*')}{slash}{tail}"
        if text in ("h", "min"):
            text = {"h": "hour", "min": "minute"}[text]
        to = {"V s": "V*s", "1": "dimensionless"}.get(unit, unit)
        assert registry.Quantity(1.0, text).to(to).magnitude == pytest.approx(factor, rel=1e-12), spelling
        checked += 1
    assert checked > 150


@given(st.text(max_size=80))
@settings(max_examples=300, deadline=None)
def test_any_text_ends_in_a_quantity_or_a_unit_error(text: str) -> None:
    try:
        got = parse(text)
    except UnitError:
        return
    assert math.isfinite(got.value)
    assert got.unit in units.UNITS


@given(
    st.floats(min_value=-1e8, max_value=1e8).filter(lambda x: x == 0 or abs(x) > 1e-8),
    st.sampled_from([u for u in units.UNITS if u not in ("1/s", "m^2")]),
)
@settings(max_examples=300, deadline=None)
def test_what_is_shown_reads_back(value: float, unit: str) -> None:
    shown = show(value, unit, digits=12)
    if unit == "K" and value < 0:
        return
    assert parse(shown, unit).value == pytest.approx(value, rel=1e-10)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (2400.0, "W", "2.400 kW"), (999.96, "W", "1.000 kW"), (0.02, "Hz", "20.00 mHz"), (0.5, "Hz",
        "0.5000 Hz"),
        (51.6437, "Hz", "51.64 Hz"), (0.0, "V", "0.000 V"), (-0.0, "V", "0.000 V"), (-0.0123, "s",
        "-12.30 ms"),
        (4000.0, "s", "4000 s"), (3.6e6, "J", "1.000 kWh"), (720000.0, "C", "200.0 Ah"), (0.95, "1",
        "0.9500"),
        (math.nan, "V", "no value"), (math.inf, "V", "infinite V"), (900.0, "W/m^2", "900.0 W/m²"),
    ],
)  # fmt: skip
def test_shows_for_people(value: float, unit: str, text: str) -> None:
    assert show(value, unit) == text


def test_shows_percent_where_asked() -> None:
    assert show(0.951, "1", percent=True) == "95.10 %"


def test_products_and_quotients_of_units() -> None:
    assert units.times("W", "s") == "J"
    assert units.times("A", "s") == "C"
    assert units.times("V", "A") == "W"
    assert units.times("W", "V", -1) == "A"
    assert units.times("V", "A", -1) == "ohm"
    assert units.times("Hz", "s", -1) == "Hz/s"
    assert units.times("W", "W", -1) == "1"
    assert units.times("1", "W") == "W"
    with pytest.raises(UnitError):
        units.times("V", "K")
    with pytest.raises(UnitError):
        units.times("V", "spoon")


def test_common_forms_load_nothing_heavy() -> None:
    code = (
        "import sys; from benchrunner.units import parse, show; parse('2.4 kW'); show(1.0, 'V');"
        "sys.exit('pint' in sys.modules or 'numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_numbers_of_one_sentence_stand_in_one_unit() -> None:
    assert units.alike([40_497.8, 403_200.0, 252.2], "J") == ["11.25 Wh", "112.0 Wh", "0.07006 Wh"]
    assert units.alike([0.0, 58.4], "V") == ["0.000 V", "58.40 V"]
    assert units.alike([0.0012, 0.45], "s") == ["1.200 ms", "450.0 ms"]
    assert units.alike([math.inf, 2400.0, math.nan], "W") == ["infinite W", "2.400 kW", "no value"]
    assert units.alike([0.0], "1") == ["0.000"] and units.alike([], "V") == []


@given(
    st.lists(st.floats(1e-3, 1e7), min_size=1, max_size=4),
    st.sampled_from(["V", "W", "s", "J", "C", "Hz", "W/m^2", "K"]),
)
def test_each_of_them_is_read_back_as_it_was(numbers: list[float], unit: str) -> None:
    for number, text in zip(numbers, units.alike(numbers, unit, 12), strict=True):
        assert units.parse(text).value == pytest.approx(number, rel=1e-9)
