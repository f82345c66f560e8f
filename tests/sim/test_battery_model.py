"""The battery against closed forms and published values (`tests/vectors/battery`), and against scipy's stiff solver.

The vectors count discharge as positive; here charging is.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrunner.sim import Battery, open_circuit
from benchrunner.sim.chemistry import CHEMISTRIES
from benchrunner.sim.plant import Plant

PULSES = ["BA-01", "BA-02", "BA-03", "BA-04"]


@pytest.mark.parametrize("row", PULSES)
def test_pulse_response(row, vectors):
    """Thevenin pulses; the open-circuit voltage is taken out, since the vectors hold it constant."""
    case = vectors("battery")[row]
    given = case["input"]
    branches = given.get("RC") or [[given["R1"], given["C1"]]]
    branches = [*branches, [1e-12, 1.0]][:2]
    (r1, c1), (r2, c2) = branches
    battery = Battery(1, 1e15, given["R0"], (r1, r1 * c1), (r2, max(r2 * c2, 1e-9)), soc=0.5)
    rest = battery.open_circuit_voltage()
    step, time = 0.01, 0.0
    pulse, expected = -given["I"], []
    for at in given["t"]:
        while time < at - step / 2:
            battery.run([pulse if time < given["tp"] - step / 2 else 0.0], step)
            time += step
        # the published points at t and at the pulse's end are still under its current
        amperes = pulse if at <= given["tp"] else 0.0
        expected.append(battery.voltage(amperes) - rest + given["OCV"])
    assert expected == pytest.approx(case["expected"], abs=2e-4 if given["I"] < 70 else 1e-3)


def test_charge_is_counted(vectors):
    for row, sign in (("BA-06", -1), ("BA-07", -1)):
        case = vectors("battery")[row]["input"]
        battery = Battery(1, case["Q_Ah"] * 3600.0, soc=case["SoC0"])
        battery.run(np.full(int(case["h"] * 3600), sign * case["I_A"]), 1.0)
        expected = vectors("battery")[row]["expected"]
        expected = expected[0] if isinstance(expected, list) else expected
        assert battery.soc == pytest.approx(expected, abs=1e-9)
    case = vectors("battery")["BA-08"]
    battery = Battery(1, case["input"]["Q_Ah"] * 3600.0, soc=case["input"]["SoC0"])
    battery.run(np.full(600, -case["input"]["I"]), 0.1)
    assert battery.soc == pytest.approx(case["expected"], abs=1e-8)


def test_open_circuit_voltage_of_lfp(vectors):
    """BA-13: full-cell values of a published parameter set (Prada et al. 2013)."""
    case = vectors("battery")["BA-13"]
    cell = open_circuit.cell_voltage(case["input"]["SoC"])
    assert list(cell) == pytest.approx(case["expected"], abs=2e-3)
    curve = open_circuit.cell_voltage(np.linspace(-0.02, 1.06, 2000))
    assert np.all(np.diff(curve) > 0)


def test_table_agrees_with_the_curve():
    table = open_circuit.table(16, 0.0)
    soc = open_circuit.FIRST + open_circuit.STEP * np.arange(open_circuit.POINTS)
    between = soc[:-1] + open_circuit.STEP / 2
    exact = 16 * open_circuit.cell_voltage(between)
    linear = (table[0, 1:] + table[0, :-1]) / 2
    assert np.max(np.abs(exact - linear)) < 2e-3  # V of a 50 V pack, at the steep ends


def test_unknown_chemistry_is_refused():
    with pytest.raises(ValueError, match="no open-circuit curve"):
        open_circuit.cell_voltage([0.5], "zinc-air")
    with pytest.raises(ValueError, match="between 0 and 1"):
        Battery(soc=1.2)


def test_stored_and_lost_add_up():
    battery = Battery(soc=0.4)
    before = battery.stored
    amperes = np.concatenate([np.full(6000, 60.0), np.full(3000, -100.0), np.zeros(1000)])
    energy, step = 0.0, 0.1
    for value in amperes:
        v0 = battery.voltage(value)
        battery.run([value], step)
        energy += (v0 + battery.voltage(value)) / 2 * value * step
    assert energy == pytest.approx(battery.stored - before + battery.lost, rel=1e-6)


def test_discharge_in_the_plant_against_a_stiff_solver(card, record):
    """Half an hour under load, the same equations written again for scipy's LSODA, the power taken from the plant."""
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.5, "load.power": 3000.0, "grid.closed": 0})
    plant.advance(5.0)
    begin = plant.states()
    _, rows = record(plant, 1805.0)
    power = rows["battery.power"].mean()  # the losses follow the DC voltage a little
    assert np.ptp(rows["battery.power"]) < 1.0  # nearly constant: no load, voltage or shift changes
    t, usual, c = pairing.twin, CHEMISTRIES["LFP"], pairing.battery
    soc_grid = np.linspace(0.0, 1.0, 4001)
    pack = c.cells * open_circuit.cell_voltage(soc_grid)
    hysteresis = c.cells * usual.hysteresis

    def warmth(y):
        return np.exp(usual.activation * (1 / y[4] - 1 / 298.15))

    def current(y):
        source = np.interp(y[0], soc_grid, pack) + y[1] + y[2] + hysteresis * y[3]
        r = t.series_resistance * warmth(y)
        return (-source + np.sqrt(source**2 + 4 * r * power)) / (2 * r)

    def slope(_, y):
        i, k = current(y), warmth(y)
        lost = k * t.series_resistance * i * i + y[1] ** 2 / (k * t.fast_resistance)
        lost += y[2] ** 2 / (k * t.slow_resistance) + hysteresis * abs(i) * y[3] ** 2
        return [
            i / c.capacity,
            i * t.fast_resistance / t.fast_time - y[1] / (k * t.fast_time),
            i * t.slow_resistance / t.slow_time - y[2] / (k * t.slow_time),
            usual.hysteresis_rate * abs(i) / c.capacity * (np.sign(i) - y[3]),
            lost / t.heat_capacity - (y[4] - t.ambient) / t.cooling_time,
        ]

    start = [begin[name] for name in ("soc", "v_rc1", "v_rc2", "hysteresis", "cell_temperature")]
    found = solve_ivp(slope, (5.0, 1805.0), start, method="LSODA", rtol=1e-9, atol=1e-11)
    end = found.y[:, -1]
    assert plant.states()["hysteresis"] == pytest.approx(end[3], abs=1e-4)
    assert plant.value("battery.temperature") == pytest.approx(end[4], abs=1e-4)
    assert plant.value("battery.soc") == pytest.approx(end[0], abs=2e-6)
    volts = power / current(end)
    assert plant.value("battery.voltage") == pytest.approx(volts, abs=2e-3)
