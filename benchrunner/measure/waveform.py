"""Measures of a captured wave, each with the rule by which gain and offset errors of the recorder become its
own.

A NaN among the samples (overloaded, lost) leaves no value.
"""

import numpy as np

from benchrunner.measure.arrays import LARGEST, Array, Integral, runs
from benchrunner.measure.events import find_gap
from benchrunner.measure.evidence import Arguments, Measured, Series, Wave, nothing, number
from benchrunner.measure.frequency import frequency, frequency_track, phase_of
from benchrunner.measure.power import orders_of
from benchrunner.measure.power import thd as find_thd
from benchrunner.measure.rms import half_cycle_rms

_TIMEBASE = 10e-6 / float(np.sqrt(3.0))  # standard uncertainty of a recorder's clock: 10 ppm, common practice


def usable(data: Series | Wave, least: int = 16) -> str:
    """Why the wave gives no value; empty: it does."""
    if isinstance(data, Series):
        return "needs a captured wave, not readings over time"
    if data.samples.ndim != 1 or data.samples.size < least:
        return f"the capture of {data.channel} has {data.samples.size} samples, at least {least} needed"
    if not (np.isfinite(data.rate) and data.rate > 0):
        return f"the capture of {data.channel} has no sampling rate"
    bad = int(np.count_nonzero(~(np.abs(data.samples) < LARGEST)))
    return f"{bad} samples of {data.channel} are missing or overloaded" if bad else ""


def alternating(data: Wave) -> bool:
    """Whether this is an AC quantity: at least a quarter of its power lies at the nominal frequency.

    A battery current with ripple at twice the mains frequency is none, even where it passes through zero.
    """
    x = data.samples
    power = float(np.mean(x * x))
    cycles = int(x.size * data.nominal_frequency / data.rate)
    if power == 0 or cycles < 1:
        return False
    found = frequency(x, data.rate)
    if np.isfinite(found):
        near = abs(found / data.nominal_frequency - 1) < 0.2
        return near and float(np.mean((x - x.mean()) ** 2)) > 0.25 * power
    n = int(cycles * data.rate / data.nominal_frequency)
    line = abs(np.mean(x[:n] * np.exp(-2j * np.pi * data.nominal_frequency * np.arange(n) / data.rate)))
    return bool(2 * line**2 > 0.25 * power)


def peak(data: Wave, arguments: Arguments) -> Measured:
    """Largest absolute value of an AC wave, largest value of a DC one: one sample, as uncertain as that."""
    x = np.abs(data.samples) if alternating(data) else data.samples
    return _sample(data, int(np.argmax(x)), x)


def lowest(data: Wave, arguments: Arguments) -> Measured:
    """Smallest value: one sample, as uncertain as that."""
    return _sample(data, int(np.argmin(data.samples)), data.samples)


def half_cycle_maximum(data: Wave, arguments: Arguments) -> Measured:
    """Highest Urms(1/2). The gain goes through as it is; an offset counts in full, which is the larger
    figure."""
    return _half_cycle(data, highest=True)


def half_cycle_minimum(data: Wave, arguments: Arguments) -> Measured:
    """Lowest Urms(1/2); uncertainty as for the highest."""
    return _half_cycle(data, highest=False)


def rms(data: Wave, arguments: Arguments) -> Measured:
    """RMS over the whole cycles of the capture (all of it for DC); uncertainty as for a half-cycle value."""
    phase = phase_of(data.samples, data.rate) if alternating(data) else None
    square = data.samples * data.samples
    if phase is None:
        value = float(np.sqrt(np.mean(square)))
    else:
        begin = float(phase.at(0.0))
        turns = int((float(phase.at((data.samples.size + 0.01) / data.rate)) - begin) / (2 * np.pi) + 1e-9)
        end = float(phase.when(begin + 2 * np.pi * max(turns, 1)))
        value = float(np.sqrt(max(0.0, float(np.real(Integral(square, data.rate).mean(0.0, end))))))
    return Measured(value, data.u_of(value))


def gap(data: Wave, arguments: Arguments) -> Measured:
    """Length of the transfer gap. Each edge is right to one sample (rectangular), and the start may be seen late by
    what a slow collapse hides in the noise (rectangular, evaluated from the collapse itself); gain and offset do
    not matter, as the wave is compared with itself."""
    found, still, late = find_gap(data.samples, data.rate, None, number(arguments, "band", 0.1))
    if not np.isfinite(found.duration):
        return nothing(f"the capture of {data.channel} holds too little of the wave before the gap")
    u = float(np.sqrt((2.0 / data.rate**2 + late**2) / 3.0))
    at = data.start + found.start
    if still:
        return Measured(found.duration, u, at, "the voltage had not come back when the capture ended", True)
    return Measured(found.duration, u, at, "" if found.duration else "no gap: the wave never left its band")


def frequency_peak(data: Wave, arguments: Arguments) -> Measured:
    """Highest frequency of the track. The recorder's clock, and the scatter of the track where it is
    steadiest."""
    return _frequency_extreme(data, highest=True)


def frequency_lowest(data: Wave, arguments: Arguments) -> Measured:
    """Lowest frequency of the track; uncertainty as for the highest."""
    return _frequency_extreme(data, highest=False)


def frequency_slope(data: Wave, arguments: Arguments) -> Measured:
    """Largest rate of change of frequency over `over` seconds: the scatter of the track at both ends."""
    times, values = frequency_track(data.samples, data.rate)
    over = number(arguments, "over", 0.1)
    keep = np.isfinite(values)
    times, values = times[keep], values[keep]
    if times.size < 3 or times[-1] - times[0] < over:
        return nothing(f"the capture of {data.channel} holds no {over:g} s of frequency")
    ends = times[times + over <= times[-1] + 1e-9]
    rate = (np.interp(ends + over, times, values) - np.interp(ends, times, values)) / over
    i = int(np.argmax(np.abs(rate)))
    u = float(np.sqrt(2.0)) * _track_scatter(values) / over
    return Measured(float(abs(rate[i])), u, data.start + float(ends[i]) + 0.5 * over)


def thd(data: Wave, arguments: Arguments) -> Measured:
    """Distortion over the capture. A ratio, so the gain cancels; the scatter of its 10-cycle pieces averages
    out, and an offset in the recorder's scale of the size of u_offset may lie in any order."""
    f0 = frequency(data.samples, data.rate)
    value = find_thd(data.samples, data.rate)
    if not (np.isfinite(value) and np.isfinite(f0)):
        return nothing(f"the capture of {data.channel} holds no fundamental")
    n = int(10 * data.rate / f0)
    pieces = [find_thd(data.samples[a : a + n], data.rate) for a in range(0, data.samples.size - n + 1, n)]
    pieces = [piece for piece in pieces if np.isfinite(piece)]
    scatter = float(np.std(pieces, ddof=1) / np.sqrt(len(pieces))) if len(pieces) > 1 else 0.0
    fundamental = float(np.std(data.samples))
    floor = data.u_offset / fundamental if fundamental > 0 else 0.0
    return Measured(value, float(np.hypot(scatter, floor)))


def phase_jump(data: Wave, arguments: Arguments) -> Measured:
    """By how much the phase after the event (the gap, else the trigger) differs from the phase before,
    carried on.
    Uncertainty: the half difference between fits over three and over five cycles."""
    x, rate = data.samples, data.rate
    found, still, _ = find_gap(x, rate)
    if still:
        return nothing("the voltage had not come back when the capture ended")
    at = found.start if np.isfinite(found.start) else data.trigger - data.start
    length = found.duration if np.isfinite(found.start) else 0.0
    f0 = frequency(x, rate)
    if not np.isfinite(f0) or not np.isfinite(at):
        return nothing(f"the capture of {data.channel} holds no fundamental")
    jumps = []
    for cycles in (3.0, 5.0):
        before = (int((at - cycles / f0) * rate) - 1, int(at * rate) - 1)
        after = (int((at + length) * rate) + 2, int((at + length + cycles / f0) * rate) + 2)
        if before[0] < 0 or after[1] > x.size:
            break
        middle = at + 0.5 * length
        phases = [_phase_at(x, rate, f0, *part, middle) for part in (before, after)]
        jumps.append(float(np.angle(np.exp(1j * (phases[1] - phases[0])))))
    if not jumps:
        return nothing(f"the capture of {data.channel} is too short round the event")
    u = 0.5 * abs(jumps[-1] - jumps[0]) if len(jumps) > 1 else 0.05
    return Measured(abs(jumps[-1]), max(u, 2 * np.pi * f0 / rate * 0.1), data.start + at)


def duration_above(data: Wave, arguments: Arguments) -> Measured:
    """The longest stretch beyond `level` (absolute value for AC). Each end lies within a sample
    (rectangular); what gain and offset do is seen by moving the level by them."""
    return _duration(data, number(arguments, "level"), longest=True)


def total_above(data: Wave, arguments: Arguments) -> Measured:
    """All stretches beyond `level` together; uncertainty as for the longest, for each end."""
    return _duration(data, number(arguments, "level"), longest=False)


def energy(data: Wave, arguments: Arguments) -> Measured:
    """Integral of current times `voltage` over the capture. Gains in quadrature, relative; offsets by the
    other quantity's integral."""
    other = data.others.get(str(arguments.get("voltage")))
    if other is None:
        return nothing(f"the capture does not hold {arguments.get('voltage')}")
    why = usable(other)
    if why or other.samples.size != data.samples.size:
        return nothing(why or "voltage and current were not captured together")
    i, v, h = data.samples, other.samples, 1.0 / data.rate
    product = v * i
    value = float(np.sum(0.5 * (product[1:] + product[:-1])) * h)
    u = np.sqrt(
        (value * data.u_gain) ** 2
        + (value * other.u_gain) ** 2
        + (float(np.sum(v)) * h * data.u_offset) ** 2
        + (float(np.sum(i)) * h * other.u_offset) ** 2
    )
    return Measured(value, float(u))


def _sample(data: Wave, index: int, x: Array) -> Measured:
    value = float(x[index])
    return Measured(value, data.u_of(value), data.start + index / data.rate)


def _half_cycle(data: Wave, highest: bool) -> Measured:
    times, values = half_cycle_rms(data.samples, data.rate)
    if values.size == 0:
        return nothing(f"the capture of {data.channel} holds no fundamental")
    i = int(np.argmax(values) if highest else np.argmin(values))
    return Measured(float(values[i]), data.u_of(float(values[i])), data.start + float(times[i]))


def _track_scatter(values: Array) -> float:
    """Standard deviation of the track about a straight line, where it is steadiest (ten half cycles)."""
    if values.size < 6:
        return 0.0
    n = min(10, values.size)
    t = np.arange(n) - 0.5 * (n - 1)
    windows = np.lib.stride_tricks.sliding_window_view(values, n)
    centred = windows - windows.mean(axis=1, keepdims=True)
    rest = centred - (centred @ t / (t @ t))[:, None] * t
    return float(np.sqrt(np.min(np.sum(rest**2, axis=1)) / max(1, n - 2)))


def _frequency_extreme(data: Wave, highest: bool) -> Measured:
    times, values = frequency_track(data.samples, data.rate)
    keep = np.isfinite(values)
    if not keep.any():
        return nothing(f"the capture of {data.channel} holds no fundamental")
    times, values = times[keep], values[keep]
    i = int(np.argmax(values) if highest else np.argmin(values))
    u = float(np.hypot(values[i] * _TIMEBASE, _track_scatter(values)))
    return Measured(float(values[i]), u, data.start + float(times[i]))


def _phase_at(x: Array, rate: float, f0: float, begin: int, end: int, at: float) -> float:
    """The fundamental's phase at `at`, carried on from a fit to x[begin:end]."""
    part = x[begin:end]
    f = frequency(part, rate)
    f = f if np.isfinite(f) else f0
    theta = 2 * np.pi * f * (np.arange(begin, end) / rate - at)
    most = max(1, min(20, int(0.45 * rate / f), (part.size - 2) // 3))
    return float(np.angle(orders_of(part, theta, most)[1]))


def _duration(data: Wave, level: float, longest: bool) -> Measured:
    x = np.abs(data.samples) if alternating(data) else data.samples

    def length(limit: float) -> tuple[float, int, int]:
        found = [(beyond - first, beyond) for first, beyond in runs(x > limit)]
        if not found:
            return 0.0, 0, 0
        if longest:
            size, end = max(found)
            return size / data.rate, end, 1
        return sum(size for size, _ in found) / data.rate, found[-1][1], len(found)

    value, end, count = length(level)
    u_level = data.u_of(level)
    moved = 0.5 * (length(level - u_level)[0] - length(level + u_level)[0])
    u = float(np.sqrt(2 * max(count, 1) / 12.0) / data.rate)
    open_end = count > 0 and end == x.size
    note = f"{data.channel} was still beyond the level at the end" if open_end else ""
    return Measured(value, float(np.hypot(u, moved)), data.start + end / data.rate, note, open_end)
