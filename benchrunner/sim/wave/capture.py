"""`waveform`: samples of the simulated bench's channels, sines of the envelope joined to the time-domain
model.

Away from events a channel is a sine of the envelope's RMS value on the running phase (DC: the level with the
ripple at twice the frequency that single-phase power causes). Round each event the time-domain model takes
over; at both ends of its window the two are blended over a cycle.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.envelope import Envelope
from benchrunner.sim.wave.kernel import FORMING, offsets
from benchrunner.sim.wave.ripple import ripple
from benchrunner.sim.wave.segment import (
    AFTER,
    BEFORE,
    WARM_UP,
    Segment,
    conducts,
    cut_share,
    harmonics,
    inductive_share,
    named,
    reactive_power,
    simulate,
    windows,
)

Array = npt.NDArray[np.float64]

OF_PHASE = (  # bus.current: of the battery inverter, positive to the bus
    "bus.voltage", "bus.current", "load.current", "pv.current", "grid.voltage", "grid.current",
)  # fmt: skip
CHANNELS = (
    "bus.voltage", "bus.current", "load.current", "pv.current",
    "battery.voltage", "battery.current", "grid.voltage", "grid.current",
)  # fmt: skip
# against the neutral, each phase that there is; and what the loads' neutral carries
PHASE_CHANNELS = (*(f"{name}_l{k}" for name in OF_PHASE for k in (1, 2, 3)), "load.current_n")
LOWEST_RATE, HIGHEST_RATE = 10_000.0, 200_000.0  # samples/s
LONGEST_SPAN = 12.0  # s
MOST_SAMPLES = 16_000_000  # over all channels, 128 MB
CHUNK = 65_536  # samples worked on at a time, so that intermediate arrays stay small

# sub-cycle measures: what an event that the model does not follow takes away from a capture
SUB_CYCLE = (
    "peak", "lowest", "half_cycle_maximum", "half_cycle_minimum", "gap", "phase_jump", "frequency_peak",
    "duration_above",
)  # fmt: skip
# Distortion of a current comes from the loads: a rectifier's harmonics, which are prescribed, and the part of a wave that a
# phase-cut load leaves, which is the model's own. What the bridges themselves distort (dead time, pulses) is not
# modelled, so no voltage has a distortion, nor has a current that is linear here.
DISTORTED = ("load.current",)
DISTORTED_IF_FORMING = ("bus.current",)  # what forms the bus brings the harmonics
DISTORTED_IF_JOINED = ("grid.current",)


def waveform(
    plant: Any, channels: tuple[str, ...], start: float, rate: float, count: int
) -> tuple[Array, tuple[str, ...]]:
    """Samples (channel, count) at `start + i / rate` in V or A, and the measures that they cannot carry.

    `plant` is the simulated plant, or an `Envelope`. Raises `ValueError` for an unknown channel, a rate
    outside 10 to 200 kS/s or too long a span, and `LookupError` where the plant no longer, or not yet, knows
    the span.
    """
    _check(channels, rate, count)
    stop = start + (count - 1) / rate
    envelope = envelope_for(plant, start, stop)
    return samples_of(envelope, channels, start, rate, count)


def envelope_for(plant: Any, start: float, stop: float) -> Envelope:
    """The envelope of [start, stop] with as much before it as a window and its warm-up need, if the plant has it."""
    if isinstance(plant, Envelope):
        envelope = plant
    else:
        from benchrunner.sim.wave.plant_envelope import read

        envelope = read(plant, start - AFTER - BEFORE - WARM_UP, stop)
    if start < envelope.start - 1e-9 or stop > envelope.stop + 1e-9:
        known, asked = f"{envelope.start:.3f} s to {envelope.stop:.3f} s", f"{start:.3f} s to {stop:.3f} s"
        raise LookupError(f"the plant knows {known}, asked for {asked}")
    return envelope


def samples_of(
    envelope: Envelope, channels: tuple[str, ...], start: float, rate: float, count: int
) -> tuple[Array, tuple[str, ...]]:
    """As `waveform`, from an envelope."""
    stop = start + (count - 1) / rate
    segments = [simulate(envelope, *window) for window in windows(list(envelope.events), start, stop)]
    samples = np.empty((len(channels), count))
    parts = [_parts(channel, envelope.phases) for channel in channels]
    for begin in range(0, count, CHUNK):
        size = min(CHUNK, count - begin)
        times = start + np.arange(begin, begin + size) / rate
        sines = Sines(envelope, times)
        touching = [s for s in segments if s.start <= times[-1] and s.stop >= times[0]]
        done: dict[str, Array] = {}
        for row, made_of in enumerate(parts):
            for _, name in made_of:
                if name not in done:
                    done[name] = sines.of(name)
                    for segment in touching:
                        _blend(done[name], times, segment, name, sines.cycle)
            first_sign, first_name = made_of[0]
            values = first_sign * done[first_name]
            for sign, name in made_of[1:]:
                values += sign * done[name]
            samples[row, begin : begin + size] = values
    return samples, not_carried(envelope, channels, start, stop)


def _parts(channel: str, phases: int) -> list[tuple[float, str]]:
    """What a channel is made of, with signs. Without a phase to its name it is of phase 1, a voltage of split-phase
    that between the legs, as the plant's taps are. Raises `ValueError` for a phase that there is not."""
    role, _, end = channel.rpartition("_")
    if end == "n":
        return [(1.0, f"{role}_l{k}") for k in range(1, phases + 1)]
    if role in OF_PHASE:
        if int(end[1:]) > phases:
            raise ValueError(f"no waveform of {channel}: this bus has {phases} of its phases")
        return [(1.0, channel)]
    if channel not in OF_PHASE:
        return [(1.0, channel)]
    if phases == 2 and channel.endswith("voltage"):
        return [(1.0, f"{channel}_l1"), (-1.0, f"{channel}_l2")]
    return [(1.0, f"{channel}_l1")]


def not_carried(envelope: Envelope, channels: tuple[str, ...], start: float, stop: float) -> tuple[str, ...]:
    """Measures that the samples cannot carry: of all channels, or `"measure channel"` of one."""
    from benchrunner.sim.wave import kernel

    lost: tuple[str, ...] = ()
    carried = _distorted(envelope, ("rectifier_conductance", "cut_conductance"), start, stop)
    if carried:
        forming = envelope.values["mode"][_inside(envelope, start, stop)] == kernel.FORMING
        carried -= set(() if forming.all() else DISTORTED_IF_FORMING)
        carried -= set(() if not forming.any() else DISTORTED_IF_JOINED)
    without = [c for c in channels if c.rpartition("_")[0] not in carried and c not in carried]
    lost += ("thd",) if len(without) == len(channels) else tuple(f"thd {channel}" for channel in without)
    return (*lost, *SUB_CYCLE) if envelope.unmodelled else lost


def prescribed(envelope: Envelope, channels: tuple[str, ...], start: float, stop: float) -> tuple[str, ...]:
    """For each channel what of it is prescribed and not the model's own: `harmonics` of a rectifier, or nothing.

    Wherever they may be in a part of the span, they count as there.
    """
    there = _distorted(envelope, ("rectifier_conductance",), start, stop)
    return tuple("harmonics" if {c, c.rpartition("_")[0]} & there else "" for c in channels)


def _inside(envelope: Envelope, start: float, stop: float) -> npt.NDArray[np.bool_]:
    return (envelope.times >= start - 0.01) & (envelope.times <= stop + 0.01)


def _distorted(envelope: Envelope, loads: tuple[str, ...], start: float, stop: float) -> set[str]:
    """The currents, without their phases, that a load of these kinds may distort in the span."""
    inside = _inside(envelope, start, stop)
    if any(name in envelope.values and np.any(envelope.values[name][inside]) for name in loads):
        return {*DISTORTED, *DISTORTED_IF_FORMING, *DISTORTED_IF_JOINED}
    return set()


def _blend(values: Array, times: Array, segment: Segment, channel: str, cycle: float) -> None:
    first, last = np.searchsorted(times, (segment.start, segment.stop))
    if first == last:
        return
    inside = slice(int(first), int(last))
    t = times[inside]
    model = np.interp(
        (t - segment.start) / segment.step, np.arange(len(segment.samples[channel])), segment.samples[channel]
    )
    weight = _rise((t - segment.start) / cycle)
    if segment.fade_out:
        weight = weight * _rise((segment.stop - t) / cycle)
    values[inside] += weight * (model - values[inside])


def _rise(x: Array) -> Array:
    """0 to 1 over x = 0..1 with level ends (raised cosine)."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


class Sines:
    """The envelope's own waves at given times (s)."""

    def __init__(self, envelope: Envelope, times: Array) -> None:
        self.envelope, self.times = envelope, times
        self.rated = envelope.circuit.rated_voltage
        self.cycle = 1.0 / envelope.circuit.rated_frequency
        self._kept: dict[str, Array] = {}

    def _of(self, name: str) -> Array:
        if name not in self._kept:
            self._kept[name] = self.envelope.of(name, self.times)
        return self._kept[name]

    def _angle(self) -> Array:
        if "angle" not in self._kept:
            self._kept["angle"] = self.envelope.angle(self.times)
        return self._kept["angle"]

    def _sine(self) -> Array:
        if "sine" not in self._kept:
            self._kept["sine"] = np.sin(self._angle())
        return self._kept["sine"]

    def _turned(self, phase: int) -> tuple[Array, Array]:
        """Sine and cosine of a phase's voltage angle."""
        if phase == 0:
            if "cosine" not in self._kept:
                self._kept["cosine"] = np.cos(self._angle())
            return self._sine(), self._kept["cosine"]
        angle = self._angle() + offsets(self.envelope.phases)[phase]
        return np.sin(angle), np.cos(angle)

    def _current(self, power: str, vars_: str, phase: int) -> Array:
        """Current of a phase from its power and vars; none on a dead bus."""
        voltage = self._of(named("bus_voltage", phase))
        alive = voltage > 0.05 * self.rated
        safe = np.where(alive, voltage, 1.0)
        found = np.where(alive, np.sqrt(2.0) * self._of(named(power, phase)) / safe, 0.0)
        if self.envelope.has("load_susceptance") or self.envelope.has(named("pv_reactive", phase)):
            sine, cosine = self._turned(phase)
            lagging = reactive_power(self.envelope, phase, self.times)[vars_]
            return np.asarray(found * sine - np.where(alive, np.sqrt(2.0) * lagging / safe, 0.0) * cosine)
        return np.asarray(found * (self._sine() if phase == 0 else self._turned(phase)[0]))

    def of(self, channel: str) -> Array:
        """Samples of one channel, V or A; a new array. Names of AC channels end with their phase."""
        if channel.startswith("battery."):
            return self._battery(channel)
        name, _, end = channel.rpartition("_l")
        phase = int(end) - 1
        if name == "bus.voltage":
            return self._bus(phase)
        if name == "grid.voltage":
            return self._grid_voltage(phase)
        if name == "load.current":
            return self._load(phase)
        forming = self._of("mode") == FORMING
        if name == "bus.current":
            made = self._current("bridge_power", "bridge", phase)
            return made + np.where(forming, self._beyond(phase), 0.0) if self.non_linear else made
        if name == "grid.current":
            made = self._current("grid_power", "grid", phase)
            joined = ~forming & (self._of("relay") > 0.5) & (self._of("switch") > 0.5)
            return made + np.where(joined, self._beyond(phase), 0.0) if self.non_linear else made
        return self._current("pv_power", "pv", phase)

    def _bus(self, phase: int) -> Array:
        voltage = self._of(named("bus_voltage", phase))
        sine = self._sine() if phase == 0 else self._turned(phase)[0]
        return np.asarray(np.sqrt(2.0) * voltage * sine)

    @property
    def non_linear(self) -> bool:
        """Whether any load draws more than a sine."""
        return self.envelope.has("rectifier_conductance") or self.envelope.has("cut_conductance")

    def _load(self, phase: int) -> Array:
        """Current of the loads: linear, with what a phase-cut one leaves of its wave, and prescribed harmonics."""
        bus = self._bus(phase)
        susceptance = self._of("load_susceptance")
        found = bus * (self._of(named("load_conductance", phase)) + inductive_share(susceptance))
        if self.envelope.has("load_susceptance"):
            voltage = self._of(named("bus_voltage", phase))
            found = found + np.sqrt(2.0) * voltage * susceptance * self._turned(phase)[1]
        if self.non_linear:
            key = f"non-linear {phase}"
            if key not in self._kept:
                angle = self._angle() + offsets(self.envelope.phases)[phase]
                cut = self._of("cut_conductance") * conducts(angle, self._of("cut_angle"))
                self._kept[key] = bus * cut + harmonics(self.envelope, self.times)[phase]
            found = found + self._kept[key]
        return np.asarray(found)

    def _beyond(self, phase: int) -> Array:
        """What non-linear loads draw beside the active power at the fundamental, which the powers hold already."""
        angle = self._angle() + offsets(self.envelope.phases)[phase]
        conductance, cut = self._of("cut_conductance"), self._of("cut_angle")
        drawn = self._bus(phase) * conductance * (conducts(angle, cut) - cut_share(cut))
        return np.asarray(drawn + harmonics(self.envelope, self.times)[phase])

    def _grid_voltage(self, phase: int) -> Array:
        """Mains side of the transfer relay, downstream of the grid switch."""
        joined = self._of("relay") > 0.5
        closed = self._of("switch") > 0.5
        angle = self._of("grid_phase") + offsets(self.envelope.phases)[phase]
        apart = np.sqrt(2.0) * self._of(named("grid_voltage", phase)) * np.sin(angle)
        return np.where(joined, self._bus(phase), np.where(closed, apart, 0.0))

    def _battery(self, channel: str) -> Array:
        one, circuit = self.envelope, self.envelope.circuit
        values = one.values
        if "ripple" not in self._kept:
            runs = values["mode"] * values["contactor"] * values["stage_on"]
            every = range(one.phases)
            volts = np.stack([values[named("bus_voltage", k)] for k in every])
            watts = np.stack([values[named("bridge_power", k)] for k in every])
            lagging = np.stack([reactive_power(one, k, one.times)["bridge"] for k in every])
            found = ripple(circuit, volts, watts, lagging, values["battery_voltage"], values["battery_current"],
                           runs).battery_current  # fmt: skip
            real, imaginary = np.ascontiguousarray(found.real), np.ascontiguousarray(found.imag)
            double = 2.0 * self._angle()
            wave = one.along(real, self.times) * np.cos(double)
            self._kept["ripple"] = wave - one.along(imaginary, self.times) * np.sin(double)
        if channel == "battery.current":
            return np.asarray(self._of("battery_current") + self._kept["ripple"])
        return np.asarray(self._of("battery_voltage") + circuit.battery_resistance * self._kept["ripple"])


def _check(channels: tuple[str, ...], rate: float, count: int) -> None:
    unknown = [channel for channel in channels if channel not in (*CHANNELS, *PHASE_CHANNELS)]
    if unknown:
        known = ", ".join((*CHANNELS, *PHASE_CHANNELS))
        raise ValueError(f"no waveform of {', '.join(unknown)}; there is {known}")
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise ValueError(f"{rate:g} samples/s is outside {LOWEST_RATE:g} to {HIGHEST_RATE:g}")
    if count < 2 or (count - 1) / rate > LONGEST_SPAN or count * max(1, len(channels)) > MOST_SAMPLES:
        raise ValueError(
            f"{count} samples of {len(channels)} channels: give at least 2, at most {LONGEST_SPAN:g} s and "
            f"{MOST_SAMPLES} in all"
        )
