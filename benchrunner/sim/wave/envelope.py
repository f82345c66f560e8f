"""What the envelope model knows of a span of time, as the waveform model reads it.

All values are tracks on the plant's own grid. They are continuous except at events, where they jump: between
two events a track is interpolated from the samples of that stretch alone, so that a step stays a step.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.circuit import Circuit

Array = npt.NDArray[np.float64]

NAMES = (
    "bus_voltage",  # V RMS
    "bus_frequency",  # Hz
    "bus_phase",  # rad, running; the bus voltage is sqrt(2) V sin(bus_phase + phase_shift)
    "phase_shift",  # rad; jumps where the bus is joined to a grid that is not quite in phase
    "bridge_power",  # W, battery inverter to the bus
    "pv_power",  # W to the bus
    "load_conductance",  # S, of the resistive load
    "grid_power",  # W imported
    "grid_voltage",  # V RMS at the mains side of the transfer relay
    "grid_phase",  # rad, of the grid's source where the relay is open
    "battery_voltage",  # V at the inverter's terminals
    "battery_current",  # A charging
    "switch",  # 1: the bench's grid switch closed
    "relay",  # 1: the battery inverter's transfer relay closed
    "mode",  # 0 bridge off, 1 current control on the grid, 2 voltage control alone
    "pv_on",  # 1: the PV inverter's bridge runs
    "contactor",  # 1: battery connected (contactor closed and protection not open)
    "stage_on",  # 1: the DC stage runs
)
OF_PHASE = ("bus_voltage", "bridge_power", "pv_power", "load_conductance", "grid_power", "grid_voltage")
# what may be left out, and is zero then
OPTIONAL = (
    "load_susceptance",  # S, of the loads' inductive part, of each phase; negative
    "rectifier_conductance",  # S, whose current at the fundamental the prescribed harmonics are shares of, of each phase
    "cut_conductance",  # S, of a phase-cut resistance while it conducts, of each phase
    "cut_angle",  # rad after each zero crossing at which it is switched on
    "pv_reactive",  # var that the PV inverter delivers; of further phases: `pv_reactive_l2`
    "dc_power",  # W that an array on the battery side brings
)
STEPS = frozenset(
    ("phase_shift", "load_conductance", "load_conductance_l2", "load_conductance_l3", "switch", "relay", "mode",
     "pv_on", "contactor", "stage_on", "load_susceptance", "rectifier_conductance", "cut_conductance", "cut_angle")
)  # fmt: skip
LOADS = tuple(name for name in STEPS if name.startswith(("load_", "rectifier_", "cut_")))
HALF_GAP = 1e-9  # s between the two values of a jump


@dataclass(frozen=True)
class Envelope:
    """Tracks `values[name]` over `times` (s, increasing), events that the model follows, and those that it cannot.

    `NAMES` are those of phase 1; further phases bring those of `OF_PHASE` with `_l2` and `_l3` behind them. Powers are of
    a phase.

    `jumps` tells for a track of `STEPS` which events change it; a track that it does not name may change at any.
    """

    times: Array
    values: Mapping[str, Array]
    events: Sequence[float]
    circuit: Circuit
    unmodelled: Sequence[str] = ()
    jumps: Mapping[str, Sequence[float]] = field(default_factory=dict)
    _tracks: dict[str, tuple[Array, Array]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        further = [f"{name}_l{k}" for k in range(2, self.phases + 1) for name in OF_PHASE]
        missing = [name for name in (*NAMES, *further) if name not in self.values]
        if missing:
            raise ValueError("the envelope lacks " + ", ".join(missing))

    @property
    def phases(self) -> int:
        """1, 2 (split-phase) or 3."""
        return self.circuit.phases

    def has(self, name: str) -> bool:
        """Whether a track that may be left out says anything."""
        return name in self.values and bool(np.any(self.values[name]))

    @property
    def start(self) -> float:
        return float(self.times[0])

    @property
    def stop(self) -> float:
        return float(self.times[-1])

    def of(self, name: str, times: Array) -> Array:
        """The track `name` at `times`; outside the known span the nearest value, running phases go on evenly."""
        if name not in self.values and (name.rpartition("_l")[0] or name) in OPTIONAL:
            return np.zeros(len(times))
        if name in STEPS:
            return self._stepped(self.values[name], self.jumps.get(name, self.events), times)
        known, values = self._track(name)
        found = np.interp(times, known, values)
        if name in ("bus_phase", "grid_phase"):
            late, early = times > known[-1], times < known[0]
            if late.any():
                found[late] += 2 * np.pi * self.values["bus_frequency"][-1] * (times[late] - known[-1])
            if early.any():
                found[early] += 2 * np.pi * self.values["bus_frequency"][0] * (times[early] - known[0])
        return found

    def angle(self, times: Array) -> Array:
        """Phase of the bus voltage, rad."""
        return np.asarray(self.of("bus_phase", times) + self.of("phase_shift", times))

    def _stepped(self, values: Array, jumps: Sequence[float], times: Array) -> Array:
        """A sample holds for the whole stretch that it ends, unless an event in that stretch made it so."""
        place = np.minimum(np.searchsorted(self.times, times - 1e-12, side="left"), len(values) - 1)
        found = values[place]
        for t in jumps:
            if self.times[0] < t <= self.times[-1]:
                end = int(np.searchsorted(self.times, t, side="left"))
                if values[end] != values[end - 1]:
                    found = np.where((times > self.times[end - 1]) & (times < t), values[end - 1], found)
        return found

    def along(self, values: Array, times: Array) -> Array:
        """Any quantity given on the envelope's grid, at `times`, jumping where the envelope jumps."""
        return np.interp(times, *self._split(values))

    def _track(self, name: str) -> tuple[Array, Array]:
        track = self._tracks.get(name)
        if track is None:
            values = self.values[name]
            track = (self.times, values) if name in ("bus_phase", "grid_phase") else self._split(values)
            self._tracks[name] = track
        return track

    def _split(self, values: Array) -> tuple[Array, Array]:
        """Insert both values of a jump at each event; a sample at the event's own time is of after it.

        Of several events between two samples the last one counts: what the first ones did is known only with it.
        """
        inside = sorted({t for t in self.events if self.times[0] < t <= self.times[-1]})
        if not inside:
            return self.times, values
        last = {int(np.searchsorted(self.times, t, side="left")): t for t in inside}
        places = np.array(list(last), dtype=np.intp)
        at = np.array(list(last.values()))
        times = np.stack([at - HALF_GAP, at], axis=1).ravel()
        inserted = np.stack([values[places - 1], values[places]], axis=1).ravel()
        where = np.repeat(places, 2)
        return np.insert(self.times, where, times), np.insert(values, where, inserted)
