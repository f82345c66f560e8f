"""Readings for drawing: bounded memory, order of time, no spike lost, gaps kept."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.app.model.traces import Trace


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 900), st.integers(0, 2**32 - 1), st.floats(0.0, 1.0))
def test_extremes_survive_and_memory_is_bounded(count: int, seed: int, missing: float) -> None:
    draw = np.random.default_rng(seed)
    values: list[float | None] = [
        None if draw.random() < missing else float(draw.standard_cauchy()) for _ in range(count)
    ]
    trace = Trace(recent=16, buckets=8)
    times = [0.1 * k for k in range(len(values))]
    for k in range(0, len(values), 7):
        trace.extend(times[k : k + 7], values[k : k + 7])
    drawn_times, drawn = trace.arrays()
    assert len(trace) == len(drawn) <= 2 * 16 + 2 * 8 + 8
    assert (np.diff(drawn_times) > 0).all()
    valid = [v for v in values if v is not None]
    if valid:
        assert np.nanmin(drawn) == trace.least == min(valid)
        assert np.nanmax(drawn) == trace.most == max(valid)
    else:
        assert np.isnan(drawn).all()
    assert drawn_times[-1] == pytest.approx(times[-1])


def test_a_long_gap_stays_a_gap() -> None:
    trace = Trace(recent=64, buckets=16)
    values: list[float | None] = [1.0] * 200 + [None] * 400 + [2.0] * 200
    trace.extend([float(k) for k in range(800)], values)
    assert math.isnan(trace.at(400.0))
    assert trace.at(50.0) == 1.0
    assert trace.last == 2.0


def test_an_old_hour_is_drawn_no_coarser_than_a_new_one() -> None:
    trace = Trace(recent=256, buckets=128)
    trace.extend([0.1 * k for k in range(30_000)], [float(k % 7) for k in range(30_000)])
    times = trace.arrays()[0]
    old = times[times < times[-1] - 60.0]
    first, second = np.histogram(old, bins=2)[0]
    assert 0.8 < first / second < 1.25


def test_readings_that_come_late_or_twice_are_left_out() -> None:
    trace = Trace()
    trace.extend([1.0, 2.0], [10.0, 20.0])
    trace.extend([2.0, 1.5, 3.0], [99.0, 99.0, 30.0])
    assert trace.arrays()[0].tolist() == [1.0, 2.0, 3.0]
    assert trace.at(2.5) == 20.0
    assert math.isnan(trace.at(0.5))


def test_part_holds_what_was_valid_in_a_span_and_before_it() -> None:
    trace = Trace()
    trace.extend([0.0, 1.0, 2.0, 3.0], [5.0, 6.0, None, 8.0])
    assert trace.part(1.5, 3.0).tolist() == [6.0, 8.0]
    assert trace.part(10.0, 11.0).tolist() == [8.0]
