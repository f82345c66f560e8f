"""The SunSpec models against published lengths, offsets, unimplemented values and scale factors (tests/vectors/sunspec)."""

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.cards.sunspec_models import (
    HEAD,
    UNIMPLEMENTED,
    Group,
    decode,
    fixed_length,
    parse,
    place,
    published,
)  # fmt: skip

VECTORS: dict[str, dict[str, Any]] = {
    one["id"]: one
    for one in json.loads((Path(__file__).parents[1] / "vectors/sunspec/models.json").read_text())
}
WANTED = {1, *range(101, 104), *range(111, 114), *range(120, 125), 160, *range(701, 715), 802}


def blank(model: int, length: int, **points: int) -> list[int]:
    """A model's registers, none implemented but the given ones (raw values; `_` stands for `.`)."""
    registers = [model, length, *([0xFFFF] * length)]
    for placed in place(model, registers).values():
        raw = UNIMPLEMENTED.get(placed.point.kind, 0)
        registers[placed.at : placed.at + placed.point.size] = split(raw, placed.point.size)
    for name, raw in points.items():
        placed = place(model, registers)[name.replace("__", ".")]
        registers[placed.at : placed.at + placed.point.size] = split(raw, placed.point.size)
    return registers


def split(raw: int, size: int) -> list[int]:
    return list(struct.unpack(f">{size}H", (raw & ((1 << 16 * size) - 1)).to_bytes(2 * size, "big")))


def test_every_model_is_there() -> None:
    assert set(published()) == WANTED


def test_published_lengths() -> None:
    expected = VECTORS["IN-18"]["expected"]
    for model in (1, 101, 103, 701, 702, 703, 704):
        assert fixed_length(published()[model]) == expected[str(model)], model
    # model 711: 12, and 9 for each control in the edition of the check value; today's has PMin besides, so 10
    assert fixed_length(published()[711]) == 12
    (controls,) = (item for item in published()[711] if isinstance(item, Group))
    assert fixed_length(controls.items) == 9 + 1 and any(p.name == "PMin" for p in controls.items)


def test_another_edition_of_a_repeated_group_gives_no_values() -> None:
    """With 9 registers for each control nothing says which point is missing: no value rather than a wrong one."""
    registers = [711, 21, *([1] * 21)]
    assert "Ctl[0].DbOf" not in decode(711, registers)
    assert decode(711, registers)["NCtl"] == 1


def test_published_offsets() -> None:
    expected = VECTORS["IN-19"]["expected"]
    for model, length in (("103", 50), ("701", 153), ("703", 17)):
        places = place(int(model), [int(model), length, *([0] * length)])
        for name, at in expected[model].items():
            assert places[name].at == int(str(at).split()[0]), (model, name)
            if "uint32" in str(at):
                assert places[name].point.kind == "uint32"
    droop = [711, 32, *([0] * 32)]
    droop[5] = 2
    places = place(711, droop)
    assert (places["NCtl"].at, places["Db_SF"].at, places["RspTms_SF"].at) == (5, 11, 13)
    assert (places["Ctl[0].DbOf"].at, places["Ctl[0].KOf"].at, places["Ctl[1].DbOf"].at) == (14, 18, 24)


def test_unimplemented_values() -> None:
    for kind, text in VECTORS["IN-20"]["expected"].items():
        if kind in UNIMPLEMENTED:
            assert UNIMPLEMENTED[kind] == int(text, 16), kind
    registers = blank(103, 50)
    assert set(decode(103, registers).values()) == {None}
    floats = [111, 60, *([0] * 60)]
    floats[2:4] = split(0x7FC00000, 2)
    assert decode(111, floats)["A"] is None


@pytest.mark.parametrize(("raw", "sf", "value"), list(zip(
    VECTORS["IN-21"]["input"]["raw"], VECTORS["IN-21"]["input"]["sf"], VECTORS["IN-21"]["expected"], strict=True,
)))  # fmt: skip
def test_scale_factors(raw: int, sf: int, value: float) -> None:
    registers = blank(103, 50, W=raw, W_SF=sf)
    assert decode(103, registers)["W"] == pytest.approx(value, rel=1e-9)


def test_a_missing_scale_factor_leaves_no_value() -> None:
    assert decode(103, blank(103, 50, W=2301))["W"] is None
    assert decode(103, blank(103, 50, W=2301, W_SF=11))["W"] is None


def test_droop_settings() -> None:
    """Raw 36, 50, 50 with scale factors -3, -3, -1."""
    expected = VECTORS["IN-23"]["expected"]
    registers = [711, 22, *([0] * 22)]
    registers[5] = 1
    registers[11], registers[12], registers[13] = 0x10000 - 3, 0x10000 - 3, 0x10000 - 1
    registers[14:16] = split(36, 2)
    registers[18], registers[20:22] = 50, split(50, 2)
    values = decode(711, registers)
    assert values["Ctl[0].DbOf"] == pytest.approx(expected["dbOF_Hz"])
    assert values["Ctl[0].KOf"] == pytest.approx(expected["kOF"])
    assert values["Ctl[0].RspTms"] == pytest.approx(expected["T_s"])


@given(st.sampled_from(sorted(WANTED | {9})), st.lists(st.integers(0, 0xFFFF), max_size=300))
def test_whatever_stands_in_the_registers_it_ends(model: int, body: list[int]) -> None:
    """Counts come from the device: they reach no further than the registers that are there."""
    registers = [model, len(body), *body]
    for placed in place(model, registers).values():
        assert placed.at >= HEAD and placed.at + placed.point.size <= len(registers)
    decode(model, registers)


@pytest.mark.parametrize("text", ["A:glug", "G*1( A:int16", "A"])
def test_a_bad_definition_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"type|does not end"):
        parse(text)
