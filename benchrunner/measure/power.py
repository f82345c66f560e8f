"""Power and harmonics over whole cycles, from samples."""

import itertools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchrunner.measure.arrays import Array, ArrayLike, FrequencyLike, Integral, rate_of, samples_of
from benchrunner.measure.frequency import Phase, phase_of

_BLOCK = 50  # cycles; longer records are analysed in blocks of this many and aggregated
_NUISANCE = 20  # orders fitted beyond those asked for, so that they do not leak into them


class Power(NamedTuple):
    """W, var, VA and a ratio."""

    active: float
    reactive: float
    apparent: float
    power_factor: float


def power(voltage: ArrayLike, current: ArrayLike, rate: float, frequency: FrequencyLike = None) -> Power:
    """Active, reactive and apparent power and power factor over the whole cycles from the first sample on.

    Active: mean of v i. Apparent: product of the RMS values. Power factor: their ratio, signed as the active
    power.
    Reactive: of the fundamentals, positive where the current lags (IEEE 1459-2010, 3.1.1.6), so that with
    distortion active and reactive do not add up to apparent. Without a fundamental (DC) the whole record
    counts and reactive is NaN; NaN in, NaN out. Raises `ValueError` for records of different length.
    """
    v, i, rate = samples_of(voltage), samples_of(current), rate_of(rate)
    if v.shape != i.shape:
        raise ValueError(f"{v.size} samples of voltage do not belong to {i.size} of current")
    nothing = Power(*[float("nan")] * 4)
    if v.size < 2 or not (np.isfinite(v).all() and np.isfinite(i).all()):
        return nothing
    phase = phase_of(v, rate, frequency) or phase_of(i, rate, frequency)
    if phase is None:
        active = float(np.mean(v * i))
        apparent = float(np.sqrt(np.mean(v * v) * np.mean(i * i)))
        return Power(active, float("nan"), apparent, active / apparent if apparent > 0 else float("nan"))
    end = _whole_cycles(phase, v.size, rate)
    active, v2, i2 = (float(np.real(Integral(y, rate).mean(0.0, end))) for y in (v * i, v * v, i * i))
    apparent = float(np.sqrt(max(v2, 0.0) * max(i2, 0.0)))
    a, b = _fundamental(v, rate, phase), _fundamental(i, rate, phase)
    reactive = float(np.imag(a * np.conj(b)))
    return Power(active, reactive, apparent, active / apparent if apparent > 0 else float("nan"))


def harmonics(samples: ArrayLike, rate: float, frequency: FrequencyLike = None, count: int = 40) -> Array:
    """RMS amplitudes of the orders 1..`count`, shape (count,): least squares on all orders at once over whole
    cycles.

    So the fundamental may be off nominal and the record need not hold whole samples per cycle. NaN for orders
    at or above half the sampling rate, and everywhere without a fundamental or with a NaN. Records of more
    than 50 cycles are taken in blocks and aggregated as root of the mean square. Source: IEC 61000-4-7
    (orders), 61000-4-30, 4.5.
    """
    x, rate = samples_of(samples), rate_of(rate)
    if count < 1:
        raise ValueError(f"count must be at least 1, not {count}")
    result = np.full(int(count), np.nan)
    phase = phase_of(x, rate, frequency)
    if phase is None:
        return result
    begin = float(phase.at(0.0))
    turns = int((float(phase.at((x.size + 0.5) / rate)) - begin) / (2 * np.pi) + 1e-9)
    if turns < 1:
        return result
    blocks = max(1, round(turns / _BLOCK))
    marks = np.round(np.linspace(0, turns, blocks + 1))
    edges = np.clip(np.round(phase.when(begin + 2 * np.pi * marks) * rate), 0, x.size).astype(int)
    found = [
        np.abs(orders_of(x[a:b], phase.at(np.arange(a, b) / rate), _most(rate, phase.f0, count, b - a)))
        for a, b in itertools.pairwise(edges)
    ]
    orders = min(part.size for part in found) - 1
    power = np.mean([part[1 : orders + 1] ** 2 for part in found], axis=0)
    result[: min(orders, count)] = np.sqrt(power / 2)[: min(orders, count)]
    return result


def thd(samples: ArrayLike, rate: float, frequency: FrequencyLike = None, count: int = 40) -> float:
    """Total harmonic distortion: the orders 2..`count` together, as a ratio to the fundamental (THD_F, IEC
    61000-4-7).

    Orders above half the sampling rate are not in it. NaN without a fundamental.
    """
    amplitudes = harmonics(samples, rate, frequency, count)
    if not (np.isfinite(amplitudes[0]) and amplitudes[0] > 0):
        return float("nan")
    return float(np.sqrt(np.nansum(amplitudes[1:] ** 2)) / amplitudes[0])


def orders_of(x: Array, theta: Array, most: int) -> npt.NDArray[np.complex128]:
    """Complex peak amplitudes of the orders 0..`most` of `x` over the phase `theta`, by least squares.

    The normal equations of exponentials are Hermitian Toeplitz whatever the phase does, so only 2 `most` + 1
    sums are needed instead of a matrix of all samples.
    """
    turn = np.exp(-1j * theta)
    sums = np.zeros(2 * most + 1, dtype=np.complex128)  # sum of exp(-j p theta)
    right = np.zeros(most + 1, dtype=np.complex128)
    for a in range(0, x.size, 1 << 14):  # in pieces that stay in the cache
        step, piece = turn[a : a + (1 << 14)], x[a : a + (1 << 14)].astype(np.complex128)
        running = np.ones_like(step)
        for p in range(2 * most + 1):
            sums[p] += running.sum()
            if p <= most:
                right[p] += running @ piece
            running = running * step
    index = np.arange(-most, most + 1)
    difference = index[:, None] - index[None, :]
    matrix = np.where(difference >= 0, sums[np.abs(difference)], np.conj(sums[np.abs(difference)]))
    matrix[np.diag_indices_from(matrix)] += 1e-12 * x.size
    full = np.concatenate((np.conj(right[:0:-1]), right))
    c = np.linalg.solve(matrix, full)[most:]
    c[1:] *= 2
    return c


def _most(rate: float, f0: float, count: int, samples: int) -> int:
    """How many orders to fit: those asked for and some beyond, below half the rate and no more than the data
    bear."""
    below_half = int(np.ceil(0.5 * rate / f0 - 1e-6)) - 1
    return max(1, min(count + _NUISANCE, below_half, (samples - 2) // 3))


def _whole_cycles(phase: Phase, size: int, rate: float) -> float:
    """The time from the first sample to the end of the last whole cycle."""
    begin = float(phase.at(0.0))
    turns = int((float(phase.at((size + 0.01) / rate)) - begin) / (2 * np.pi) + 1e-9)
    return float(phase.when(begin + 2 * np.pi * turns)) if turns else size / rate


def _fundamental(x: Array, rate: float, phase: Phase) -> complex:
    """RMS phasor of the fundamental over the whole cycles."""
    size = int(min(x.size, round(_whole_cycles(phase, x.size, rate) * rate)))
    theta = phase.at(np.arange(size) / rate)
    return complex(orders_of(x[:size], theta, _most(rate, phase.f0, 5, size))[1]) / 2**0.5
