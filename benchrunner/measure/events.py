"""Dips and swells from half-cycle values, and the transfer gap from the wave itself."""

from typing import NamedTuple

import numpy as np

from benchrunner.measure.arrays import Array, ArrayLike, FrequencyLike, rate_of, runs, samples_of, series_of
from benchrunner.measure.frequency import Phase, phase_of
from benchrunner.measure.frequency import frequency as find_frequency
from benchrunner.measure.power import orders_of

_NAN = float("nan")


class Dropout(NamedTuple):
    """s, s, and the unit of the values. `start` NaN and `duration` 0: there was none."""

    start: float
    duration: float
    residual: float


class Gap(NamedTuple):
    """s, s, V s. `start` NaN and `duration` 0: there was none."""

    start: float
    duration: float
    missing_area: float


def dropout(
    times: ArrayLike, rms: ArrayLike, nominal: float, threshold: float = 0.9, hysteresis: float = 0.02
) -> Dropout:
    """The longest dip of half-cycle values: from below `threshold` * `nominal` to back above it by
    `hysteresis`.

    residual: the lowest value in it (without a dip: of all). A dip that has not ended counts to the last
    value. By Urms(1/2) a dip reads up to one half cycle longer than the sag itself, and a gap of half a cycle
    hardly shows: use `gap` for transfers. NaN among the values: all NaN. Source: IEC 61000-4-30, 5.4.
    """
    t, v = series_of(times, rms)
    return _excursion(t, v, float(nominal), float(threshold), float(hysteresis))


def swell(
    times: ArrayLike, rms: ArrayLike, nominal: float, threshold: float = 1.1, hysteresis: float = 0.02
) -> Dropout:
    """As `dropout`, for values above `threshold` * `nominal`; `residual` is the highest. Source: IEC
    61000-4-30, 5.4."""
    t, v = series_of(times, rms)
    start, duration, residual = _excursion(t, -v, -float(nominal), float(threshold), -float(hysteresis))
    return Dropout(start, duration, -residual)


def _excursion(t: Array, v: Array, nominal: float, threshold: float, hysteresis: float) -> Dropout:
    if t.size == 0 or not np.isfinite(v).all() or not np.isfinite(nominal):
        return Dropout(_NAN, _NAN, _NAN)
    below, back = v < threshold * nominal, v >= (threshold + hysteresis) * nominal
    found = Dropout(_NAN, 0.0, float(v.min()))
    i = 0
    while i < t.size:
        if not below[i]:
            i += 1
            continue
        ends = np.flatnonzero(back[i:])
        j = i + int(ends[0]) if ends.size else t.size - 1
        if np.isnan(found.start) or t[j] - t[i] > found.duration:
            found = Dropout(float(t[i]), float(t[j] - t[i]), float(v[i : j + 1].min()))
        i = max(j, i + 1)
    return found


def gap(samples: ArrayLike, rate: float, frequency: FrequencyLike = None, band: float = 0.1) -> Gap:
    """The longest stretch in which the wave is not what it was before nor yet what it will be after.

    The sound cycles before (and after) are fitted with their harmonics and carried on; the gap runs from
    where the samples leave the one to where they have joined the other. What leaves it by `band` (of the
    peak) starts a gap; its edges are then sought within the noise of the sound cycles, so that they are right
    to about a sample at any point on the wave, also where the voltage dies away. missing_area: integral of
    what is missing to the wave before.

    Needs about two sound cycles before. A wave that has not come back counts to the end of the record
    (`gap_open` tells). NaN for too short a record, for no fundamental, or a NaN. Source: common practice.
    """
    return find_gap(samples, rate, frequency, band)[0]


def find_gap(
    samples: ArrayLike, rate: float, frequency: FrequencyLike = None, band: float = 0.1
) -> tuple[Gap, bool, float]:
    """As `gap`; whether the wave had not come back when the record ended (the duration is then a lower bound); and
    by how much (s) the start may be seen late, because a wave that dies away slowly hides in the noise at first."""
    x, rate = samples_of(samples), rate_of(rate)
    nothing = Gap(_NAN, _NAN, _NAN)
    if not 0 < band < 1:
        raise ValueError(f"the band is a fraction of the peak, not {band}")
    if x.size < 16 or not np.isfinite(x).all():
        return nothing, False, 0.0
    phase = phase_of(
        x, rate
    )  # what comes back has a frequency of its own; what is given helps where none is found
    if phase is None and frequency is not None:
        phase = phase_of(x, rate, frequency)
    if phase is None:  # a record that is dead for most of its length still begins with a wave
        phase = phase_of(x, rate, find_frequency(x[: max(16, x.size // 4)], rate))
    if phase is None or not 0 < phase.f0 < rate / 8 or x.size * phase.f0 / rate < 2.5:
        return nothing, False, 0.0
    f0 = phase.f0
    suspicions = _suspicions(x, rate, phase, band)
    best, opened, hidden = Gap(_NAN, 0.0, 0.0), False, 0.0
    for first, last in suspicions:
        found, ended, late = _edges(x, rate, f0, band, first, last)
        if found is not None and found.duration > best.duration:
            best, opened, hidden = found, not ended, late
    return best, opened, hidden


def _suspicions(x: Array, rate: float, phase: Phase, band: float) -> list[tuple[int, int]]:
    """Where the wave differs from itself one cycle earlier: sample ranges, those closer than two cycles joined."""
    cycle = rate / phase.f0
    t = np.arange(x.size) / rate
    earlier = phase.when(
        phase.at(t) - 2 * np.pi
    )  # by the phase, so that a changing frequency is no difference
    peak = np.sqrt(2) * _usual_rms(x, cycle)
    odd = (np.abs(x - np.interp(earlier, t, x)) > band * peak) & (earlier >= 0)
    least = max(3, round(0.01 * cycle))  # a spike or a notch is no gap
    joined: list[tuple[int, int]] = []
    for a, b in runs(odd):
        if joined and a - joined[-1][1] < 2 * cycle:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return [(a, b) for a, b in joined if int(odd[a:b].sum()) >= least]


def _usual_rms(x: Array, cycle: float) -> float:
    """The RMS of a sound cycle: high among those of the record, so that a long gap does not pull it down."""
    n = max(1, round(cycle))
    count = x.size // n
    per_cycle = np.sqrt(np.mean(x[: count * n].reshape(count, n) ** 2, axis=1))
    return float(np.quantile(per_cycle, 0.8))


class _Reference(NamedTuple):
    values: Array  # over the whole record
    noise: float  # what a sound sample may be off
    peak: float


def _edges(
    x: Array, rate: float, f0: float, band: float, first: int, last: int
) -> tuple[Gap | None, bool, float]:
    """The gap of one suspicion, whether it ended within the record, and by how much its start may be seen late.
    None: within the band after all."""
    cycle = rate / f0
    before = _reference(x, rate, f0, max(0, int(first - 6 * cycle)), int(first - 0.5 * cycle))
    if before is None:
        before = _reference(x, rate, f0, max(0, int(first - 6 * cycle)), int(first - 0.05 * cycle))
    if before is None:
        return None, True, 0.0
    off = np.abs(x - before.values)
    search = max(0, int(first - 0.5 * cycle))
    leaves = search + np.flatnonzero(off[search:last] > band * before.peak)
    if leaves.size < max(3, round(0.01 * cycle)):
        return None, True, 0.0
    crossed = int(leaves[0])
    # the first sample out of the noise that is followed by another two: what dies away slowly passes through
    # the carried-on wave again at each zero crossing
    loud = off[search : crossed + 3] > before.noise
    kept = np.flatnonzero(loud[:-2] & loud[1:-1] & loud[2:])
    start = search + int(kept[0]) if kept.size else crossed
    # it took from `start` to `crossed` to grow from the noise to the band; before, in proportion, and twice that
    # because a collapse that begins near a zero crossing grows slower at first (tried: 96 of 100 are covered)
    grown = band * before.peak - before.noise
    hidden = (
        min(2 * (crossed - start) * before.noise / grown, 0.25 * cycle) / rate if grown > 0 else 0.25 / f0
    )
    after = _after(x, rate, f0, last, cycle)
    if after is None:
        missing = float(np.sum(np.abs(before.values - x)[start:]) / rate)
        return Gap((start - 0.5) / rate, (x.size - start) / rate, missing), False, hidden
    off_after = np.abs(x - after.values)
    stop = min(last + int(0.25 * cycle), x.size)
    outside = np.flatnonzero(off_after[start:stop] > band * after.peak)
    if outside.size == 0:
        return None, True, 0.0
    entered = start + int(outside[-1]) + 1
    # an abrupt return shows within this many samples of the band, wherever on the wave it falls; a slower one
    # (a transient that dies away inside the band) counts as back once it is in the band
    reach = int(np.ceil(2 * np.arcsin(band) / (2 * np.pi) * cycle)) + 2
    late = np.flatnonzero(off_after[start:stop] > after.noise)
    heard = start + int(late[-1]) + 1 if late.size else entered
    end = heard if heard - entered <= reach else entered
    missing = float(np.sum(np.abs(before.values - x)[start:end]) / rate)
    return Gap((start - 0.5) / rate, (end - start) / rate, missing), True, hidden


def _after(x: Array, rate: float, f0: float, last: int, cycle: float) -> _Reference | None:
    """The wave after the gap: the first sound cycles from `last` on; None: it is not back within the
    record."""
    for cycles in (4.0, 2.5, 1.5):
        begin, end = last, min(x.size, int(last + cycles * cycle))
        found = _reference(x, rate, f0, begin, end)
        if found is not None and found.peak > 0.5 * np.sqrt(2) * _usual_rms(x, cycle):
            return found
    return None


def _reference(x: Array, rate: float, f0: float, begin: int, end: int) -> _Reference | None:
    """Fundamental and harmonics of `x[begin:end]`, carried over the whole record."""
    cycle = rate / f0
    if end - begin < 1.2 * cycle:
        return None
    part = x[begin:end]
    found = find_frequency(part, rate)
    f = found if np.isfinite(found) and abs(found - f0) < 0.2 * f0 else f0
    whole = int((end - begin) / (rate / f)) if end - begin >= 2 * cycle else (end - begin) / (rate / f)
    part = x[end - int(whole * rate / f) : end] if begin else x[begin : begin + int(whole * rate / f)]
    offset = end - part.size if begin else begin
    most = int(
        min(25, np.ceil(0.5 * rate / f) - 1, 6 if end - begin < 2 * cycle else 25, (part.size - 2) // 3)
    )
    theta = 2 * np.pi * f * (np.arange(x.size) - offset) / rate
    c = orders_of(part, theta[offset : offset + part.size], most)
    turn, running = np.exp(1j * theta), np.ones(x.size, dtype=np.complex128)
    values = np.full(x.size, float(c[0].real))
    for order in range(1, most + 1):
        running = running * turn
        values += (c[order] * running).real
    rest = np.abs(part - values[offset : offset + part.size])
    peak = float(np.abs(values).max())
    if peak <= 0:
        return None
    noise = max(4.5 * float(np.sqrt(np.mean(rest**2))), 1.2 * float(rest.max()), 1e-6 * peak)
    return _Reference(values, noise, peak)
