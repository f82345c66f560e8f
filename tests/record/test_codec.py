"""Plans and inputs survive being data, whatever numbers they carry."""

import dataclasses
import json
import math
import struct
from typing import Any

import msgpack
import numpy as np
import pytest
import record_sample
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.core.messages import Answer, Captured, Fault, Operator, OrderDone, Readings, Tick
from benchrunner.core.plan import RunPlan
from benchrunner.record import canonical, codec

floats = st.floats(allow_nan=True, allow_infinity=True)
texts = st.text(st.characters(codec="utf-8"), max_size=20)


def same(one: Any, two: Any) -> bool:
    """Equal down to the bits of every float (NaN is NaN, -0.0 is not 0.0)."""
    if isinstance(one, float) and isinstance(two, float):
        return (math.isnan(one) and math.isnan(two)) or struct.pack("<d", one) == struct.pack("<d", two)
    if isinstance(one, np.ndarray):
        return one.shape == two.shape and one.tobytes() == two.tobytes()
    if isinstance(one, tuple | list):
        return type(one) is type(two) and len(one) == len(two) and all(map(same, one, two))
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(same(one[k], two[k]) for k in one)
    if dataclasses.is_dataclass(one):
        return type(one) is type(two) and all(
            same(getattr(one, f.name), getattr(two, f.name)) for f in dataclasses.fields(one)
        )
    return bool(type(one) is type(two) and one == two)


inputs = st.one_of(
    st.builds(
        Readings, floats, st.integers(0, 20), floats, floats,
        st.lists(floats, max_size=5).map(tuple), st.integers(0, 2**64 - 1),
    ),
    st.builds(Tick, floats),
    st.builds(OrderDone, floats, st.integers(0, 2**60), st.booleans(), st.none() | floats, texts),
    st.builds(Answer, floats, texts, texts),
    st.builds(Operator, floats, st.sampled_from(["stop", "pause", "resume"]), texts, texts),
    st.builds(Fault, floats, st.integers(-1, 20), texts, st.booleans()),
    st.builds(
        Captured, floats, st.integers(0, 99), st.booleans(), st.just(("a.b", "c.d")), floats, floats, floats,
        st.lists(floats, min_size=3, max_size=3).map(lambda row: np.array([row, row])), st.just(("gap",)), texts,
    ),
)  # fmt: skip


@given(inputs)
@settings(max_examples=300, deadline=None)
def test_an_input_survives_canonical_json_and_messagepack(item: Any) -> None:
    data = codec.input_to_data(item)
    samples = item.samples if isinstance(item, Captured) else None
    assert same(codec.input_from_data(json.loads(canonical.dumps(data)), samples), item)
    assert same(codec.input_from_data(msgpack.unpackb(msgpack.packb(data)), samples), item)


def test_the_plan_survives_canonical_json() -> None:
    plan = record_sample.plan(seed=2**63)
    back = codec.plan_from_data(json.loads(canonical.dumps(codec.plan_to_data(plan))))
    assert back == plan
    assert same(back, plan), "whole floats must come back as floats, not as integers"


def test_every_field_of_the_plan_is_carried() -> None:
    data = codec.plan_to_data(record_sample.plan())
    assert set(data) == {f.name for f in dataclasses.fields(RunPlan)}
    assert data["order"]["steps"][0]["until"]["kind"] == "settled"


@pytest.mark.parametrize(
    ("change", "place"),
    [
        (lambda d: d.pop("order"), "order"),
        (lambda d: d.update(seed="1"), "plan.seed"),
        (lambda d: d.update(unknown=1), "unknown"),
        (lambda d: d["order"]["steps"][1]["checks"][0].update(rule="kind"), "steps[1].checks[0].rule"),
        (lambda d: d["sources"][0].update(period=None), "sources[0].period"),
        (lambda d: d["order"]["parameters"].update(load_before=[1.0]), "parameters.load_before"),
        (lambda d: d.update(simulated=1), "plan.simulated"),
        (lambda d: d.update(tick={"float": "seven"}), "plan.tick"),
        (lambda d: d.update(channels=[]), "plan.channels"),
    ],
)
def test_a_bad_plan_is_refused_with_its_place(change: Any, place: str) -> None:
    data = codec.plan_to_data(record_sample.plan())
    change(data)
    with pytest.raises(codec.CodecError, match=place.replace("[", r"\[").replace(".", r"\.")):
        codec.plan_from_data(data)


def test_plain_keeps_what_json_has_and_drops_what_it_has_not() -> None:
    value = {
        "a": np.float64("nan"),
        "b": np.int64(3),
        "c": (1, np.bool_(True)),
        "d": 2**60,
        "e": {"x"},
        1: -math.inf,
    }
    assert codec.plain(value) == {"a": None, "b": 3, "c": [1, True], "d": str(2**60), "e": ["x"], "1": None}
