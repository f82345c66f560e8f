"""Frequency and its track. Reference: the waves' own construction; the Cramer-Rao bound for noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from measure_waves import mains, shape, time, vectors

from benchrunner.measure import frequency, frequency_track, half_cycle_rms

PQ = vectors("power-quality")


@pytest.mark.parametrize("rate", [2_000.0, 20_000.0])
@pytest.mark.parametrize("true", [49.0, 49.97, 50.0, 52.7, 55.0, 60.0])
def test_200_ms_window_within_a_millihertz(rate: float, true: float) -> None:
    t = time(rate, 0.2)
    for start in (0.0, 1.1, 4.0):
        assert frequency(mains(2 * np.pi * true * t + start) + 3.0, rate) == pytest.approx(true, abs=1e-6)


def test_noise_costs_what_it_must() -> None:
    """Cramer-Rao: sigma_f = sqrt(6 / (snr n)) / (pi T), snr = A^2 / (2 sigma^2); no more than twice that."""
    rate, true, sigma, rng = 10_000.0, 50.4, 3.25, np.random.default_rng(5)
    t = time(rate, 0.2)
    found = [
        frequency(mains(2 * np.pi * true * t + k) + rng.normal(0, sigma, t.size), rate) for k in range(40)
    ]
    bound = np.sqrt(6 / ((230**2 / sigma**2) * t.size)) / (np.pi * 0.2)
    assert np.sqrt(np.mean((np.array(found) - true) ** 2)) < 2 * bound


def test_whole_cycles_by_their_duration() -> None:
    given, expected = PQ["PQ-21"]["input"], PQ["PQ-21"]["expected"]
    t = time(5_000.0, given["window_s"])
    assert frequency(mains(2 * np.pi * given["f_true"] * t), 5_000.0) == pytest.approx(
        expected["f_Hz"], abs=5e-4
    )


@pytest.mark.parametrize("name", ["square", "triangle", "half-wave", "clip 0.7", "cut 60", "cut 120"])
def test_other_shapes(name: str) -> None:
    t = time(50_000.0, 0.2)
    assert frequency(shape(name, 2 * np.pi * 51.37 * t + 0.4), 50_000.0) == pytest.approx(51.37, abs=5e-3)


def test_short_records() -> None:
    for cycles in (1.0, 1.5, 2.2):
        t = time(10_000.0, cycles / 52.0)
        assert frequency(325 * np.sin(2 * np.pi * 52.0 * t + 0.7), 10_000.0) == pytest.approx(52.0, abs=0.02)
    assert np.isnan(frequency(np.sin(2 * np.pi * 50 * time(10_000.0, 0.012)), 10_000.0))


def test_a_gap_inside_is_left_out() -> None:
    t = time(20_000.0, 0.3)
    x = mains(2 * np.pi * 50.6 * t)
    x[(t > 0.21) & (t < 0.222)] = 0
    assert frequency(x, 20_000.0) == pytest.approx(50.6, abs=1e-3)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(4000), np.full(4000, 230.0), np.random.default_rng(2).normal(0, 1, 4000),
        np.random.default_rng(3).normal(5, 1, 40_000), np.zeros(0), np.ones(1), np.full(4000, np.nan),
        np.arange(4000.0),
        np.full(4000, np.inf), np.random.default_rng(4).normal(0, 1, 30), np.array([1.0, -1.0]),
    ],
)  # fmt: skip
def test_no_fundamental_no_frequency(samples: np.ndarray) -> None:
    assert np.isnan(frequency(samples, 20_000.0))
    times, values = frequency_track(samples, 20_000.0)
    assert times.size == values.size == 0


def test_one_nan_is_enough() -> None:
    x = mains(2 * np.pi * 50 * time(10_000.0, 0.2))
    x[700] = np.nan
    assert np.isnan(frequency(x, 10_000.0))


def test_refuses_shapes_and_rates() -> None:
    with pytest.raises(ValueError, match="one row"):
        frequency(np.zeros((2, 100)), 1000.0)
    for rate in (0.0, -1.0, np.nan):
        with pytest.raises(ValueError, match="rate"):
            frequency(np.zeros(100), rate)


@pytest.mark.parametrize(
    ("seconds", "first", "last"), [(5.2, 50.0, 52.0), (8.0, 53.0, 47.0), (5.0, 60.0, 63.0)]
)
def test_a_frequency_that_moves_through_a_long_record(seconds: float, first: float, last: float) -> None:
    """Closed form: the mean of a ramp lies in its middle, and a sine of any frequency has its peak over root two.

    As a whole such a record has no line that stands out: the shift of an island moved it, and the checks had no value.
    """
    rate = 20_000.0
    t = np.arange(int(seconds * rate)) / rate
    wave = 325.0 * np.sin(2 * np.pi * (first * t + 0.5 * (last - first) / seconds * t * t))
    assert abs(frequency(wave, rate) - 0.5 * (first + last)) < 1e-4
    values = half_cycle_rms(wave, rate)[1]
    assert np.abs(values * np.sqrt(2.0) / 325.0 - 1.0).max() < 1e-3


def test_a_frequency_that_moves_too_far_has_no_value() -> None:
    """Half-cycle values of it would be wrong by some per cent, without a word."""
    t = np.arange(80_000) / 20_000.0
    assert np.isnan(frequency(np.sin(2 * np.pi * (47.0 * t + t * t)), 20_000.0))


def test_track_of_a_ramp() -> None:
    rate = 20_000.0
    t = time(rate, 3.0)
    times, values = frequency_track(mains(2 * np.pi * (50 * t + 0.5 * t**2)), rate)
    assert np.abs(values - (50 + times)).max() < 1e-3
    assert times[0] < 0.045
    assert times[-1] > 3.0 - 0.045


def test_track_of_a_step_of_frequency() -> None:
    rate = 20_000.0
    t = time(rate, 2.0)
    true = np.where(t < 1.0, 50.0, 52.0)
    times, values = frequency_track(mains(2 * np.pi * np.cumsum(true) / rate), rate)
    away = np.abs(times - 1.0) > 0.05
    assert np.abs(values - np.where(times < 1.0, 50.0, 52.0))[away].max() < 1e-3
    assert values.max() < 52.01  # no overshoot of its own
    assert values.min() > 49.99


def test_a_dead_bus_has_no_frequency() -> None:
    rate = 20_000.0
    t = time(rate, 1.0)
    x = mains(2 * np.pi * 50 * t)
    x[(t > 0.4) & (t < 0.6)] = 0
    times, values = frequency_track(x, rate)
    assert np.isnan(values[(times > 0.4) & (times < 0.6)]).all()
    assert np.abs(values[(times < 0.35) | (times > 0.65)] - 50).max() < 1e-3


@given(st.floats(45, 65), st.floats(0, 6.28), st.floats(0.01, 1e4))
@settings(max_examples=8, deadline=None)
def test_scale_and_shift_do_not_matter(true: float, start: float, scale: float) -> None:
    t = time(5_000.0, 0.2)
    x = mains(2 * np.pi * true * t + start)
    assert frequency(scale * x, 5_000.0) == pytest.approx(frequency(x, 5_000.0), abs=1e-7)
    assert frequency(x + 0.1 * 325, 5_000.0) == pytest.approx(true, abs=1e-6)
