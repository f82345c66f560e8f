"""The battery: pulses, charge, open-circuit voltage, rate, charging at a voltage, hysteresis, against closed forms and solvers."""

import math
import os
from collections.abc import Iterator
from typing import Any

import numpy as np

from benchrunner.sim import open_circuit
from benchrunner.sim.cell import Battery
from benchrunner.sim.chemistry import CHEMISTRIES
from benchrunner.sim.kernel import battery as kernel
from benchrunner.sim.layout import S
from benchrunner.sim.validation.rows import Row, Table, library, published

THEVENIN = "closed form of the Thevenin pulse: V = OCV + R0 I + sum R I (1 - exp(-t / RC))"


def table() -> Table:
    """All rows."""
    rows = [*pulses(), *charge(), *rest_voltage(), *rate(), *voltage_held(), *loop(), *stiff()]
    left_out = []
    if library("pybamm") is None:
        left_out.append("PyBaMM's equivalent circuit (not installed: pip install 'benchrunner[dev]')")
    else:
        rows += other_library()
    return Table(
        "Battery",
        "Open-circuit voltage with hysteresis, series resistance, two RC branches, side currents, rate effect. Valid for"
        " uniform temperature of all cells, currents up to some 2 C, states of charge from 0 to 100 %.",
        tuple(rows),
        tuple(left_out),
    )


def pulses() -> Iterator[Row]:
    for name in ("BA-01", "BA-02", "BA-03", "BA-04"):
        case = published()[name]
        given = case["input"]
        branches = given.get("RC") or [[given["R1"], given["C1"]]]
        (r1, c1), (r2, c2) = [*branches, [1e-12, 1.0]][:2]
        battery = Battery(1, 1e15, given["R0"], (r1, r1 * c1), (r2, max(r2 * c2, 1e-9)), soc=0.5)
        rest, time, step = battery.open_circuit_voltage(), 0.0, 0.01
        for at, expected in zip(given["t"], case["expected"], strict=True):
            while time < at - step / 2:
                battery.run([-given["I"] if time < given["tp"] - step / 2 else 0.0], step)
                time += step
            amperes = -given["I"] if at <= given["tp"] else 0.0
            ours = battery.voltage(amperes) - rest + given["OCV"]
            allowed = 1e-3 if given["OCV"] > 10 else 2e-4
            yield Row(f"{name}: {case['quantity']}, {at:g} s", ours, expected, allowed, "V", THEVENIN)


def charge() -> Iterator[Row]:
    case = published()["BA-06"]["input"]
    battery = Battery(1, case["Q_Ah"] * 3600.0, soc=case["SoC0"])
    battery.run(np.full(int(case["h"] * 3600), -case["I_A"]), 1.0)
    yield Row("BA-06: 20 A for 1.5 h into 100 Ah", battery.soc, 0.8, 1e-9, "1", "arithmetic: SoC0 + I t / Q")


def rest_voltage() -> Iterator[Row]:
    for name, chemistry, scale, allowed in (("BA-13", "LFP", 1, 2e-3), ("BA-10", "NMC", 1, 1e-6)):
        case = published()[name]
        for soc, expected in zip(case["input"]["SoC"], case["expected"], strict=True):
            ours = float(open_circuit.cell_voltage(soc, chemistry)) * scale
            yield Row(f"{name}: {chemistry} at {soc:g}", ours, expected, allowed, "V", case["source"])
    case = published()["BA-12"]
    grid = np.linspace(0, 1, 100_001)
    for volts, expected in zip(case["input"]["V"], case["expected"], strict=True):
        ours = float(np.interp(volts, 6 * open_circuit.cell_voltage(grid, "lead-acid"), grid))
        yield Row(f"BA-12: lead-acid block resting at {volts:g} V", ours, expected, 1e-4, "1", case["source"])


def plain(chemistry: str, cells: int, soc: float, **over: float) -> Battery:
    """A pack of given parameters only; what is not given is switched off."""
    values = {
        "cells": cells, "capacity": 720e3, "r0": 0.012, "r1": 0.008, "c1": 3750.0, "r2": 0.012, "c2": 50e3, "heat_capacity": 60e3,
        "thermal_time": 18e3, "ambient": 298.15, "estimate_gain": 1.0, "hysteresis_rate": 1.0, "soc_first": open_circuit.FIRST,
        "soc_step": open_circuit.STEP, **over,
    }  # fmt: skip
    made = Battery.__new__(Battery)
    made._set(values, soc, open_circuit.table(cells, 0.0, chemistry))
    return made


def rate() -> Iterator[Row]:
    case = published()["BA-15"]
    given = case["input"]
    for amperes, hours in zip(given["I_A"], case["expected"]["t_h"], strict=True):
        made = plain(
            "lead-acid", 24, 1.0, capacity=given["C_Ah"] * 3600.0, rate_exponent=given["k"] - 1.0,
            rate_current=given["C_Ah"] / given["H_h"], rate_time=1e-3,
        )  # fmt: skip
        time = 0.0
        while 1.0 - (1.0 - made.soc) * kernel.deepening(made._x, made._p) > 0.0:
            made.run([-amperes], 1.0)
            time += 1.0
        yield Row(
            f"BA-15: Peukert 1.2, {amperes:g} A", time / 3600.0, hours, 1e-3 * hours, "h", case["source"]
        )


def voltage_held() -> Iterator[Row]:
    """A held voltage on a linear open-circuit voltage: the current falls as exp(-t / tau), tau = R Q / (dOCV/dSoC)."""
    case = published()["BA-16"]
    given, expected = case["input"], case["expected"]
    made = plain(
        "lead-acid",
        6,
        0.0,
        capacity=given["Q_Ah"] * 3600.0,
        r0=given["R"],
        r1=1e-12,
        c1=1.0,
        r2=1e-12,
        c2=1.0,
    )
    soc = open_circuit.FIRST + open_circuit.STEP * np.arange(made._table.shape[1])
    made._table[:] = np.stack(
        [12.0 + given["dOCV"] * soc, (12.0 + given["dOCV"] * soc) / 6, np.zeros(soc.size)]
    )
    held, time, step, passed = 12.0 + given["I0"] * given["R"], 0.0, 1.0, 0.0
    while True:
        current = (held - made.open_circuit_voltage()) / given["R"]
        if current <= given["I_end"]:
            break
        middle = current * (1 - step / (2 * expected["tau_s"]))  # mean of the step, to second order
        made.run([middle], step)
        time, passed = time + step, passed + middle * step
    yield Row("BA-16: voltage held until 2 A", time, expected["t_end_s"], 2.0, "s", case["source"])
    yield Row(
        "BA-16: charge put in meanwhile", passed / 3600.0, expected["Ah_in_CV"], 0.01, "Ah", case["source"]
    )


def loop() -> Iterator[Row]:
    usual = CHEMISTRIES["LFP"]
    made = plain(
        "LFP",
        16,
        0.3,
        r0=0.0,
        r1=1e-12,
        c1=1.0,
        r2=1e-12,
        c2=1.0,
        hysteresis=16 * usual.hysteresis,
        hysteresis_rate=50.0,
    )
    made._x[S.hysteresis] = -1.0
    count, way = 2880, 0.4
    up = made.run(np.full(count, 100.0), 1.0)
    down = made.run(np.full(count, -100.0), 1.0)
    area = float(np.sum(up) - np.sum(down)) * 100.0
    expected = 2 * 16 * usual.hysteresis * 720e3 * (way - 2 * (1 - math.exp(-50.0 * way)) / 50.0)
    source = "closed form of Plett's one-state model, J. Power Sources 134 (2004) 277"
    yield Row("hysteresis: area of a loop over 40 % of charge", area, expected, 2e-3 * expected, "J", source)


def stiff() -> Iterator[Row]:
    """Two hours of changing current: the same equations written again for scipy's LSODA."""
    from scipy.integrate import solve_ivp

    usual = CHEMISTRIES["LFP"]
    made = plain(
        "LFP",
        16,
        0.5,
        hysteresis=16 * usual.hysteresis,
        hysteresis_rate=usual.hysteresis_rate,
        activation=usual.activation,
    )
    grid = np.linspace(-0.02, 1.06, 43_201)
    pack = 16 * open_circuit.cell_voltage(grid)

    def current(time: float) -> float:
        return 60.0 * math.sin(2 * math.pi * time / 1800.0)

    def slope(time: float, y: Any) -> list[float]:
        _soc, v1, v2, h, kelvin = y
        i = current(time)
        k = math.exp(usual.activation * (1 / kelvin - 1 / 298.15))
        lost = (
            k * 0.012 * i * i
            + v1 * v1 / (k * 0.008)
            + v2 * v2 / (k * 0.012)
            + 16 * usual.hysteresis * abs(i) * h * h
        )
        return [
            i / 720e3, i / 3750.0 - v1 / (k * 0.008 * 3750.0), i / 50e3 - v2 / (k * 0.012 * 50e3),
            usual.hysteresis_rate * abs(i) / 720e3 * (math.copysign(1, i) - h), lost / 60e3 - (kelvin - 298.15) / 18e3,
        ]  # fmt: skip

    step, until = 0.05, 7000.0
    middle = (np.arange(int(until / step)) + 0.5) * step
    made.run([current(t) for t in middle], step)
    found = solve_ivp(
        slope,
        (0.0, until),
        [0.5, 0.0, 0.0, 0.0, 298.15],
        method="LSODA",
        rtol=1e-10,
        atol=1e-12,
        max_step=20.0,
    )
    soc, v1, v2, h, kelvin = found.y[:, -1]
    rest = float(np.interp(soc, grid, pack))
    source = "scipy LSODA on the same equations, written again"
    for name, ours, reference, allowed, unit in (
        ("state of charge", made.soc, soc, 1e-7, "1"),
        ("hysteresis state", float(made._x[S.hysteresis]), h, 1e-4, "1"),
        ("temperature", made.temperature, kelvin, 1e-3, "K"),
        (
            "voltage at rest of all branches",
            made.voltage(0.0),
            rest + v1 + v2 + 16 * usual.hysteresis * h,
            2e-4,
            "V",
        ),
    ):
        yield Row(f"after 7000 s of a 60 A sine: {name}", ours, float(reference), allowed, unit, source)


def other_library() -> Iterator[Row]:
    """PyBaMM's equivalent circuit, one RC pair, over a pulse and rest."""
    os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pybamm

        pybamm.set_logging_level("ERROR")
        model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 1})
        values = model.default_parameter_values
        ohm = {"R0 [Ohm]": 0.0015, "R1 [Ohm]": 0.001, "C1 [F]": 40_000.0}
        values.update(
            {
                **{name: (lambda *_, v=value: pybamm.Scalar(v)) for name, value in ohm.items()},
                "Open-circuit voltage [V]": lambda soc: 3.0 + 0.6 * soc, "Entropic change [V/K]": lambda *_: pybamm.Scalar(0.0),
                "Cell capacity [A.h]": 100.0, "Nominal cell capacity [A.h]": 100.0, "Initial SoC": 0.5,
                "Current function [A]": pybamm.Interpolant(
                    np.array([0.0, 60.0, 60.0001, 600.0]), np.array([50.0, 50.0, 0.0, 0.0]), pybamm.t
                ),
                "Upper voltage cut-off [V]": 5.0, "Lower voltage cut-off [V]": 1.0,
            },
            check_already_exists=False,
        )  # fmt: skip
        solver = pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-11)
        times = np.array([0.0, 10.0, 30.0, 59.0, 61.0, 90.0, 180.0])
        solution = pybamm.Simulation(model, parameter_values=values, solver=solver).solve(
            [0.0, 180.0], t_interp=times
        )
        theirs = solution["Voltage [V]"](times)
    made = plain("LFP", 1, 0.5, capacity=360e3, r0=0.0015, r1=0.001, c1=40e3, r2=1e-12, c2=1.0)
    soc = open_circuit.FIRST + open_circuit.STEP * np.arange(made._table.shape[1])
    made._table[:2] = 3.0 + 0.6 * soc
    time, step = 0.0, 0.01
    source = f"PyBaMM {library('pybamm')}, equivalent_circuit.Thevenin"
    for at, reference in zip(times[1:], theirs[1:], strict=True):
        while time < at - step / 2:
            made.run([-50.0 if time < 60.0 - step / 2 else 0.0], step)
            time += step
        ours = made.voltage(-50.0 if at <= 60.0 else 0.0)
        yield Row(f"50 A for 60 s, then rest: {at:g} s", ours, float(reference), 1e-4, "V", source)
