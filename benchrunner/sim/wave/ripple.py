"""The ripple at twice the bus frequency that single-phase power causes in the DC link and the battery, small
signal.

With v = sqrt(2) V sin(x) and a filter current sqrt(2) (I sin(x) + J cos(x)) the bridge's power is
v i = V I (1 - cos 2x) + V J sin 2x (the phases' sum, each at its own angle), to which choke and its resistance add their own (trigonometry). The DC
stage passes its share of the pulsation to the battery (`Circuit.ripple_share`); link and terminal capacitor
take the rest. A phasor Z stands for the wave Re(Z exp(2jx)).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.kernel import offsets

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Ripple:
    """Phasors at twice the bus frequency, in A and V; zero where the bridge is at rest."""

    stage_current: Complex  # battery side of the DC stage, positive from the battery
    battery_current: Complex  # positive when charging
    battery_voltage: Complex
    link_voltage: Complex
    link_integral: Complex  # the integral part of the DC stage's control


def ripple(
    circuit: Circuit,
    voltage: Array,
    power: Array,
    lagging: Array,
    terminal: Array,
    current: Array,
    runs: Array,
) -> Ripple:
    """Ripple for bus voltages (V RMS), bridge powers (W to the bus) and vars (delivered), each (phases, points); battery
    voltage and current (V, A charging).

    `runs`: non-zero where bridge, DC stage and battery are at work. On a balanced three-phase bus it is none.
    """
    omega = 2 * np.pi * circuit.rated_frequency
    x, r = omega * circuit.filter_inductance, circuit.filter_resistance
    bridge = np.zeros(len(terminal), dtype=np.complex128)
    for volts_of, watts, vars_of, turn in zip(voltage, power, lagging, offsets(circuit.phases), strict=True):
        alive = (volts_of > 0.05 * circuit.rated_voltage) & (runs > 0.5)
        safe = np.where(alive, volts_of, 1.0)
        active = np.where(alive, watts / safe + volts_of / circuit.bleed_resistance, 0.0)
        reactive = np.where(alive, omega * circuit.bus_capacitance * volts_of - vars_of / safe, 0.0)
        cosine = -volts_of * active + 2 * x * active * reactive - r * (active**2 - reactive**2)
        sine = volts_of * reactive + x * (active**2 - reactive**2) + 2 * r * active * reactive
        bridge += np.where(alive, cosine - 1j * sine, 0.0) * np.exp(2j * turn)
    s = 2j * omega
    stage = circuit.ripple_share(2 * omega) * bridge
    volts = np.maximum(terminal, 1.0)
    series = circuit.battery_resistance / (1 + s * circuit.battery_resistance * circuit.terminal_capacitance)
    # the control asks for power: as the terminal voltage gives way, the current makes up for it
    stage_current = stage / (volts + current * series)
    battery_current = -stage_current / (1 + s * circuit.battery_resistance * circuit.terminal_capacitance)
    link = (stage - bridge) / (s * circuit.link_capacitance * circuit.link_voltage)
    return Ripple(
        stage_current,
        battery_current,
        circuit.battery_resistance * battery_current,
        link,
        -circuit.link_integral / s * link,
    )
