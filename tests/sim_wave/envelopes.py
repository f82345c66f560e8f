"""Hand-made envelopes for the waveform model: what a plant would say, with every figure chosen here."""

from dataclasses import dataclass, field

import numpy as np

from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.envelope import Envelope

STEP = 1e-3


@dataclass
class Course:
    """Piecewise-constant values: `at(t, name=value)` changes them from `t` on."""

    changes: list[tuple[float, dict[str, float]]] = field(default_factory=list)

    def at(self, t: float, **values: float) -> "Course":
        self.changes.append((t, values))
        return self


ISLAND = {
    "bus_voltage": 230.0, "bus_frequency": 50.0, "pv_power": 0.0, "load_power": 0.0, "grid_voltage": 0.0,
    "open_circuit": 53.0, "phase_shift": 0.0, "switch": 0.0, "relay": 0.0, "mode": 2.0, "pv_on": 1.0,
    "contactor": 1.0, "stage_on": 1.0, "grid_power": 0.0, "idle_loss": 60.0,
}  # fmt: skip
ON_GRID = {**ISLAND, "switch": 1.0, "relay": 1.0, "mode": 1.0, "grid_voltage": 230.0}


def envelope(
    start: dict[str, float],
    course: Course,
    stop: float,
    circuit: Circuit | None = None,
    step: float = STEP,
    begin: float = 0.0,
) -> Envelope:
    """The envelope of a course; bridge power balances the bus, battery current carries it and the losses."""
    circuit = circuit or Circuit()
    times = begin + np.arange(round((stop - begin) / step) + 1) * step
    values = {name: np.full(len(times), value) for name, value in start.items()}
    for t, changed in course.changes:
        for name, value in changed.items():
            values[name][times >= t - 1e-12] = value
    conductance = values.pop("load_power") / circuit.rated_voltage**2
    values["load_conductance"] = conductance
    values["bridge_power"] = (
        conductance * values["bus_voltage"] ** 2 - values["pv_power"] - values["grid_power"]
    )
    power = values["bridge_power"] + values.pop("idle_loss")
    source = values.pop("open_circuit")
    # terminal v = e + r i with v i = -power: the larger root is the working point
    r = circuit.battery_resistance
    current = (-source + np.sqrt(source**2 - 4 * r * power)) / (2 * r)
    values["battery_current"] = np.where(values["contactor"] > 0.5, current, 0.0)
    values["battery_voltage"] = source + r * values["battery_current"]
    frequency = values["bus_frequency"]
    phase = np.concatenate([[0.0], np.cumsum(2 * np.pi * step * 0.5 * (frequency[1:] + frequency[:-1]))])
    values["bus_phase"] = phase
    values["grid_phase"] = phase.copy()
    return Envelope(times, values, tuple(sorted({t for t, _ in course.changes})), circuit)
