"""The time-domain model against closed forms, an independent integration, its own energy balance, and its step."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrunner.sim.wave import kernel
from benchrunner.sim.wave.circuit import Circuit

from .rig import OMEGA, TOP, run

DEAD = {"MODE": kernel.BLOCKED, "PV_ON": 0.0, "STAGE_ON": 0.0, "LOSS": 0.0}
ON_GRID = {"RELAY": 1.0, "SWITCH": 1.0}


def sine(t):
    return TOP * np.sin(OMEGA * t)


def test_a_dead_bus_discharges_as_rc():
    # closed form v = V exp(-t / RC), any textbook
    circuit = Circuit()
    ran = run(circuit, 0.02, start={0: 0.0, 1: 300.0}, LOAD=1 / 50.0, **DEAD)
    r = 1 / (1 / 50.0 + 1 / circuit.bleed_resistance)
    expected = 300.0 * np.exp(-ran.t / (r * circuit.bus_capacitance))
    np.testing.assert_allclose(ran.of(kernel.BUS_V), expected, rtol=1e-5, atol=1e-6)


def test_a_closed_relay_onto_a_held_bus_charges_its_choke_as_rl():
    # closed form i = V/R (1 - exp(-R t / L)); a bus capacitor beyond all measure holds the bus at zero
    circuit = Circuit(bus_capacitance=1e6)
    ran = run(
        circuit, 0.01, start={0: 0.0, 1: 0.0}, source=lambda t: np.full_like(t, 100.0), **ON_GRID, **DEAD
    )
    r, inductance = circuit.grid_resistance, circuit.grid_inductance
    expected = 100.0 / r * (1 - np.exp(-r * ran.t / inductance))
    np.testing.assert_allclose(ran.of(kernel.GRID_I), expected, rtol=1e-6, atol=1e-6)


def test_a_step_onto_choke_and_capacitor_rings_as_rlc():
    # closed form of the series RLC step response, underdamped
    circuit = Circuit(bleed_resistance=1e12, grid_resistance=2.0)
    ran = run(
        circuit, 0.01, start={0: 0.0, 1: 0.0}, source=lambda t: np.full_like(t, 100.0), **ON_GRID, **DEAD
    )
    inductance, c, r = circuit.grid_inductance, circuit.bus_capacitance, circuit.grid_resistance
    damping, natural = r / (2 * inductance), 1 / np.sqrt(inductance * c)
    ringing = np.sqrt(natural**2 - damping**2)
    wave = np.cos(ringing * ran.t) + damping / ringing * np.sin(ringing * ran.t)
    np.testing.assert_allclose(ran.of(kernel.BUS_V), 100.0 * (1 - np.exp(-damping * ran.t) * wave), atol=0.02)


def test_energising_from_the_grid_agrees_with_scipy():
    circuit = Circuit()
    load = 3000.0 / 230.0**2
    ran = run(
        circuit, 0.04, start={0: 0.0, 1: 0.0}, source=lambda t: sine(t + 0.001), LOAD=load, **ON_GRID, **DEAD
    )

    def slope(t, y):
        i, v = y
        return [
            (sine(t + 0.001) - v - circuit.grid_resistance * i) / circuit.grid_inductance,
            (i - v * (load + 1 / circuit.bleed_resistance)) / circuit.bus_capacitance,
        ]

    found = solve_ivp(slope, (0, 0.04), [0.0, 0.0], method="DOP853", t_eval=ran.t, rtol=1e-10, atol=1e-9)
    assert np.abs(found.y[1]).max() < 400.0  # or the diodes of the bridge would take part
    np.testing.assert_allclose(ran.of(kernel.GRID_I), found.y[0], atol=0.01)
    np.testing.assert_allclose(ran.of(kernel.BUS_V), found.y[1], atol=0.05)


def test_a_load_rejection_under_control_agrees_with_scipy():
    """The same control laws written again, the circuit between its samples by scipy's own integrator."""
    c = Circuit()
    at, end, amplitude = 0.0052, 0.012, np.sqrt(2) * 4500.0 / 230.0
    load = 3000.0 / 230.0**2
    pv_lock = 2 * np.pi * 50.0
    ran = run(c, end, LOAD=lambda t: np.where(t < at - 1e-9, load, 0.0), PV_CURRENT=amplitude)

    period = c.control_period
    y = np.array([c.bus_capacitance * OMEGA * TOP, 0.0, 0.0, 400.0, 53.0, 0.0])  # i_f v i_pv v_dc v_b i_s
    theta, offset, a, b = 0.0, 0.0, 0.0, -TOP
    sine_part = cosine_part = x = 0.0
    lowest = 2 * np.pi * c.outer_bandwidth * c.bus_capacitance
    bus = []
    for k in range(round(end / period)):
        t = k * period
        g = load if t < at - 1e-9 else 0.0
        i_f, v, i_pv, v_dc, v_b, _ = y
        last = bus[-1] if bus else v
        bus.append(v)
        ahead, between = 1.5 * v - 0.5 * last, 0.5 * (v + last)
        w = pv_lock + offset
        a += period * w * (np.sqrt(2) * (between - a) - b)
        b += period * w * a
        seen = theta + 0.75 * period * w
        q = (a * np.cos(seen) + b * np.sin(seen)) / np.hypot(a, b)
        offset += period * c.pll_rate**2 * q
        now, held = theta, theta + 0.5 * period * (pv_lock + offset)
        theta += period * (pv_lock + offset + np.sqrt(2) * c.pll_rate * q)
        miss = c.link_voltage - v_dc
        i_cmd = c.link_voltage * (c.link_gain * miss + x) / v_b
        x += period * c.link_integral * miss
        s, co = np.sin(OMEGA * t), np.cos(OMEGA * t)
        error = TOP * s - v
        wanted = (
            g * v
            - i_pv
            + c.bus_capacitance * OMEGA * TOP * co
            + lowest * error
            + sine_part * s
            + cosine_part * co
        )
        sine_part += period * 2 * c.resonant_rate * lowest * error * s
        cosine_part += period * 2 * c.resonant_rate * lowest * error * co
        assert abs(wanted) < c.peak_current
        u = (
            ahead
            + c.filter_resistance * i_f
            + 2 * np.pi * c.inner_bandwidth * c.filter_inductance * (wanted - i_f)
        )
        u = np.clip(u, -v_dc, v_dc)
        k_pv = 2 * np.pi * c.pv_bandwidth * c.pv_inductance
        u_pv = ahead + c.pv_resistance * i_pv + k_pv * (amplitude * np.sin(now) - i_pv)
        u_pv = np.clip(u_pv + c.pv_inductance * (pv_lock + offset) * amplitude * np.cos(held), -420.0, 420.0)

        def slope(_, z, u=u, u_pv=u_pv, g=g, i_cmd=i_cmd):
            i_f, v, i_pv, v_dc, v_b, i_s = z
            loss = 60.0 * min(1.0, (v_dc / c.link_voltage) ** 2)
            return [
                (u - v - c.filter_resistance * i_f) / c.filter_inductance,
                (i_f + i_pv - v * (g + 1 / c.bleed_resistance)) / c.bus_capacitance,
                (u_pv - v - c.pv_resistance * i_pv) / c.pv_inductance,
                (v_b * i_s - c.stage_resistance * i_s**2 - u * i_f - loss) / v_dc / c.link_capacitance,
                (-(v_b - 53.0) / c.battery_resistance - i_s) / c.terminal_capacitance,
                (i_cmd - i_s) / c.stage_lag,
            ]

        y = solve_ivp(slope, (0, period), y, method="RK45", rtol=1e-7, atol=1e-6).y[:, -1]
    modelled = ran.of(kernel.BUS_V)[:: c.every][: len(bus)]
    assert np.abs(modelled).max() > 1.05 * TOP  # there is a transient to compare
    np.testing.assert_allclose(modelled, bus, atol=0.05)


@pytest.mark.parametrize("case", ["island", "grid", "gap", "trip"])
def test_energy_is_conserved(case):
    circuit = dataclasses.replace(
        Circuit(), pv_trip_peak=345.0 if case == "trip" else 0.0, pv_trip_hold=80e-6
    )
    drives = {
        "island": {"LOAD": lambda t: np.where(t < 0.0552, 0.06, 0.0), "PV_CURRENT": 25.0},
        "grid": {"LOAD": 0.05, "PV_CURRENT": 25.0, "MODE": kernel.FOLLOWING, "BRIDGE_CURRENT": -12.0,
        **ON_GRID}, "gap": {"LOAD": 0.06, "MODE": lambda t: np.where(t < 0.0634, 1.0, 2.0), "RELAY": 1.0,
                "SWITCH": lambda t: (t < 0.0517).astype(float), "PV_CURRENT": 8.0},
        "trip": {"LOAD": lambda t: np.where(t < 0.0552, 0.06, 0.0), "PV_CURRENT": 28.0},
    }  # fmt: skip
    ran = run(circuit, 0.1, source=sine, **drives[case])
    grid, pv, battery, load, lost, switched = ran.energies
    delivered, kept = grid + pv + battery - load - lost - switched, ran.stored[1] - ran.stored[0]
    moved = abs(grid) + abs(pv) + abs(battery)
    assert moved > 20.0
    assert delivered == pytest.approx(kept, abs=2e-5 * moved)
    assert switched >= 0 and lost > 0
    if case == "trip":
        assert ran.extra[0] == pytest.approx(0.0552, abs=0.012)  # within a half cycle of the rejection


def test_halving_the_step_changes_little_and_less_each_time():
    def bus(step):
        circuit = Circuit(step=step)
        ran = run(circuit, 0.06, LOAD=lambda t: np.where(t < 0.0252, 0.06, 0.0), PV_CURRENT=25.0)
        return ran.of(kernel.BUS_V)[:: circuit.every]

    waves = [bus(40e-6 / 2**k) for k in range(4)]
    differences = [np.abs(a - b).max() for a, b in pairwise(waves)]
    assert differences[1] < 0.01  # V, between 20 us (as used) and 10 us
    orders = [np.log2(a / b) for a, b in pairwise(differences)]
    assert min(orders) > 3.0  # fourth order, less where the lag of the DC stage is short against the step


def test_terminals_rise_by_charge_over_capacitance_once_the_battery_opens():
    # energy into a capacitor: C/2 (v^2 - v0^2) = P t; the initial slope is I / C
    circuit = Circuit(terminal_capacitance=0.1)
    surplus, open_at = 4500.0, 0.1
    ran = run(circuit, 0.16, LOSS=0.0, LOAD=0.0, PV_CURRENT=np.sqrt(2) * surplus / 230.0,
              CONTACTOR=lambda t: (t < open_at - 1e-9).astype(float))  # fmt: skip
    v = ran.of(kernel.BATTERY_V)
    a, b = round((open_at + 0.01) / circuit.step), round((open_at + 0.05) / circuit.step)  # two whole cycles
    gained = 0.5 * circuit.terminal_capacitance * (v[b] ** 2 - v[a] ** 2)
    mean_square = np.mean(ran.of(kernel.BUS_V)[a:b] ** 2)
    bleed = mean_square / circuit.bleed_resistance
    current = surplus / v[a]
    heat = (circuit.stage_resistance * current**2 + circuit.filter_resistance * (surplus / 230.0) ** 2) * 0.04
    link = 0.5 * circuit.link_capacitance * (ran.of(kernel.LINK_V)[b] ** 2 - ran.of(kernel.LINK_V)[a] ** 2)
    assert gained + link == pytest.approx((surplus - bleed) * 0.04 - heat, rel=0.01)
    slope = (v[b] - v[a]) / 0.04
    assert slope == pytest.approx(surplus / (0.5 * (v[a] + v[b])) / circuit.terminal_capacitance, rel=0.03)


def test_link_rises_to_the_closed_form_without_its_dc_stage():
    circuit = Circuit()
    surplus, off = 4500.0, 0.1
    ran = run(circuit, 0.13, LOSS=0.0, PV_CURRENT=np.sqrt(2) * surplus / 230.0,
              STAGE_ON=lambda t: (t < off - 1e-9).astype(float))  # fmt: skip
    v = ran.of(kernel.LINK_V)
    a, b = round((off + 0.004) / circuit.step), round((off + 0.024) / circuit.step)
    gained = 0.5 * circuit.link_capacitance * (v[b] ** 2 - v[a] ** 2)
    expected = (
        surplus - 230.0**2 / circuit.bleed_resistance - circuit.filter_resistance * (surplus / 230.0) ** 2
    ) * 0.02
    assert gained == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("at", [0.0600, 0.0625, 0.0651, 0.0688])
def test_load_rejection_is_plausible_and_finite(at):
    # common practice: below twice nominal, and no higher than the diodes of the two bridges let it
    circuit = Circuit()
    ran = run(
        circuit,
        0.2,
        LOAD=lambda t: np.where(t < at, 6000.0 / 230.0**2, 0.0),
        PV_CURRENT=np.sqrt(2) * 5000 / 230,
    )
    v = ran.of(kernel.BUS_V)
    assert np.isfinite(ran.record).all()
    before, after = np.abs(v[(ran.t > 0.04) & (ran.t < at)]).max(), np.abs(v[ran.t >= at]).max()
    assert before < 1.03 * TOP
    assert after < 1.4 * TOP
    assert ran.of(kernel.LINK_V).max() < 470.0
    settled = v[ran.t > 0.16]
    assert np.sqrt(np.mean(settled[: round(0.02 / circuit.step)] ** 2)) == pytest.approx(230.0, rel=2e-3)


def test_the_battery_inverter_limits_its_current():
    circuit = Circuit(current_limit=1.5)
    ran = run(circuit, 0.2, LOAD=12000.0 / 230.0**2)
    current = ran.of(kernel.BUS_I)
    late = ran.t > 0.1
    assert np.abs(current[late]).max() < circuit.peak_current * 1.05
    assert np.abs(ran.of(kernel.BUS_V)[late]).max() < 0.9 * TOP  # the voltage has to give way


def test_the_pv_inverter_stays_in_phase_when_the_frequency_moves():
    circuit = Circuit()
    slip = 2 * np.pi * 1.5  # 51.5 Hz

    def theta(t):
        return OMEGA * t + slip * np.maximum(0.0, t - 0.05)

    ran = run(circuit, 0.5, THETA=theta, OMEGA=lambda t: OMEGA + slip * (t > 0.05), PV_CURRENT=20.0)
    late = ran.t > 0.5 - 5 / 51.5  # five whole cycles
    v, i = ran.of(kernel.BUS_V)[late], ran.of(kernel.PV_I)[late]
    factor = np.mean(v * i) / np.sqrt(np.mean(v**2) * np.mean(i**2))
    assert factor > 0.9999
    assert np.sqrt(np.mean(i**2)) == pytest.approx(20.0 / np.sqrt(2), rel=2e-3)


@pytest.mark.parametrize(
    "bad",
    [
        {"filter_inductance": 0.0},
        {"grid_resistance": -1.0},
        {"step": 30e-6},
        {"battery_resistance": 1e-4},
        {"link_voltage": float("nan")},
    ],
)
def test_impossible_circuits_are_refused(bad):
    with pytest.raises(ValueError, match=r"\w"):
        Circuit(**bad)
