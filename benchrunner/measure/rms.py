"""RMS values over whole cycles: refreshed every half cycle, and over 10 or 12 cycles (IEC 61000-4-30)."""

import numpy as np

from benchrunner.measure.arrays import Array, ArrayLike, FrequencyLike, Integral, rate_of, samples_of
from benchrunner.measure.frequency import phase_of


def half_cycle_rms(samples: ArrayLike, rate: float, frequency: FrequencyLike = None) -> tuple[Array, Array]:
    """Urms(1/2): RMS over one cycle from each zero crossing of the fundamental on, so refreshed every half
    cycle.

    Returns (times, values): each value at the middle of its cycle, in s from the first sample. Zero crossings
    lie between samples, and are carried across a gap from the sound wave on either side. `frequency`: a
    number, a track or None (find it). Empty where there is no whole cycle, no fundamental or a NaN. Source:
    IEC 61000-4-30, 3.x (definition of Urms(1/2)) and 5.4.
    """
    x, rate = samples_of(samples), rate_of(rate)
    phase = phase_of(x, rate, frequency)
    if phase is None:
        return np.zeros(0), np.zeros(0)
    last = x.size / rate
    first_crossing = int(np.ceil(float(phase.at(-0.01 / rate)) / np.pi))
    last_crossing = int(np.floor(float(phase.at(last + 0.01 / rate)) / np.pi))
    if last_crossing - first_crossing < 2:
        return np.zeros(0), np.zeros(0)
    crossings = phase.when(np.pi * np.arange(first_crossing, last_crossing + 1))
    return _rms(x, rate, crossings[:-2], crossings[2:])


def window_rms(
    samples: ArrayLike, rate: float, frequency: FrequencyLike = None, cycles: int | None = None
) -> tuple[Array, Array]:
    """RMS over windows of whole cycles that follow one another without gap from the first sample on.

    `cycles` per window: 10 below 55 Hz, else 12 (about 200 ms), unless said otherwise. Returns (times,
    values), the time being the window's middle. Empty as for `half_cycle_rms`. Source: IEC 61000-4-30, 4.4
    and 5.2.
    """
    x, rate = samples_of(samples), rate_of(rate)
    phase = phase_of(x, rate, frequency)
    if phase is None:
        return np.zeros(0), np.zeros(0)
    if cycles is None:
        cycles = 10 if phase.f0 < 55.0 else 12
    if cycles < 1:
        raise ValueError(f"a window needs at least one cycle, not {cycles}")
    begin = float(phase.at(0.0))
    turns = (float(phase.at((x.size + 0.01) / rate)) - begin) / (2 * np.pi)
    count = int(turns / cycles + 1e-9)
    if count < 1:
        return np.zeros(0), np.zeros(0)
    edges = phase.when(begin + 2 * np.pi * cycles * np.arange(count + 1))
    return _rms(x, rate, edges[:-1], edges[1:])


def _rms(x: Array, rate: float, starts: Array, ends: Array) -> tuple[Array, Array]:
    square = np.real(Integral(x * x, rate).mean(starts, ends))
    return 0.5 * (starts + ends), np.sqrt(np.maximum(square, 0.0))
