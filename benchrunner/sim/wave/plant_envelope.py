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

from benchrunner.sim.layout import INVERTER, MODE, TAPS
from benchrunner.sim.wave import kernel
from benchrunner.sim.wave.circuit import Circuit
from benchrunner.sim.wave.envelope import STEPS, Envelope

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard
    from benchrunner.sim.plant import Plant

Array = npt.NDArray[np.float64]

# what each kind of event makes jump, of the tracks that only know steps; all of them may move the others
FOLLOWED: dict[str, tuple[str, ...]] = {
    "load-step": ("load_conductance",),
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
    resistance = tap("load.resistance")
    joined = relay & switch & (mode == MODE.grid)
    events, jumps, unknown = _events(plant, float(times[0]), min(stop, float(times[-1])))
    if (
        plant.pairing.phases == 3 and events
    ):  # the circuit is that of one phase: round events it would be wrong
        unknown = (*unknown, "three-phase")
    phase, shift = _phase(plant, times, rows, joined)
    values = {
        "bus_voltage": tap("bus.voltage"),
        "bus_frequency": tap("bus.frequency"),
        "bus_phase": 2 * np.pi * phase,
        "phase_shift": 2 * np.pi * shift,
        "bridge_power": tap("battery_inverter.power"),
        "pv_power": tap("pv.power"),
        "load_conductance": np.where(np.isfinite(resistance), 1.0 / np.maximum(resistance, 1e-3), 0.0),
        "grid_power": tap("grid.power"),
        "grid_voltage": tap("grid.source_voltage"),
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
    }
    return Envelope(times, values, events, circuit_of(plant.pairing), unknown, jumps)


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
    inverter, pv, twin = pairing.battery_inverter, pairing.pv_inverter, pairing.twin
    return _circuit(
        inverter.rated_voltage, inverter.rated_frequency, inverter.rated_power, inverter.surge_power, pv.rated_power,
        twin.grid_resistance, twin.grid_reactance, twin.link_capacitance, twin.series_resistance,
        pairing.battery.nominal_voltage, twin.bus_clamp,
    )  # fmt: skip


@functools.lru_cache(maxsize=16)
def _circuit(
    voltage: float, frequency: float, power: float, surge: float, pv_power: float, grid_r: float, grid_x: float,
    link: float, series: float, battery: float, clamp: float,
) -> Circuit:  # fmt: skip
    top = math.sqrt(2.0) * voltage
    size = (power / 6000.0) * (230.0 / voltage) ** 2  # admittance, over that of the circuit's default values
    usual = Circuit()
    return Circuit(
        rated_voltage=voltage,
        rated_frequency=frequency,
        rated_power=power,
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
        link_capacitance=usual.link_capacitance * size,
        stage_current_limit=1.5 * surge / battery,
        terminal_capacitance=link,
        battery_resistance=max(series, 2 * usual.step / link),
    )
