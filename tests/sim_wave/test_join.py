"""Where the time-domain model meets the envelope: level, frequency and phase go through; spans and channels."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.sim.wave.capture import CHANNELS, samples_of, waveform
from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.segment import AFTER, BEFORE, simulate, windows

from .envelopes import ISLAND, ON_GRID, Course, envelope

RATE = 20_000.0


def half_cycles(samples, rate=RATE, frequency=50.0):
    """Sliding half-cycle RMS by cumulative sums, written here."""
    n = round(rate / frequency / 2)
    total = np.concatenate([[0.0], np.cumsum(samples**2)])
    return np.sqrt((total[n:] - total[:-n]) / n)


def phase(samples, times, frequency=50.0):
    """Phase (rad) of the fundamental over the whole span, by projection."""
    turn = np.exp(-2j * np.pi * frequency * times)
    return float(np.angle(2j * np.mean(samples * turn)))


def rejection(load, pv, frequency=50.0):
    start = {**ISLAND, "load_power": load, "pv_power": pv, "bus_frequency": frequency}
    return envelope(start, Course().at(1.0, load_power=0.0), 2.0)


@settings(max_examples=12, deadline=None)
@given(
    load=st.floats(200.0, 6000.0), pv=st.floats(0.0, 5000.0), frequency=st.sampled_from([49.0, 50.0, 51.6])
)
def test_levels_go_through_both_joins(load, pv, frequency):
    one = rejection(load, pv, frequency)
    rate = 400 * frequency  # a whole number of samples in each half cycle
    names = ("bus.voltage", "load.current", "pv.current", "battery.voltage")
    samples, _ = samples_of(one, names, 0.7, rate, round(0.8 * rate))
    t = 0.7 + np.arange(samples.shape[1]) / rate
    for begin, end in ((1.0 - BEFORE - 0.04, 1.0), (1.0 + AFTER - 0.06, 1.0 + AFTER + 0.04)):
        inside = (t >= begin) & (t < end)
        for row, expected in ((0, 230.0), (1, load / 230.0 if begin < 1 else 0.0), (2, pv / 230.0)):
            levels = half_cycles(samples[row][inside], rate, frequency)
            np.testing.assert_allclose(levels, expected, rtol=5e-3, atol=5e-3 * 5.0)
        means = samples[3][inside]
        cycle = round(rate / frequency)
        smooth = np.convolve(means, np.ones(cycle) / cycle, "valid")
        assert np.ptp(smooth) < 5e-3 * 53.0


def test_phase_and_frequency_go_through_both_joins():
    one = rejection(3000.0, 4500.0)
    samples, _ = samples_of(one, ("bus.voltage",), 0.5, RATE, round(1.2 * RATE))
    t = 0.5 + np.arange(samples.shape[1]) / RATE
    for begin in (0.6, 0.94, 0.96, 0.98, 1.06, 1.1, 1.16, 1.2, 1.24, 1.4):
        inside = (t >= begin - 1e-9) & (t < begin + 0.02 - 1e-9)
        assert phase(samples[0][inside], t[inside]) == pytest.approx(0.0, abs=2e-3)  # 0.1 degrees


def test_a_wave_has_no_step_at_its_joins():
    samples, _ = samples_of(rejection(3000.0, 4500.0), CHANNELS, 0.5, 50_000.0, 60_000)
    t = 0.5 + np.arange(60_000) / 50_000.0
    for row, channel in enumerate(CHANNELS):
        largest = {"bus": 330.0, "load": 19.0, "pv": 28.0, "battery": 60.0, "grid": 1.0}[
            channel.split(".")[0]
        ]
        quiet = (np.abs(t - 1.0 + BEFORE) < 0.03) | (np.abs(t - 1.0 - AFTER) < 0.03)
        steps = np.abs(np.diff(samples[row]))[quiet[1:]]
        assert steps.max(initial=0.0) < 1.3 * largest * 2 * np.pi * 100.0 / 50_000.0


def test_ripple_of_the_battery_agrees_with_the_time_domain_model():
    one = rejection(3000.0, 4500.0)
    segment = simulate(one, 0.6, 0.9)  # no event in it: the model's own steady state
    model = segment.samples["battery.current"]
    t = segment.start + np.arange(len(model)) * segment.step
    sines, _ = samples_of(one, ("battery.current",), float(t[0]), 50_000.0, len(t))
    whole = slice(0, round(0.28 / segment.step))
    turn = np.exp(-2j * np.pi * 100.0 * t[whole])
    modelled, stated = (2 * np.mean(x[whole] * turn) for x in (model, sines[0]))
    assert abs(modelled) > 5.0  # A: there is a ripple to speak of
    assert abs(modelled - stated) < 0.03 * abs(modelled)
    assert np.mean(model[whole]) == pytest.approx(np.mean(sines[0][whole]), rel=0.02)


def test_ripple_share_agrees_with_the_closed_loop_integrated_by_scipy():
    # the linear loop as differential equations, against the formula
    from scipy.integrate import solve_ivp

    c, w = Circuit(), 2 * np.pi * 100.0

    def slope(t, y):
        dv, x, p = y  # deviation of the link, integral, power of the stage over the link voltage
        return [
            (p - np.cos(w * t)) / c.link_capacitance,
            -c.link_integral * dv,
            (-c.link_gain * dv + x - p) / c.stage_lag,
        ]

    t = np.linspace(0.5, 0.6, 2001)
    p = solve_ivp(slope, (0, 0.6), [0.0, 0.0, 0.0], t_eval=t, rtol=1e-8, atol=1e-10).y[2]
    share = 2 * np.mean(p[:-1] * np.exp(-1j * w * t[:-1]))
    assert abs(share - c.ripple_share(w)) < 2e-3


def test_power_balances_on_the_bus():
    samples, _ = samples_of(rejection(3000.0, 4500.0), ("bus.current", "load.current", "pv.current",
    "grid.current"),
                            0.5, RATE, 20_000)  # fmt: skip
    bus, load, pv, grid = samples
    np.testing.assert_allclose(bus + pv + grid - load, 0.0, atol=1e-9)


def outage(gap=0.012, pv=0.0, at=1.0, load=3000.0):
    start = {**ON_GRID, "load_power": load, "pv_power": pv, "grid_power": load - pv}
    course = Course().at(at, switch=0.0, bus_voltage=0.0, grid_power=0.0, pv_power=0.0)
    course.at(at + gap, relay=0.0, mode=2.0, bus_voltage=230.0, pv_power=pv)
    return envelope(start, course, at + 1.0)


@pytest.mark.parametrize("at", [1.0, 1.0023, 1.0057, 1.0081])
def test_an_outage_leaves_a_gap_of_the_relays_own_times(at):
    names = ("bus.voltage", "grid.voltage", "grid.current")
    samples, _ = samples_of(outage(0.012, at=at), names, 0.9, RATE, 8000)
    t = 0.9 + np.arange(8000) / RATE
    dead = (t > at + 0.002) & (t < at + 0.012)
    assert np.abs(samples[0][dead]).max() < 30.0
    back = (t > at + 0.014) & (t < at + 0.2)
    true = 230.0 * np.sqrt(2) * np.sin(2 * np.pi * 50.0 * t)
    assert np.abs(samples[0] - true)[back].max() < 0.1 * 325.0
    # mains side of an open relay behind an open switch
    assert np.abs(samples[1][t > at + 0.0121]).max() == 0.0
    assert np.abs(samples[2][t > at + 1e-4]).max() == 0.0
    assert np.abs(samples[2][t < at]).max() > 15.0


def test_a_balanced_island_hardly_notices_the_outage():
    # nothing flows over the grid switch, so opening it changes nothing until the relay acts
    samples, _ = samples_of(outage(0.012, pv=3000.0), ("bus.voltage",), 0.9, RATE, 8000)
    t = 0.9 + np.arange(8000) / RATE
    true = 230.0 * np.sqrt(2) * np.sin(2 * np.pi * 50.0 * t)
    assert np.abs(samples[0] - true).max() < 0.25 * 325.0


def test_retransfer_in_phase_takes_over_quietly():
    start = {**ISLAND, "load_power": 2000.0, "switch": 1.0, "grid_voltage": 230.0}
    one = envelope(start, Course().at(1.0, relay=1.0, mode=1.0, grid_power=2000.0), 2.0)
    samples, _ = samples_of(one, ("bus.voltage", "grid.current", "grid.voltage"), 0.8, RATE, 16_000)
    t = 0.8 + np.arange(16_000) / RATE
    np.testing.assert_allclose(half_cycles(samples[0]), 230.0, rtol=0.03)
    assert np.abs(samples[1]).max() < 3 * np.sqrt(2) * 2000.0 / 230.0
    late = samples[1][t > 1.15]
    np.testing.assert_allclose(half_cycles(late), 2000.0 / 230.0, rtol=0.01)


@pytest.mark.parametrize("shift", [0.0, 0.0031, 0.0072])
def test_where_model_and_envelope_disagree_one_goes_over_into_the_other(shift):
    # the envelope says 230 V at 24 kW, which the battery inverter of the model cannot give
    at = 1.0 + shift
    start = {**ISLAND, "load_power": 24_000.0, "open_circuit": 400.0}
    one = envelope(start, Course().at(at, load_power=23_000.0), 2.0)
    samples, _ = samples_of(one, ("bus.voltage",), 0.8, 50_000.0, 30_000)
    t = 0.8 + np.arange(30_000) / 50_000.0
    inside = (t > at + 0.05) & (t < at + 0.15)
    outside = (t < at - BEFORE - 0.001) | (t > at + AFTER + 0.001)
    assert np.abs(samples[0][inside]).max() < 0.8 * 325.0
    assert np.abs(samples[0][outside]).max() == pytest.approx(325.27, rel=1e-3)
    for join in (at - BEFORE, at + AFTER):
        near = np.abs(t - join) < 0.001
        assert np.abs(np.diff(samples[0][near])).max() < 1.1 * 325.3 * 2 * np.pi * 50.0 / 50_000.0


def test_windows_merge_and_stay_apart():
    assert windows([1.0, 1.02, 3.0], 0.0, 5.0) == [(1.0 - BEFORE, 1.02 + AFTER), (3.0 - BEFORE, 3.0 + AFTER)]
    assert windows([1.0, 3.0], 1.5, 2.0) == []
    many = windows([1.0 + 0.05 * k for k in range(400)], 0.0, 21.0)
    assert all(b - a <= 4.0 + 1e-9 for a, b in many)
    assert all(first[1] <= second[0] + 1e-9 for first, second in pairwise(many))


def test_a_value_does_not_depend_on_where_the_capture_starts():
    one = rejection(3000.0, 4500.0)
    whole, _ = samples_of(one, ("bus.voltage", "battery.current"), 0.8, RATE, 10_000)
    part, _ = samples_of(one, ("bus.voltage", "battery.current"), 0.9, RATE, 4_000)
    np.testing.assert_allclose(part, whole[:, 2000:6000], atol=1e-9)


def test_unmodelled_events_take_the_sub_cycle_measures_away():
    one = rejection(3000.0, 4500.0)
    assert waveform(one, ("bus.voltage",), 0.5, RATE, 100)[1] == ("thd",)
    object.__setattr__(one, "unmodelled", ("arc",))
    lost = waveform(one, ("bus.voltage",), 0.5, RATE, 100)[1]
    assert {"thd", "peak", "gap", "half_cycle_maximum"} <= set(lost)


@pytest.mark.parametrize(("channels", "rate", "count"), [
    (("moon.voltage",), RATE, 100), (("bus.voltage",), 1e3, 100), (("bus.voltage",), 1e6, 100),
    (("bus.voltage",), RATE, 1), (("bus.voltage",), RATE, 10_000_000), (CHANNELS, 200_000.0, 2_400_000),
])  # fmt: skip
def test_what_cannot_be_captured_is_refused(channels, rate, count):
    with pytest.raises(ValueError, match=r"\d|no waveform"):
        waveform(rejection(1000.0, 0.0), channels, 0.5, rate, count)


def test_a_span_that_the_plant_no_longer_knows_is_refused():
    with pytest.raises(LookupError, match="asked for"):
        waveform(rejection(1000.0, 0.0), ("bus.voltage",), 1.5, RATE, 40_000)
