"""Energy and charge balance over random scenarios: stored + lost + delivered, each integrated on its own."""

import contextlib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchrunner.errors import Refused
from benchrunner.sim.layout import S
from benchrunner.sim.plant import Plant

CARDS = (
    "tarn6-corrie5", "tarn6-scree5", "tarn6-scree5-sawtooth", "tarn6-corrie9", "tarn6-corrie5-beck60", "dune9-spit7",
    "fell15-ridge12", "fell15-ridge8-corrie2",
)  # fmt: skip
SWITCHES = (
    "load.on", "grid.closed", "pv_source.on", "relays.pv_contactor", "relays.battery_contactor",
    "relays.inverter_enable", "battery_inverter.equalise",
)  # fmt: skip
LOADS = (
    "power",
    "power_l1",
    "power_l2",
    "constant_power",
    "rectifier_power",
    "phase_cut_power",
    "motor_power",
)
orders = st.one_of(
    st.tuples(st.sampled_from(SWITCHES), st.sampled_from([0.0, 1.0])),
    st.tuples(st.sampled_from([f"load.{kind}" for kind in LOADS]), st.floats(0.0, 7000.0)),
    st.tuples(st.just("load.reactive_power"), st.floats(-2000.0, 4000.0)),
    st.tuples(st.just("load.power_l1_l2"), st.floats(0.0, 5000.0)),
    st.tuples(st.just("load.phase_cut_angle"), st.floats(0.0, 3.1)),
    st.tuples(st.just("pv_source.irradiance"), st.floats(0.0, 1200.0)),
    st.tuples(st.just("dc_source.irradiance"), st.floats(0.0, 1200.0)),
    st.tuples(st.just("pv_source.temperature"), st.floats(260.0, 340.0)),
    st.tuples(st.just("grid.voltage"), st.floats(180.0, 260.0)),
    st.tuples(st.just("grid.voltage_l2"), st.floats(90.0, 250.0)),
    st.tuples(st.just("grid.frequency"), st.floats(48.0, 62.0)),
    st.tuples(st.just("grid.frequency_rate"), st.floats(0.0, 5.0)),
    st.tuples(st.just("grid.phase"), st.floats(-3.0, 3.0)),
    st.tuples(st.just("grid.resistance"), st.floats(0.0, 1.5)),
    st.tuples(st.just("grid.reactance"), st.floats(0.0, 1.5)),
)
scenarios = st.lists(st.tuples(st.floats(0.001, 40.0), orders), min_size=1, max_size=8)


def gross(found):
    """J that moved at all, as the base of a relative error."""
    return sum(abs(found[name]) for name in ("grid_source", "array", "dc_array", "load", "stored"))


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(CARDS),
    soc=st.floats(0.05, 0.999),
    load=st.floats(0.0, 6500.0),
    sun=st.floats(0.0, 1100.0),
    on=st.sampled_from([0, 1]),
    grid=st.sampled_from([0, 1]),
    scenario=scenarios,
)
def test_energy_closes(card, name, soc, load, sun, on, grid, scenario):
    plant = Plant(
        card(name),
        start={
            "soc": soc, "load.power": load, "pv_source.irradiance": sun, "pv_inverter.on": on, "grid.closed": grid,
        },
    )  # fmt: skip
    for wait, (setting, value) in scenario:
        plant.advance(plant.now + wait)
        with contextlib.suppress(Refused):  # a phase or an array that this pairing has not
            plant.set(setting, value)
    plant.advance(plant.now + 20.0)
    found = plant.energies()
    base = max(gross(found), 1.0)
    assert abs(found["put_in"] - found["load"] - found["lost"] - found["stored"]) < 1e-6 * base
    # each side of each inverter on its own
    assert abs(found["array"] - found["pv"] - found["lost_pv"]) < 1e-6 * base
    assert abs(found["grid_meter"] + found["pv"] + found["battery_inverter"] - found["load"]) < 1e-6 * base
    assert abs(found["grid_source"] - found["grid_meter"] - found["lost_grid"]) < 1e-6 * base
    assert abs(found["dc_array"] - found["dc_pv"] - found["lost_dc_pv"]) < 1e-6 * base
    assert all(value >= 0.0 for key, value in found.items() if key.startswith("lost"))
    row = plant.values()
    del row["load.resistance"]  # infinite without a load
    assert np.isfinite(list(row.values())).all()


def test_bus_balances_at_every_point(card, record):
    plant = Plant(
        card(), start={"soc": 0.9, "load.power": 2000.0, "pv_source.irradiance": 800.0, "pv_inverter.on": 1}
    )
    plant.advance(1.0)
    plant.set("grid.closed", 0)
    _, rows = record(plant, 30.0)
    plant.set("grid.closed", 1)
    _, more = record(plant, 120.0)
    for part in (rows, more):
        left = part["grid.power"] + part["pv.power"] + part["battery_inverter.power"] - part["load.power"]
        assert np.abs(left).max() < 1e-6


def test_charge_balance(card, record):
    plant = Plant(card(), start={"soc": 0.5, "load.power": 3000.0, "grid.closed": 0})
    _, rows = record(plant, 600.0)
    charge = rows["battery.current"].sum() * plant.step
    assert (plant.value("battery.soc") - 0.5) * 720_000.0 == pytest.approx(charge, rel=1e-9)


def test_a_leak_would_be_seen(card):
    """The closure is no tautology: with a loss that nobody counts it fails."""
    plant = Plant(card(), start={"soc": 0.5, "load.power": 3000.0, "grid.closed": 0})
    plant.advance(100.0)
    plant._x[S.soc] -= 1e-4
    found = plant.energies()
    assert abs(found["put_in"] - found["load"] - found["lost"] - found["stored"]) > 1e-3 * gross(found)
