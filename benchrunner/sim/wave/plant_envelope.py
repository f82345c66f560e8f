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
from benchrunner.sim.wave.envelope import Envelope

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard
    from benchrunner.sim.plant import Plant

Array = npt.NDArray[np.float64]

FOLLOWED = frozenset((
    "load-step", "grid-lost", "grid-back", "transfer-start", "transfer", "re-transfer", "pv-trip", "pv-connect",
    "protection-opened", "dc-trip", "inverter-stop", "contactor", "island-start",
))  # fmt: skip
SLOW = frozenset(("stage", "sync-start"))  # nothing happens within a cycle
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
    values = {
        "bus_voltage": tap("bus.voltage"),
        "bus_frequency": tap("bus.frequency"),
        "bus_phase": 2 * np.pi * tap("bus.phase"),
        "phase_shift": 2
        * np.pi
        * _shift(plant, tap("bus.phase"), tap("grid.phase"), joined, float(times[0])),
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
    events, unknown = _events(plant, float(times[0]), min(stop, float(times[-1])))
    return Envelope(times, values, events, circuit_of(plant.pairing), unknown)


def _events(plant: "Plant", start: float, stop: float) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Times at which the envelope jumps, and kinds of events that the model does not know."""
    times: list[float] = []
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
        elif event.kind not in FOLLOWED:
            unknown.add(event.kind)
            continue
        nudge = -NUDGE if event.kind == "dc-trip" else NUDGE
        if event.t + nudge <= stop:
            times.append(event.t + nudge)
    return tuple(sorted(times)), tuple(sorted(unknown))


def _shift(plant: "Plant", bus: Array, grid: Array, joined: npt.NDArray[np.bool_], start: float) -> Array:
    """What has to be added to the plant's running bus phase (cycles) so that a joined bus lies on the grid.

    The plant lets both phases run on through a re-transfer; the bus keeps the difference until it is joined again.
    """
    apart = grid - bus
    apart = apart - np.floor(apart + 0.5)
    shift = np.where(joined, apart, np.nan)
    if np.isnan(shift[0]):
        shift[0] = _earlier_shift(plant, start)
    known = np.where(np.isnan(shift), -1, np.arange(len(shift)))
    return np.asarray(shift[np.maximum.accumulate(known)])


def _earlier_shift(plant: "Plant", start: float) -> float:
    for event in reversed(plant.events):
        row = event.row_before
        if (
            event.t <= start
            and row
            and row[_AT["battery_inverter.mode"]] == MODE.grid
            and row[_AT["grid.closed"]] > 0.5
        ):
            apart = row[_AT["grid.phase"]] - row[_AT["bus.phase"]]
            return apart - math.floor(apart + 0.5)
    return 0.0


def circuit_of(pairing: "PairingCard") -> Circuit:
    """The circuit of a pairing; what its card does not say is common practice, scaled to its ratings."""
    inverter, pv, twin = pairing.battery_inverter, pairing.pv_inverter, pairing.twin
    return _circuit(
        inverter.rated_voltage, inverter.rated_frequency, inverter.rated_power, inverter.surge_power, pv.rated_power,
        twin.grid_resistance, twin.grid_reactance, twin.link_capacitance, twin.series_resistance,
        pairing.battery.nominal_voltage, twin.bus_clamp,
    )  # fmt: skip


@functools.lru_cache(maxsize=16)
def _circuit(voltage: float, frequency: float, power: float, surge: float, pv_power: float, grid_r: float,
             grid_x: float, link: float, series: float, battery: float,
    clamp: float) -> Circuit:  # fmt: skip
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
