"""Loads of every kind against closed forms, numerical integrals of the wave, and scipy on the motor's own equations."""

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from benchrunner.sim.kernel import loads
from benchrunner.sim.plant import Plant

STIFF = {"grid_resistance": 0.0, "grid_reactance": 0.0}


@pytest.mark.parametrize("angle", [0.0, 0.4, math.pi / 2, 2.2, 3.0])
def test_phase_cut_against_the_integral_of_its_wave(angle):
    """Fourier integrals of a sine cut off before `angle` in each half wave; both halves alike."""
    active, reactive, square = loads.phase_cut(angle)
    in_phase, _ = quad(lambda x: math.sin(x) ** 2, angle, math.pi)
    behind, _ = quad(lambda x: math.sin(x) * math.cos(x), angle, math.pi)
    assert active == pytest.approx(2.0 / math.pi * in_phase, abs=1e-9)
    assert square == pytest.approx(
        2.0 / math.pi * in_phase, abs=1e-9
    )  # a resistance: its power is its RMS squared
    assert reactive == pytest.approx(-2.0 / math.pi * behind, abs=1e-9)


def test_phase_cut_load_draws_more_current_than_its_power_needs(card):
    plant = Plant(
        card(twin=STIFF), start={"load.phase_cut_power": 2000.0, "load.phase_cut_angle": math.pi / 2}
    )
    plant.advance(1.0)
    v = plant.values()
    assert v["load.power"] == pytest.approx(1000.0, rel=1e-6)
    assert v["load.current"] == pytest.approx(
        2000.0 / 230.0 * math.sqrt(0.5), rel=1e-6
    )  # half of the waves' squares


def test_constant_power_holds_while_the_voltage_sags_and_gives_way_below(card):
    plant = Plant(
        card(twin=STIFF, battery_inverter={"grid_voltage_window": (0.3, 1.3)}),
        start={"load.constant_power": 2300.0},
    )
    for volts, power in (
        (230.0, 2300.0),
        (253.0, 2300.0),
        (180.0, 2300.0),
        (115.0, 2300.0 * (0.5 / 0.7) ** 2),
    ):
        plant.set("grid.voltage", volts)
        plant.advance(plant.now + 1.0)
        assert plant.value("load.power") == pytest.approx(power, rel=1e-6)


def test_rectifier_draws_harmonics_and_fills_the_neutral(card):
    """Power factor from the prescribed shares: 1 / sqrt(1 + sum of squares); triplen orders add up threefold."""
    share = math.sqrt(sum(h * h for h in loads.RECTIFIER_HARMONICS.values()))
    triplen = math.hypot(loads.RECTIFIER_HARMONICS[3], loads.RECTIFIER_HARMONICS[9])
    plant = Plant(card("fell15-ridge12", twin=STIFF), start={"load.rectifier_power": 6900.0})
    plant.advance(1.0)
    v = plant.values()
    assert v["load.power"] == pytest.approx(6900.0, rel=1e-6)
    assert v["load.current_l1"] == pytest.approx(10.0 * math.hypot(1.0, share), rel=1e-6)
    assert v["load.distortion_current"] == pytest.approx(10.0 * share, rel=1e-6)
    assert v["load.current_n"] == pytest.approx(3.0 * 10.0 * triplen, rel=1e-6)
    assert v["grid.current_l1"] == pytest.approx(v["load.current_l1"], rel=0.02)


def test_motor_takes_its_rated_power_at_rated_slip():
    """The equivalent circuit written with complex numbers: rated power at rated slip, six times the current at standstill."""

    def power(slip):
        branch = complex(loads.MOTOR_R1 + loads.MOTOR_R2 / slip, loads.MOTOR_X)
        return 1.0 / branch

    assert power(loads.RATED_SLIP).real == pytest.approx(1.0, abs=1e-9)
    assert abs(power(1.0)) == pytest.approx(loads.LOCKED_CURRENT, rel=1e-9)
    assert power(1.0).real / abs(power(1.0)) == pytest.approx(loads.LOCKED_FACTOR, rel=1e-9)
    assert 0.02 < loads.RATED_SLIP < 0.05
    assert loads.motor_torque(loads.RATED_SLIP, 1.0) == pytest.approx(loads.RATED_TORQUE)


@pytest.mark.parametrize("volts", [230.0, 207.0])
def test_motor_start_against_scipy(card, record, volts):
    """The same equation of motion solved by LSODA; at lower voltage it takes longer."""
    pairing = card(twin=STIFF)
    plant = Plant(pairing, start={"grid.voltage": volts})
    plant.advance(1.0)
    plant.set("load.motor_power", 1500.0)
    times, rows = record(plant, 4.0)
    inertia = float(plant._p[plant_index("motor_inertia")])
    u = volts / 230.0

    def motion(_, y):
        slip = y[0]
        r = loads.MOTOR_R1 + loads.MOTOR_R2 / slip
        torque = u * u * (loads.MOTOR_R2 / slip) / (r * r + loads.MOTOR_X**2)
        speed = (1.0 - slip) / (1.0 - loads.RATED_SLIP)
        return [-(torque - loads.RATED_TORQUE * speed**2) / inertia]

    found = solve_ivp(motion, (0.0, 3.0), [1.0], method="LSODA", rtol=1e-9, atol=1e-12, dense_output=True)
    for at in (0.2, 0.5, 0.9, 2.5):
        ours = rows["load.motor_slip"][np.searchsorted(times, 1.0 + at - 1e-6)]
        assert ours == pytest.approx(float(found.sol(at)[0]), abs=0.02)  # explicit steps of 5 ms
    standing = abs(
        1.0 / complex(loads.MOTOR_R1 + loads.MOTOR_R2, loads.MOTOR_X)
        + 1.0 / complex(0.0, 1.0 / loads.MOTOR_B)
    )
    assert rows["load.current"].max() == pytest.approx(standing * 1500.0 / 230.0 * u, rel=0.01)
    started = times[rows["load.motor_slip"] > 1.05 * loads.RATED_SLIP][-1] - 1.0
    if volts == 230.0:
        assert started == pytest.approx(pairing.twin.motor_start_time, abs=0.06)
    else:
        assert started > 1.15 * pairing.twin.motor_start_time


def plant_index(name):
    from benchrunner.sim.layout import P

    return getattr(P, name)


def test_a_motor_too_large_stalls_at_the_current_limit(card):
    """The bridge gives its surge current and no more: the bus sags, the motor does not start, the inverter stops."""
    pairing = card()
    plant = Plant(pairing, start={"soc": 0.7, "grid.closed": 0, "load.power": 300.0})
    plant.advance(1.0)
    plant.set("load.motor_power", 3000.0)
    plant.advance(1.3)
    v = plant.values()
    assert v["battery_inverter.current"] == pytest.approx(
        pairing.battery_inverter.surge_power / 230.0, rel=1e-3
    )
    assert v["bus.voltage"] < 0.7 * 230.0
    assert v["load.motor_slip"] > 0.8
    plant.advance(3.0)
    stopped = next(e for e in plant.events if e.kind == "inverter-stop")
    assert stopped.data["cause"] == 3.0
    assert stopped.t - 1.0 == pytest.approx(pairing.twin.sag_time, abs=0.02)
    small = Plant(pairing, start={"soc": 0.7, "grid.closed": 0, "load.power": 300.0})
    small.advance(1.0)
    small.set("load.motor_power", 750.0)
    small.advance(4.0)
    assert small.value("load.motor_slip") == pytest.approx(loads.RATED_SLIP, rel=0.05)
    assert [e.kind for e in small.events] == ["load-step"]
