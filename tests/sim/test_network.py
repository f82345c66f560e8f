"""The AC side against circuit theory: phasor sums by `cmath`, nodal analysis by numpy, published points of power flow."""

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.sim.kernel import network
from benchrunner.sim.layout import NET_ROWS, N
from benchrunner.sim.plant import Plant

SPLIT, THREE = "dune9-spit7", "fell15-ridge12"


def phasor(size, degrees):
    return cmath.rect(size, math.radians(degrees))


def net(**rows):
    made = np.zeros((NET_ROWS, 3), dtype=np.complex128)
    for name, values in rows.items():
        made[getattr(N, name), : len(values)] = values
    return made


def test_legs_loaded_unequally(card, vectors):
    """PF-05: what lies between the legs adds nothing to the neutral."""
    case = vectors("power-flow")["PF-05"]
    given_, expected = case["input"], case["expected"]
    plant = Plant(card(SPLIT, twin={"output_resistance": 0.0}), start={"grid.closed": 0})
    plant.set("load.power_l1", given_["L1_W"])
    plant.set("load.power_l2", given_["L2_W"])
    plant.set("load.power_l1_l2", given_["L12_W"])
    plant.advance(5.0)
    v = plant.values()
    assert v["bus.voltage"] == pytest.approx(240.0, abs=0.01)
    assert v["load.current_l1"] == pytest.approx(expected["I_L1"], rel=1e-4)
    assert v["load.current_l2"] == pytest.approx(expected["I_L2"], rel=1e-4)
    assert v["bus.current_n"] == pytest.approx(expected["I_N"], rel=1e-4)
    assert v["load.current"] == v["load.current_l1"]  # the most loaded conductor
    assert v["battery_inverter.power"] == pytest.approx(4200.0, rel=1e-4)


@pytest.mark.parametrize("row", ["PF-08", "PF-09"])
def test_neutral_of_three_phases(row, vectors):
    case = vectors("power-flow")[row]
    currents = [phasor(*pair) for pair in case["input"]["I"]]
    made = net(load=currents)
    assert network.neutral_currents(3, made, True)[1] == pytest.approx(case["expected"], abs=1e-4)


def test_neutral_of_split_phase(vectors):
    """PF-06: each current is given against its own leg's voltage; the second leg lies opposite."""
    case = vectors("power-flow")["PF-06"]
    one, two = phasor(*case["input"]["I1"]), -phasor(*case["input"]["I2"])
    assert network.neutral_currents(2, net(load=[one, two]), True)[1] == pytest.approx(
        case["expected"], abs=1e-4
    )


def test_triplen_harmonics_add_up_in_the_neutral(vectors):
    case = vectors("power-flow")["PF-10"]
    one, share = case["input"]["I1"], case["input"]["h3_pct"] / 100.0
    made = net(load=[phasor(one, 0), phasor(one, -120), phasor(one, 120)], triplen=[share * one] * 3)
    assert network.neutral_currents(3, made, False)[1] == pytest.approx(case["expected"], abs=1e-6)


def test_unbalance_of_three_voltages(vectors):
    case = vectors("power-flow")["PF-14"]
    made = net(v=[phasor(*pair) for pair in case["input"]["V"]])
    assert 100.0 * network.unbalance(made) == pytest.approx(case["expected"], abs=1e-3)


def test_linear_load_follows_the_voltage_squared(card, vectors):
    case = vectors("power-flow")["PF-11"]
    made = card(
        twin={"grid_resistance": 0.0, "grid_reactance": 0.0}, battery_inverter={"rated_voltage": 240.0}
    )
    for volts, watts in zip(case["input"]["V"], case["expected"], strict=True):
        plant = Plant(made, start={"load.power": case["input"]["P0"], "grid.voltage": volts})
        plant.advance(1.0)
        assert plant.value("load.power") == pytest.approx(watts, rel=1e-3)


def test_reactive_load(card, vectors):
    case = vectors("power-flow")["PF-12"]
    power, factor = case["input"]["P"], case["input"]["pf"]
    q = case["expected"]["Q"]
    plant = Plant(
        card(twin={"grid_resistance": 0.0, "grid_reactance": 0.0}),
        start={"load.power": power, "load.reactive_power": q},
    )
    plant.advance(1.0)
    v = plant.values()
    assert v["load.voltage"] * v["load.current"] == pytest.approx(case["expected"]["S"], rel=1e-4)
    assert v["load.reactive_power"] == pytest.approx(q, rel=1e-4)
    assert v["load.power"] / (v["load.voltage"] * v["load.current"]) == pytest.approx(factor, rel=1e-4)


complexes = st.builds(complex, st.floats(-0.1, 0.2), st.floats(-0.15, 0.15))


@settings(max_examples=60, deadline=None)
@given(
    phases=st.integers(1, 3),
    loads=st.lists(st.builds(complex, st.floats(0.0, 0.4), st.floats(-0.3, 0.1)), min_size=3, max_size=3),
    driven=st.lists(
        st.builds(complex, st.floats(-40.0, 40.0), st.floats(-20.0, 20.0)), min_size=3, max_size=3
    ),
    z=st.builds(complex, st.floats(0.0, 0.9), st.floats(0.0, 0.5)),
    neutral=st.floats(0.0, 0.5),
    between=st.floats(0.0, 0.2),
)
def test_nodes_against_numpy(phases, loads, driven, z, neutral, between):
    """Kirchhoff written out as one linear system, unknown voltages and source currents, solved by LAPACK."""
    between = between if phases == 2 else 0.0
    neutral = neutral if phases > 1 else 0.0
    emf = [230.0 * network.axis(phases, k) for k in range(phases)]
    made = net(emf=emf, injected=driven[:phases], admittance=loads[:phases])
    network.solve_linear(phases, z, complex(neutral, 0.0), between, made)
    a = np.zeros((2 * phases, 2 * phases), dtype=complex)
    b = np.zeros(2 * phases, dtype=complex)
    for k in range(phases):
        a[k, k] = 1.0  # V + z I + z_n sum I = E
        a[k, phases + k] += z
        a[k, phases:] += neutral
        b[k] = emf[k]
        a[phases + k, phases + k] = 1.0  # I - Y V (- between) = -J
        a[phases + k, k] = -loads[k]
        b[phases + k] = -driven[k]
    if phases == 2:
        a[2, :2] += [-between, between]
        a[3, :2] += [between, -between]
    found = np.linalg.solve(a, b)
    assert np.allclose(made[N.v, :phases], found[:phases], rtol=0, atol=1e-8)
    assert np.allclose(made[N.current, :phases], found[phases:], rtol=0, atol=1e-8)


def test_three_phases_alone_against_phasors(card):
    """Unbalanced loads behind the output resistance of each unit, by hand."""
    made = card(THREE)
    plant = Plant(made, start={"grid.closed": 0})
    watts = (3000.0, 1500.0, 200.0)
    for k, power in enumerate(watts):
        plant.set(f"load.power_l{k + 1}", power)
    plant.advance(5.0)
    v, r = plant.values(), made.twin.output_resistance
    sum_ = 0j
    for k, power in enumerate(watts):
        g = power / 230.0**2
        volts = 230.0 / (1.0 + r * g)
        assert v[f"bus.voltage_l{k + 1}"] == pytest.approx(volts, rel=1e-6)
        assert v[f"load.power_l{k + 1}"] == pytest.approx(volts**2 * g, rel=1e-6)
        sum_ += phasor(volts * g, -120.0 * k)
    assert v["bus.current_n"] == pytest.approx(abs(sum_), rel=1e-6)
    assert v["load.power"] == pytest.approx(sum(v[f"load.power_l{k}"] for k in (1, 2, 3)))


def test_one_phase_pv_on_three_phases_unbalances_them(card):
    """A PV inverter on L2 alone lifts its own phase and fills the neutral."""
    made = card(THREE, pv_inverter={"connection": "L2", "rated_power": 4000.0})
    plant = Plant(made, start={"pv_source.irradiance": 900.0, "pv_inverter.on": 1, "load.power": 900.0})
    plant.advance(5.0)
    v = plant.values()
    assert v["pv.power_l1"] == v["pv.power_l3"] == 0.0
    assert v["pv.power_l2"] == pytest.approx(4000.0, rel=1e-3)
    assert v["pv.current"] == v["pv.current_l2"] > 16.0
    assert v["bus.voltage_l2"] > v["bus.voltage_l1"] + 1.0
    assert v["grid.current_n"] == pytest.approx(v["pv.current_l2"], rel=0.01)
    assert v["bus.unbalance"] > 1e-3


def test_a_lost_phase_takes_the_whole_bus_over(card):
    plant = Plant(card(THREE), start={"load.power": 3000.0})
    plant.advance(2.0)
    plant.set("grid.voltage_l3", 0.0)
    plant.advance(4.0)
    assert [e.kind for e in plant.events] == ["setting", "transfer-start", "transfer"]
    v = plant.values()
    assert [v[f"bus.voltage_l{k}"] > 225.0 for k in (1, 2, 3)] == [True] * 3
    assert v["grid.voltage_l3"] == 0.0
    assert v["grid.voltage_l1"] == 230.0  # still there behind the open relay


def test_the_loaded_leg_sags_and_the_other_rises_through_the_neutral(card):
    plant = Plant(card(SPLIT), start={"load.power": 0.0})
    plant.set("load.power_l1", 3000.0)
    plant.advance(2.0)
    v = plant.values()
    assert v["bus.voltage_l1"] < 120.0 - 3.0
    assert v["bus.voltage_l2"] > 120.0 + 0.5
    assert v["grid.current_n"] == pytest.approx(v["load.current_l1"], abs=0.05)  # and the inverter's own draw
