"""Replies to numbers: what is a reading, what is none, and that nothing else gets through."""

import math
import struct
import time
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.bench.decode import RegisterDecoder, TextDecoder, register_decoder, text_decoder, wanted
from benchrunner.bench.identity import matches, read_identity
from benchrunner.bench.links.base import block_of
from benchrunner.cards import reading
from benchrunner.cards.bench import Bench, fit_bench
from benchrunner.cards.driver import DriverCard, ReadField, ReadPart, fit_driver

SI = [ReadField(quantity=q, unit=u) for q, u in (("voltage", "V"), ("current", "A"), ("power", "W"))]


def driver(fields: str) -> DriverCard:
    text = f"""format = 1
title = "m"
class = "dc_meter"
[link]
kind = "visa"
[identify]
query = "*IDN?"
[[reads]]
query = "FETCh?"
parse = "comma list"
fields = [{fields}]
"""
    return fit_driver(reading.parse(text.encode(), "m.toml"))


def decoder(fields: str, more: str = "") -> TextDecoder:
    card = driver(fields)
    text = f"""format = 1
title = "b"
simulated = true
[instruments.m]
role = "battery"
class = "dc_meter"
driver = "dc-meter-scpi"
address = "memory"
period = "1 s"
{more}
"""
    bench: Bench = fit_bench(reading.parse(text.encode(), "b.toml"))
    return text_decoder(card.reads[0], wanted(card, bench.card.instruments["m"], card.reads[0]))


THREE = '{ quantity = "voltage", unit = "V" }, { quantity = "current", unit = "A" }, { quantity = "power", unit = "W" }'


def test_units_signs_ratios_and_directions() -> None:
    fields = (
        '{ quantity = "voltage", unit = "mV" }, {}, { quantity = "current", unit = "A", sign = -1, scale = 2.0 }, '
        '{ quantity = "power", unit = "kW" }'
    )
    decode = decoder(fields, 'ratio = { current = 100.0 }\nreversed = ["power"]')
    assert decode(b"53200,999,0.5,1.5") == ([pytest.approx(53.2), -100.0, -1500.0], 0)


def test_left_out_quantities_are_not_read() -> None:
    decode = decoder(THREE, 'channels = { current = "" }')
    assert decode(b"1,garbage,3") == ([1.0, 3.0], 0)


@given(st.lists(st.floats(-1e9, 1e9), min_size=3, max_size=3))
def test_plain_numbers_come_through_exactly(numbers: list[float]) -> None:
    decode = decoder_three
    assert decode(",".join(map(repr, numbers)).encode()) == (numbers, 0)


decoder_three = decoder(THREE)


@given(st.binary(max_size=60))
@settings(max_examples=300)
def test_any_bytes_give_numbers_or_one_error(reply: bytes) -> None:
    try:
        values, _ = decoder_three(reply)
    except ValueError:
        return
    assert len(values) == 3
    assert all(math.isnan(v) or abs(v) < 1e30 for v in values)


@pytest.mark.parametrize(
    "number", ["9.91E37", "-9.91E37", "9.9E37", "-9.9E37", "inf", "-inf", "nan", "1e300"]
)
@pytest.mark.parametrize("place", [0, 1, 2])
def test_special_numbers_in_every_place(number: str, place: int) -> None:
    parts = ["1.0", "2.0", "3.0"]
    parts[place] = number
    values, flags = decoder_three(",".join(parts).encode())
    assert math.isnan(values[place])
    assert [v for k, v in enumerate(values) if k != place] == [
        v for k, v in enumerate([1.0, 2.0, 3.0]) if k != place
    ]
    assert flags == ((1 << place) if number.strip("-") in ("9.9E37", "inf") else 0)


def registers(kind: str, words: str = "high first") -> RegisterDecoder:
    part = ReadPart.model_validate(
        {
            "parse": "register map",
            "address": 0,
            "fields": [{"quantity": "own_power", "unit": "W", "at": 1, "type": kind, "scale_at": 0}],
        }
    )
    text = """format = 1
title = "i"
class = "inverter"
[link]
kind = "modbus"
[identify]
"""
    card = fit_driver(reading.parse(text.encode(), "i.toml")).model_copy(update={"reads": [part]})
    bench = """format = 1
title = "b"
simulated = true
[instruments.i]
role = "x"
class = "inverter"
driver = "inverter-sunspec"
address = "memory"
period = "1 s"
"""
    instrument = fit_bench(reading.parse(bench.encode(), "b.toml")).card.instruments["i"]
    return register_decoder(part, wanted(card, instrument, part), words)


@given(st.integers(-32767, 32767), st.integers(-10, 10))
def test_scale_factors(number: int, exponent: int) -> None:
    """value * 10^factor (SunSpec Information Model Specification, scale factors)."""
    (value,), _ = device_with(exponent)([exponent & 0xFFFF, number & 0xFFFF])
    assert value == pytest.approx(number * 10.0**exponent)


@cache
def device_with(exponent: int) -> RegisterDecoder:
    return registers("int16")


def test_a_scale_factor_that_changes_is_no_scale_factor() -> None:
    decode = registers("int16")
    assert decode([0xFFFF, 500])[0] == [50.0]
    with pytest.raises(ValueError, match="scale factor"):
        decode([0, 500])
    assert decode([0xFFFF, 510])[0] == [51.0]


def test_word_order_is_the_cards() -> None:
    high, low = struct.unpack(">HH", struct.pack(">i", -123456))
    assert registers("int32")([0, high, low])[0] == [-123456.0]
    assert registers("int32", "low first")([0, low, high])[0] == [-123456.0]
    high, low = struct.unpack(">HH", struct.pack(">f", 1.5))
    assert registers("float32")([0, high, low])[0] == [1.5]


@pytest.mark.parametrize(
    ("kind", "raw"),
    [("int16", [0, 0x8000]), ("uint16", [0, 0xFFFF]), ("uint32", [0, 0xFFFF, 0xFFFF]), ("int32", [0, 0x8000, 0]),
     ("enum16", [0, 0xFFFF]), ("int16", [0x8000, 5]), ("int16", [11, 5])],
)  # fmt: skip
def test_not_implemented(kind: str, raw: list[int]) -> None:
    assert math.isnan(registers(kind)(raw)[0][0])


# -- blocks (IEEE 488.2, 8.7.9) and identities


@given(st.binary(max_size=300))
def test_blocks(data: bytes) -> None:
    digits = str(len(data))
    assert block_of(f"#{len(digits)}{digits}".encode() + data + b"\n") == data


@pytest.mark.parametrize(
    "reply", [b"", b"#", b"#0abc\n", b"#9999999999", b"#3005abc", b"#2xxab", b"12", b"#1\xff"]
)
def test_no_blocks(reply: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - each says something else
        block_of(reply)


def test_identity_patterns() -> None:
    text = "Highmoor,AC meter [A],HTL-1,1.0"
    assert matches(text, "*,*,*,*")
    assert matches(text, "highmoor,ac meter [a],*,*")
    assert matches(text, "*,*meter*,*,*")
    assert not matches(text, "*,*load*,*,*")
    assert not matches(text, "*,*,*")
    assert not matches("garbage", "*,*,*,*")
    assert read_identity("m", text).serial == "HTL-1"
    for bad in ("", "x" * 400, "a\x00b"):
        with pytest.raises(ValueError, match="no identity"):
            read_identity("m", bad)


def test_a_hostile_identity_cannot_hang_the_match() -> None:
    began = time.perf_counter()
    assert not matches("a" * 300, "*a*a*a*a*a*a*a*a*a*a*a*a*b")
    assert time.perf_counter() - began < 0.5
