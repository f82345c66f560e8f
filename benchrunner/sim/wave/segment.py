"""Runs the time-domain model round events: windows, what drives the circuit there, and the samples it gives.

The slow quantities (the voltage that the battery inverter aims at, its frequency, the PV inverter's
commanded power, the load, the battery's own voltage) follow the envelope; the circuit adds what happens
within a cycle.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.envelope import Envelope
from benchrunner.sim.wave.ripple import ripple

Array = npt.NDArray[np.float64]

WARM_UP = 0.1  # s that the circuit runs before its samples count
BEFORE = 0.04  # s of samples before an event
AFTER = 0.22  # s of samples after an event, the last cycle of which goes over into the envelope
ALIVE = 0.5  # of rated voltage: below it the envelope's powers say nothing about currents
RISEN = 1.1  # of rated voltage: above it an unformed bus is held by what limits it
LONGEST = 4.0  # s of one merged window; a denser series of events is cut into pieces


@dataclass(frozen=True)
class Segment:
    """Samples of one window: `samples[name]` at `start + k * step`; `fade_out`: goes over into the envelope at its end."""

    start: float
    step: float
    samples: dict[str, Array]
    fade_out: bool
    energies: Array
    stored: tuple[float, float]
    pv_trip: float | None
    loss_noticed: float | None

    @property
    def stop(self) -> float:
        return self.start + (len(self.samples["bus.voltage"]) - 1) * self.step


def windows(events: list[float], start: float, stop: float) -> list[tuple[float, float]]:
    """The stretches of [start, stop] that need the time-domain model, merged where they meet."""
    found: list[tuple[float, float]] = []
    for t in sorted(events):
        if not start - AFTER <= t <= stop:
            continue
        begin, end = t - BEFORE, t + AFTER
        if found and begin <= found[-1][1] and end - found[-1][0] <= LONGEST:
            found[-1] = (found[-1][0], end)
        else:
            found.append((max(begin, found[-1][1]) if found else begin, end))
    return found


def simulate(envelope: Envelope, begin: float, end: float) -> Segment:
    """Run the circuit over [begin, end] (s) after a warm-up; the envelope has to cover the span or its nearest part."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    h = circuit.step
    first = max(begin - WARM_UP, envelope.start)
    fade_out = end <= envelope.stop
    last = min(end, envelope.stop)
    count = max(2, int(np.ceil((last - first) / h)))
    times: Array = first + np.arange(count + 1, dtype=np.float64) * h
    halves: Array = first + np.arange(2 * count + 1, dtype=np.float64) * (h / 2)
    drive = drive_rows(envelope, times)
    source = grid_source(envelope, halves)
    record = np.zeros((count + 1, kernel.RESULTS))
    energies, extra = np.zeros(kernel.ENERGIES), np.zeros(2)
    start = initial_state(envelope, drive[0], times[:1])
    final = kernel.run(
        drive, source, start, kernel.vector(circuit), h, circuit.every, record, energies, extra
    )
    keep = max(0, int(np.floor((begin - first) / h)))
    names = {
        "bus.voltage": kernel.BUS_V, "bus.current": kernel.BUS_I, "load.current": kernel.LOAD_I,
        "pv.current": kernel.PV_I, "battery.voltage": kernel.BATTERY_V, "battery.current": kernel.BATTERY_I,
        "grid.voltage": kernel.GRID_V, "grid.current": kernel.GRID_I, "dc_link.voltage": kernel.LINK_V,
    }  # fmt: skip
    samples = {name: np.ascontiguousarray(record[keep:, column]) for name, column in names.items()}
    return Segment(
        start=first + keep * h, step=h, samples=samples, fade_out=fade_out, energies=energies,
        stored=(stored_energy(circuit, start), stored_energy(circuit, final)),
        pv_trip=None if np.isnan(extra[0]) else first + float(extra[0]),
        loss_noticed=None if np.isnan(extra[1]) else first + float(extra[1]),
    )  # fmt: skip


def stored_energy(circuit: Circuit, y: Array) -> float:
    """Energy in the chokes and capacitors, J; states in the kernel's order."""
    return 0.5 * float(
        circuit.filter_inductance * y[0] ** 2 + circuit.bus_capacitance * y[1] ** 2
        + circuit.grid_inductance * y[2] ** 2 + circuit.pv_inductance * y[3] ** 2
        + circuit.link_capacitance * y[4] ** 2 + circuit.terminal_capacitance * y[5] ** 2
    )  # fmt: skip


def held(values: Array, good: npt.NDArray[np.bool_]) -> Array:
    """`values` where `good`; elsewhere the last good one before (the first good one where there is none; else zero)."""
    if good.all():
        return values
    if not good.any():
        return np.zeros_like(values)
    place = np.where(good, np.arange(len(values)), -1)
    place = np.maximum.accumulate(place)
    place[place < 0] = int(np.argmax(good))
    return values[place]


def drive_rows(envelope: Envelope, times: Array) -> Array:
    """The kernel's drive, one row per time."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    rows = np.zeros((len(times), kernel.DRIVES))
    voltage = envelope.of("bus_voltage", times)
    alive = voltage > ALIVE * circuit.rated_voltage
    mode = envelope.of("mode", times)
    on_grid = (envelope.of("relay", times) > 0.5) & (envelope.of("switch", times) > 0.5)
    steady = alive & (on_grid | (mode == kernel.FORMING))  # elsewhere the bus has no settled voltage to go by
    safe = np.where(alive, voltage, 1.0)
    root2 = np.sqrt(2.0)
    aim = held(voltage, steady)
    rows[:, kernel.THETA] = envelope.angle(times)
    rows[:, kernel.AMPLITUDE] = root2 * np.where(aim > 0, aim, circuit.rated_voltage)
    rows[:, kernel.OMEGA] = 2 * np.pi * held(envelope.of("bus_frequency", times), alive)
    rows[:, kernel.BRIDGE_CURRENT] = root2 * held(envelope.of("bridge_power", times) / safe, alive & on_grid)
    # where nobody forms the bus and it rises, the PV inverter still tries what it did before
    tells = steady | (alive & (voltage < RISEN * circuit.rated_voltage))
    rows[:, kernel.PV_CURRENT] = root2 * np.maximum(0.0, held(envelope.of("pv_power", times) / safe, tells))
    rows[:, kernel.LOAD] = envelope.of("load_conductance", times)
    rows[:, kernel.RELAY] = envelope.of("relay", times)
    rows[:, kernel.SWITCH] = envelope.of("switch", times)
    rows[:, kernel.MODE] = mode
    rows[:, kernel.PV_ON] = envelope.of("pv_on", times)
    current = envelope.of("battery_current", times)
    terminal = envelope.of("battery_voltage", times)
    contactor = envelope.of("contactor", times) > 0.5
    rows[:, kernel.OPEN_CIRCUIT] = held(terminal - circuit.battery_resistance * current, contactor)
    rows[:, kernel.CONTACTOR] = contactor
    lost = (
        -terminal * current
        - envelope.of("bridge_power", times)
        - extra_losses(circuit, voltage, terminal, current)
    )
    rows[:, kernel.LOSS] = np.maximum(0.0, held(lost, steady & contactor))
    rows[:, kernel.STAGE_ON] = envelope.of("stage_on", times)
    return rows


def extra_losses(circuit: Circuit, voltage: Array, terminal: Array, current: Array) -> Array:
    """What the circuit's own resistors take already, so that the envelope's losses are not counted twice, W."""
    return circuit.stage_resistance * current**2 + voltage**2 / circuit.bleed_resistance


def grid_source(envelope: Envelope, times: Array) -> Array:
    """Voltage of the grid's source behind its impedance, V: so that the bus comes out as the envelope says."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    switch = envelope.of("switch", times) > 0.5
    if not switch.any():
        return np.zeros(len(times))
    # only in steady company does the envelope's bus tell what stands behind the impedance; else it is as set
    company = (envelope.of("relay", times) > 0.5) & (envelope.of("mode", times) == kernel.FOLLOWING)
    root2 = np.sqrt(2.0)
    voltage = envelope.of("bus_voltage", times)
    alive = voltage > 0.05 * circuit.rated_voltage
    current = np.where(alive, envelope.of("grid_power", times) / np.where(alive, voltage, 1.0), 0.0)
    phase = envelope.angle(times)
    reactance = 2 * np.pi * envelope.of("bus_frequency", times) * circuit.grid_inductance
    joined = (voltage + circuit.grid_resistance * current) * np.sin(phase) + reactance * current * np.cos(
        phase
    )
    apart = envelope.of("grid_voltage", times) * np.sin(envelope.of("grid_phase", times))
    return np.asarray(root2 * np.where(switch, np.where(company, joined, apart), 0.0))


def initial_state(envelope: Envelope, row: Array, time: Array) -> Array:
    """Where the circuit starts: on the envelope's phasors; the warm-up settles what they leave open."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    at = {name: envelope.of(name, time) for name in envelope.values}
    theta, top, omega = row[kernel.THETA], row[kernel.AMPLITUDE], row[kernel.OMEGA]
    sine, cosine = np.sin(theta), np.cos(theta)
    closed = row[kernel.RELAY] > 0.5 and row[kernel.SWITCH] > 0.5
    dead = row[kernel.MODE] == kernel.BLOCKED and not closed
    if dead:
        top = 0.0
    pv = row[kernel.PV_CURRENT] if row[kernel.PV_ON] > 0.5 and not dead else 0.0
    grid = 2.0 * float(at["grid_power"][0]) / top if closed and top > 0 else 0.0
    bridge = 0.0 if dead else row[kernel.LOAD] * top - pv - grid
    terminal, current = float(at["battery_voltage"][0]), float(at["battery_current"][0])
    runs = np.array([float(row[kernel.MODE] * row[kernel.CONTACTOR] * row[kernel.STAGE_ON])])
    battery = at["battery_voltage"], at["battery_current"]
    pulse = ripple(circuit, at["bus_voltage"], at["bridge_power"], battery[0], battery[1], runs)
    turn = np.exp(2j * theta)

    def now(phasor: npt.NDArray[np.complex128]) -> float:
        return float((phasor[0] * turn).real)

    return np.array([
        bridge * sine + circuit.bus_capacitance * omega * top * cosine, top * sine, grid * sine, pv * sine,
        circuit.link_voltage + now(pulse.link_voltage), terminal + now(pulse.battery_voltage),
        -current + now(pulse.stage_current), theta, omega - 2 * np.pi * circuit.rated_frequency, top,
        -current * terminal / circuit.link_voltage + now(pulse.link_integral),
    ])  # fmt: skip
