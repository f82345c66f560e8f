"""Runs the time-domain model round events: windows, what drives the circuit there, and the samples it gives.

The slow quantities (the voltage that the battery inverter aims at, its frequency, the PV inverter's
commanded power, the load, the battery's own voltage) follow the envelope; the circuit adds what happens
within a cycle.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.circuit import LOAD_FACTOR, Circuit
from benchrunner.sim.wave.envelope import Envelope
from benchrunner.sim.wave.ripple import ripple

Array = npt.NDArray[np.float64]

WARM_UP = 0.1  # s that the circuit runs before its samples count
BEFORE = 0.04  # s of samples before an event
AFTER = 0.22  # s of samples after an event, the last cycle of which goes over into the envelope
ALIVE = 0.5  # of rated voltage: below it the envelope's powers say nothing about currents
RISEN = 1.1  # of rated voltage: above it an unformed bus is held by what limits it
ROOT2 = np.sqrt(2.0)
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
        return self.start + (len(self.samples["bus.voltage_l1"]) - 1) * self.step


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

    circuit, phases = envelope.circuit, envelope.phases
    h = circuit.step
    first = max(begin - WARM_UP, envelope.start)
    fade_out = end <= envelope.stop
    last = min(end, envelope.stop)
    count = max(2, int(np.ceil((last - first) / h)))
    times: Array = first + np.arange(count + 1, dtype=np.float64) * h
    halves: Array = first + np.arange(2 * count + 1, dtype=np.float64) * (h / 2)
    drive = drive_rows(envelope, times)
    source, drawn = grid_source(envelope, halves), harmonics(envelope, halves)
    record = np.zeros((count + 1, kernel.results(phases)))
    energies, extra = np.zeros(kernel.ENERGIES), np.zeros(2)
    start, lock = initial_state(envelope, drive[0], times[:1])
    final = kernel.run(
        drive, source, drawn, start, lock, kernel.vector(circuit), kernel.offsets(phases), h, circuit.every,
        record, energies, extra,
    )  # fmt: skip
    keep = max(0, int(np.floor((begin - first) / h)))
    names = {
        "bus.voltage": kernel.BUS_V, "bus.current": kernel.BUS_I, "load.current": kernel.LOAD_I,
        "pv.current": kernel.PV_I, "grid.voltage": kernel.GRID_V, "grid.current": kernel.GRID_I,
    }  # fmt: skip
    columns = {f"{name}_l1": column for name, column in names.items()}
    for k in range(1, phases):
        base = kernel.RESULTS + kernel.RESULTS_OF_PHASE * (k - 1)
        columns |= {f"{name}_l{k + 1}": base + place for place, name in enumerate(names)}
    columns |= {
        "battery.voltage": kernel.BATTERY_V,
        "battery.current": kernel.BATTERY_I,
        "dc_link.voltage": kernel.LINK_V,
    }
    samples = {name: np.ascontiguousarray(record[keep:, column]) for name, column in columns.items()}
    ends = drive[0, kernel.LOAD_INDUCTANCE], drive[-1, kernel.LOAD_INDUCTANCE]
    return Segment(
        start=first + keep * h, step=h, samples=samples, fade_out=fade_out, energies=energies,
        stored=(stored_energy(circuit, start, ends[0]), stored_energy(circuit, final, ends[1])),
        pv_trip=None if np.isnan(extra[0]) else first + float(extra[0]),
        loss_noticed=None if np.isnan(extra[1]) else first + float(extra[1]),
    )  # fmt: skip


def stored_energy(circuit: Circuit, y: Array, load_inductance: float = 0.0) -> float:
    """Energy in the chokes and capacitors, J; states in the kernel's order."""
    tail = 5 * circuit.phases
    each = y[:tail].reshape(circuit.phases, 5)
    parts = (
        circuit.filter_inductance, circuit.bus_capacitance, circuit.grid_inductance, circuit.pv_inductance,
        load_inductance,
    )  # fmt: skip
    return 0.5 * float(
        np.sum(each**2 @ np.array(parts))
        + circuit.link_capacitance * y[tail] ** 2 + circuit.terminal_capacitance * y[tail + 1] ** 2
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


def named(name: str, phase: int) -> str:
    """A track's name for a phase, 0 the first."""
    return name if phase == 0 else f"{name}_l{phase + 1}"


def drive_rows(envelope: Envelope, times: Array) -> Array:
    """The kernel's drive, one row per time."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    rows = np.zeros((len(times), kernel.drives(envelope.phases)))
    voltage = envelope.of("bus_voltage", times)
    alive = voltage > ALIVE * circuit.rated_voltage
    mode = envelope.of("mode", times)
    on_grid = (envelope.of("relay", times) > 0.5) & (envelope.of("switch", times) > 0.5)
    steady = alive & (on_grid | (mode == kernel.FORMING))  # elsewhere the bus has no settled voltage to go by
    # where nobody forms the bus and it rises, the PV inverter still tries what it did before
    tells = steady | (alive & (voltage < RISEN * circuit.rated_voltage))
    rows[:, kernel.THETA] = envelope.angle(times)
    omega = 2 * np.pi * held(envelope.of("bus_frequency", times), alive)
    rows[:, kernel.OMEGA] = omega
    bridge_power = np.zeros(len(times))
    bled = np.zeros(len(times))
    cut, phase = envelope.of("cut_conductance", times), rows[:, kernel.THETA]
    for k, turn in enumerate(kernel.offsets(envelope.phases)):
        volts = envelope.of(named("bus_voltage", k), times)
        power = envelope.of(named("bridge_power", k), times)
        bridge_power += power
        bled += volts**2 / circuit.bleed_resistance
        aim = held(volts, steady)
        safe = np.where(alive & (volts > 1.0), volts, circuit.rated_voltage)
        pv = held(envelope.of(named("pv_power", k), times) / safe, tells)
        side = held(envelope.of(named("pv_reactive", k), times) / safe, tells)
        load = envelope.of(named("load_conductance", k), times)
        if envelope.has("cut_conductance"):
            load = load + cut * conducts(phase + turn, envelope.of("cut_angle", times))
        amplitude = ROOT2 * np.where(aim > 0, aim, circuit.rated_voltage)
        bridge = ROOT2 * held(power / safe, alive & on_grid)
        # vars to the bus lag: the current's part a quarter cycle ahead is negative
        columns = (amplitude, bridge, ROOT2 * np.maximum(0.0, pv), load, -ROOT2 * side)
        if k == 0:
            places = (
                kernel.AMPLITUDE,
                kernel.BRIDGE_CURRENT,
                kernel.PV_CURRENT,
                kernel.LOAD,
                kernel.PV_QUADRATURE,
            )
        else:
            base = kernel.SHARED + kernel.OF_PHASE * (k - 1)
            places = (base, base + 1, base + 2, base + 3, base + 4)
        for place, column in zip(places, columns, strict=True):
            rows[:, place] = column
    if envelope.has("load_susceptance"):
        lagging = np.maximum(0.0, -envelope.of("load_susceptance", times))
        there = lagging > 1e-9
        impedance = 1.0 / np.where(there, lagging, 1.0) / (1.0 + LOAD_FACTOR**2)  # of its reactance, ohm
        rows[:, kernel.LOAD_RESISTANCE] = np.where(there, LOAD_FACTOR * impedance, 0.0)
        rows[:, kernel.LOAD_INDUCTANCE] = np.where(there, impedance / np.maximum(omega, 1.0), 0.0)
    rows[:, kernel.RELAY] = envelope.of("relay", times)
    rows[:, kernel.SWITCH] = envelope.of("switch", times)
    rows[:, kernel.MODE] = mode
    rows[:, kernel.PV_ON] = envelope.of("pv_on", times)
    current = envelope.of("battery_current", times)
    terminal = envelope.of("battery_voltage", times)
    contactor = envelope.of("contactor", times) > 0.5
    rows[:, kernel.OPEN_CIRCUIT] = held(terminal - circuit.battery_resistance * current, contactor)
    rows[:, kernel.CONTACTOR] = contactor
    # what the circuit's own resistors take already is not counted twice; an array on the battery side takes off
    lost = -terminal * current - bridge_power - circuit.stage_resistance * current**2 - bled
    lost = held(lost, steady & contactor)
    rows[:, kernel.LOSS] = lost if envelope.has("dc_power") else np.maximum(0.0, lost)
    rows[:, kernel.STAGE_ON] = envelope.of("stage_on", times)
    return rows


def conducts(angle: Array, cut: Array) -> npt.NDArray[np.bool_]:
    """Whether a phase-cut load is switched on at these angles of its voltage (rad)."""
    return np.asarray(np.mod(angle, np.pi) >= cut)


def cut_share(cut: Array) -> Array:
    """Of a phase-cut resistance's current: the active share at the fundamental (closed form of the Fourier integral)."""
    return np.asarray(1.0 - cut / np.pi + np.sin(2.0 * cut) / (2.0 * np.pi))


def inductive_share(susceptance: Array) -> Array:
    """Conductance that belongs to the loads' inductive branch, S, from their susceptance (negative: lagging)."""
    return LOAD_FACTOR * np.maximum(0.0, -susceptance)


def harmonics(envelope: Envelope, times: Array) -> Array:
    """The loads' prescribed harmonic currents of each phase, A: a rectifier's, as shares of its fundamental.

    All orders peak with the voltage, as those of a rectifier that charges its capacitor at the crest.
    """
    from benchrunner.sim.kernel.loads import RECTIFIER_HARMONICS
    from benchrunner.sim.wave import kernel

    found = np.zeros((envelope.phases, len(times)))
    if not envelope.has("rectifier_conductance"):
        return found
    conductance, angle = envelope.of("rectifier_conductance", times), envelope.angle(times)
    for k, turn in enumerate(kernel.offsets(envelope.phases)):
        top = ROOT2 * conductance * envelope.of(named("bus_voltage", k), times)
        for order, share in RECTIFIER_HARMONICS.items():
            found[k] += (-1.0) ** ((order - 1) // 2) * share * top * np.sin(order * (angle + turn))
    return found


def grid_source(envelope: Envelope, times: Array) -> Array:
    """Voltage of the grid's source behind its impedance, V, of each phase: so that the bus comes out as the envelope says."""
    from benchrunner.sim.wave import kernel

    circuit = envelope.circuit
    found = np.zeros((envelope.phases, len(times)))
    switch = envelope.of("switch", times) > 0.5
    if not switch.any():
        return found
    # only in steady company does the envelope's bus tell what stands behind the impedance; else it is as set
    company = (envelope.of("relay", times) > 0.5) & (envelope.of("mode", times) == kernel.FOLLOWING)
    turned = kernel.offsets(envelope.phases)
    angle, apart_angle = envelope.angle(times), envelope.of("grid_phase", times)
    reactance = 2 * np.pi * envelope.of("bus_frequency", times) * circuit.grid_inductance
    phasors = []
    for k, turn in enumerate(turned):
        voltage = envelope.of(named("bus_voltage", k), times)
        alive = voltage > 0.05 * circuit.rated_voltage
        vars_of = reactive_power(envelope, k, times)["grid"]
        current = (envelope.of(named("grid_power", k), times) - 1j * vars_of) / np.where(alive, voltage, 1.0)
        phasors.append((voltage, np.where(alive, current, 0.0), np.exp(1j * turn)))
    neutral = sum(current * turn for _, current, turn in phasors) if envelope.phases > 1 else 0.0
    for k, (voltage, current, turn) in enumerate(phasors):
        source = voltage + (circuit.grid_resistance + 1j * reactance) * current
        source = source + circuit.neutral_resistance * neutral / turn
        joined = source.real * np.sin(angle + turned[k]) + source.imag * np.cos(angle + turned[k])
        apart = envelope.of(named("grid_voltage", k), times) * np.sin(apart_angle + turned[k])
        found[k] = ROOT2 * np.where(switch, np.where(company, joined, apart), 0.0)
    return found


def reactive_power(envelope: Envelope, phase: int, times: Array) -> dict[str, Array]:
    """Vars of a phase: taken by its linear loads, delivered by PV, the grid and the battery inverter (Kirchhoff).

    Those of phase-cut loads, which lag too, are not among them.
    """
    from benchrunner.sim.wave import kernel

    load = -envelope.of("load_susceptance", times) * envelope.of(named("bus_voltage", phase), times) ** 2
    pv = envelope.of(named("pv_reactive", phase), times)
    forms = envelope.of("mode", times) == kernel.FORMING
    left = load - pv
    return {"load": load, "pv": pv, "grid": np.where(forms, 0.0, left), "bridge": np.where(forms, left, 0.0)}


def initial_state(envelope: Envelope, row: Array, time: Array) -> tuple[Array, Array]:
    """Where circuit and phase-locked loops start: on the envelope's phasors; the warm-up settles what they leave open."""
    from benchrunner.sim.wave import kernel

    circuit, phases = envelope.circuit, envelope.phases
    turned = kernel.offsets(phases)
    theta, omega = row[kernel.THETA], row[kernel.OMEGA]
    closed = row[kernel.RELAY] > 0.5 and row[kernel.SWITCH] > 0.5
    dead = row[kernel.MODE] == kernel.BLOCKED and not closed
    states, lock = np.zeros(5 * phases + 4), np.zeros((phases, 3))
    volts, watts, lagging = (np.zeros((phases, 1)) for _ in range(3))
    for k in range(phases):
        base = kernel.SHARED + kernel.OF_PHASE * (k - 1)
        top = row[kernel.AMPLITUDE] if k == 0 else row[base]
        pv = row[kernel.PV_CURRENT] if k == 0 else row[base + 2]
        load = row[kernel.LOAD] if k == 0 else row[base + 3]
        side = row[kernel.PV_QUADRATURE] if k == 0 else row[base + 4]
        lock[k] = theta + turned[k], omega - 2 * np.pi * circuit.rated_frequency, top
        top = 0.0 if dead else top
        if row[kernel.PV_ON] <= 0.5 or dead:
            pv = side = 0.0
        grid = 2.0 * float(envelope.of(named("grid_power", k), time)[0]) / top if closed and top > 0 else 0.0
        vars_of = reactive_power(envelope, k, time)
        ahead = -2.0 * float(vars_of["grid"][0]) / top if closed and top > 0 else 0.0
        # of the inductive branch: R + jX as it stands in the row
        r, x = row[kernel.LOAD_RESISTANCE], omega * row[kernel.LOAD_INDUCTANCE]
        branch = top / complex(r, x) if x > 0.0 else 0j
        bridge = 0.0 if dead else load * top + branch.real - pv - grid
        sine, cosine = np.sin(theta + turned[k]), np.cos(theta + turned[k])
        crosswise = circuit.bus_capacitance * omega * top + branch.imag - side - ahead
        states[5 * k : 5 * k + 5] = (
            bridge * sine + crosswise * cosine, top * sine, grid * sine + ahead * cosine,
            pv * sine + side * cosine, branch.real * sine + branch.imag * cosine,
        )  # fmt: skip
        volts[k], watts[k] = (envelope.of(named(name, k), time) for name in ("bus_voltage", "bridge_power"))
        lagging[k] = vars_of["bridge"]
    terminal, current = (float(envelope.of(f"battery_{name}", time)[0]) for name in ("voltage", "current"))
    runs = np.array([float(row[kernel.MODE] * row[kernel.CONTACTOR] * row[kernel.STAGE_ON])])
    pulse = ripple(circuit, volts, watts, lagging, np.array([terminal]), np.array([current]), runs)
    turn = np.exp(2j * theta)

    def now(phasor: npt.NDArray[np.complex128]) -> float:
        return float((phasor[0] * turn).real)

    states[5 * phases :] = (
        circuit.link_voltage + now(pulse.link_voltage), terminal + now(pulse.battery_voltage),
        -current + now(pulse.stage_current), -current * terminal / circuit.link_voltage + now(pulse.link_integral),
    )  # fmt: skip
    return states, lock
