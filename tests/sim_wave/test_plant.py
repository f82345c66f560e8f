"""The waveform of the real plant: joins at its events, its own times, protection, and repeatability."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner import measure
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.plant import Plant
from benchrunner.sim.wave import CHANNELS, edge_after, kernel, waveform
from benchrunner.sim.wave.plant_envelope import circuit_of, read
from benchrunner.sim.wave.segment import AFTER, BEFORE, drive_rows, windows

ROOT = Path(__file__).parents[2]
SOUND = read_pairing(ROOT / "resources" / "pairings" / "tarn6-corrie5.toml")
RATE = 20_000.0
TOP = 230.0 * np.sqrt(2.0)


def a_plant(**start):
    return Plant(SOUND, seed=3, start={"soc": 0.6, "pv_inverter.on": 1.0, **start})


def sunny(load=3000.0, **more):
    return a_plant(**{"pv_source.irradiance": 900.0, "load.power": load, **more})


def rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


ORDERS = st.lists(
    st.tuples(
        st.floats(0.3, 2.0),
        st.sampled_from(["load.power", "load.on", "grid.closed", "pv_source.irradiance", "relays.pv_contactor"]),
        st.floats(0.0, 1.0),
    ),
    min_size=1, max_size=5,
)  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(orders=ORDERS)
def test_whatever_happens_the_wave_carries_the_envelopes_levels(orders):
    plant = sunny()
    plant.advance(1.0)
    for wait, name, value in orders:
        plant.advance(plant.now + wait)
        scale = {"load.power": 5000.0, "pv_source.irradiance": 1000.0}.get(name, 1.0)
        plant.set(name, round(value) if scale == 1.0 else value * scale)
    plant.advance(plant.now + 1.5)
    stop = plant.now - 0.02
    start = max(0.5, stop - 8.0)
    count = int((stop - start) * RATE)
    samples, lost = waveform(plant, CHANNELS, start, RATE, count)
    assert np.isfinite(samples).all()
    # NREL/TP-5D00-63510 saw no load rejection above twice the nominal voltage
    assert np.abs(samples[0]).max() < 1.8 * TOP
    assert lost == ("thd",)
    envelope = read(plant, start, stop)
    t = start + np.arange(count) / RATE
    # in the last cycle of each window, and a cycle on, the levels have to be those of the envelope
    places = windows(list(envelope.events), start, stop)
    for (_, end), following in zip(places, [*(b for b, _ in places[1:]), stop], strict=False):
        for middle in (end - 0.012, end + 0.012):
            if middle + 0.02 > following or middle - 0.02 < start:
                continue
            at = np.array([middle])
            voltage, frequency = envelope.of("bus_voltage", at)[0], envelope.of("bus_frequency", at)[0]
            if voltage < 50.0:
                continue
            formed = envelope.of("mode", at)[0] == kernel.FORMING or envelope.of("switch", at)[0] > 0.5
            half = 0.5 / frequency
            inside = (t >= middle - half) & (t < middle + half)
            assert rms(samples[0][inside]) == pytest.approx(voltage, rel=5e-3 if formed else 4e-2)
            for row, name in ((1, "bridge_power"), (3, "pv_power")):
                power = float(envelope.of(name, at)[0])
                found = float(np.mean(samples[0][inside] * samples[row][inside]))
                if formed:
                    assert found == pytest.approx(power, rel=1e-2, abs=60.0), (name, middle)


@pytest.mark.parametrize("moment", [0.0012, 0.0031, 0.0068, 0.0094, 0.0127, 0.0173])
def test_the_gap_is_as_long_as_the_plant_took_to_transfer(moment):
    plant = a_plant(**{"load.power": 3000.0})
    plant.advance(2.0 + moment)
    plant.set("grid.closed", 0.0)
    plant.advance(4.0)
    lost, transfer = (next(e.t for e in plant.events if e.kind == kind) for kind in ("grid-lost", "transfer"))
    assert lost == 2.0 + moment
    samples, _ = waveform(plant, ("bus.voltage",), 1.8, RATE, 10_000)
    found = measure.gap(samples[0], RATE)
    assert found.start + 1.8 == pytest.approx(lost, abs=2e-4)
    # after the relay's time the filter still has to be charged and the voltage control to settle
    assert -2e-4 < found.duration - (transfer - lost) < 1.5e-3


@pytest.mark.parametrize("volts", [0.0, 100.0])
def test_a_source_that_sags_holds_the_bus_down_until_the_relay_opens(volts):
    plant = sunny(load=3000.0)
    plant.advance(2.0037)
    plant.set("grid.voltage", volts)
    plant.advance(4.0)
    transfer = next(e.t for e in plant.events if e.kind == "transfer")
    samples, _ = waveform(plant, ("bus.voltage", "grid.voltage", "grid.current"), 1.9, RATE, 10_000)
    t = 1.9 + np.arange(10_000) / RATE
    down = (t > 2.0037 + 0.002) & (t < transfer)
    assert np.abs(samples[0][down]).max() < volts * np.sqrt(2.0) + 30.0
    np.testing.assert_allclose(np.abs(samples[1][down]), np.abs(samples[0][down]), atol=1e-9)
    assert np.abs(samples[2][t > transfer + 1e-3]).max() < 1e-9
    back = (t > 2.1) & (t < 2.2)
    assert rms(samples[0][back]) == pytest.approx(230.0, rel=0.02)


def test_a_battery_that_comes_back_brings_no_false_inrush():
    plant = sunny(load=1000.0, **{"grid.closed": 0.0})
    plant.advance(2.0)
    plant.set("relays.battery_contactor", 0.0)
    plant.advance(4.0)
    plant.set("relays.battery_contactor", 1.0)
    plant.advance(6.0)
    samples, _ = waveform(plant, ("battery.current", "battery.voltage"), 3.5, RATE, 40_000)
    _, rows = plant.rows(3.5, 5.5)
    assert np.abs(samples[0]).max() < 1.1 * np.abs(rows[:, plant.tap_indices(["battery.current"])[0]]).max()


def test_through_an_outage_the_inverters_keep_what_they_aimed_at():
    # with a surplus and nobody forming it the envelope's bus rises; that is no aim of anyone's
    plant = sunny(load=1500.0)
    plant.advance(2.0)
    plant.set("grid.closed", 0.0)
    plant.advance(3.0)
    lost, transfer = (next(e.t for e in plant.events if e.kind == kind) for kind in ("grid-lost", "transfer"))
    assert plant.snapshot_at(lost).after["bus.voltage"] > 260.0
    rows = drive_rows(
        read(plant, 1.8, 2.5), np.array([lost - 0.01, *np.linspace(lost + 1e-3, transfer - 1e-3, 9)])
    )
    np.testing.assert_allclose(rows[1:, kernel.AMPLITUDE], rows[0, kernel.AMPLITUDE], rtol=1e-3)
    np.testing.assert_allclose(rows[1:, kernel.PV_CURRENT], rows[0, kernel.PV_CURRENT], rtol=1e-3)


def test_load_rejection_is_plausible_on_ac_and_dc():
    plant = sunny(load=4500.0, **{"grid.closed": 0.0, "soc": 0.9})
    plant.advance(3.0)
    at = 3.0034
    plant.advance(at)
    plant.set("load.power", 0.0)
    plant.advance(6.0)
    names = ("bus.voltage", "battery.voltage", "battery.current", "load.current")
    samples, _ = waveform(plant, names, 2.8, RATE, 40_000)
    t = 2.8 + np.arange(40_000) / RATE
    assert 1.03 * TOP < np.abs(samples[0][t > at]).max() < 1.4 * TOP
    assert np.abs(samples[3][t > at + 1e-4]).max() < 1e-9
    late = (t > 4.0) & (t < 4.2)
    for row, tap in ((1, "battery.voltage"), (2, "battery.current")):
        index = plant.tap_indices([tap])
        expected = plant.window_mean(index, 4.0, 4.2)[0]
        assert np.mean(samples[row][late]) == pytest.approx(expected, rel=5e-3)
    assert np.ptp(samples[1][late]) > 0.05  # the ripple of single-phase power at 100 Hz


def test_dc_side_rises_as_charge_over_capacitance_when_the_battery_opens():
    plant = sunny(load=0.0, **{"grid.closed": 0.0, "soc": 0.6})
    plant.advance(2.0)
    power = plant.value("pv.power")
    plant.set("relays.battery_contactor", 0.0)
    plant.advance(3.0)
    trip = next(e for e in plant.events if e.kind == "dc-trip")
    samples, _ = waveform(plant, ("battery.voltage", "bus.voltage", "battery.current"), 1.9, RATE, 10_000)
    t = 1.9 + np.arange(10_000) / RATE
    before = samples[0][(t > 1.98) & (t < 2.0)].mean()
    c = SOUND.twin.link_capacitance
    # energy into the capacitor at the surplus power: t = C/2 (v1^2 - v0^2) / P
    expected = 0.5 * c * (SOUND.battery_inverter.dc_trip_high**2 - before**2) / power
    assert trip.t - 2.0 == pytest.approx(expected, rel=0.15)  # the plant's own figure
    rising = (t > 2.0) & (t < trip.t)
    assert samples[0][rising].max() > before + 0.5 * (SOUND.battery_inverter.dc_trip_high - before)
    assert samples[0].max() < 1.1 * SOUND.battery_inverter.dc_trip_high
    assert np.abs(samples[2][t > 2.0002]).max() < 1e-9
    assert np.abs(samples[1]).max() < 1.6 * TOP  # the PV inverter against its own surge protection
    assert np.abs(samples[1][t > 2.38]).max() < 10.0  # the bus is dead: discharged by its own resistors


def test_retransfer_leaves_no_lasting_phase_difference():
    plant = a_plant(**{"grid.closed": 0.0, "load.power": 1000.0})
    plant.advance(1.0)
    plant.set("grid.closed", 1.0)
    for _ in range(300):
        plant.advance(plant.now + 1.0)
        if any(e.kind == "re-transfer" for e in plant.events):
            break
    at = next(e.t for e in plant.events if e.kind == "re-transfer")
    plant.advance(at + 1.0)
    samples, _ = waveform(plant, ("bus.voltage", "grid.voltage", "grid.current"), at - 0.3, RATE, 20_000)
    t = at - 0.3 + np.arange(20_000) / RATE
    late = t > at + 0.3
    np.testing.assert_allclose(samples[0][late], samples[1][late], atol=1e-9)
    early = (t > at - 0.2) & (t < at - 0.05)
    assert np.abs(samples[0][early] - samples[1][early]).max() < 0.25 * TOP  # nearly in phase, as it demands
    assert rms(samples[0][(t > at) & (t < at + 0.02)]) == pytest.approx(230.0, rel=0.06)
    assert np.abs(samples[2]).max() < 60.0
    # after a second outage the phase goes on from where the grid had it
    plant.advance(at + 3.0)
    plant.set("grid.closed", 0.0)
    plant.advance(at + 5.0)
    wave, _ = waveform(plant, ("bus.voltage",), at + 2.8, RATE, 20_000)
    x = at + 2.8 + np.arange(20_000) / RATE

    def phase(begin, end):
        inside = (x >= begin - 1e-9) & (x < end - 1e-9)
        return np.angle(np.mean(wave[0][inside] * np.exp(-2j * np.pi * 50.0 * x[inside])))

    assert phase(at + 2.86, at + 2.96) == pytest.approx(phase(at + 3.3, at + 3.4), abs=0.3)


def test_an_edge_is_found_whoever_asks_and_however_often():
    plant = sunny()
    found = []
    looked, t = 1.0, 1.0
    while t < 4.0:
        t += 0.037
        if plant.now < 2.5131 <= t:
            plant.advance(2.5131)
            plant.set("load.power", 0.0)
        plant.advance(t)
        until = np.floor(t / plant.step) * plant.step
        edge = edge_after(plant, "load.current", 3.0, looked, until)
        if edge is not None:
            found.append(edge)
            break
        looked = until
    assert len(found) == 1
    assert 2.5131 < found[0] < 2.5131 + 0.011
    plant.advance(5.0)
    assert edge_after(plant, "load.current", 3.0, 1.0, 5.0) == found[0]
    assert edge_after(plant, "load.current", 3.0, 2.6, 5.0) is None
    plant.advance(5.0031)  # between two points of its grid
    assert edge_after(plant, "load.current", 3.0, 2.6, 5.0031) is None
    assert edge_after(plant, "load.current", 3.0, 5.0011, 5.0031) is None
    assert edge_after(plant, "load.current", 30.0, 1.0, 5.0) is None


def test_a_quiet_plant_triggers_nothing():
    plant = sunny(load=2000.0, **{"grid.closed": 0.0})
    plant.advance(12.0)
    for channel, change in (
        ("bus.voltage", 1.0),
        ("battery.current", 2.0),
        ("pv.current", 0.5),
        ("load.current", 0.2),
    ):
        assert edge_after(plant, channel, change, 6.0, 12.0) is None


def test_the_same_run_gives_the_same_samples():
    def one(step):
        plant = sunny()
        while plant.now < 3.0:
            plant.advance(min(3.0, plant.now + step))
        plant.set("grid.closed", 0.0)
        plant.advance(6.0)
        return waveform(plant, CHANNELS, 2.7, RATE, 30_000)[0]

    np.testing.assert_array_equal(one(0.05), one(3.0))


def test_the_past_is_bounded():
    plant = sunny()
    plant.advance(60.0)
    with pytest.raises(LookupError):
        waveform(plant, ("bus.voltage",), 10.0, RATE, 20_000)
    with pytest.raises(LookupError):
        edge_after(plant, "bus.voltage", 5.0, 10.0, 60.0)
    with pytest.raises(LookupError):
        waveform(plant, ("bus.voltage",), 59.9, RATE, 20_000)  # not yet


def test_the_circuit_follows_the_card():
    circuit = circuit_of(SOUND)
    assert circuit.rated_voltage == 230.0
    assert circuit.terminal_capacitance == SOUND.twin.link_capacitance
    assert circuit.battery_resistance == pytest.approx(SOUND.twin.series_resistance)
    assert 2 * np.pi * 50.0 * circuit.grid_inductance == pytest.approx(SOUND.twin.grid_reactance)
    assert circuit.current_limit >= SOUND.battery_inverter.surge_power / SOUND.battery_inverter.rated_power
    assert BEFORE + AFTER < 0.3
