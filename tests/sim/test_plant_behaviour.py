"""What someone who knows the trade must recognise: sound pairings hold, weak ones fail as weak ones do."""

import numpy as np
import pytest

from benchrunner.sim.layout import MODE, STAGE
from benchrunner.sim.plant import Plant

SUNNY = {"pv_source.irradiance": 900.0, "pv_inverter.on": 1}


def kinds(plant):
    return [event.kind for event in plant.events]


def first(plant, kind):
    return next(event for event in plant.events if event.kind == kind)


def test_surplus_is_exported_on_the_grid(card, record):
    plant = Plant(card(), start={"soc": 0.6, "load.power": 1000.0, **SUNNY})
    _, rows = record(plant, 10.0)
    exported = -rows["grid.power"][-1]
    assert exported == pytest.approx(
        rows["pv.power"][-1] - rows["load.power"][-1] + rows["battery_inverter.power"][-1]
    )
    assert exported > 3000.0
    assert abs(rows["battery.current"][-1]) < 0.5
    assert rows["battery_inverter.power"][-1] == pytest.approx(-46.0, abs=5.0)  # its own draw


def test_grid_loss_under_load_leaves_a_gap_within_the_nameplate(card):
    """Found lost and picked up within the transfer time, whatever the moment between two grid points."""
    gaps = set()
    for seed, moment in ((1, 5.0), (2, 5.0013), (3, 5.0049), (4, 5.0021), (5, 5.0)):
        plant = Plant(card(), seed=seed, start={"soc": 0.6, "load.power": 2000.0})
        plant.advance(moment)
        plant.set("grid.closed", 0)
        plant.advance(6.0)
        assert kinds(plant) == ["grid-lost", "transfer-start", "transfer"]
        lost, picked_up = first(plant, "grid-lost"), first(plant, "transfer")
        assert lost.t == moment
        assert 0.011 - 1e-9 <= picked_up.t - lost.t <= 0.015 + 1e-9
        gaps.add(round(picked_up.t - lost.t, 6))
        assert picked_up.before["bus.voltage"] == 0.0  # the rows on either side of the event's own moment
        assert picked_up.after["bus.voltage"] > 200.0
        assert plant.value("bus.voltage") == pytest.approx(230.0, rel=0.01)
        assert plant.value("bus.frequency") == 50.0
        assert plant.value("grid.voltage") == 0.0  # nothing on the dead grid's terminals
        assert plant.value("battery_inverter.mode") == MODE.island
    assert len(gaps) == 5


def test_balanced_loss_is_found_by_drift_within_two_seconds(card):
    """Load and PV power equal: the voltage stays, only the frequency gives it away (IEEE 1547-2018, 8.1: 2 s)."""
    plant = Plant(
        card(), start={"soc": 0.5, "load.power": 4500.0, "pv_source.irradiance": 867.0, "pv_inverter.on": 1}
    )
    plant.advance(2.0)
    assert abs(plant.value("grid.power")) < 150.0
    plant.set("grid.closed", 0)
    plant.advance(5.0)
    found = first(plant, "transfer").t - 2.0
    assert 0.1 < found < 2.0


def test_load_rejection_on_a_nearly_full_battery(card, record):
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.945, "load.power": 3000.0, "grid.closed": 0, **SUNNY})
    plant.advance(20.0)
    plant.set("load.power", 0.0)
    times, rows = record(plant, 140.0)
    limit = pairing.battery_inverter.charge_current
    assert rows["battery.current"].max() > limit + 10.0  # the surplus first goes into the battery
    assert rows["battery.voltage"].max() < pairing.battery.protection_voltage - 2.0
    assert 50.8 < rows["bus.frequency"].max() < pairing.pv_inverter.island_trip
    back = times[rows["battery.current"] > limit + 2.0][-1] - 20.0
    assert back < 4.0
    assert rows["battery.current"][-1] == pytest.approx(limit, abs=0.1)
    assert np.ptp(rows["bus.frequency"][times > 110.0]) < 0.02  # no hunting
    assert "pv-trip" not in kinds(plant)


def test_charge_to_full_without_load(card, record):
    pairing = card()
    b = pairing.battery_inverter
    plant = Plant(pairing, start={"soc": 0.90, **SUNNY})
    plant.advance(2.0)
    plant.set("grid.closed", 0)
    times, rows = record(plant, 2400.0)
    stage, current, voltage = rows["battery_inverter.stage"], rows["battery.current"], rows["battery.voltage"]
    bulk = (stage == STAGE.bulk) & (times > 30.0)
    assert np.all(np.abs(current[bulk][:-400] - b.charge_current) < 0.5)
    absorption = (stage == STAGE.absorption) & (times > times[stage == STAGE.absorption][0] + 60.0)
    assert np.all(np.abs(voltage[absorption] - b.absorption_voltage) < 0.1)
    assert voltage.max() < b.absorption_voltage + 0.2
    ended = next(e for e in plant.events if e.kind == "stage" and e.data["after"] == STAGE.rest).t
    assert current[np.searchsorted(times, ended) - 1] < b.tail_current  # the tail current ended it
    held = times > ended + 60.0
    assert times[-1] - ended > 900.0
    assert np.all(np.abs(current[held]) < 0.5)
    own = pairing.twin.idle_loss
    assert np.all(np.abs(rows["pv.power"][held] - own) < 15.0)  # PV power is what the losses take
    assert np.all(rows["bus.frequency"][held] > b.shift_stop - 0.1)
    assert plant.value("battery.soc") > 0.99
    assert "pv-trip" not in kinds(plant)


def test_timer_and_state_of_charge_end_absorption_too(card):
    for change, soc in (({"absorption_time": 120.0}, 0.97), ({"full_soc": 0.988}, 0.97)):
        plant = Plant(card(battery_inverter=change), start={"soc": soc, "grid.closed": 0, **SUNNY})
        plant.advance(1200.0)
        stages = [e for e in plant.events if e.kind == "stage"]
        assert [e.data["after"] for e in stages] == [STAGE.absorption, STAGE.rest]
        if "absorption_time" in change:
            assert stages[1].t - stages[0].t == pytest.approx(120.0, abs=0.02)
        else:
            assert stages[1].before["battery.soc"] == pytest.approx(0.988, abs=1e-4)


def test_float_holds_a_voltage(card):
    plant = Plant(
        card(battery_inverter={"after_charge": "float", "float_voltage": 55.9}),
        start={"soc": 0.98, "grid.closed": 0, **SUNNY},
    )
    plant.advance(3000.0)
    assert plant.value("battery_inverter.stage") == STAGE.float
    assert plant.value("battery.voltage") == pytest.approx(55.9, abs=0.02)


def test_a_full_battery_hands_a_new_load_to_the_pv_inverter(card):
    plant = Plant(card(), start={"soc": 0.98, "grid.closed": 0, **SUNNY})
    plant.advance(1200.0)
    assert plant.value("battery_inverter.stage") == STAGE.rest
    plant.set("load.power", 3000.0)
    plant.advance(1210.0)
    assert abs(plant.value("battery.current")) < 0.2
    assert plant.value("pv.power") == pytest.approx(plant.value("load.power") + 46.0, abs=10.0)


def test_return_of_an_off_nominal_grid_with_a_full_battery(card, record):
    """Waits, throws PV off first, meets the grid in phase, and PV comes back only after its own delay."""
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.97, "grid.closed": 0, **SUNNY})
    plant.advance(900.0)
    assert plant.value("battery_inverter.stage") == STAGE.rest
    plant.set("grid.voltage", 236.0)
    plant.set("grid.frequency", 49.8)
    plant.set("grid.closed", 1)
    times, rows = record(plant, 1060.0)
    sync, back = first(plant, "sync-start"), first(plant, "re-transfer")
    assert sync.t - 900.0 == pytest.approx(pairing.battery_inverter.grid_wait, abs=0.02)
    assert sync.data["throwing_off"] == 1.0
    trip = first(plant, "pv-trip")
    assert sync.t < trip.t < back.t
    assert trip.data["cause"] == 1.0
    assert abs(back.data["slip"]) < 0.15
    assert (
        abs(np.degrees(back.data["angle"])) < 10.0
    )  # IEEE 1547-2018, 4.10.4, up to 500 kVA: 20 degrees, 0.3 Hz, 10 %
    assert abs(back.data["difference"]) < 0.1 * 230.0
    closing = (times > back.t - 0.1) & (times < back.t + 10.0)
    assert (
        rows["grid.power"][closing].min() > -50.0
    )  # nothing is fed back while the full battery changes over
    before = (times > 900.0) & (times < back.t)
    assert np.all(rows["grid.power"][before] == 0.0)
    assert np.abs(rows["battery.current"][times > sync.t + 1.0]).max() < 5.0
    connect = first(plant, "pv-connect")
    assert connect.t - back.t > pairing.pv_inverter.enter_service_delay - 5.0
    assert rows["bus.voltage"][closing].min() > 0.9 * 230.0


def test_enter_service_delay_and_ramp(card, record):
    """Window held for the delay, then a straight ramp of rated power (IEEE 1547-2018, 4.10.3; EN 50549-1, 4.10.2)."""
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.5})
    plant.advance(3.0)
    plant.set("pv_source.irradiance", 1000.0)
    times, rows = record(plant, 140.0)
    connect = first(plant, "pv-connect").t
    assert connect - 3.0 == pytest.approx(60.0, abs=0.1)
    for share in (0.25, 0.5, 0.75):
        at = np.searchsorted(times, connect + share * pairing.pv_inverter.ramp_time)
        assert rows["pv.power"][at] == pytest.approx(share * 5000.0, rel=0.01)
    assert rows["pv.power"][-1] == pytest.approx(5000.0, rel=1e-3)


@pytest.mark.parametrize(("low", "high"), [(49.4, None), (50.3, None), (None, 190.0)])
def test_enter_service_waits_for_its_window(card, low, high):
    start = {"soc": 0.5, "pv_source.irradiance": 1000.0}
    if low is not None:
        start["grid.frequency"] = low
    if high is not None:
        start["grid.voltage"] = 197.0
    pairing = card(pv_inverter={"enter_service_voltage": (207.0, 253.0)})
    plant = Plant(pairing, start=start)
    plant.advance(200.0)
    assert "pv-connect" not in kinds(plant)
    plant.set("grid.frequency", 50.0)
    plant.set("grid.voltage", 230.0)
    plant.advance(263.0)
    assert "pv-connect" in kinds(plant)


def test_overcharge_until_a_protection_acts(card, record):
    """No frequency response, trip above the shift range: the battery opens, the DC link trips, the bus dies."""
    pairing = card("tarn6-scree5")
    plant = Plant(pairing, start={"soc": 0.90, **SUNNY})
    plant.advance(2.0)
    plant.set("grid.closed", 0)
    times, rows = record(plant, 1200.0)
    opened, trip = first(plant, "protection-opened"), first(plant, "dc-trip")
    assert opened.data["cause"] in (1.0, 2.0)
    assert 0.0 < trip.t - opened.t < 0.01  # within milliseconds
    assert trip.data["voltage"] > pairing.battery_inverter.dc_trip_high
    until = times < opened.t
    assert (
        rows["battery.current"][until & (times > 30.0)].min() > pairing.battery_inverter.charge_current + 10.0
    )
    assert rows["battery.voltage"][until].max() > pairing.battery_inverter.absorption_voltage + 1.0
    thrown = first(
        plant, "throw-off"
    ).t  # the highest shift held nothing: it jumps, and PV does not go for that either
    b = pairing.battery_inverter
    assert rows["bus.frequency"][times < thrown - 0.01].max() == pytest.approx(b.shift_maximum, abs=0.01)
    assert rows["bus.frequency"][until].max() == pytest.approx(b.throw_off, abs=0.01)
    assert "pv-trip" not in [e.kind for e in plant.events if e.t < opened.t]
    after = (times > trip.t) & (times < trip.t + 0.2)
    assert rows["bus.voltage"][after].max() > 1.1 * 230.0  # AC over-voltage until the PV inverter trips
    assert rows["bus.voltage"][-1] == 0.0
    assert plant.value("battery_inverter.mode") == MODE.fault
    assert rows["battery.cell_side_voltage"][-1] > 50.0  # the cell side stays live
    assert rows["battery.voltage"][-1] < 20.0


def test_saw_tooth(card, record):
    """Trip inside the shift range: the PV inverter trips, waits its delay and returns, over and over."""
    pairing = card("tarn6-scree5-sawtooth")
    plant = Plant(pairing, start={"soc": 0.93, **SUNNY})
    plant.advance(2.0)
    plant.set("grid.closed", 0)
    plant.advance(900.0)
    trips = [e.t for e in plant.events if e.kind == "pv-trip"]
    returns = [e.t for e in plant.events if e.kind == "pv-connect"]
    assert len(trips) >= 5
    assert len(returns) >= 5
    for trip, back in zip(trips, returns, strict=False):
        assert back - trip > pairing.pv_inverter.enter_service_delay
    assert all(e.data["cause"] == 1.0 for e in plant.events if e.kind == "pv-trip")
    assert plant.value("battery_inverter.mode") == MODE.island


def test_a_steep_curve_hunts_and_the_sound_one_does_not(card, record):
    swing = {}
    for zero in (50.85, 51.7):
        plant = Plant(
            card(pv_inverter={"island_zero": zero}),
            start={"soc": 0.9, "load.power": 3000.0, "grid.closed": 0, **SUNNY},
        )
        plant.advance(20.0)
        plant.set("load.power", 0.0)
        times, rows = record(plant, 140.0)
        swing[zero] = np.ptp(rows["bus.frequency"][times > 110.0])
    assert swing[50.85] > 0.1
    assert swing[51.7] < 0.01


def test_a_slow_response_puts_more_into_the_battery(card, record):
    excess = []
    for seconds in (1.0, 5.0, 20.0):
        plant = Plant(
            card(pv_inverter={"response_time": seconds}),
            start={"soc": 0.9, "load.power": 3000.0, "grid.closed": 0, **SUNNY},
        )
        plant.advance(20.0)
        plant.set("load.power", 0.0)
        _, rows = record(plant, 140.0)
        excess.append(np.clip(rows["battery.current"] - 60.0, 0.0, None).sum() * plant.step)
    assert excess[0] < excess[1] < excess[2]
    assert excess[2] > 2 * excess[0]


def test_too_large_a_pv_inverter_trips_the_pair_on_load_rejection(card):
    pairing = card(pv_inverter={"rated_power": 12000.0}, array={"strings": 3})
    plant = Plant(pairing, start={"soc": 0.5, "load.power": 6000.0, "grid.closed": 0, **SUNNY})
    plant.advance(1.0)
    plant.set("load.power", 0.0)
    plant.advance(5.0)
    stopped = first(plant, "inverter-stop")
    assert stopped.data["cause"] == 2.0
    assert plant.value("battery_inverter.mode") == MODE.fault
    assert plant.value("bus.voltage") == 0.0


def test_an_open_battery_under_a_deficit_collapses_the_bus(card):
    plant = Plant(card(), start={"soc": 0.6, "load.power": 4000.0, "grid.closed": 0})
    plant.advance(2.0)
    plant.set("relays.battery_contactor", 0)
    plant.advance(2.1)
    trip = first(plant, "dc-trip")
    assert trip.data["high"] == -1.0
    assert trip.t - 2.0 < 0.02
    assert plant.value("bus.voltage") == 0.0
    assert plant.value("bus.frequency") == 0.0


def test_nothing_restarts_before_pre_charge_and_enable(card):
    plant = Plant(card(), start={"soc": 0.6, "grid.closed": 0, **SUNNY})
    plant.advance(2.0)
    plant.set("relays.battery_contactor", 0)
    plant.advance(60.0)
    assert plant.value("battery.voltage") < 15.0
    plant.set("relays.battery_contactor", 1)
    plant.advance(60.1)
    assert 15.0 < plant.value("battery.voltage") < 40.0  # through the resistor
    assert plant.value("battery.current") < 0.0
    plant.advance(70.0)
    assert plant.value("battery.voltage") == pytest.approx(plant.value("battery.cell_side_voltage"), abs=0.5)
    assert plant.value("bus.voltage") == 0.0  # latched
    plant.set("relays.inverter_enable", 0)
    plant.advance(71.0)
    plant.set("relays.inverter_enable", 1)
    plant.advance(75.0)
    assert plant.value("bus.voltage") == pytest.approx(230.0, rel=0.01)
    assert plant.energies()["lost_precharge"] > 1.0


def test_making_safe_in_the_usual_order_leaves_everything_dead(card):
    plant = Plant(card(), start={"soc": 0.9, "load.power": 1000.0, "grid.closed": 0, **SUNNY})
    plant.advance(30.0)
    for wait, setting in (
        (1.0, "relays.pv_contactor"), (1.0, "pv_source.on"), (1.0, "relays.inverter_enable"),
        (1.0, "grid.closed"), (1.0, "load.on"), (1.0, "relays.battery_contactor"),
    ):  # fmt: skip
        plant.set(setting, 0)
        plant.advance(plant.now + wait)
    for tap in (
        "bus.voltage",
        "pv.power",
        "load.power",
        "grid.voltage",
        "battery.current",
        "pv_source.voltage",
    ):
        assert plant.value(tap) == 0.0
    assert plant.value("battery.cell_side_voltage") > 50.0


def test_charging_from_the_grid_by_its_stages(card, record):
    pairing = card(battery_inverter={"grid_charge_current": 40.0})
    plant = Plant(pairing, start={"soc": 0.96})
    times, rows = record(plant, 3600.0)
    bulk = (rows["battery_inverter.stage"] == STAGE.bulk) & (times > 10.0)
    assert rows["battery.current"][bulk] == pytest.approx(40.0, abs=0.6)
    assert rows["battery.voltage"].max() == pytest.approx(
        pairing.battery_inverter.absorption_voltage, abs=0.15
    )
    assert plant.value("battery_inverter.stage") == STAGE.rest
    assert abs(plant.value("battery.current")) < 0.3
    power = rows["grid.power"][bulk]
    assert power == pytest.approx(rows["battery.power"][bulk] / 0.96, rel=0.04)  # the rest is loss


def test_surplus_goes_into_the_battery_before_the_grid(card):
    plant = Plant(
        card(battery_inverter={"charge_from_surplus": True}),
        start={"soc": 0.5, "load.power": 2500.0, **SUNNY},
    )
    plant.advance(30.0)
    assert abs(plant.value("grid.power")) < 20.0
    assert plant.value("battery.power") > 0.9 * (plant.value("pv.power") - plant.value("load.power"))
    plant.set("load.power", 0.0)
    plant.advance(60.0)
    assert plant.value("battery.current") == pytest.approx(
        60.0, abs=0.6
    )  # its limit; what is left is exported
    assert plant.value("grid.power") < -1000.0


def test_an_empty_battery_is_cut_off_by_its_protection(card):
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.06, "load.power": 5000.0, "grid.closed": 0})
    plant.advance(900.0)
    opened = first(plant, "protection-opened")
    assert opened.data["cause"] == 4.0
    assert opened.data["voltage"] < pairing.battery.protection_voltage_low
    assert plant.value("bus.voltage") == 0.0
    assert plant.value("load.power") == 0.0


def test_a_grid_sag_is_left_and_a_healthy_grid_rejoined(card):
    plant = Plant(card(), start={"soc": 0.6, "load.power": 2000.0})
    plant.advance(2.0)
    plant.set("grid.voltage", 160.0)
    plant.advance(3.0)
    assert plant.value("battery_inverter.mode") == MODE.island
    assert plant.value("bus.voltage") == pytest.approx(230.0, rel=0.01)
    assert plant.value("grid.voltage") == 160.0  # its side of the open relay
    plant.set("grid.voltage", 230.0)
    plant.advance(60.0)
    assert plant.value("battery_inverter.mode") == MODE.grid
    assert first(plant, "re-transfer").t - 3.0 > plant.pairing.battery_inverter.grid_wait


def test_a_cold_bright_day_is_held_at_the_rating(card):
    """Cold cells give more than the rating (about 0.4 % per kelvin): the PV inverter clips, the array moves up its curve."""
    plant = Plant(
        card(),
        start={"pv_source.irradiance": 1200.0, "pv_source.temperature": 263.15, "pv_inverter.on": 1},
    )
    plant.advance(5.0)
    assert plant.value("pv.power") == pytest.approx(5000.0, rel=1e-3)
    power, voltage, _ = plant._arrays[0].operating_point(1200.0, 263.15)
    assert power > 6500.0
    assert plant.value("pv_source.voltage") > voltage + 5.0
