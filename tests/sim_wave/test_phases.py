"""Waves of split-phase and three-phase buses, of inductive and non-linear loads: levels go through to the plant's taps."""

from pathlib import Path

import numpy as np
import pytest

from benchrunner import measure
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.kernel.loads import DISTORTION, RECTIFIER_HARMONICS
from benchrunner.sim.plant import Plant
from benchrunner.sim.wave import PHASE_CHANNELS, waveform

PAIRINGS = Path(__file__).parents[2] / "resources" / "pairings"
RATE = 50_000.0
AT = 2.0037


def a_plant(name, order, until=4.0, **start):
    plant = Plant(read_pairing(PAIRINGS / f"{name}.toml"), seed=3, start={"soc": 0.6, **start})
    plant.advance(AT)
    plant.set(*order)
    plant.advance(until)
    return plant


def levels(plant, channels, begin, frequency, cycles=5):
    """RMS over whole cycles from `begin`."""
    samples, lacks = waveform(plant, channels, begin, RATE, round(cycles / frequency * RATE) + 1)
    return dict(zip(channels, np.sqrt(np.mean(samples[:, :-1] ** 2, axis=1)), strict=True)), lacks


SPLIT = {
    "load.power_l1": 2000.0, "load.power_l2": 500.0, "load.power_l1_l2": 1500.0, "pv_inverter.on": 1.0,
    "pv_source.irradiance": 800.0,
}  # fmt: skip
THREE = {"load.power_l1": 3000.0, "load.power_l2": 500.0, "load.power_l3": 2000.0}


@pytest.mark.parametrize("begin", [AT + 0.13, AT + 1.5])  # inside the time-domain window, and in the envelope
def test_both_legs_of_split_phase_carry_the_plants_levels(begin):
    plant = a_plant("dune9-spit7", ("grid.closed", 0.0), **SPLIT)
    names = tuple(f"{name}_l{k}" for name in ("bus.voltage", "load.current", "pv.current") for k in (1, 2))
    found, lacks = levels(plant, ("bus.voltage", "load.current_n", *names), begin, 60.0)
    for name, value in found.items():
        assert value == pytest.approx(plant.value(name), rel=0.01), name
    assert lacks == ("thd",)


@pytest.mark.parametrize("begin", [AT + 0.13, AT + 1.5])
def test_three_unequal_phases_carry_the_plants_levels(begin):
    plant = a_plant("fell15-ridge12", ("load.power_l2", 1500.0), **THREE, **{"grid.closed": 0.0})
    names = tuple(f"{name}_l{k}" for name in ("bus.voltage", "load.current") for k in (1, 2, 3))
    found, _ = levels(plant, (*names, "load.current_n"), begin, 50.0)
    for name, value in found.items():
        assert value == pytest.approx(plant.value(name), rel=0.01), name


def test_phases_are_a_third_of_a_cycle_apart_through_the_event():
    plant = a_plant("fell15-ridge12", ("load.power", 0.0), **THREE, **{"grid.closed": 0.0})
    names = tuple(f"bus.voltage_l{k}" for k in (1, 2, 3))
    for begin in (AT - 0.15, AT + 0.1, AT + 1.5):
        samples, _ = waveform(plant, names, begin, RATE, 5000)
        t = begin + np.arange(5000) / RATE
        angle = np.angle(samples @ np.exp(-2j * np.pi * 50.0 * t))
        apart = np.mod(angle[:1] - angle[1:], 2 * np.pi)
        np.testing.assert_allclose(apart, [2 * np.pi / 3, 4 * np.pi / 3], atol=0.02)


def test_a_balanced_three_phase_load_makes_no_ripple_in_the_battery():
    # trigonometry: three pulsations a third of a turn apart add up to none; one phase alone ripples fully
    found = {}
    for name, load in (("fell15-ridge12", 6000.0), ("tarn6-corrie5", 2000.0)):
        plant = a_plant(name, ("load.power", load), **{"grid.closed": 0.0, "load.power": load - 100.0})
        wave = waveform(plant, ("battery.current",), 3.0, RATE, 5000)[0][0]
        found[name] = np.ptp(wave) / abs(np.mean(wave))
    assert found["fell15-ridge12"] < 0.01 < 0.2 < found["tarn6-corrie5"]


def test_a_motor_draws_its_inrush_and_runs_up():
    # locked-rotor current six times rated (as the plant's own motor); the first crest may be higher by its offset
    plant = a_plant(
        "tarn6-corrie5", ("load.motor_power", 800.0), 6.0, **{"grid.closed": 0.0, "load.power": 500.0}
    )
    wave = waveform(plant, ("load.current",), AT - 0.1, RATE, round(3.6 * RATE))[0][0]
    t = AT - 0.1 + np.arange(len(wave)) / RATE
    before, rated = np.abs(wave[t < AT]).max(), np.sqrt(2) * 800.0 / 230.0
    locked = np.abs(wave[(t > AT) & (t < AT + 0.1)]).max() - before
    assert 4.5 * rated < locked < 12.0 * rated
    late = wave[t > 5.4]
    assert np.sqrt(np.mean(late[:5000] ** 2)) == pytest.approx(plant.value("load.current"), rel=0.02)
    assert np.abs(late).max() < 0.3 * locked


def test_a_rectifiers_harmonics_are_those_prescribed_and_only_load_channels_tell_distortion():
    start = {"grid.closed": 0.0, "load.rectifier_power": 1000.0}
    plant = a_plant("tarn6-corrie5", ("pv_source.temperature", 300.0), **start)
    channels = ("bus.voltage", "load.current", "bus.current")
    samples, lacks = waveform(plant, channels, 3.0, RATE, 10_000)
    assert lacks == ("thd bus.voltage",)
    assert measure.thd(samples[1], RATE, frequency=50.0) == pytest.approx(DISTORTION, rel=2e-3)
    orders = measure.harmonics(samples[1], RATE, frequency=50.0, count=13)
    for order, share in RECTIFIER_HARMONICS.items():
        assert orders[order - 1] / orders[0] == pytest.approx(share, rel=0.01)


def test_a_phase_cut_load_leaves_the_part_of_the_wave_that_its_angle_leaves():
    # closed form of the RMS of a sine switched on at 90 degrees: 1/sqrt(2) of the whole
    plant = a_plant("tarn6-corrie5", ("load.phase_cut_power", 2000.0), **{"grid.closed": 0.0})
    samples, lacks = waveform(plant, ("load.current", "bus.voltage"), 3.0, RATE, 10_001)
    rms = np.sqrt(np.mean(samples[:, :-1] ** 2, axis=1))
    assert rms[0] == pytest.approx(2000.0 / 230.0**2 * rms[1] / np.sqrt(2.0), rel=2e-3)
    assert rms[0] == pytest.approx(plant.value("load.current"), rel=5e-3)
    assert lacks == ("thd bus.voltage",)


def test_a_phase_that_there_is_not_is_refused():
    plant = a_plant("dune9-spit7", ("load.power", 100.0))
    assert "bus.voltage_l3" in PHASE_CHANNELS
    with pytest.raises(ValueError, match="no waveform"):
        waveform(plant, ("bus.voltage_l3",), 3.0, RATE, 100)


def test_a_capacitive_load_takes_the_sub_cycle_measures_away():
    start = {"grid.closed": 0.0, "load.power": 500.0}
    plant = a_plant("tarn6-corrie5", ("load.reactive_power", -500.0), **start)
    assert "peak" in waveform(plant, ("bus.voltage",), AT - 0.1, RATE, 10_000)[1]
