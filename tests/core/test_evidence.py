"""What a step keeps: repeats dropped, memory bounded, gaps found, uncertainties as the judge's."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.core.evidence import Stretch, Track, reading_uncertainty, wave_uncertainty
from benchrunner.core.plan import Channel
from benchrunner.judge import reading_u


def test_memory_stays_bounded_where_only_the_end_is_judged() -> None:
    track = Track("x", 0.0, True, keep=60.0)
    longest = 0
    for n in range(8 * 3600 * 10):  # eight hours at 10 Hz
        track.take(n / 10.0, float(n), 0.0)
        if n % 100 == 0:
            track.trim(n / 10.0)
            longest = max(longest, len(track.times))
    assert longest <= 2 * 60 * 10 + 110
    end = (8 * 3600 * 10 - 1) / 10.0
    assert track.between(end - 60.0, end).times.size == 601


@settings(deadline=None)
@given(st.lists(st.sampled_from([0.1, 0.5, 3.0]), min_size=1, max_size=400), st.sampled_from([1.0, 20.0]))
def test_trimming_takes_nothing_that_is_looked_at(gaps: list[float], keep: float) -> None:
    whole, trimmed = Track("x", 0.0, True), Track("x", 0.0, True, keep)
    now = 0.0
    for n, gap in enumerate(gaps):
        now += gap
        whole.take(now, float(n), 0.01)
        trimmed.take(now, float(n), 0.01)
        trimmed.trim(now)
    one, other = whole.between(now - keep, now), trimmed.between(now - keep, now)
    assert np.array_equal(one.times, other.times)
    assert np.array_equal(one.values, other.values)
    assert np.array_equal(one.spreads, other.spreads)


def test_a_repeat_within_one_update_is_dropped_and_a_true_repetition_kept() -> None:
    track = Track("x", 1.0, True)
    taken = [track.take(0.25 * n, value, 0.0) for n, value in enumerate([5.0, 5.0, 5.0, 5.0, 5.0, 6.0, 6.0])]
    assert taken == [True, False, False, False, True, True, False]
    assert list(track.times) == [0.0, 1.0, 1.25]


def test_missing_values_are_never_taken_for_repeats() -> None:
    track = Track("x", 1.0, True)
    assert [track.take(0.1 * n, math.nan, 0.0) for n in range(3)] == [True, True, True]


@pytest.mark.parametrize(("times", "begin", "end", "gap"), [
    ([1.0, 2.0, 3.0], 1.0, 3.0, 1.0),
    ([1.0, 2.0, 5.0], 1.0, 5.0, 3.0),
    ([4.0], 0.0, 5.0, 4.0),
    ([1.0], 0.0, 5.0, 4.0),
    ([], 0.0, 5.0, 5.0),
])  # fmt: skip
def test_largest_gap_counts_both_edges(times: list[float], begin: float, end: float, gap: float) -> None:
    array = np.array(times)
    assert Stretch(array, array, array).largest_gap(begin, end) == gap


@settings(deadline=None)
@given(
    st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=5),
    st.floats(0.0, 0.1), st.floats(0.0, 10.0), st.floats(0.0, 1.0),
)  # fmt: skip
def test_uncertainty_of_readings_is_the_judges(values, of_reading, of_range, resolution) -> None:  # type: ignore[no-untyped-def]
    channel = Channel("x", "V", of_reading, of_range, resolution)
    found = reading_uncertainty(channel, np.array(values))
    assert found == pytest.approx([reading_u(value, of_reading, of_range, resolution) for value in values])
    gain, offset = wave_uncertainty(channel)
    assert gain == pytest.approx(reading_u(1.0, of_reading))
    assert offset == pytest.approx(reading_u(0.0, 0.0, of_range, resolution))
