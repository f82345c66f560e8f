"""Runs the compiled kernel on hand-made drives, outside any envelope."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave import kernel
from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.segment import stored_energy

Array = npt.NDArray[np.float64]
OMEGA = 2 * np.pi * 50.0
TOP = 230.0 * np.sqrt(2.0)


@dataclass
class Ran:
    t: Array
    record: Array
    energies: Array
    extra: Array
    stored: tuple[float, float]

    def of(self, column: int) -> Array:
        return self.record[:, column]


def run(
    circuit: Circuit, seconds: float, *, start: dict[int, float] | None = None, source=None, **drive
) -> Ran:
    """Step `circuit`; `drive`: kernel column name -> number or function of time; `source`: function of time, V."""
    h = circuit.step
    n = round(seconds / h)
    t = np.arange(n + 1) * h
    rows = np.zeros((n + 1, kernel.drives(1)))
    settings = {
        "THETA": lambda x: OMEGA * x, "AMPLITUDE": TOP, "OMEGA": OMEGA, "MODE": kernel.FORMING, "PV_ON": 1.0,
        "OPEN_CIRCUIT": 53.0, "CONTACTOR": 1.0, "LOSS": 60.0, "STAGE_ON": 1.0, **drive,
    }  # fmt: skip
    for name, value in settings.items():
        rows[:, getattr(kernel, name)] = value(t) if callable(value) else value
    halves = np.arange(2 * n + 1) * h / 2
    volts = np.asarray(source(halves) if source else np.zeros_like(halves), dtype=np.float64)
    first = np.array([circuit.bus_capacitance * OMEGA * TOP, 0.0, 0.0, 0.0, 0.0, 400.0, 53.0, 0.0, 0.0])
    lock = np.array([[0.0, 0.0, TOP]])
    for place, value in (start or {}).items():
        first[place] = value
    record = np.zeros((n + 1, kernel.RESULTS))
    energies, extra = np.zeros(kernel.ENERGIES), np.zeros(2)
    more = np.zeros((1, 2 * n + 1))
    final = kernel.run(
        rows, volts[None, :], more, first, lock, kernel.vector(circuit), kernel.offsets(1), h, circuit.every,
        record, energies, extra,
    )  # fmt: skip
    henry = rows[0, kernel.LOAD_INDUCTANCE], rows[-1, kernel.LOAD_INDUCTANCE]
    kept = stored_energy(circuit, first, henry[0]), stored_energy(circuit, final, henry[1])
    return Ran(t, record, energies, extra, kept)
