"""The AC side: neutral currents, unbalance, unequal legs, against Kirchhoff's laws solved by numpy on its own."""

import cmath
import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from benchrunner import data
from benchrunner.sim.plant import Plant
from benchrunner.sim.validation.rows import Row, Table, published

KIRCHHOFF = "nodal analysis of the same circuit, solved by numpy"


def table() -> Table:
    """All rows."""
    says = (
        "Phasors of one, two (split-phase) or three phases with a neutral. Steady state within a step: what happens inside a"
        " cycle is the waveform model's. Harmonic currents are prescribed, and lossless in the lines."
    )
    return Table("Bus, grid and loads", says, (*resistive(), *split(), *three(), *on_grid()))


def island(name: str, **start: float) -> Plant:
    """A pairing of `resources/pairings`, islanded, loads on, no sun; settled."""
    from benchrunner.cards.pairing import read_pairing

    pairing = read_pairing(data.find(name, "resources", "pairings"))
    plant = Plant(pairing, start={"soc": 0.6, "grid.closed": 0.0, **start})
    plant.advance(20.0)
    return plant


def resistive() -> Iterator[Row]:
    """PF-11: P = P0 (V / V0)^2."""
    plant = island("tarn6-corrie5", **{"load.power": 2000.0})
    ours, volts = plant.value("load.power"), plant.value("bus.voltage")
    yield Row(
        "2 kW at nominal: power at the bus's voltage",
        ours,
        2000 * (volts / 230.0) ** 2,
        1e-6,
        "W",
        published()["PF-11"]["source"],
    )


def split() -> Iterator[Row]:
    """PF-05: legs loaded unequally and a load between them, scaled to what the bus's voltage makes of it."""
    given, expected = published()["PF-05"]["input"], published()["PF-05"]["expected"]
    plant = island(
        "dune9-spit7",
        **{
            "load.power_l1": given["L1_W"],
            "load.power_l2": given["L2_W"],
            "load.power_l1_l2": given["L12_W"],
        },
    )
    v = [plant.value(f"bus.voltage_l{k}") / 120.0 for k in (1, 2)]
    source = published()["PF-05"]["source"]
    between = given["L12_W"] / 240.0 * (v[0] + v[1]) / 2
    for k, leg in ((0, "L1"), (1, "L2")):
        own = given[f"{leg}_W"] / 120.0 * v[k]
        yield Row(
            f"PF-05: current in {leg}",
            plant.value(f"load.current_l{k + 1}"),
            own + between,
            1e-6,
            "A",
            source,
        )
        yield Row(f"PF-05: {leg}, against the published figure at 120 V", plant.value(f"load.current_l{k + 1}") / v[k],
                  expected[f"I_{leg}"], 0.15, "A", source)  # fmt: skip
    neutral = abs(given["L1_W"] * v[0] - given["L2_W"] * v[1]) / 120.0
    yield Row("PF-05: current in the neutral", plant.value("load.current_n"), neutral, 1e-6, "A", source)


def three() -> Iterator[Row]:
    """PF-08 scaled (10, 8, 6 A), and the unbalance by symmetrical components (IEC 61000-4-30, 5.7)."""
    loads = [2300.0, 1840.0, 1380.0]
    plant = island("fell15-ridge12", **{f"load.power_l{k + 1}": p for k, p in enumerate(loads)})
    volts = [plant.value(f"bus.voltage_l{k}") for k in (1, 2, 3)]
    nominal = plant.pairing.phase_voltage
    currents = [p / nominal**2 * u for p, u in zip(loads, volts, strict=True)]
    a, b, c = currents
    expected = math.sqrt(a * a + b * b + c * c - a * b - b * c - c * a)
    yield Row(
        "PF-08: neutral of 10, 8 and 6 A",
        plant.value("load.current_n"),
        expected,
        1e-3,
        "A",
        published()["PF-08"]["source"],
    )
    turn = cmath.rect(1.0, 2 * math.pi / 3)
    phasors = [u * turn**-k for k, u in enumerate(volts)]
    negative = abs(phasors[0] + turn**2 * phasors[1] + turn * phasors[2])
    positive = abs(phasors[0] + turn * phasors[1] + turn**2 * phasors[2])
    yield Row(
        "unbalance of the bus",
        plant.value("bus.unbalance"),
        negative / positive,
        2e-4,
        "1",
        published()["PF-14"]["source"],
    )


def on_grid() -> Iterator[Row]:
    """Three phases on a weak grid with a neutral: voltages and currents by nodal analysis."""
    from benchrunner.cards.pairing import read_pairing

    pairing = read_pairing(data.find("fell15-ridge12", "resources", "pairings"))
    loads = [4000.0, 2500.0, 500.0]
    start = {
        "soc": 0.9,
        "grid.resistance": 0.8,
        "grid.reactance": 0.5,
        **{f"load.power_l{k + 1}": p for k, p in enumerate(loads)},
    }
    plant = Plant(pairing, start=start)
    plant.advance(60.0)
    nominal = pairing.phase_voltage
    inverter = [plant.value(f"battery_inverter.power_l{k}") for k in (1, 2, 3)]
    voltages = solved(nominal, loads, inverter, complex(0.8, 0.5), pairing.twin.grid_neutral_resistance)
    for k in range(3):
        yield Row(
            f"weak grid: voltage of L{k + 1}",
            plant.value(f"bus.voltage_l{k + 1}"),
            abs(voltages[k]),
            2e-3,
            "V",
            KIRCHHOFF,
        )
        current = loads[k] / nominal**2 * voltages[k] - inverter[k] * voltages[k] / abs(voltages[k]) ** 2
        yield Row(
            f"weak grid: grid current of L{k + 1}",
            plant.value(f"grid.current_l{k + 1}"),
            abs(current),
            2e-3,
            "A",
            KIRCHHOFF,
        )


def solved(nominal: float, loads: list[float], inverter: list[float], z: complex, neutral: float) -> Any:
    """Phase voltages against the neutral at the load; the inverter injects in phase with them; by fixed point on numpy.linalg."""
    turn = cmath.rect(1.0, -2 * math.pi / 3)
    source = np.array([nominal * turn**k for k in range(3)])
    v = source.copy()
    for _ in range(200):
        injected = np.array(inverter) * v / np.abs(v) ** 2
        admittance = np.diag([p / nominal**2 for p in loads])
        impedance = z * np.eye(3) + neutral * np.ones((3, 3))
        v = np.linalg.solve(np.eye(3) + impedance @ admittance, source + impedance @ injected)
    return v
