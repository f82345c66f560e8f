"""The catalogue: values against closed forms, uncertainties against Monte Carlo trials (JCGM 101) or closed
forms."""

import math
from typing import Any

import numpy as np
import pytest
from measure_waves import mains, time

from benchrunner import units
from benchrunner.measure.catalogue import CATALOGUE, SAME, Measured, Series, Wave


def series(
    values: Any,
    period: float = 0.1,
    u: float = 0.1,
    t_u: float = 0.0,
    unit: str = "V",
    name: str = "bus.voltage",
    **others: Series,
) -> Series:
    v = np.asarray(values, dtype=float)
    t = 100.0 + period * np.arange(v.size)
    return Series(t, v, np.full(v.size, u), np.full(v.size, t_u), name, unit, others)


def wave(samples: Any, rate: float = 20_000.0, unit: str = "V", **others: Wave) -> Wave:
    return Wave(
        np.asarray(samples, dtype=float), rate, 10.0, 10.2, 0.001, 0.05, "bus.voltage", unit, 50.0, others
    )


def of(name: str, data: Series | Wave, **arguments: Any) -> Measured:
    return CATALOGUE[name].evaluate(data, arguments)


RAMP = np.linspace(0, 10, 101)


@pytest.mark.parametrize(
    ("name", "arguments", "value"),
    [
        ("mean", {}, 5.0), ("minimum", {}, 0.0), ("maximum", {}, 10.0), ("last", {}, 10.0), ("span", {},
        10.0),
        ("deviation", {"target": 4.0}, 6.0), ("slope", {}, 1.0), ("time_to", {"level": 2.55}, 2.55),
        ("duration_above", {"level": 7.55}, 2.45), ("duration_below", {"level": 7.55}, 7.55),
        ("total_above", {"level": 7.55}, 2.45), ("total_below", {"level": 2.0}, 2.0), ("count_above",
        {"level": 5.05}, 1.0),
        ("trips", {"level": 5.05}, 0.0), ("energy", {}, 50.0), ("charge", {}, 50.0),
        ("settling_time", {"within": 0.55, "target": 10.0}, 9.45), ("response_time", {"initial": 0.0,
        "final": 10.0}, 9.0),
        ("overshoot", {"initial": 0.0, "final": 8.0}, 0.25),
    ],
)  # fmt: skip
def test_a_ramp(name: str, arguments: dict[str, float], value: float) -> None:
    got = of(name, series(RAMP), **arguments)
    assert got.value == pytest.approx(value, abs=1e-9)
    assert math.isfinite(got.u)
    assert got.u >= 0


def test_the_mean_keeps_the_common_error_and_averages_the_scatter() -> None:
    """Closed form: u^2 = u_common^2 + s^2 / n (JCGM 100, 4.2.3)."""
    rng = np.random.default_rng(1)
    v = 230 + rng.normal(0, 2.0, 400)
    got = of("mean", series(v, u=0.1))
    assert got.u == pytest.approx(math.hypot(0.1, float(np.std(v, ddof=1)) / 20), rel=1e-9)
    assert of("mean", series(np.full(400, 230.0), u=0.1)).u == pytest.approx(
        0.1
    )  # no amount of readings mends it


def test_extremes_are_one_reading() -> None:
    data = Series(np.arange(3.0), np.array([1.0, 5.0, 2.0]), np.array([0.1, 0.3, 0.2]), np.zeros(3), "x", "V")
    assert of("maximum", data) == Measured(5.0, 0.3, 1.0)
    assert of("minimum", data) == Measured(1.0, 0.1, 0.0)
    assert of("deviation", data, target=2.0) == Measured(3.0, 0.3, 1.0)
    assert of("span", data).u == pytest.approx(math.hypot(0.3, 0.1))


def test_the_mean_is_over_time_not_over_readings() -> None:
    times = np.array([0.0, 1.0, 1.1, 1.2, 1.3, 2.0])
    got = of("mean", Series(times, times, np.zeros(6), np.zeros(6), "x", "V"))
    assert got.value == pytest.approx(1.0)


def trial(
    name: str, arguments: dict[str, float], make: Any, truth: float, runs: int = 300, period: float = 0.1
) -> None:
    """Monte Carlo: of many runs with random calibration error, time error and poll phase, about 95 % must lie
    within k = 2 of the truth, and U must not be far too large either (JCGM 101)."""
    rng = np.random.default_rng(11)
    u, t_u, within, us = 0.15, 0.02, 0, []
    errors = []
    for _ in range(runs):
        t = np.arange(0, 20, period) + rng.uniform(0, period)
        v = make(t) + rng.normal(0, u)
        told = t + rng.uniform(-1, 1, t.size) * t_u * math.sqrt(3)
        data = Series(np.sort(told), v, np.full(t.size, u), np.full(t.size, t_u), "x", "V")
        got = of(name, data, **arguments)
        errors.append(got.value - truth)
        us.append(got.u)
        within += abs(got.value - truth) <= 2 * got.u
    assert within >= 0.93 * runs
    assert np.mean(us) < 4 * np.sqrt(np.mean(np.square(errors))) + 1e-12


def test_coverage_of_durations() -> None:
    trial(
        "duration_above",
        {"level": 3.0},
        lambda t: 5 * np.exp(-((t - 10) ** 2) / 8),
        2 * math.sqrt(8 * math.log(5 / 3)),
    )
    trial("duration_below", {"level": 3.0}, lambda t: 5 - 4 * ((t > 6) & (t < 9)), 3.0)


def test_coverage_of_means_maxima_and_energies() -> None:
    trial("mean", {}, lambda t: 230 + 0 * t, 230.0)
    trial("maximum", {}, lambda t: 5 * np.exp(-((t - 10) ** 2) / 8), 5.0)
    trial("deviation", {"target": 230.0}, lambda t: 233 + 0 * t, 3.0)


def test_energy_carries_the_instruments_error_in_full() -> None:
    got = of("energy", series(np.full(3601, 3000.0), period=1.0, u=15.0, unit="W"))
    assert got.value == pytest.approx(3000.0 * 3600)
    assert got.u == pytest.approx(15.0 * 3600)
    late = of("energy", series(np.full(11, 3000.0), period=1.0, u=0.0, t_u=0.1, unit="W"))
    assert late.u == pytest.approx(math.hypot(300, 300))


def test_durations_know_that_they_are_not_over() -> None:
    up = of("duration_above", series([0, 0, 5, 5, 5]), level=1.0)
    assert up.at_least
    assert "still" in up.note
    assert not of("duration_above", series([0, 5, 5, 0, 0]), level=1.0).at_least
    none = of("duration_above", series([0.0] * 10, period=0.2), level=1.0)
    assert none.value == 0
    assert none.u == pytest.approx(0.2 / math.sqrt(12))  # something shorter than a poll may have been there


def test_a_level_within_the_uncertainty_shows_in_u() -> None:
    flat = [4.95] * 20 + [0.0] * 20
    got = of("duration_above", series(flat, u=0.1), level=5.0)
    assert got.value == 0
    assert got.u > 0.9  # it may as well have been above for two seconds
    assert of("count_above", series([0, 4.95, 0, 4.95, 0], u=0.1), level=5.0).u == 1.0


def test_counts_and_hysteresis() -> None:
    saw = [0, 10, 0, 10, 6, 10, 0]
    assert of("count_above", series(saw, u=0.0), level=8.0).value == 3
    assert of("count_above", series(saw, u=0.0), level=8.0, hysteresis=5.0).value == 2
    assert of("trips", series(saw, u=0.0), level=8.0, hysteresis=1.0).value == 3


def test_sums_and_differences_of_channels() -> None:
    grid, pv = series([500.0] * 5, u=3.0, unit="W"), series([2000.0] * 5, u=4.0, unit="W", name="pv.power")
    load = series([2500.0] * 5, u=12.0, unit="W", name="load.power")
    data = Series(
        grid.times, grid.values, grid.u, grid.t_u, "grid.power", "W", {"pv.power": pv, "load.power": load}
    )
    got = of("balance", data, plus="pv.power", less="load.power")
    assert got.value == 0
    assert got.u == pytest.approx(13.0)
    apart = of("difference", data, **{"from": "pv.power"})
    assert apart.value == 1500
    assert apart.u == pytest.approx(5.0)
    assert math.isnan(of("balance", data, plus="nobody.power").value)


@pytest.mark.parametrize("name", [n for n, spec in CATALOGUE.items() if spec.needs == "polled"])
def test_bad_readings_give_no_value(name: str) -> None:
    spec = CATALOGUE[name]
    arguments: dict[str, Any] = {
        key: "x" if unit == "channel" else 1.0 for key, unit in spec.arguments.items()
    }
    other = {"x": series([1.0] * 5, name="x")}
    for values in ([], [1.0, 2.0, math.nan, 1.0, 2.0], [1.0, math.inf, 1.0, 2.0, 1.0]):
        got = spec.evaluate(series(values, **other), arguments)
        assert math.isnan(got.value)
        assert got.note
    assert math.isnan(spec.evaluate(wave(np.zeros(100)), arguments).value)


@pytest.mark.parametrize("name", [n for n, spec in CATALOGUE.items() if spec.needs != "polled"])
def test_bad_waves_give_no_value(name: str) -> None:
    spec = CATALOGUE[name]
    arguments: dict[str, Any] = {
        key: "x" if unit == "channel" else 1.0 for key, unit in spec.arguments.items()
    }
    arguments.pop("band", None)
    spoiled = mains(2 * np.pi * 50 * time(20_000.0, 0.4))
    spoiled[100] = math.nan
    for samples in ([], [1.0], spoiled):
        got = spec.evaluate(wave(samples, x=wave(np.ones(len(samples)))), arguments)
        assert math.isnan(got.value)
        assert got.note
    if spec.needs == "waveform":
        assert math.isnan(spec.evaluate(series([1.0, 2.0]), arguments).value)


def test_every_measure_says_what_it_gives_and_takes() -> None:
    for name, spec in CATALOGUE.items():
        assert spec.name == name
        assert spec.says
        for unit in spec.of or ("V", "A", "W", "Hz", "K", "1"):
            assert spec.unit(unit) in units.UNITS, (name, unit)
            for argument in spec.arguments:
                assert spec.argument_unit(argument, unit) in (*units.UNITS, "channel", unit)
        assert spec.required <= set(spec.arguments)
        assert all(unit in (*units.UNITS, "channel", SAME) for unit in spec.arguments.values())


def test_peaks_of_ac_and_dc() -> None:
    t = time(20_000.0, 0.6)
    ac = mains(2 * np.pi * 50 * t)
    ac[5000] = -400.0
    assert of("peak", wave(ac)) == Measured(400.0, math.hypot(0.4, 0.05), 10.25)
    assert of("lowest", wave(ac)).value == -400.0
    dc = -40 + 30 * np.clip((t - 0.2) * 50, 0, 1) + 3 * np.cos(2 * np.pi * 100 * t)
    got = of("peak", wave(dc, unit="A"))
    assert got.value == pytest.approx(
        -7.0, abs=1e-6
    )  # discharging throughout: the largest, not the largest absolute
    crossing = of("peak", wave(dc + 30, unit="A"))
    assert crossing.value == pytest.approx(23.0, abs=1e-6)


def test_half_cycle_extremes() -> None:
    t = time(20_000.0, 0.6)
    level = np.where((t >= 0.3) & (t < 0.4), 1.15, np.where((t >= 0.4) & (t < 0.5), 0.8, 1.0))
    x = 230 * np.sqrt(2) * np.sin(2 * np.pi * 50 * t) * level
    high, low = of("half_cycle_maximum", wave(x)), of("half_cycle_minimum", wave(x))
    assert high.value == pytest.approx(264.5, abs=0.01)
    assert low.value == pytest.approx(184.0, abs=0.01)
    assert high.u == pytest.approx(math.hypot(0.2645, 0.05), rel=1e-3)
    assert 10.3 < high.at < 10.4 < low.at < 10.5
    assert (
        of("half_cycle_minimum", series([230.0, 180.0, 229.0])).value == 180.0
    )  # from a meter that delivers them


def test_gap_of_a_capture() -> None:
    t = time(20_000.0, 0.6)
    x = mains(2 * np.pi * 50 * t + 1)
    x[(t >= 0.2) & (t < 0.212)] = 0
    got = of("gap", wave(x))
    assert got.value == pytest.approx(0.012, abs=1e-4)
    assert got.at == pytest.approx(10.2, abs=1e-4)
    assert 1e-5 < got.u < 1e-4
    none = of("gap", wave(mains(2 * np.pi * 50 * t)))
    assert none.value == 0
    assert not none.at_least
    dead = mains(2 * np.pi * 50 * t)
    dead[t >= 0.2] = 0
    assert of("gap", wave(dead)).at_least


def test_frequency_of_a_capture() -> None:
    t = time(10_000.0, 2.0)
    f = 50 + np.clip(t - 0.5, 0, 1) * 1.6
    x = mains(2 * np.pi * np.cumsum(f) / 10_000.0)
    assert of("frequency_peak", wave(x, 10_000.0)).value == pytest.approx(51.6, abs=2e-3)
    assert of("frequency_lowest", wave(x, 10_000.0)).value == pytest.approx(50.0, abs=2e-3)
    slope = of("frequency_slope", wave(x, 10_000.0))
    assert slope.value == pytest.approx(1.6, abs=0.01)
    assert of("rms", wave(x, 10_000.0)).value == pytest.approx(
        230 * math.sqrt(1 + 0.02**2 + 0.015**2 + 0.01**2), rel=1e-4
    )
    assert of("thd", wave(x, 10_000.0)).value == pytest.approx(
        math.sqrt(0.02**2 + 0.015**2 + 0.01**2), abs=1e-3
    )


@pytest.mark.parametrize("degrees", [-60.0, -10.0, 0.0, 25.0, 90.0])
def test_phase_jump(degrees: float) -> None:
    t = time(20_000.0, 0.6)
    x = mains(2 * np.pi * 50 * t + np.radians(degrees) * (t > 0.3))
    x[(t >= 0.3) & (t < 0.308)] = 0
    got = of("phase_jump", wave(x))
    assert np.degrees(got.value) == pytest.approx(abs(degrees), abs=0.3)


def test_durations_and_energy_on_the_wave() -> None:
    t = time(20_000.0, 0.5)
    dc = np.where((t >= 0.2) & (t < 0.2335), 60.0, 50.0)
    assert of("wave_duration_above", wave(dc), level=55.0).value == pytest.approx(0.0335, abs=1e-4)
    ac = 325 * np.sin(2 * np.pi * 50 * t)
    above = of("wave_total_above", wave(ac), level=325 * math.sin(math.pi / 3))
    assert above.value == pytest.approx(0.5 / 3, rel=0.02)  # 60 of the 180 degrees of each half turn
    volts = wave(np.full(t.size, 50.0))
    got = of("wave_energy", wave(np.full(t.size, 10.0), unit="A", v=volts), voltage="v")
    assert got.value == pytest.approx(500 * 0.5, rel=1e-3)
    assert got.u == pytest.approx(math.sqrt(2 * 0.25**2 + (25 * 0.05) ** 2 + (5 * 0.05) ** 2), rel=1e-3)


def test_a_rate_needs_readings_closer_than_it_is_asked_over() -> None:
    """1 V/s for a second, seen every second: the mean over four seconds would read a quarter of it."""
    t = np.arange(0.0, 20.0, 1.0)
    seldom = Series(
        t, np.clip(t - 8, 0, 1), np.full(t.size, 0.01), np.full(t.size, 0.05), "bus.voltage", "V", {}
    )
    measured = of("slope", seldom, over=0.5)
    assert math.isnan(measured.value)
    assert "too seldom" in measured.note
