"""`edge_after`: the measured edge on which a capture triggers.

AC: the RMS value over the last half cycle; DC: the mean over the last half cycle (one period of the ripple
that single-phase power causes). The edge is the first moment at which that value differs by `change` from
its own course during the cycle before. It is found from the wave, never from commands, and depends on
nothing that comes after it.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from benchrunner.sim.wave.capture import CHANNELS, PHASE_CHANNELS, envelope_for, samples_of
from benchrunner.sim.wave.envelope import LOADS, OF_PHASE, Envelope
from benchrunner.sim.wave.segment import AFTER

Array = npt.NDArray[np.float64]

RATE = 20_000.0  # samples/s of the search
PIECE = 0.5  # s searched at a time
LEVEL_TRACKS = {
    "bus.voltage": ("bus_voltage",), "bus.current": ("bridge_power",),
    "load.current": ("load_conductance", "load_susceptance", "rectifier_conductance", "cut_conductance"),
    "pv.current": ("pv_power",), "grid.current": ("grid_power",), "grid.voltage": ("grid_voltage", "switch",
    "relay"), "battery.voltage": ("battery_voltage",), "battery.current": ("battery_current",),
}  # fmt: skip


def edge_after(plant: Any, channel: str, change: float, since: float, until: float) -> float | None:
    """Time (s) of the first edge in (since, until], or None. `change` > 0 in V or A, RMS for AC, level for DC.

    The search ends at the last point of the plant's own grid; what lies beyond is for the next call.

    Raises `ValueError` for an unknown channel or a change that is not positive, and `LookupError` where the
    plant no longer knows the span.
    """
    if channel not in (*CHANNELS, *PHASE_CHANNELS):
        raise ValueError(f"no waveform of {channel}; there is " + ", ".join((*CHANNELS, *PHASE_CHANNELS)))
    if not change > 0 or not np.isfinite(change):
        raise ValueError(f"an edge of {change} is none; give a change above 0")
    if isinstance(plant, Envelope):
        until = min(until, plant.stop)
    else:
        until = np.floor(min(until, plant.now) / plant.step + 1e-7) * plant.step
    if until <= since:
        return None
    envelope = envelope_for(plant, since, until)
    frequency = envelope.circuit.rated_frequency
    cycle = 1.0 / frequency
    # the grid of the search is fixed in time, so that the edge does not move with how often one looks
    position = since
    while position < until:
        stop = min(until, (np.floor(position / PIECE) + 1) * PIECE)
        begin = max(envelope.start, position - 2 * cycle)
        if _may_move(envelope, channel, change, begin, stop):
            found = _search(envelope, channel, change, begin, position, stop, cycle)
            if found is not None:
                return found
        position = stop
    return None


def _may_move(envelope: Envelope, channel: str, change: float, begin: float, stop: float) -> bool:
    """Quick look: an event in reach, or an envelope that itself moves by a good part of `change`."""
    if any(begin - AFTER <= t <= stop for t in envelope.events):
        return True
    chosen = (envelope.times >= begin - 0.01) & (envelope.times <= stop + 0.01)
    base, _, end = channel.rpartition("_")
    if base not in LEVEL_TRACKS:
        base, end = channel, "l1"
    names = list(LEVEL_TRACKS[base])
    for phase in range(1, envelope.phases):
        if end in ("n", f"l{phase + 1}") or base == channel:
            names += [f"{name}_l{phase + 1}" for name in LEVEL_TRACKS[base] if name in OF_PHASE]
    for name in names:
        if name not in envelope.values:
            continue
        track = envelope.values[name][chosen]
        rated = envelope.circuit.rated_voltage
        scale = 1.0 / rated if "_power" in name else rated if name in LOADS else 1.0
        if len(track) and np.ptp(track) * scale > 0.4 * change:
            return True
    return False


def _search(
    envelope: Envelope, channel: str, change: float, begin: float, since: float, stop: float, cycle: float
) -> float | None:
    first = int(np.ceil(begin * RATE))
    last = int(np.floor(stop * RATE))
    if last - first < 8:
        return None
    samples, _ = samples_of(envelope, (channel,), first / RATE, RATE, last - first + 1)
    times = np.arange(first, last + 1) / RATE
    alternating = not channel.startswith("battery.")
    half = 0.5 / np.clip(
        envelope.of("bus_frequency", times), 0.5 / cycle, 2.0 / cycle
    )  # s, of the wave as it is now
    level = running_level(samples[0], half * RATE, alternating)
    span = round(cycle * RATE)
    moved = _moved(level, span)
    hits = np.flatnonzero((moved >= change) & (times > since))
    return float(times[hits[0]]) if len(hits) else None


def running_level(samples: Array, width: Array, alternating: bool) -> Array:
    """RMS (or mean) over the last `width` samples at each sample; NaN where there are not so many before it."""
    power = samples**2 if alternating else samples
    # trapezoidal integral, read at fractional places: a half cycle is no whole number of samples
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]))])
    place = np.arange(len(samples), dtype=np.float64)
    begin = place - width
    mean = (integral - np.interp(begin, place, integral)) / width
    mean[begin < 0] = np.nan
    return np.asarray(np.sqrt(np.maximum(mean, 0.0)) if alternating else mean, dtype=np.float64)


def _moved(level: Array, span: int) -> Array:
    """Largest distance of each value from those of the `span` samples before it; 0 where they are unknown."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    known = np.isfinite(level)
    low = np.where(known, level, np.inf)
    high = np.where(known, level, -np.inf)
    shift = (span + 1) // 2 if span % 2 == 0 else span // 2
    lowest = minimum_filter1d(low, span + 1, mode="nearest", origin=min(shift, span // 2))
    highest = maximum_filter1d(high, span + 1, mode="nearest", origin=min(shift, span // 2))
    distance = np.maximum(level - lowest, highest - level)
    return np.where(known & np.isfinite(distance), distance, 0.0)
