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
from benchrunner.sim.wave.ripple import ripple
from benchrunner.sim.wave.segment import AFTER, BEFORE, WARM_UP, Segment, simulate, windows

Array = npt.NDArray[np.float64]

CHANNELS = (  # bus.current: of the battery inverter, positive to the bus
    "bus.voltage", "bus.current", "load.current", "pv.current",
    "battery.voltage", "battery.current", "grid.voltage", "grid.current",
)  # fmt: skip
LOWEST_RATE, HIGHEST_RATE = 10_000.0, 200_000.0  # samples/s
LONGEST_SPAN = 12.0  # s
MOST_SAMPLES = 16_000_000  # over all channels, 128 MB
CHUNK = 65_536  # samples worked on at a time, so that intermediate arrays stay small

# sub-cycle measures: what an event that the model does not follow takes away from a capture
SUB_CYCLE = (
    "peak", "lowest", "half_cycle_maximum", "half_cycle_minimum", "gap", "phase_jump", "frequency_peak",
    "duration_above",
)  # fmt: skip
NEVER = ("thd",)  # harmonics of the bridge's pulses and of non-linear loads are not modelled


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
    for begin in range(0, count, CHUNK):
        size = min(CHUNK, count - begin)
        times = start + np.arange(begin, begin + size) / rate
        sines = Sines(envelope, times)
        touching = [s for s in segments if s.start <= times[-1] and s.stop >= times[0]]
        for row, channel in enumerate(channels):
            values = sines.of(channel)
            for segment in touching:
                _blend(values, times, segment, channel, sines.cycle)
            samples[row, begin : begin + size] = values
    lost = (*NEVER, *SUB_CYCLE) if envelope.unmodelled else NEVER
    return samples, lost


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

    def _current(self, power: str) -> Array:
        """Current in phase with the bus voltage, from a power; none on a dead bus."""
        voltage = self._of("bus_voltage")
        alive = voltage > 0.05 * self.rated
        top = np.where(alive, np.sqrt(2.0) * self._of(power) / np.where(alive, voltage, 1.0), 0.0)
        return np.asarray(top * self._sine())

    def of(self, channel: str) -> Array:
        """Samples of one channel, V or A; a new array."""
        if channel == "bus.voltage":
            return np.asarray(np.sqrt(2.0) * self._of("bus_voltage") * self._sine())
        if channel == "grid.voltage":
            return self._grid_voltage()
        if channel.startswith("battery."):
            return self._battery(channel)
        if channel == "load.current":
            return np.asarray(self.of("bus.voltage") * self._of("load_conductance"))
        powers = {"bus.current": "bridge_power", "pv.current": "pv_power", "grid.current": "grid_power"}
        return self._current(powers[channel])

    def _grid_voltage(self) -> Array:
        """Mains side of the transfer relay, downstream of the grid switch."""
        joined = self._of("relay") > 0.5
        closed = self._of("switch") > 0.5
        apart = np.sqrt(2.0) * self._of("grid_voltage") * np.sin(self._of("grid_phase"))
        return np.where(joined, self.of("bus.voltage"), np.where(closed, apart, 0.0))

    def _battery(self, channel: str) -> Array:
        values, circuit = self.envelope.values, self.envelope.circuit
        if "ripple" not in self._kept:
            runs = values["mode"] * values["contactor"] * values["stage_on"]
            found = ripple(circuit, values["bus_voltage"], values["bridge_power"], values["battery_voltage"],
                           values["battery_current"], runs).battery_current  # fmt: skip
            real, imaginary = np.ascontiguousarray(found.real), np.ascontiguousarray(found.imag)
            double = 2.0 * self._angle()
            wave = self.envelope.along(real, self.times) * np.cos(double)
            self._kept["ripple"] = wave - self.envelope.along(imaginary, self.times) * np.sin(double)
        if channel == "battery.current":
            return np.asarray(self._of("battery_current") + self._kept["ripple"])
        return np.asarray(self._of("battery_voltage") + circuit.battery_resistance * self._kept["ripple"])


def _check(channels: tuple[str, ...], rate: float, count: int) -> None:
    unknown = [channel for channel in channels if channel not in CHANNELS]
    if unknown:
        raise ValueError(f"no waveform of {', '.join(unknown)}; there is " + ", ".join(CHANNELS))
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise ValueError(f"{rate:g} samples/s is outside {LOWEST_RATE:g} to {HIGHEST_RATE:g}")
    if count < 2 or (count - 1) / rate > LONGEST_SPAN or count * max(1, len(channels)) > MOST_SAMPLES:
        raise ValueError(
            f"{count} samples of {len(channels)} channels: give at least 2, at most {LONGEST_SPAN:g} s and "
            f"{MOST_SAMPLES} in all"
        )
