"""Strips: which limits belong in them, how high they are drawn, what they say in words."""

from typing import Any

import pytest

from benchrunner.app.model.course import bars
from benchrunner.app.model.run import RunState
from benchrunner.app.model.strips import (
    STRIPS,
    Band,
    bands,
    figure,
    guard_text,
    span_of,
    steady,
    summary,
    value_range,
)
from benchrunner.app.model.traces import Trace

BY_ID = {strip.id: strip for strip in STRIPS}


@pytest.fixture
def run(real_run: list[dict[str, Any]]) -> RunState:
    made = RunState()
    for event in real_run:
        made.feed(event)
    return made


def test_every_limit_drawn_is_one_of_the_run_and_of_its_own_channel(run: RunState) -> None:
    for strip in STRIPS:
        channels = {line.channel for line in strip.lines}
        known = {
            round(item[side] * strip.scale, 9)
            for item in [*run.prepared["guards"], *(c for s in run.prepared["steps"] for c in s["checks"])]
            for side in ("low", "high")
            if item[side] is not None and (item.get("channel") or item.get("of")) in channels
        }
        for band in bands(strip, run.prepared):
            assert round(band.value, 9) in known


def test_the_tightest_guard_stands_and_durations_are_not_drawn_as_levels(run: RunState) -> None:
    found = bands(BY_ID["battery-voltage"], run.prepared)
    assert [b.value for b in found if b.kind == "guard" and b.upper] == [
        58.4
    ]  # the battery's, not the wiring's 64 V
    current = bands(BY_ID["battery-current"], run.prepared)
    assert not any(b.kind == "check" and b.value == 5.0 for b in current)  # over_current_delay is in seconds
    assert any(b.kind == "check" and b.value == 150.0 for b in current)
    assert guard_text(BY_ID["frequency"], bands(BY_ID["frequency"], run.prepared)) == "guard 47 … 52.5 Hz"


def test_a_check_limit_lasts_as_long_as_its_step(run: RunState) -> None:
    course = bars(run.steps, run.at, over=True)
    for band in bands(BY_ID["frequency"], run.prepared):
        span = span_of(band, course, run.at)
        assert span is not None
        if band.step is None:
            assert span == (0.0, run.at)
        else:
            step = run.steps[band.step]
            assert span == (step.started, step.ended)


def test_all_readings_are_on_the_chart_or_named(run: RunState) -> None:
    for strip in STRIPS:
        height = value_range(strip, run.traces, 0.0, run.safe_since or run.at, bands(strip, run.prepared))
        assert height.high - height.low >= strip.least
        for line in strip.lines:
            part = run.traces[line.channel].part(0.0, run.safe_since or run.at) * strip.scale
            low, high = min(part), max(part)
            assert height.low <= low or (height.below is not None and height.below <= low + 1e-9)
            assert height.high >= high or (height.above is not None and height.above >= high - 1e-9)


def test_a_single_spike_does_not_flatten_the_rest_but_is_named() -> None:
    trace = Trace()
    values: list[float | None] = [50.0 + 0.01 * (k % 3) for k in range(400)]
    values[200] = 42.5
    trace.extend([0.1 * k for k in range(400)], values)
    height = value_range(BY_ID["frequency"], {"bus.frequency": trace}, 0.0, 40.0)
    assert height.low > 49.0
    assert height.below == 42.5
    assert height.above is None


def test_a_near_limit_is_brought_onto_the_chart_and_a_far_one_not() -> None:
    trace = Trace()
    trace.extend([0.0, 1.0], [50.0, 51.0])
    traces = {"bus.frequency": trace}
    near = value_range(BY_ID["frequency"], traces, 0.0, 1.0, [Band(51.4, True, "guard", "")])
    far = value_range(BY_ID["frequency"], traces, 0.0, 1.0, [Band(60.0, True, "guard", "")])
    assert near.high > 51.4
    assert far.high < 52.0


def test_the_picture_does_not_tremble() -> None:
    assert steady((0.0, 10.0), (0.5, 9.5)) == (0.0, 10.0)
    assert steady((0.0, 10.0), (-0.5, 9.5)) == (-0.5, 9.5)
    assert steady((0.0, 100.0), (40.0, 50.0)) == (40.0, 50.0)


def test_words_and_figures(run: RunState) -> None:
    assert f"highest {run.traces['bus.frequency'].most:.2f}" in summary(BY_ID["frequency"], run)
    assert summary(BY_ID["power"], RunState()) == "Power: no readings yet."
    assert figure(BY_ID["power"], -3410.0) == "−3.41 kW"
    assert figure(BY_ID["power"], -1.0) == "0.00 kW"
    assert figure(BY_ID["soc"], 0.956) == "95.6 %"
    assert figure(BY_ID["frequency"], float("nan")) == "–"
