"""Chemistries, hysteresis, rate effect, side currents, protection and management of the battery, against the outside."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.sim import Battery, open_circuit
from benchrunner.sim.battery_parameters import battery_parameters
from benchrunner.sim.kernel import battery as kernel
from benchrunner.sim.kernel.charging import targets
from benchrunner.sim.layout import STAGE, P, S

CHEMISTRIES = ("LFP", "NMC", "lead-acid")


def pack(chemistry, soc=0.5, **over):
    """A 200 Ah pack of any chemistry, with what is usual for it unless `over` says otherwise."""
    cells = {"LFP": 16, "NMC": 14, "lead-acid": 24}[chemistry]
    usual = {**_usual(chemistry, cells), **over}
    made = Battery.__new__(Battery)
    made._set(usual, soc, open_circuit.table(cells, 0.0, chemistry))
    return made


def _usual(chemistry, cells):
    from benchrunner import data
    from benchrunner.cards.pairing import read_pairing

    card = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    battery = card.battery.model_copy(update={"chemistry": chemistry, "cells": cells})
    return battery_parameters(card.model_copy(update={"battery": battery}))


# ---------------------------------------------------------------- open-circuit voltage


def test_nmc_is_the_published_table(vectors):
    """BA-09, BA-10: Modelica Standard Library, example data of a Li-ion cell."""
    table = vectors("battery")["BA-09"]
    soc, share = np.array(table["expected"]).T
    assert open_circuit.cell_voltage(soc, "NMC") == pytest.approx(share * table["input"]["OCVmax"], abs=1e-12)
    between = vectors("battery")["BA-10"]
    found = open_circuit.cell_voltage(between["input"]["SoC"], "NMC")
    assert list(found) == pytest.approx(between["expected"], abs=1e-6)


def test_lead_acid_is_the_published_table_both_ways(vectors):
    """BA-11, BA-12: rest voltage of a flooded 12 V block."""
    table = vectors("battery")["BA-11"]["expected"]["V"]
    soc, volts = np.array(table).T
    assert 6 * open_circuit.cell_voltage(soc, "lead-acid") == pytest.approx(volts, abs=1e-12)
    back = vectors("battery")["BA-12"]
    grid = np.linspace(0, 1, 100_001)
    found = np.interp(back["input"]["V"], 6 * open_circuit.cell_voltage(grid, "lead-acid"), grid)
    assert list(found) == pytest.approx(back["expected"], abs=1e-4)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_every_curve_rises(chemistry):
    assert np.all(np.diff(open_circuit.cell_voltage(np.linspace(-0.02, 1.06, 4000), chemistry)) > 0)


# ---------------------------------------------------------------- hysteresis


def test_hysteresis_loop_loses_its_area():
    """A charge and back between far ends of the plateau: the area of the loop is 2 M dQ less the turns.

    Closed form of Plett's model (J. Power Sources 134 (2004) 277): on each way h goes from -1 to 1 as 1 - 2 exp(-rate z),
    so M h integrated over charge gives M C (z - 2 (1 - exp(-rate z)) / rate) on each way.
    """
    plain = {
        "r0": 0.0,
        "r1": 1e-12,
        "c1": 1.0,
        "r2": 1e-12,
        "c2": 1.0,
        "inefficiency": 0.0,
        "activation": 0.0,
    }
    made = pack("LFP", 0.3, **plain)
    m, rate, capacity = made._p[P.hysteresis], made._p[P.hysteresis_rate], made._p[P.capacity]
    made._x[S.hysteresis] = -1.0
    way, current, step = 0.4, 100.0, 1.0
    count = int(way * capacity / current / step)
    up = made.run(np.full(count, current), step)
    down = made.run(np.full(count, -current), step)
    area = float(np.sum(up) - np.sum(down)) * current * step
    expected = 2 * m * capacity * (way - 2 * (1 - math.exp(-rate * way)) / rate)
    assert area == pytest.approx(expected, rel=2e-3)
    assert made.lost == pytest.approx(2 * m * capacity * (way - 2 * 1 / rate), rel=0.02)


def test_hysteresis_goes_to_its_branch():
    made = pack("LFP", 0.3)
    rest = made.open_circuit_voltage()
    made.run(np.full(3600, 60.0), 1.0)
    assert made._x[S.hysteresis] == pytest.approx(1.0, abs=1e-4)
    made.run(np.full(3600, -60.0), 1.0)
    assert made._x[S.hysteresis] == pytest.approx(-1.0, abs=1e-4)
    made.run(np.zeros(40_000), 1.0)
    assert made.voltage() == pytest.approx(made.open_circuit_voltage() - 0.16, abs=2e-3)
    assert made.open_circuit_voltage() == pytest.approx(rest, abs=0.02)


# ---------------------------------------------------------------- energy and charge


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
@settings(max_examples=12)
@given(
    pieces=st.lists(st.tuples(st.floats(-150, 100), st.integers(20, 900)), min_size=2, max_size=6),
    soc=st.floats(0.3, 0.8),
    warmth=st.floats(258.15, 318.15),
)
def test_energy_is_conserved(chemistry, pieces, soc, warmth):
    """Terminal energy is what is stored more plus what was lost, each computed on its own."""
    made = pack(chemistry, soc, ambient=warmth)
    before, step, energy, turnover = made.stored, 0.5, 0.0, 1.0
    for current, count in pieces:
        for _ in range(count):
            made.run([current], step)
            energy += float(made._x[S.terminal]) * current * step
            turnover += abs(float(made._x[S.terminal]) * current * step)
    assert energy == pytest.approx(made.stored - before + made.lost, abs=2e-5 * turnover)
    assert made.lost >= -1e-6 * turnover


def test_charge_that_charges_nothing_is_counted():
    """Charge in = charge kept + side charge; for lithium the side is the stated inefficiency (BA-06's rule)."""
    made = pack("LFP", 0.2, inefficiency=0.05)
    made.run(np.full(1000, 60.0), 1.0)
    lag = 0.05 * 60.0 * 300.0 * (1 - math.exp(-1000 / 300))  # C: the side current comes with a lag of 300 s
    assert made.soc - 0.2 == pytest.approx((0.95 * 60.0 * 1000 + lag) / made._p[P.capacity], rel=2e-4)
    made.run(np.full(1000, -60.0), 1.0)
    back = made.soc
    made.run(np.zeros(6000), 1.0)  # what came late goes late
    assert made.soc - 0.2 == pytest.approx(-0.05 * 60.0 * 1000 / made._p[P.capacity], rel=1e-3)
    assert back > made.soc


def test_gassing_is_the_published_formula():
    """Schiffer et al., J. Power Sources 168 (2007) 66: 20 mA per 100 Ah at 2.23 V and 20 degC, 11 /V, 0.06 /K."""
    made = pack("lead-acid", 1.0, inefficiency=0.0)
    for volts, celsius, expected in (
        (2.23, 20.0, 0.04),
        (2.33, 20.0, 0.04 * math.e**1.1),
        (2.23, 30.0, 0.04 * math.e**0.6),
    ):
        made._x[S.terminal], made._x[S.cell_temperature] = 24 * volts, 273.15 + celsius
        assert kernel.side(made._x, made._p) == pytest.approx(expected, rel=1e-9)


def test_resistance_follows_arrhenius():
    made = pack("LFP", 0.5)
    made._x[S.cell_temperature] = 273.15
    cold = kernel.resistances(made._x, made._p)[0]
    assert cold / made._p[P.r0] == pytest.approx(math.exp(2400 * (1 / 273.15 - 1 / 298.15)), rel=1e-12)
    made._x[S.cell_temperature], made._x[S.soc] = 298.15, 0.0
    assert kernel.resistances(made._x, made._p)[0] == pytest.approx(1.6 * made._p[P.r0], rel=1e-12)


# ---------------------------------------------------------------- rate effect


def test_peukert(vectors):
    """BA-15: t = H (C / (I H))^k. Empty is where the open-circuit voltage has come to its value at no charge."""
    case = vectors("battery")["BA-15"]
    given_, expected = case["input"], case["expected"]
    for amperes, hours in zip(given_["I_A"], expected["t_h"], strict=True):
        made = pack(
            "lead-acid", 1.0, capacity=given_["C_Ah"] * 3600.0, rate_current=given_["C_Ah"] / given_["H_h"],
            rate_exponent=given_["k"] - 1.0, rate_time=1e-3, gas_current=0.0,
        )  # fmt: skip
        step, time = 1.0, 0.0
        while 1.0 - (1.0 - made.soc) * kernel.deepening(made._x, made._p) > 0.0:
            made.run([-amperes], step)
            time += step
        assert time / 3600.0 == pytest.approx(hours, rel=1e-3)


def test_a_hard_discharge_recovers_at_rest():
    made = pack("lead-acid", 0.8)
    made.run(np.full(1800, -60.0), 1.0)
    under = made._x[S.soc], 1.0 - (1.0 - made.soc) * kernel.deepening(made._x, made._p)
    assert under[1] < under[0] - 0.05
    made.run(np.full(600, 0.0), 1.0)
    assert kernel.deepening(made._x, made._p) == 1.0


# ---------------------------------------------------------------- charging lead-acid


def test_temperature_compensation(vectors):
    """BA-18, BA-19: V = V25 + n k (T - 25)."""
    for row in ("BA-18", "BA-19"):
        case = vectors("battery")[row]["input"]
        made = pack("lead-acid", v_temperature=case["cells"] * case["mV_per_C_cell"] / 1000.0)
        made._p[P.v_absorption], made._x[S.stage] = case["Vabs25"], STAGE.absorption
        found = []
        for celsius in case["T"]:
            made._x[S.cell_temperature] = 273.15 + celsius
            found.append(targets(made._x, made._p)[0])
        assert found == pytest.approx(vectors("battery")[row]["expected"], abs=1e-6)


def holding(made, volts, step, most):
    """The current that brings the terminals to `volts` at the end of a step, A: between none and `most`."""
    x = made._x
    side, x[S.link_current] = x[S.side_current], 1e-9
    # the mean of a step twice as long is what its middle reads
    source, resistance = kernel.thevenin(x, made._p, made._table, 2.0 * step)
    x[S.side_current] = side
    return min(most, max(0.0, (volts - source) / resistance))


def test_a_sudden_charge_current_lifts_a_full_lead_acid_battery_over_seconds():
    """Double layer: area x F/m2 of Sulzer et al. 2019 (J. Electrochem. Soc. 166, A2363), as pybamm's set of that name holds them."""
    high, wide, plates, capacity = 0.114, 0.065, 8, 17.0  # m, m, electrodes in parallel, Ah
    layers = [
        high * wide * plates * thick * area * 0.2 / capacity  # F/Ah of a cell
        for thick, area in ((0.9e-3, 2.3e6), (1.25e-3, 2.3e7))
    ]
    farad = 1.0 / (24 / (200.0 / sum(1.0 / layer for layer in layers)))
    made = pack("lead-acid", 0.96, inefficiency=0.0, gas_current=0.0)
    rest = made.voltage(0.0)
    instant = made.voltage(30.0) - rest
    assert instant == pytest.approx(30.0 * made._p[P.r0], rel=1e-6)  # the metal and the acid alone
    series = made._p[P.r0] + made._p[P.r1] + made._p[P.r2]
    early = made.run([30.0] * 10, 0.01)
    assert (early[-1] - early[0]) / 0.09 == pytest.approx(30.0 / farad, rel=0.02)  # i / C, to begin with
    last = made.run([30.0] * 1200, 0.1)[-1]
    slow = made.open_circuit_voltage() - rest + 30.0 * series

    def steady(soc):  # Ceraolo's resistance times the current: what it comes to within some ten seconds
        return 30.0 * made._p[P.r0] * made._p[P.full_rise] * math.exp((soc - 1.0) / made._p[P.full_width])

    assert rest + steady(0.96) < last < rest + steady(made.soc) + slow
    # what a load takes out first is the layer's charge: the voltage does not fall at once either
    out = made.run([-30.0] * 1200, 0.1)
    assert out[0] - out[-1] > 0.5 * steady(0.96)
    assert made._x[S.v_full] == pytest.approx(0.0, abs=0.05)


def test_absorption_of_lead_acid_comes_to_an_end():
    """At 2.4 V a cell the current falls to a few per cent of capacity by full charge (common practice)."""
    made = pack("lead-acid", 0.75, heat_capacity=270e3)  # some 300 kg
    held = 57.6
    for _ in range(10 * 180):  # ten hours; the current that holds the voltage, at most 40 A
        current = holding(made, held, 20.0, 40.0)
        made.run([current], 20.0)
    assert 0.2 < current < 0.04 * 200
    assert 0.97 < made.soc < 1.02


# ---------------------------------------------------------------- management and protection


def test_the_estimate_drifts_as_its_meter_does():
    made = pack("LFP", 0.5, estimate_offset=0.5, estimate_gain=1.02, inefficiency=0.0)
    for _ in range(3600):
        made.run([10.0], 1.0)
        kernel.manage(made._x, made._p, 3.3, 1.0)
    counted = (1.02 * 10.0 + 0.5) * 3600 / made._p[P.capacity]
    assert made._x[S.soc_estimate] == pytest.approx(0.5 + counted, rel=1e-6)
    assert made.soc == pytest.approx(0.5 + 36_000 / made._p[P.capacity], rel=1e-6)


def test_the_estimate_is_set_right_at_full_charge():
    made = pack("LFP", 0.99, recalibrates=1.0)
    made._x[S.soc_estimate], made._x[S.link_current] = 0.9, 5.0
    kernel.manage(made._x, made._p, 3.4, 1.0)
    assert made._x[S.soc_estimate] < 0.91
    kernel.manage(made._x, made._p, 3.58, 1.0)
    assert made._x[S.soc_estimate] == 1.0


def test_the_allowed_charge_current_falls_towards_full_and_cold():
    made = pack("LFP", 0.5, taper_from=0.9, taper_least=0.2)
    for soc, kelvin, share in (
        (0.5, 298.15, 1.0),
        (0.95, 298.15, 0.6),
        (1.0, 298.15, 0.2),
        (0.5, 278.15, 0.5),
        (0.5, 270.0, 0.0),
    ):
        made._x[S.soc_estimate], made._x[S.cell_temperature] = soc, kelvin
        kernel.manage(made._x, made._p, 3.3, 1e-9)
        assert made._x[S.charge_limit] == pytest.approx(share * made._p[P.charge_current_limit], rel=1e-6)


@pytest.mark.parametrize(
    ("cause", "set_", "delay"),
    [
        (1, {"terminal": 59.0}, 2.0), (2, {"highest": 3.7}, 2.0), (3, {"link_current": -160.0}, 5.0),
        (4, {"terminal": 44.0}, 2.0), (5, {"lowest": 2.4}, 2.0), (6, {"cell_temperature": 335.0}, 5.0),
        (7, {"cell_temperature": 270.0, "link_current": 20.0}, 5.0),
    ],
)  # fmt: skip
def test_protection_opens_after_its_delay(cause, set_, delay):
    made = pack("LFP", 0.5)
    x = made._x
    x[S.protection_closed] = 1.0
    cells = {"highest": 3.3, "lowest": 3.3}
    for name, value in set_.items():
        if name in cells:
            cells[name] = value
        else:
            x[S._asdict()[name]] = value
    time = 0.0
    while True:
        found = kernel.protect(x, made._p, cells["highest"], cells["lowest"], False, 0.005)
        time += 0.005
        if found:
            break
        assert time < 20.0
    assert found == cause
    assert time == pytest.approx(delay, abs=0.006)


def test_protection_closes_again_only_apart_and_within_limits():
    made = pack("LFP", 0.5, reset_time=5.0)
    x, p = made._x, made._p
    x[S.protection_closed] = 0.0
    for _ in range(2000):
        assert kernel.protect(x, p, 3.3, 3.3, False, 0.005) == 0.0
        assert kernel.protect(x, p, 3.7, 3.3, True, 0.005) == 0.0
    found = [kernel.protect(x, p, 3.3, 3.3, True, 0.005) for _ in range(1001)]
    assert -1.0 in found and x[S.protection_closed] == 1.0
    never = pack("LFP", 0.5)
    never._x[S.protection_closed] = 0.0
    assert all(kernel.protect(never._x, never._p, 3.3, 3.3, True, 1.0) == 0.0 for _ in range(1000))


def test_the_plant_begins_with_the_estimate_s_error(card):
    from benchrunner.sim.plant import Plant

    plant = Plant(card(twin={"soc_error": -0.05, "soc_drift": 1.0}), start={"soc": 0.6})
    assert plant.value("battery.soc") == pytest.approx(0.6)
    assert plant.value("battery.soc_estimate") == pytest.approx(0.55)
    plant.advance(3600.0)
    drifted = plant.value("battery.soc_estimate") - 0.55
    assert drifted - (plant.value("battery.soc") - 0.6) == pytest.approx(
        3600.0 / plant.pairing.battery.capacity, abs=3e-4
    )
