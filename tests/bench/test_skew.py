"""Skew between meters from steps of the load: against closed forms, and never from what is no step."""

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.bench.skew import Seen, SkewWatch, compare, step_seen


def meter(
    step: float,
    period: float,
    phase: float,
    window: float,
    lag: float = 0.0,
    noise: float = 0.0,
    seed: int = 1,
):  # type: ignore[no-untyped-def]
    """Readings of a meter that averages over `window` up to its reading and stamps it `lag` late."""
    draw = random.Random(seed)
    times = np.arange(phase, 6.0, period)
    share = np.clip((times - step) / window, 0, 1) if window else (times > step).astype(float)
    return times + lag, 500.0 + 1500.0 * share + np.array([draw.gauss(0, noise) for _ in times])


@given(st.floats(2.5, 3.5), st.floats(0.02, 0.25), st.floats(0.0, 1.0), st.floats(-0.3, 0.3))
def test_the_moment_of_a_step_within_half_a_period(
    step: float, period: float, phase: float, lag: float
) -> None:
    times, values = meter(step, period, phase * period, 0.0, lag)
    seen = step_seen(times, values)
    assert seen is not None
    # a sampled step lies somewhere between two readings: the middle is taken, so at most half a period off
    assert abs(seen.at - (step + lag)) <= period / 2 + 1e-9
    assert seen.uncertainty == pytest.approx(period / math.sqrt(12))


def test_an_averaging_meter_shows_the_step_half_its_window_later() -> None:
    """The mean over the last w seconds of a step crosses half at w/2, and its area lies there too."""
    for window in (0.2, 0.5, 0.9):
        times, values = meter(3.0, 0.05, 0.01, window)
        seen = step_seen(times, values)
        assert seen is not None
        assert seen.at - 3.0 == pytest.approx(window / 2, abs=0.05)


def test_what_is_no_step_is_none() -> None:
    times = np.arange(0.0, 6.0, 0.1)
    draw = np.random.default_rng(3)
    assert step_seen(times, 500.0 + draw.normal(0, 5, len(times))) is None  # noise
    assert step_seen(times, 500.0 + 100.0 * times) is None  # a ramp
    pulse = np.where((times > 2) & (times < 4), 2000.0, 500.0)
    assert step_seen(times, pulse) is None
    assert step_seen(times, np.where(times > 3, 501.0, 500.0)) is None  # too small
    two = 500.0 + 400.0 * (times > 2) + 1500 * (times > 3) - 1500 * (times > 3.5)
    assert step_seen(times, two) is None  # more than one thing happened
    assert step_seen(times[:5], times[:5]) is None
    assert step_seen(times, np.full(len(times), np.nan)) is None


def test_skew_of_three_meters_over_random_steps() -> None:
    """Known lags of 0, 80 and 300 ms are found within three standard uncertainties."""
    draw = random.Random(7)
    lags = {"bus": (0.05, 0.0), "load": (0.1, 0.08), "grid": (0.2, 0.3)}
    steps = []
    for k in range(25):
        at = draw.uniform(2.5, 3.5)
        steps.append({})
        for name, (period, lag) in lags.items():
            seen = step_seen(*meter(at, period, draw.uniform(0, period), 0.0, lag, noise=3.0, seed=k))
            assert seen is not None
            steps[-1][name] = seen
    found = {one.source: one for one in compare(steps)}
    assert set(found) == {"load", "grid"} and all(
        one.against == "bus" and one.steps == 25 for one in found.values()
    )
    for name in found:
        assert abs(found[name].seconds - lags[name][1]) < 3 * found[name].uncertainty, name
        assert found[name].uncertainty < 0.02


def test_one_meter_alone_has_no_skew() -> None:
    assert compare([{"bus": Seen(1.0, 0.01)}]) == []
    assert compare([]) == []


def test_the_watch_looks_at_lone_steps_only() -> None:
    watch = SkewWatch(
        {"bus": ("bus.voltage", "bus.power"), "load": ("load.power",), "relays": ("relays.pv_contactor",)}
    )
    watch.load_set(10.0)
    watch.load_set(30.0)
    watch.load_set(31.0)  # too close to the one before: neither counts
    for k in range(4000):
        t = 0.01 * k
        level = 500.0 + 1000.0 * (t > 10.0) + 500.0 * (t > 30.0)
        watch.reading(0, t, (230.0, level))
        if k % 10 == 0:
            watch.reading(1, t + 0.2, (500.0 + 1000.0 * (t > 10.0) + 500.0 * (t > 30.0),))
            watch.reading(2, t, (1.0,))
    (skew,) = watch.result()
    assert (skew.source, skew.against, skew.steps) == ("load", "bus", 1)
    assert skew.seconds == pytest.approx(0.2, abs=0.06)
