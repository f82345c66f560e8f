"""Frequency and phase of the fundamental, from samples.

A short record is fitted by a fundamental with its harmonics and a constant (non-linear least squares, the
maximum likelihood estimate in white noise); a long one is demodulated and its cycles counted over their
duration, as IEC 61000-4-30, 5.1 does. A record without a fundamental (constant, noise, too short, NaN) has no
frequency: NaN.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.measure.arrays import Array, ArrayLike, FrequencyLike, Integral, rate_of, runs, samples_of

SHORT = 25.0  # cycles; up to here one frequency is fitted to the whole record
WIDEST = 1.13  # highest to lowest frequency of a long record; up to there half-cycle values of a sine are right to 0.1 %
_PER_CYCLE = 100.0  # samples per cycle that the fit of a fundamental needs


def frequency(samples: ArrayLike, rate: float) -> float:
    """The fundamental frequency in Hz, or NaN where there is none. `samples`: (n,), `rate`: samples/s.

    Needs one cycle; a frequency that changes within a long record gives its mean (whole cycles by their
    duration, IEC 61000-4-30, 5.1). An interruption inside is left out where two sound cycles remain beside
    it.
    """
    x, rate = samples_of(samples), rate_of(rate)
    if x.size < 8 or not np.isfinite(x).all():
        return float("nan")
    coarse = _coarse(x, rate)
    if not np.isfinite(coarse):
        return float("nan")
    cycles = x.size * coarse / rate
    if cycles > SHORT:
        return _by_cycles(x, rate, coarse)
    found = _fitted(x, rate, coarse)
    if not np.isfinite(found) or cycles < 3:
        return found
    sound = _sound_part(x, rate, found)
    return found if sound is None else _fitted(x[sound], rate, found)


def frequency_track(samples: ArrayLike, rate: float) -> tuple[Array, Array]:
    """Frequency over time: (times in s from the first sample, values in Hz), one value each half cycle.

    Each value weighs some four cycles round its time, half of it within 1.4 cycles, so that harmonics and the
    image cancel; the first and last two cycles have none. NaN where the fundamental is below a tenth of its
    usual size. A jump of phase shows as a short peak: it is one, seen through a window. Source: demodulation,
    common practice.
    """
    x, rate = samples_of(samples), rate_of(rate)
    empty = np.zeros(0)
    f0 = frequency(x, rate)
    if not np.isfinite(f0):
        return empty, empty
    if x.size * f0 / rate < 5.0:
        return np.array([0.5 * (x.size - 1) / rate]), np.array([f0])
    times, phasor = demodulated(x, rate, f0)
    half = 0.5 / f0
    at = np.arange(times[0] + half, times[-1] - half * (1 - 1e-9), half)
    level = np.abs(phasor)
    phase = np.unwrap(np.angle(phasor))
    turned = np.interp(at + half, times, phase) - np.interp(at - half, times, phase)
    values = f0 + turned / (2 * np.pi * 2 * half)
    around = np.interp(at[:, None] + half * np.arange(-3, 3.5, 0.5)[None, :], times, level)
    faint = around.min(axis=1) < 0.1 * np.quantile(level, 0.9)
    broken = around.min(axis=1) < 0.75 * around.max(axis=1)
    values[faint | broken] = np.nan
    return at, values


def demodulated(x: Array, rate: float, f0: float) -> tuple[Array, npt.NDArray[np.complex128]]:
    """The fundamental's phasor (peak value) over time, relative to a sine wave of `f0` that starts at the
    first sample.

    Three one-cycle means in a row (a quadratic B-spline of three cycles) leave nothing of harmonics, of a
    constant and of the image at f0, and next to nothing near it. Times from 1.5 cycles after the start to 1.5
    before the end.
    """
    factor = max(1, int(rate / f0 / 200.0))
    count = x.size // factor
    y = x[: count * factor].reshape(count, factor).mean(axis=1)
    step, offset = factor / rate, 0.5 * (factor - 1) / rate
    t = offset + step * np.arange(count)
    mixed = 2j * y * np.exp(-2j * np.pi * f0 * t)
    reach = int(1.5 / f0 / step)
    u = np.abs(np.arange(-reach, reach + 1) * step * f0)
    kernel = np.where(u <= 0.5, 0.75 - u**2, 0.5 * np.maximum(1.5 - u, 0.0) ** 2)
    kernel /= kernel.sum()
    size = 1 << int(np.ceil(np.log2(count + kernel.size)))
    filtered = np.fft.ifft(np.fft.fft(mixed, size) * np.fft.fft(kernel, size))[kernel.size - 1 : count]
    return t[reach : reach + filtered.size], filtered


@dataclass(frozen=True)
class Phase:
    """The fundamental's phase over time: `theta` (rad, a rising zero crossing at each multiple of 2 pi) at
    `times`."""

    times: Array
    theta: Array
    f0: float

    def at(self, times: ArrayLike) -> Array:
        """theta at `times`; beyond the ends it runs on at the end's own pace."""
        return _extended(np.asarray(times, dtype=np.float64), self.times, self.theta)

    def when(self, theta: ArrayLike) -> Array:
        """The times at which theta has these values."""
        return _extended(np.asarray(theta, dtype=np.float64), self.theta, self.times)


def phase_of(x: Array, rate: float, given: FrequencyLike = None) -> Phase | None:
    """The phase of the fundamental in `x`, by a given frequency (number or track) or by the one found; None:
    none.

    Where the wave is disturbed (a gap, a step) the phase is carried across from the sound cycles on either
    side.
    """
    end = max(x.size - 1, 1) / rate
    if x.size < 8 or not np.isfinite(x).all():
        return None
    if given is not None and not np.isscalar(given) and np.ndim(given) != 0:  # type: ignore[arg-type]
        times, values = _track(given, end)
        fine = np.union1d(times, np.linspace(times[0], times[-1], int((times[-1] - times[0]) * 1000) + 2))
        times, values = fine, np.interp(fine, times, values)  # the phase bends between the track's own points
        theta = (
            2 * np.pi * np.concatenate(([0.0], np.cumsum(0.5 * np.diff(times) * (values[1:] + values[:-1]))))
        )
        f0 = float(theta[-1] - theta[0]) / (2 * np.pi * (times[-1] - times[0]))
        base = Phase(times, theta, f0)
        turn = np.exp(-1j * base.at(np.arange(x.size) / rate))
        shift = float(np.angle(np.sum((x - x.mean()) * turn) * 1j))
        return Phase(times, theta + shift, f0)
    f0 = frequency(x, rate) if given is None else float(given)  # type: ignore[arg-type]
    if not (np.isfinite(f0) and 0 < f0 < rate / 2) or x.size * f0 / rate < 0.999:
        return None
    return _found_phase(x, rate, f0, fixed=given is not None)


def _found_phase(x: Array, rate: float, f0: float, fixed: bool) -> Phase | None:
    """First against a steady pace, then against what was found: over a cycle of its own the image cancels."""
    ends = np.array([0.0, max(x.size - 1, 1) / rate])
    found: Phase | None = Phase(ends, 2 * np.pi * f0 * ends, f0)
    for _ in range(1 if fixed else 2):
        if found is not None:
            found = _against(x, rate, found, fixed)
    return found


def _against(x: Array, rate: float, base: Phase, fixed: bool) -> Phase | None:
    """The phase of `x`, from the phasors over one cycle of `base`."""
    span = 2 * np.pi
    begin, end = (float(part) for part in base.at(np.array([0.0, (x.size - 0.999) / rate])))
    centres = np.arange(begin + 0.5 * span, end - 0.5 * span + 1e-9, span / 32)
    if centres.size == 0:
        centres = np.array([0.5 * (begin + end)])
    turn = np.exp(-1j * base.at(np.arange(x.size) / rate))
    edges = base.when(centres - 0.5 * span), base.when(centres + 0.5 * span)
    phasor = 2j * Integral((x - x.mean()) * turn, rate).mean(*edges)
    level = np.abs(phasor)
    usual = float(np.quantile(level, 0.9))
    if not usual > 0:
        return None
    # sound: one-cycle phasors half a cycle to either side agree with this one within 3 %
    before = np.interp(centres - 0.5 * span, centres, phasor)
    after = np.interp(centres + 0.5 * span, centres, phasor)
    near = (np.abs(before - phasor) < 0.03 * usual) & (np.abs(after - phasor) < 0.03 * usual)
    sound = (level > 0.5 * usual) & near
    if not fixed:  # a phasor that turns steadily at unchanged length is another frequency, not a disturbance
        drift = np.abs(np.angle(after * np.conj(before)))
        even = (np.abs(np.abs(before) - level) < 0.03 * usual) & (
            np.abs(np.abs(after) - level) < 0.03 * usual
        )
        sound |= (level > 0.5 * usual) & even & (drift < 0.4)
    if not sound.any():
        sound = level > 0.1 * usual
    psi = np.unwrap(np.angle(phasor[sound]))
    if fixed:  # the grid keeps the given pace; only its start is found
        psi = np.full(psi.size, float(np.angle(np.sum(phasor[sound]))))
    carried = _extended_level(centres, centres[sound], psi, span)
    theta = centres + carried
    if (
        theta.size > 1 and float(np.diff(theta).min()) < 0.2 * span / 32
    ):  # no phase runs back, or nearly stands
        theta = centres + float(np.median(psi))
    if theta.size == 1:  # a record of one cycle: one phase, at the base's pace
        centres, theta = centres + span * np.array([-0.5, 0.5]), theta + span * np.array([-0.5, 0.5])
    return Phase(base.when(centres), theta, base.f0)


def _extended_level(at: Array, times: Array, values: Array, span: float) -> Array:
    """Interpolated inside; beyond the ends with the slope of the outermost `span` (none where that is not
    there)."""
    result = np.interp(at, times, values)
    for first, side in ((0, at < times[0]), (-1, at > times[-1])):
        near = np.abs(times - times[first]) <= span
        width = float(np.ptp(times[near]))
        if side.any() and width > 0.5 * span:
            slope = float(np.polyfit(times[near] - times[first], values[near], 1)[0])
            result[side] = values[first] + slope * (at[side] - times[first])
    return result


def _extended(at: Array, x: Array, y: Array) -> Array:
    shape, at = at.shape, np.atleast_1d(at)
    result = np.interp(at, x, y)
    if x.size > 1:
        low, high = at < x[0], at > x[-1]
        k = min(32, x.size - 1)
        result[low] = y[0] + (at[low] - x[0]) * (y[k] - y[0]) / (x[k] - x[0])
        result[high] = y[-1] + (at[high] - x[-1]) * (y[-1] - y[-1 - k]) / (x[-1] - x[-1 - k])
    return result.reshape(shape)


def _track(given: FrequencyLike, end: float) -> tuple[Array, Array]:
    """A given track as times and values; an array without times is spread evenly over the record."""
    array = [np.asarray(part, dtype=np.float64) for part in given] if isinstance(given, tuple) else None
    if array is not None and len(array) == 2 and array[0].ndim == 1 and array[0].shape == array[1].shape:
        times, values = array
    else:
        values = np.asarray(given, dtype=np.float64)
        if values.ndim != 1:
            raise ValueError("a frequency track is one row of values, or (times, values)")
        times = np.linspace(0.0, end, values.size)
    good = np.isfinite(times) & np.isfinite(values) & (values > 0)
    times, values = times[good], values[good]
    if times.size == 0 or (np.diff(times) <= 0).any():
        raise ValueError("a frequency track needs positive values at rising times")
    first, last = min(0.0, float(times[0])) - 1e-9, max(end, float(times[-1])) + 1e-9
    head, tail = _carried(times[:8], values[:8], first), _carried(times[-8:], values[-8:], last)
    return np.concatenate(([first], times, [last])), np.concatenate(([head], values, [tail]))


def _carried(times: Array, values: Array, at: float) -> float:
    """The track's outermost eight values carried on along a straight line, as far as they themselves reach."""
    near = values[0] if at < times[0] else values[-1]
    reach = float(times[-1] - times[0])
    if times.size < 3 or min(abs(at - times[0]), abs(at - times[-1])) > 1.2 * reach:
        return float(near)
    middle = times.mean()
    slope = float(np.sum((times - middle) * values) / np.sum((times - middle) ** 2))
    return max(0.5 * float(near), float(values.mean()) + slope * float(at - middle))


def _coarse(x: Array, rate: float) -> float:
    """The strongest line of the spectrum, or NaN where no line stands out."""
    factor = max(1, x.size // 131_072)  # a fundamental of mains lies far below
    if factor > 1:
        x = x[: x.size // factor * factor].reshape(-1, factor).mean(axis=1)
        rate = rate / factor
    centred = x - x.mean()
    size = float(np.abs(x).max())
    power = float(np.mean(centred**2))
    if not np.isfinite(power) or power <= (1e-9 * size) ** 2:
        return float("nan")
    padded = 1 << int(np.ceil(np.log2(4 * x.size)))
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(x.size + 2)[1:-1], padded))
    spectrum[: max(1, int(0.9 * padded / x.size))] = 0.0  # less than 0.9 cycles in the record
    k = int(np.argmax(spectrum))
    if not 0 < k < spectrum.size - 1:
        return float("nan")
    a, b, c = np.log(np.maximum(spectrum[k - 1 : k + 2], 1e-300))
    bend = a - 2 * b + c
    f = (k + (0.5 * (a - c) / bend if bend < 0 else 0.0)) * rate / padded
    t = (np.arange(x.size) - 0.5 * (x.size - 1)) / rate
    candidates = f * np.linspace(0.6, 1.5, 91) if x.size * f / rate < 4 else np.array([f])
    shares = [_share(centred, t, candidate, power) for candidate in candidates]
    best = int(np.argmax(shares))
    # white noise explains about ln(n) / n of itself by its best line; a real fundamental far more
    if shares[best] < max(0.1, 12.0 * np.log(x.size) / x.size if x.size > 60 else 0.7):
        return _coarse_by_parts(x, rate, int(x.size * f / rate / SHORT))
    return float(candidates[best])


def _coarse_by_parts(x: Array, rate: float, parts: int) -> float:
    """The middle one of the frequencies of the record's parts: one that moves spreads over many lines of the whole.

    NaN where fewer than half of the parts have one, or where they lie further apart than half-cycle values bear.
    """
    if parts < 2:
        return float("nan")
    found = np.array([_coarse(part, rate) for part in np.array_split(x, parts)])
    found = found[np.isfinite(found)]
    if 2 * found.size < parts or float(found.max()) > WIDEST * float(found.min()):
        return float("nan")
    return float(np.median(found))


def _share(x: Array, t: Array, f: float, power: float) -> float:
    """The share of the power that a constant and one sine of that frequency explain."""
    basis = np.stack((np.ones_like(t), np.cos(2 * np.pi * f * t), np.sin(2 * np.pi * f * t)))
    gram = basis @ basis.T + 1e-9 * t.size * np.eye(3)
    right = basis @ x
    return float(right @ np.linalg.solve(gram, right)) / (power * t.size)


def _fitted(x: Array, rate: float, start: float) -> float:
    """Gauss-Newton on frequency, harmonics and constant; NaN for less than a cycle."""
    factor = max(1, int(rate / start / _PER_CYCLE))
    if factor > 1:
        x = x[: x.size // factor * factor].reshape(-1, factor).mean(axis=1)
        rate = rate / factor
    cycles = x.size * start / rate
    if cycles < 0.999:
        return float("nan")
    orders = min(
        25, int(0.45 * rate / start), (x.size - 3) // 6, 25 if cycles >= 3 else 12 if cycles >= 1.8 else 5
    )
    if orders < 1:
        return float("nan")
    t = (np.arange(x.size) - 0.5 * (x.size - 1)) / rate
    h = np.arange(1, orders + 1)[:, None]
    omega = 2 * np.pi * start
    for _ in range(12):
        angle = h * (omega * t)
        cosine, sine = np.cos(angle), np.sin(angle)
        basis = np.concatenate((np.ones((1, t.size)), cosine, sine))
        c = _least_squares(basis, x)
        slope = t * np.sum(h * (c[1 + orders :, None] * cosine - c[1 : 1 + orders, None] * sine), axis=0)
        size = float(np.sqrt(np.mean(slope**2)))
        if size == 0:
            return float("nan")
        change = float(_least_squares(np.concatenate((basis, slope[None, :] / size)), x)[-1]) / size
        omega += float(np.clip(change, -0.1 * omega, 0.1 * omega))
        if abs(change) < 1e-11 * omega:
            break
    found = float(omega / (2 * np.pi))
    return found if 0.5 * start < found < 2.0 * start else float("nan")


def _least_squares(rows: Array, x: Array) -> Array:
    gram = rows @ rows.T
    gram[np.diag_indices_from(gram)] += 1e-12 * x.size
    return np.linalg.solve(gram, rows @ x)


def _sound_part(x: Array, rate: float, f0: float) -> slice | None:
    """The longest stretch of steady one-cycle RMS if the record holds an interruption or a step; None: it
    does not."""
    period = 1.0 / f0
    starts = np.arange(0.0, (x.size - 0.5) / rate - period, period / 8)
    if starts.size < 8:
        return None
    rms = np.sqrt(np.maximum(np.real(Integral((x - x.mean()) ** 2, rate).mean(starts, starts + period)), 0.0))
    usual = float(np.median(rms))
    steady = np.abs(rms - usual) < 0.1 * usual
    if steady.all():
        return None
    first, last = max(runs(steady), key=lambda run: run[1] - run[0], default=(0, 0))
    if last - first < 9:  # a stretch of one cycle more than its one-cycle window
        return None
    return slice(int(np.ceil(starts[first] * rate)), int((starts[last - 1] + period) * rate))


def _by_cycles(x: Array, rate: float, coarse: float) -> float:
    """Phase at the end less phase at the start, over the time between."""
    times, phasor = demodulated(x, rate, coarse)
    level = np.abs(phasor)
    good = np.flatnonzero(level > 0.3 * np.quantile(level, 0.9))
    if good.size < 2:
        return float("nan")
    phase, t = np.unwrap(np.angle(phasor[good])), times[good]
    width = min(10.0 / coarse, 0.25 * (t[-1] - t[0]))
    head, tail = t <= t[0] + width, t >= t[-1] - width
    turned = float(phase[tail].mean() - phase[head].mean())
    between = float(t[tail].mean() - t[head].mean())
    return coarse + turned / (2 * np.pi * between) if between > 0 else float("nan")
