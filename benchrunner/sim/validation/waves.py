"""Waveforms: the time-domain circuit against scipy's solver on the same equations written again, and the joins."""

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from benchrunner import data
from benchrunner.sim.validation.rows import Row, Table

Array = npt.NDArray[np.float64]
STIFF = "scipy solve_ivp (DOP853, rtol 1e-10) on Kirchhoff's laws written again"
PLANT = "the plant's own tap, RMS over four whole cycles"
RATE = 50_000.0


def table() -> Table:
    """All rows."""
    says = (
        "Each phase: bridge, choke, capacitor, loads, PV bridge, grid impedance; the joins of the time-domain window with"
        " the envelope before and after it. Not carried: pulses and dead time of the bridges, arcs, saturation and"
        " transformer inrush, capacitive loads at an event. A rectifier's harmonics are prescribed."
    )
    return Table("Waveforms", says, (*energised(), *joins()))


def energised() -> Iterator[Row]:
    """A dead bus with a resistive and an inductive load is joined to three phases of a grid with a neutral."""
    from scipy.integrate import solve_ivp

    from benchrunner.sim.wave import kernel
    from benchrunner.sim.wave.circuit import Circuit

    c = Circuit(phases=3, neutral_resistance=0.4)
    omega, top, end = 2 * math.pi * 50.0, 230.0 * math.sqrt(2.0), 0.04
    conductances, ohm, henry = (0.06, 0.02, 0.04), 6.0, 0.06
    count = round(end / c.step)
    t = np.arange(count + 1) * c.step
    rows = np.zeros((count + 1, kernel.drives(3)))
    rows[:, kernel.RELAY] = rows[:, kernel.SWITCH] = 1.0
    rows[:, kernel.LOAD_RESISTANCE], rows[:, kernel.LOAD_INDUCTANCE] = ohm, henry
    for k, g in enumerate(conductances):
        rows[:, kernel.LOAD if k == 0 else kernel.SHARED + kernel.OF_PHASE * (k - 1) + 3] = g
    turned = kernel.offsets(3)
    halves = np.arange(2 * count + 1) * c.step / 2
    source = top * np.sin(omega * halves[None, :] + turned[:, None])
    record = np.zeros((count + 1, kernel.results(3)))
    energies, extra = np.zeros(kernel.ENERGIES), np.zeros(2)
    start = np.zeros(5 * 3 + 4)
    start[15:17] = 5000.0, 53.0  # V: a link so high that the diodes of the bridges take no part
    kernel.run(rows, source, np.zeros((3, 2 * count + 1)), start, np.zeros((3, 3)), kernel.vector(c), turned,
               c.step, c.every, record, energies, extra)  # fmt: skip

    def slope(time: float, y: Array) -> Array:
        v, i, il = y[:3], y[3:6], y[6:]
        e = top * np.sin(omega * time - 2 * math.pi / 3 * np.arange(3))
        dv = (i - il - (np.array(conductances) + 1 / c.bleed_resistance) * v) / c.bus_capacitance
        di = (e - v - c.grid_resistance * i - c.neutral_resistance * i.sum()) / c.grid_inductance
        return np.concatenate([dv, di, (v - ohm * il) / henry])

    found = solve_ivp(slope, (0.0, end), np.zeros(9), method="DOP853", t_eval=t, rtol=1e-10, atol=1e-9).y
    places = [(0, kernel.BUS_V, kernel.GRID_I)] + [
        (k, kernel.RESULTS + 6 * (k - 1), kernel.RESULTS + 6 * (k - 1) + 5) for k in (1, 2)
    ]
    for k, volts, amperes in places:
        for what, ours, reference, allowed, unit in (
            ("voltage", record[:, volts], found[k], 0.1, "V"),
            ("grid current", record[:, amperes], found[3 + k], 0.05, "A"),
        ):
            at = int(np.argmax(np.abs(ours - reference)))
            yield Row(
                f"bus joined to a grid, L{k + 1}: {what} where it differs most",
                float(ours[at]), float(reference[at]), allowed, unit, STIFF,
            )  # fmt: skip


def joins() -> Iterator[Row]:
    """RMS, frequency and phase on both sides of a window round a load step and a transfer."""
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.sim.plant import Plant
    from benchrunner.sim.wave import waveform
    from benchrunner.sim.wave.segment import AFTER

    at = 2.0037
    cases = (
        ("tarn6-corrie5", ("load.power", 500.0), {"grid.closed": 0.0, "load.power": 3000.0}),
        ("dune9-spit7", ("grid.closed", 0.0), {"load.power_l1": 2000.0, "load.power_l2": 500.0}),
        ("fell15-ridge12", ("load.power_l2", 2000.0), {"grid.closed": 0.0, "load.power_l1": 3000.0}),
    )
    for name, order, start in cases:
        pairing = read_pairing(data.find(name, "resources", "pairings"))
        plant = Plant(pairing, seed=3, start={"soc": 0.6, **start})
        plant.advance(at)
        plant.set(*order)
        plant.advance(5.0)
        rated = pairing.battery_inverter.rated_frequency
        last = f"_l{pairing.phases}"
        count = round(4.0 / rated * RATE)
        inside_from, outside_from = at + AFTER - 5.0 / rated, at + AFTER + 1.0  # before the cycle that blends
        ends: list[tuple[str, float, float]] = []
        phases = []
        for begin in (inside_from, outside_from):
            wave = waveform(plant, (f"bus.voltage{last}",), begin, RATE, count)[0][0]
            t = begin + np.arange(count) / RATE
            turn = wave * np.exp(-2j * math.pi * rated * t)
            half = count // 2
            angles = np.angle([turn[:half].mean(), turn[half:].mean()])
            slip = float((angles[1] - angles[0] + math.pi) % (2 * math.pi) - math.pi)
            phases.append(float(np.angle(turn.mean())))
            ends.append(
                (
                    "inside the window" if begin < at + AFTER else "after it",
                    float(np.sqrt(np.mean(wave**2))),
                    slip,
                )
            )
        for when, rms, slip in ends:
            yield Row(f"{name}: bus voltage {last[1:].upper()}, {when}", rms, plant.value(f"bus.voltage{last}"),
                      0.005 * pairing.phase_voltage, "V", PLANT)  # fmt: skip
            yield Row(f"{name}: frequency {last[1:].upper()}, {when}", rated + slip / (2 * math.pi * 2.0 / rated),
                      plant.value("bus.frequency"), 0.01, "Hz", "the plant's own tap")  # fmt: skip
        apart = (phases[1] - phases[0] + math.pi) % (2 * math.pi) - math.pi
        yield Row(f"{name}: phase {last[1:].upper()}, window against envelope", math.degrees(apart), 0.0, 1.0, "deg",
                  "an oscillator that runs on evenly")  # fmt: skip
