"""Step responses against closed forms (tests/vectors/step-response), and energies."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from measure_waves import vectors

from benchrunner.measure import energy, step_response

ST = vectors("step-response")


def second_order(t: np.ndarray, zeta: float, wn: float) -> np.ndarray:
    if zeta == 1.0:
        return 1 - np.exp(-wn * t) * (1 + wn * t)
    wd = wn * np.sqrt(1 - zeta**2)
    return 1 - np.exp(-zeta * wn * t) * (np.cos(wd * t) + zeta / np.sqrt(1 - zeta**2) * np.sin(wd * t))


def test_first_order_lag() -> None:
    expected = ST["ST-01"]["expected"]
    t = np.linspace(0, 20, 20_001)
    y = 1 - np.exp(-t)
    found = step_response(t, y, 0.0, 0.0, 1.0)
    assert found.rise_time == pytest.approx(expected[0], rel=1e-4)
    assert found.response_time == pytest.approx(expected[1], rel=1e-4)
    for band, settled in zip((0.05, 0.02, 0.01), expected[2:], strict=True):
        assert step_response(t, y, 0.0, 0.0, 1.0, band).settling_time == pytest.approx(settled, rel=1e-4)
    assert found.overshoot == 0
    assert step_response(t, y, 0.0).settling_time == pytest.approx(
        expected[3], rel=1e-3
    )  # ends found by itself


@pytest.mark.parametrize("row", ["ST-02", "ST-03", "ST-04", "ST-05", "ST-06", "ST-07"])
def test_second_order(row: str) -> None:
    given, expected = ST[row]["input"], ST[row]["expected"]
    t = np.arange(0, 8, 5e-4)
    y = second_order(t, given["zeta"], given["wn"])
    found = step_response(t, y, 0.0, 0.0, 1.0)
    assert 100 * found.overshoot == pytest.approx(expected["overshoot_pct"], rel=5e-3, abs=1e-9)
    assert found.rise_time == pytest.approx(expected["rise_10_90_s"], rel=5e-3)
    assert found.response_time == pytest.approx(expected["t90_s"], rel=5e-3)
    assert found.settling_time == pytest.approx(expected["settle_2pct_s"], rel=5e-3)
    wide = step_response(t, y, 0.0, 0.0, 1.0, 0.05)
    assert wide.settling_time == pytest.approx(expected["settle_5pct_s"], rel=5e-3)
    assert found.peak == pytest.approx(1 + expected["overshoot_pct"] / 100, abs=1e-3)


def test_overshoot_table() -> None:
    t = np.arange(0, 12, 5e-4)
    for zeta, percent in zip(ST["ST-08"]["input"]["zeta"], ST["ST-08"]["expected"], strict=True):
        found = step_response(t, second_order(t, zeta, 10.0), 0.0, 0.0, 1.0)
        assert 100 * found.overshoot == pytest.approx(percent, abs=0.01)


def test_step_down_delay_and_recovery() -> None:
    given, expected = ST["ST-11"]["input"], ST["ST-11"]["expected"]
    t = np.arange(-1, 8, 5e-4)
    y = np.where(
        t < 0, 1.0, given["y0"] + (given["yf"] - given["y0"]) * second_order(np.maximum(t, 0), 0.5, 10)
    )
    found = step_response(t, y, 0.0)
    assert found.peak == pytest.approx(expected["y_extreme"], abs=1e-4)
    assert 100 * found.overshoot == pytest.approx(expected["overshoot_pct"], abs=0.02)

    given = ST["ST-12"]["input"]
    t = np.arange(0, 10, 1e-3)
    y = np.where(t < given["delay_s"], 0.0, 1 - np.exp(-(t - given["delay_s"]) / given["tau_s"]))
    assert step_response(t, y, 0.0, 0.0, 1.0).response_time == pytest.approx(
        ST["ST-12"]["expected"], abs=1e-3
    )

    given = ST["ST-13"]["input"]
    t = np.arange(0, 15, 1e-3)
    away = given["A_Hz"] * np.exp(-t / given["tau_s"]) * np.cos(2 * np.pi * given["f_osc_Hz"] * t)
    found = step_response(t, 50 + away, 0.0, 50.5, 50.0, given["band_Hz"] / given["A_Hz"])
    assert found.settling_time == pytest.approx(ST["ST-13"]["expected"], abs=2e-3)


def test_what_was_not_reached_is_nan() -> None:
    t = np.linspace(0, 1, 101)
    found = step_response(t, 0.5 * t, 0.0, 0.0, 1.0)
    assert np.isnan(found.response_time)
    assert np.isnan(found.settling_time)
    for times, values in (([], []), ([0.0], [1.0]), (t, np.ones(101)), (t, np.full(101, np.nan)), (t - 5, t)):
        assert all(np.isnan(step_response(times, values, 0.0)))
    with pytest.raises(ValueError, match="finite"):
        step_response(t, t, np.nan)


@given(st.floats(-1e3, 1e3), st.floats(0.1, 1e3), st.floats(-50, 50))
def test_shift_and_scale(offset: float, size: float, later: float) -> None:
    t = np.arange(0, 4, 2e-3)
    y = second_order(t, 0.4, 10.0)
    one = step_response(t, y, 0.0, 0.0, 1.0)
    two = step_response(t + later, offset - size * y, later, offset, offset - size)
    assert two[:4] == pytest.approx(one[:4], rel=1e-6, abs=1e-6)
    assert two.peak == pytest.approx(offset - size * one.peak, rel=1e-9, abs=1e-6)


def test_energy() -> None:
    """P ramps 0 -> 3000 W in 600 s, then 600 s constant: 750 Wh (trapezoid, closed form)."""
    assert energy([0, 600, 1200], [0, 3000, 3000]) / 3600 == pytest.approx(750.0)
    for times, power in (([], []), ([0], [1]), ([0, 1], [1, np.nan])):
        assert np.isnan(energy(times, power))
    with pytest.raises(ValueError, match="order"):
        energy([1, 0], [1, 1])
