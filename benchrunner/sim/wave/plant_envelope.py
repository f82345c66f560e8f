"""Reads the plant's past as an `Envelope`: its ring of rows, its events, and its pairing's circuit.

Row n of the plant holds the values of the step that ends at n x step. An order or a control's action at t falls into
the step after the last row at or before t; the DC trip falls into the step that it ends; what the battery's own
protection does shows in the row after the one that carries it.
"""

import functools
import math
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchrunner.sim.kernel.loads import LEAST_CONSTANT, MOTOR_B, MOTOR_R1, MOTOR_R2, MOTOR_X
from benchrunner.sim.layout import INVERTER, MODE, TAPS
from benchrunner.sim.wave import kernel
from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.envelope import LOADS, STEPS, Envelope
from benchrunner.sim.wave.segment import cut_share, inductive_share

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard
    from benchrunner.sim.plant import Plant

Array = npt.NDArray[np.float64]

# what each kind of event makes jump, of the tracks that only know steps; all of them may move the others
FOLLOWED: dict[str, tuple[str, ...]] = {
    "load-step": LOADS,
    "grid-lost": ("switch",),
    "grid-back": ("switch",),
    "transfer-start": ("mode",),
    "transfer": ("mode", "relay"),
    "re-transfer": ("mode", "relay", "phase_shift"),
    "pv-trip": ("pv_on",),
    "pv-connect": ("pv_on",),
    "protection-opened": ("contactor",),
    "dc-trip": ("mode", "relay", "stage_on"),
    "inverter-stop": ("mode", "relay", "stage_on"),
    "island-start": ("mode", "relay", "stage_on"),
    "setting": (),
}
CONTACTORS = (("pv_on",), ("contactor",), ("mode", "relay", "stage_on"))
SLOW = frozenset(("stage", "sync-start", "throw-off"))  # nothing happens within a cycle
NUDGE = 1e-7  # s, into the step in which an event acts
_AT = {tap: k for k, tap in enumerate(TAPS)}


def read(plant: "Plant", start: float, stop: float) -> Envelope:
    """The envelope of [start, stop], as far as the plant's ring reaches. Raises `LookupError` where it has nothing."""
    times, rows = plant.rows(max(0.0, start) - plant.step, stop + plant.step)
    if len(times) < 2:
        raise LookupError(f"the plant knows nothing of {start:.3f} s to {stop:.3f} s")

    def tap(name: str) -> Array:
        return np.asarray(rows[:, _AT[name]])

    mode = tap("battery_inverter.mode")
    running = (mode >= MODE.grid) & (mode <= MODE.synchronising)
    relay = (mode == MODE.grid) | (mode == MODE.transfer)
    forming = (mode == MODE.island) | (mode == MODE.synchronising)
    switch = tap("grid.closed") > 0.5
    state = tap("pv_inverter.state")
    protection = tap("battery.protection_closed")
    protection = np.concatenate([protection[:1], protection[:-1]])
    joined = relay & switch & (mode == MODE.grid)
    events, jumps, unknown = _events(plant, float(times[0]), min(stop, float(times[-1])))
    phase, shift = _phase(plant, times, rows, joined)
    circuit = circuit_of(plant.pairing)
    loads = _loads(plant, times, rows)
    if events and np.any(loads["load_susceptance"] > 1e-9):
        unknown = (*unknown, "capacitive load")
    values = {
        "bus_frequency": tap("bus.frequency"),
        "bus_phase": 2 * np.pi * phase,
        "phase_shift": 2 * np.pi * shift,
        "grid_phase": 2 * np.pi * tap("grid.phase"),
        "battery_voltage": tap("battery.voltage"),
        "battery_current": tap("battery.current"),
        "switch": switch.astype(np.float64),
        "relay": relay.astype(np.float64),
        "mode": np.where(
            forming, kernel.FORMING, np.where(mode == MODE.grid, kernel.FOLLOWING, kernel.BLOCKED)
        ).astype(np.float64),
        "pv_on": ((state == INVERTER.running) | (state == INVERTER.throttled)).astype(np.float64)
        * tap("relays.pv_contactor"),
        "contactor": tap("relays.battery_contactor") * protection,
        "stage_on": running.astype(np.float64),
        "dc_power": tap("dc_pv.power"),
        **loads,
    }
    vars_of = tap("pv.reactive_power")
    for k in range(circuit.phases):
        end = f"_l{k + 1}"
        own = "" if k == 0 else end
        voltage, power, current = (tap(name + end) for name in ("bus.voltage", "pv.power", "pv.current"))
        values |= {
            f"bus_voltage{own}": voltage,
            f"bridge_power{own}": tap("battery_inverter.power" + end),
            f"pv_power{own}": power,
            f"grid_power{own}": tap("grid.power" + end),
            f"grid_voltage{own}": _source_voltage(plant, rows, k),
        }
        if np.any(vars_of):
            apart = np.sqrt(np.maximum(0.0, (voltage * current) ** 2 - power**2))
            values[f"pv_reactive{own}"] = np.sign(vars_of) * apart
    return Envelope(times, values, events, circuit, unknown, jumps)


def _source_voltage(plant: "Plant", rows: Array, k: int) -> Array:
    """Of the grid's source, phase k against the neutral: on the mains side of an open relay it is what one reads there."""
    mode, switch = rows[:, _AT["battery_inverter.mode"]], rows[:, _AT["grid.closed"]] > 0.5
    relay = (mode == MODE.grid) | (mode == MODE.transfer)
    source = rows[:, _AT["grid.source_voltage"]] / (2.0 if plant.pairing.phases == 2 else 1.0)
    seen = rows[:, _AT[f"grid.voltage_l{k + 1}"]]
    return np.where(~relay & switch, seen, source)


def _loads(plant: "Plant", times: Array, rows: Array) -> dict[str, Array]:
    """The loads of each phase: what they were told, with what the plant made of it (constant power, a motor's slip)."""
    pairing, nominal = plant.pairing, plant.pairing.phase_voltage
    phases, base = pairing.phases, nominal * nominal
    known = np.array([t for t, _ in plant.loads])
    # an order between two rows is in the row that ends the step
    place = np.maximum(np.searchsorted(known, times - 1e-9, side="left") - 1, 0)
    told = np.array([values for _, values in plant.loads])[place].T
    linear, between, reactive = told[:3], told[3], told[4]
    rectifier, cut, motor, angle, on = told[6], told[7], told[8], told[9], told[10] > 0.5
    held_at = np.maximum(rows[:, _AT["bus.voltage_l1"]], LEAST_CONSTANT * nominal)
    slip = np.maximum(rows[:, _AT["load.motor_slip"]], 1e-6)
    r = MOTOR_R1 + MOTOR_R2 / slip
    lagging = reactive + motor * (MOTOR_X / (r * r + MOTOR_X**2) + MOTOR_B)
    susceptance = np.where(on, -lagging / (phases * base), 0.0)
    cut_of = np.where(on, cut / (phases * base), 0.0)
    resistance = rows[:, _AT["load.resistance"]] / (2.0 if phases == 2 else 1.0)
    first = np.where(np.isfinite(resistance), 1.0 / np.maximum(resistance, 1e-3), 0.0)
    first = first - cut_of * cut_share(angle) - inductive_share(susceptance)
    found = {
        "load_susceptance": susceptance,
        "cut_conductance": cut_of,
        "cut_angle": angle,
        "rectifier_conductance": np.where(on, rectifier / (phases * held_at**2), 0.0),
    }
    for k in range(phases):
        more = np.where(on, (linear[k] - linear[0]) / base, 0.0)
        found["load_conductance" if k == 0 else f"load_conductance_l{k + 1}"] = first + more
    del (
        between
    )  # it lies in the resistance of the first phase already, one half against the neutral on each leg
    return found


def _events(
    plant: "Plant", start: float, stop: float
) -> tuple[tuple[float, ...], dict[str, list[float]], tuple[str, ...]]:
    """Times at which the envelope jumps, which tracks jump at each, and kinds of events unknown to the model."""
    times: list[float] = []
    jumps: dict[str, list[float]] = {name: [] for name in STEPS}
    unknown: set[str] = set()
    for event in reversed(plant.events):
        if event.t < start - 1.0:  # they are in order but for the transfer's exact moment, within a step
            break
        if not start <= event.t <= stop or event.kind in SLOW:
            continue
        if event.kind == "setting":
            before, after = event.row_before, event.row_after
            watched = (_AT["grid.source_voltage"], _AT["grid.source_frequency"])
            if not after or all(before[k] == after[k] for k in watched):
                continue  # sun and temperature change nothing within a cycle
        if event.kind == "contactor" and event.data["which"] == 1.0 and event.data["closed"] == 1.0:
            continue  # the battery comes back through its pre-charge resistor, over a second or so
        names = (
            CONTACTORS[int(event.data["which"])] if event.kind == "contactor" else FOLLOWED.get(event.kind)
        )
        if names is None:
            unknown.add(event.kind)
            continue
        t = event.t - NUDGE if event.kind == "dc-trip" else event.t + NUDGE
        if t <= stop:
            times.append(t)
            for name in names:
                jumps[name].append(t)
    for found in jumps.values():
        found.sort()
    return tuple(sorted(times)), jumps, tuple(sorted(unknown))


def _phase(plant: "Plant", times: Array, rows: Array, joined: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
    """Running phase of the bus (cycles) and the jumps in it.

    The plant's own phase rests while the bus is dead and runs on through a re-transfer. Here the battery inverter's
    oscillator goes on through a transfer from a dead bus at the frequency that the grid had, and a joined bus lies
    on the grid, so that the phase jumps at a re-transfer by what was left of the difference.
    """
    bus, grid = rows[:, _AT["bus.phase"]], rows[:, _AT["grid.phase"]]
    offset = np.where(joined, _wrapped(grid - bus), np.nan)
    first = 0.0
    for event in reversed(plant.events):
        if event.kind != "transfer" or not event.row_before:
            continue
        lost = next((e for e in plant.events if e.t == event.data["lost_at"] and e.row_before), None)
        if lost is None:
            continue
        begin = math.floor(lost.t / plant.step + 1e-7) * plant.step
        end = math.floor(event.t / plant.step + 1e-7) * plant.step
        was, became = lost.row_before, event.row_before
        base = float(_wrapped(np.array(was[_AT["grid.phase"]] - was[_AT["bus.phase"]])))
        rate = was[_AT["bus.frequency"]] if became[_AT["bus.frequency"]] == 0.0 else 0.0
        rested = was[_AT["bus.phase"]] if rate else 0.0
        if end <= times[0]:
            first = base + rate * (end - begin) - (became[_AT["bus.phase"]] - rested) * (rate > 0.0)
            break
        inside = (times > begin - 1e-9) & (times < end + 1e-9)
        offset[inside] = base + rate * (times[inside] - begin) - (bus[inside] - rested) * (rate > 0.0)
    if np.isnan(offset[0]):
        offset[0] = first
    known = np.maximum.accumulate(np.where(np.isnan(offset), -1, np.arange(len(offset))))
    offset = offset[known]
    step = np.diff(offset, prepend=offset[:1])
    step[~(joined & ~np.concatenate([joined[:1], joined[:-1]]))] = 0.0  # a jump only where the relay closes
    shift = np.cumsum(step)
    return np.asarray(bus + offset - shift), np.asarray(shift)


def _wrapped(cycles: Array) -> Array:
    return np.asarray(cycles - np.floor(cycles + 0.5))


def circuit_of(pairing: "PairingCard") -> Circuit:
    """The circuit of a pairing; what its card does not say is common practice, scaled to its ratings."""
    inverter, twin, phases = pairing.battery_inverter, pairing.twin, pairing.phases
    pv = [0.0] * phases  # W of PV on each phase
    for each, _ in pairing.pv_inverters:
        place = pairing.connection(each)
        on = {"L1": (0,), "L2": (1,), "L3": (2,), "L1-L2": (0, 1), "three-phase": (0, 1, 2)}[place]
        for k in on:
            pv[k] += each.rated_power / len(on)
    return _circuit(
        phases, pairing.phase_voltage, inverter.rated_frequency, inverter.rated_power / phases,
        inverter.surge_power / phases, max(pv), twin.grid_resistance, twin.grid_reactance, twin.link_capacitance,
        twin.series_resistance, pairing.battery.nominal_voltage, twin.bus_clamp, twin.grid_neutral_resistance,
    )  # fmt: skip


@functools.lru_cache(maxsize=16)
def _circuit(
    phases: int, voltage: float, frequency: float, power: float, surge: float, pv_power: float, grid_r: float,
    grid_x: float, link: float, series: float, battery: float, clamp: float, neutral: float,
) -> Circuit:  # fmt: skip
    top = math.sqrt(2.0) * voltage
    size = (power / 6000.0) * (230.0 / voltage) ** 2  # admittance, over that of the circuit's default values
    usual = Circuit()
    return Circuit(
        rated_voltage=voltage,
        rated_frequency=frequency,
        rated_power=power,
        phases=phases,
        neutral_resistance=neutral if phases > 1 else 0.0,
        current_limit=max(1.2, surge / power),
        filter_inductance=usual.filter_inductance / size,
        filter_resistance=usual.filter_resistance / size,
        bus_capacitance=usual.bus_capacitance * size,
        bleed_resistance=usual.bleed_resistance / size,
        grid_resistance=max(grid_r, 1e-3),
        grid_inductance=max(grid_x, 1e-2) / (2 * math.pi * frequency),
        pv_inductance=usual.pv_inductance * (5000.0 / pv_power) * (voltage / 230.0) ** 2,
        pv_resistance=usual.pv_resistance * (5000.0 / pv_power) * (voltage / 230.0) ** 2,
        pv_dc_voltage=max(1.15, clamp) * top,
        pv_current_limit=1.2 * math.sqrt(2.0) * pv_power / voltage,
        link_voltage=1.23 * top,
        link_capacitance=usual.link_capacitance * size * phases,
        stage_current_limit=1.5 * surge * phases / battery,
        terminal_capacitance=link,
        battery_resistance=max(series, 2 * usual.step / link),
    )
