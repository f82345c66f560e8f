"""Dips, swells and transfer gaps against constructed waves and closed forms."""

import numpy as np
import pytest
from measure_waves import mains, time, vectors

from benchrunner.measure import dropout, gap, half_cycle_rms, swell
from benchrunner.measure.catalogue import CATALOGUE, Wave
from benchrunner.measure.events import find_gap

PQ = vectors("power-quality")


def test_dip_of_five_cycles() -> None:
    given, expected = PQ["PQ-19"]["input"], PQ["PQ-19"]["expected"]
    t = time(20_000.0, 0.4)
    level = np.where((t >= 0.1 - 1e-12) & (t < 0.2 - 1e-12), given["residual_pct"] / 100, 1.0)
    times, values = half_cycle_rms(given["V"] * np.sqrt(2) * np.sin(2 * np.pi * 50 * t) * level, 20_000.0)
    found = dropout(times, values, given["V"])
    assert 1e3 * found.duration == pytest.approx(expected["duration_ms"], abs=0.1)
    assert found.residual == pytest.approx(expected["residual_V"], abs=0.1)
    assert found.start == pytest.approx(0.1, abs=0.011)
    assert np.abs(values - expected["edge_window_V"]).min() < 0.1


def test_swell_of_three_cycles() -> None:
    given, expected = PQ["PQ-20"]["input"], PQ["PQ-20"]["expected"]
    t = time(24_000.0, 0.4)
    level = np.where((t >= 6 / 60 - 1e-12) & (t < 9 / 60 - 1e-12), given["swell_pct"] / 100, 1.0)
    times, values = half_cycle_rms(given["V"] * np.sqrt(2) * np.sin(2 * np.pi * 60 * t) * level, 24_000.0)
    found = swell(times, values, given["V"])
    assert 1e3 * found.duration == pytest.approx(expected["duration_ms"], abs=0.1)
    assert found.residual == pytest.approx(expected["max_V"], abs=0.1)
    assert np.abs(values - expected["edge_window_V"]).min() < 0.1


def test_thresholds_and_hysteresis() -> None:
    expected = PQ["PQ-17"]["expected"]
    t = np.arange(6.0)
    start, back = expected["dip_start_pct"], expected["dip_end_pct"]
    assert (
        dropout(t, [100, start, start, 100, 100, 100], 100.0).duration == 0
    )  # at the threshold is not below it
    assert dropout(t, [100, start - 0.1, start + 1, back - 0.1, back, 100], 100.0)[:2] == (1.0, 3.0)
    assert swell(t, [100, 110, 110.1, 109, 108, 100], 100.0)[:2] == (2.0, 2.0)


def test_no_dip_an_open_dip_and_hostile_input() -> None:
    none = dropout([0, 1], [230, 229], 230.0)
    assert np.isnan(none.start)
    assert none[1:] == (0.0, 229.0)
    assert dropout([0, 1, 2], [230, 10, 10], 230.0)[:2] == (1.0, 1.0)
    assert dropout([0, 1, 2, 3, 4], [1, 0.5, 1, 0.7, 0.7], 1.0)[:2] == (1.0, 1.0)
    assert all(np.isnan(dropout([], [], 230.0)))
    assert all(np.isnan(dropout([0, 1], [230, np.nan], 230.0)))
    with pytest.raises(ValueError, match="belong"):
        dropout([0, 1], [230], 230.0)
    with pytest.raises(ValueError, match="order"):
        dropout([1, 0], [230, 230], 230.0)


def transfer(
    rate: float, f: float, begin: float, length: float, phase: float, residual: str, jump: float, after: float
) -> np.ndarray:
    """A voltage that is interrupted at `begin` for `length` and comes back with another phase and
    frequency."""
    t = time(rate, 0.6)
    before = mains(2 * np.pi * f * t + phase)
    again = mains(2 * np.pi * after * (t - begin) + 2 * np.pi * f * begin + phase + jump)
    with np.errstate(over="ignore"):
        decay = np.exp(-(t - begin) / 0.003)
    held = float(np.interp(begin, t, before))
    meanwhile = {"none": 0 * t, "dying wave": before * decay, "discharge": held * decay}[residual]
    return np.where(t < begin, before, np.where(t < begin + length, meanwhile, again))


@pytest.mark.parametrize("rate", [10_000.0, 50_000.0])
@pytest.mark.parametrize("residual", ["none", "dying wave", "discharge"])
@pytest.mark.parametrize("milliseconds", [5.0, 9.0, 15.0, 22.0, 30.0])
def test_gap_at_any_point_on_the_wave(rate: float, residual: str, milliseconds: float) -> None:
    """Within a sample and a half, and the start within one, whatever follows."""
    rng = np.random.default_rng(int(milliseconds) + int(rate))
    for degrees in (0.0, 90.0, float(rng.uniform(0, 360)), float(rng.uniform(0, 360))):
        begin, length = 0.2 + rng.uniform(0, 0.02), milliseconds / 1e3
        x = transfer(
            rate,
            50.1,
            begin,
            length,
            np.radians(degrees),
            residual,
            rng.uniform(-0.6, 0.6),
            50.1 + rng.uniform(-2, 2),
        )
        found = gap(x, rate)
        assert found.duration == pytest.approx(length, abs=1.5 / rate)
        assert found.start == pytest.approx(begin, abs=1.0 / rate)


@pytest.mark.parametrize("seed", range(6))
def test_gap_in_noise(seed: int) -> None:
    """A recorder's noise (0.1 % of the peak) costs half a millisecond at most, near a zero crossing."""
    rng = np.random.default_rng(seed)
    begin, length = 0.2 + rng.uniform(0, 0.02), rng.uniform(0.006, 0.03)
    x = transfer(20_000.0, 49.9, begin, length, rng.uniform(0, 6), "none", 0.3, 51.0)
    x += rng.normal(0, 0.3, x.size)
    assert gap(x, 20_000.0).duration == pytest.approx(length, abs=0.5e-3)
    assert gap(x, 20_000.0, 49.9).duration == pytest.approx(length, abs=0.5e-3)


def test_half_cycle_values_overstate_what_gap_reads_right() -> None:
    x = transfer(20_000.0, 50.0, 0.2, 0.01, 0.0, "none", 0.0, 50.0)
    times, values = half_cycle_rms(x, 20_000.0)
    assert dropout(times, values, 230.0).duration >= 0.0199
    assert gap(x, 20_000.0).duration == pytest.approx(0.010, abs=1e-4)


def test_missing_area_of_one_whole_cycle() -> None:
    """The integral of |sin| over a cycle is 4 / omega."""
    t = time(50_000.0, 0.5)
    x = 325 * np.sin(2 * np.pi * 50 * t + 0.4)
    x[(t >= 0.2) & (t < 0.22)] = 0
    assert gap(x, 50_000.0).missing_area == pytest.approx(325 * 4 / (2 * np.pi * 50), rel=2e-3)


def test_no_gap() -> None:
    t = time(20_000.0, 0.5)
    for x in (
        mains(2 * np.pi * 50.3 * t),
        mains(2 * np.pi * (50 * t + t**2)),
        mains(2 * np.pi * 50 * t) * (1 - 0.05 * (t > 0.3)),
    ):
        found = gap(x, 20_000.0)
        assert found.duration == 0.0
        assert np.isnan(found.start)
    notched = mains(2 * np.pi * 50.3 * t)
    notched[5000:5002] = 0  # a notch of 100 us is no gap
    assert gap(notched, 20_000.0).duration == 0.0


def test_a_voltage_that_stays_away() -> None:
    t = time(20_000.0, 0.5)
    x = mains(2 * np.pi * 50 * t + 0.3)
    x[t >= 0.31] = 0
    found, still, _ = find_gap(x, 20_000.0)
    assert still
    assert found.start == pytest.approx(0.31, abs=2e-4)
    assert found.duration == pytest.approx(0.19, abs=3e-4)


@pytest.mark.parametrize(
    "x", [np.zeros(0), np.ones(1), np.zeros(5000), np.full(5000, 230.0), np.full(5000, np.nan),
          np.random.default_rng(1).normal(0, 1, 5000), np.sin(np.arange(300) / 50)],
)  # fmt: skip
def test_gap_of_hostile_input(x: np.ndarray) -> None:
    assert not gap(x, 20_000.0).duration > 0
    with pytest.raises(ValueError, match="band"):
        gap(np.zeros(100), 1000.0, band=0.0)


def test_uncertainty_of_a_gap_covers_what_a_slow_collapse_hides_in_the_noise() -> None:
    """Against waves whose gap is known: the expanded uncertainty (k = 2, and one sample) covers 19 of 20."""
    draw, rate = np.random.default_rng(5), 20_000.0
    covered = 0
    for _ in range(120):
        length, phase = draw.uniform(0.006, 0.03), draw.uniform(0, 2 * np.pi)
        decay, noise = draw.choice([1e-6, 2e-3, 5e-3]), draw.uniform(0, 1)
        t = np.arange(int(0.6 * rate)) / rate
        begins = 0.2 + draw.uniform(0, 0.02)
        wave = 325 * np.sin(2 * np.pi * 50 * t + phase)
        dead = (t >= begins) & (t < begins + length)
        x = np.where(dead, wave * np.exp(-np.maximum(t - begins, 0) / decay), wave) + draw.normal(
            0, noise, t.size
        )
        data = Wave(x, rate, 0.0, begins, 0.001, 0.1, "bus.voltage", "V", 50.0, {})
        measured = CATALOGUE["gap"].evaluate(data, {})
        covered += abs(measured.value - length) <= 2 * measured.u + 1 / rate
    assert covered >= 114, covered
