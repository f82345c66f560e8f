"""The grid and the battery inverter's watch over it: windows, weak grids, ramps, phase jumps, pass-through."""

import math

import numpy as np
import pytest

from benchrunner.sim.layout import MODE
from benchrunner.sim.plant import Plant


def kinds(plant):
    return [event.kind for event in plant.events]


def first(plant, kind):
    return next(event for event in plant.events if event.kind == kind)


def test_weak_grid_by_the_voltage_divider(card):
    """V^2 = (E - ...)^2 of a resistive load behind R + jX: the plain circuit's own solution."""
    plant = Plant(card(battery_inverter={"grid_voltage_window": (0.5, 1.3)}), start={"load.power": 4000.0})
    plant.set("grid.resistance", 1.2)
    plant.set("grid.reactance", 0.9)
    plant.advance(2.0)
    g = 4000.0 / 230.0**2
    draw = (
        -plant.value("battery_inverter.power") / plant.value("bus.voltage") ** 2
    )  # its own consumption, as a conductance
    expected = 230.0 / abs(1.0 + complex(1.2, 0.9) * (g + draw))
    assert plant.value("bus.voltage") == pytest.approx(expected, rel=1e-6)


def test_frequency_goes_at_the_rate_that_was_ordered(card, record):
    plant = Plant(card(), start={"load.power": 500.0, "grid.frequency_rate": 0.5})
    plant.advance(1.0)
    plant.set("grid.frequency", 50.8)
    times, rows = record(plant, 4.0)
    inside = (times > 1.1) & (times < 2.5)
    assert np.allclose(np.diff(rows["bus.frequency"][inside]) / plant.step, 0.5, atol=1e-6)
    assert plant.value("bus.frequency") == 50.8
    assert "transfer" not in kinds(plant)


def test_a_phase_jump_moves_what_meters_see_but_not_the_running_phase(card, record):
    """20 degrees within one step: the area under the frequency's excursion is the jump (phase is its integral)."""
    plant = Plant(card(), start={"load.power": 500.0})
    plant.advance(1.0)
    plant.set("grid.phase", math.radians(20.0))
    _, rows = record(plant, 2.0)
    assert (rows["bus.frequency"] - 50.0).sum() * plant.step == pytest.approx(20.0 / 360.0, rel=1e-9)
    assert (
        plant.value("battery_inverter.mode") == MODE.grid
    )  # it measures over two cycles, so that 20 degrees pass
    plant.set("grid.phase", math.radians(20.0 + 60.0))
    plant.advance(3.0)
    assert "transfer" in kinds(plant)


@pytest.mark.parametrize(("low", "leaves"), [(0.85, True), (0.7, False)])
def test_the_voltage_window_is_the_cards(card, low, leaves):
    plant = Plant(card(battery_inverter={"grid_voltage_window": (low, 1.15)}), start={"load.power": 500.0})
    plant.advance(1.0)
    plant.set("grid.voltage", 180.0)
    plant.advance(3.0)
    assert ("transfer" in kinds(plant)) is leaves
    if leaves:
        assert first(plant, "transfer-start").data["cause"] == 1.0


def test_frequency_out_of_its_window_is_left(card):
    plant = Plant(card(battery_inverter={"grid_frequency_window": (49.5, 50.5)}), start={"load.power": 500.0})
    plant.advance(1.0)
    plant.set("grid.frequency", 50.4)
    plant.advance(3.0)
    assert "transfer" not in kinds(plant)
    plant.set("grid.frequency", 50.7)
    plant.advance(6.0)
    assert first(plant, "transfer-start").data["cause"] == 2.0
    assert plant.value("bus.frequency") == 50.0


def test_more_than_its_relay_bears_is_not_passed_through(card):
    """It opens after the time that the card states, then carries the load itself."""
    pairing = card(
        battery_inverter={"pass_through_power": 3000.0, "pass_through_time": 4.0, "grid_wait": 10.0}
    )
    plant = Plant(pairing, start={"soc": 0.6, "load.power": 4500.0})
    plant.advance(8.0)
    opened = first(plant, "transfer-start")
    assert opened.data["cause"] == 3.0
    assert opened.t == pytest.approx(4.0, abs=0.05)
    assert plant.value("battery_inverter.power") > 4000.0
    plant.advance(40.0)
    assert (
        kinds(plant).count("transfer-start") >= 2
    )  # it comes back, and must leave again: the overload is still there


def test_the_windows_of_re_transfer_are_kept(card):
    """IEEE 1547-2018, 4.10.4 up to 500 kVA: 0.3 Hz, 10 %, 20 degrees; the card's are narrower."""
    for seed in range(1, 9):
        pairing = card(twin={"sync_voltage": 0.03})
        plant = Plant(pairing, seed=seed, start={"soc": 0.5, "load.power": 1500.0, "grid.closed": 0})
        plant.set("grid.voltage", 222.0)
        plant.set("grid.frequency", 50.15)
        plant.advance(1.0)
        plant.set("grid.closed", 1)
        plant.advance(60.0)
        back = first(plant, "re-transfer").data
        assert abs(back["slip"]) < pairing.twin.sync_slip
        assert abs(back["angle"]) < 2 * math.pi * pairing.twin.sync_angle
        assert abs(back["difference"]) < 0.03 * 230.0


def test_the_sources_own_meter_reads_upstream_of_the_open_switch(card):
    plant = Plant(card(), start={"grid.closed": 0, "grid.voltage": 236.0})
    plant.advance(1.0)
    assert plant.value("grid.source_voltage") == 236.0
    assert plant.value("grid.voltage") == 0.0  # the meter downstream of it


def test_interlock_is_a_setting(card):
    plant = Plant(card())
    plant.advance(0.1)
    assert plant.value("interlock.closed") == 1.0
    plant.set("interlock.closed", 0)
    plant.advance(0.2)
    assert plant.value("interlock.closed") == 0.0
