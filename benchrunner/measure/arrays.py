"""What the measures share: checked arrays and integrals between instants that lie between samples."""

from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.floating[Any]]
ArrayLike: TypeAlias = npt.ArrayLike
# a number, a track (times, values), an array spread over the record, or None: find it
FrequencyLike: TypeAlias = float | npt.ArrayLike | tuple[npt.ArrayLike, npt.ArrayLike] | None


def samples_of(samples: ArrayLike) -> Array:
    """The samples as one row of floats. Raises `ValueError` for anything else."""
    x = np.asarray(samples, dtype=np.float64)
    if x.ndim != 1:
        raise ValueError(f"samples must be one row of numbers, not an array of shape {x.shape}")
    wild = np.abs(x) > LARGEST
    return np.where(wild, np.inf, x) if wild.any() else x


LARGEST = (
    1e60  # what lies beyond is no quantity (SCPI-1999 says 9.9E37 for infinity), and its square overflows
)


def rate_of(rate: float) -> float:
    """The sampling rate, checked. Raises `ValueError`."""
    value = float(rate)
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"the sampling rate must be a positive number: {rate}")
    return value


def series_of(times: ArrayLike, values: ArrayLike) -> tuple[Array, Array]:
    """Times and values, of equal length and in order of time. Raises `ValueError`."""
    t, v = samples_of(times), samples_of(values)
    if t.shape != v.shape:
        raise ValueError(f"{t.size} times do not belong to {v.size} values")
    if t.size and (not np.isfinite(t).all() or (np.diff(t) < 0).any()):
        raise ValueError("times must be finite and in order")
    return t, v


class Integral:
    """The running integral of evenly sampled `y`, at any instant: cubic between samples (error of fourth
    order).

    The record may be asked up to one sample beyond either end, since N samples stand for N / rate seconds.
    """

    def __init__(self, y: npt.NDArray[np.inexact], rate: float) -> None:
        self._h = 1.0 / rate
        if y.size > 3:  # cubic beyond the ends
            first = 4 * y[0] - 6 * y[1] + 4 * y[2] - y[3]
            last = 4 * y[-1] - 6 * y[-2] + 4 * y[-3] - y[-4]
            padded = np.concatenate(([first], y, [last]))
        else:
            padded = np.concatenate((y[:1], y, y[-1:]))
        self._y = padded
        self._slope = np.gradient(padded, edge_order=2) if padded.size > 2 else np.zeros_like(padded)
        if padded.size > 6:  # fourth order inside
            inner = (8 * (padded[3:-1] - padded[1:-3]) - (padded[4:] - padded[:-4])) / 12
            self._slope[2:-2] = inner
        steps = 0.5 * (padded[:-1] + padded[1:]) + (self._slope[:-1] - self._slope[1:]) / 12
        self._sum = np.concatenate((np.zeros(1, padded.dtype), np.cumsum(steps))) * self._h

    def at(self, times: ArrayLike) -> npt.NDArray[np.inexact]:
        """The integral from one sample before the first up to `times` (s after the first sample)."""
        position = np.clip(np.asarray(times, dtype=np.float64) / self._h + 1.0, 0.0, self._y.size - 1.0)
        i = np.minimum(position.astype(np.int64), self._y.size - 2)
        s = position - i
        y0, y1, d0, d1 = self._y[i], self._y[i + 1], self._slope[i], self._slope[i + 1]
        a, b = y1 - y0 - d0, d1 - d0  # Hermite: y0 + d0 s + (3a - b) s^2 + (b - 2a) s^3
        part = s * (y0 + s * (d0 / 2 + s * ((3 * a - b) / 3 + s * (b - 2 * a) / 4)))
        result: npt.NDArray[np.inexact] = self._sum[i] + part * self._h
        return result

    def mean(self, start: ArrayLike, end: ArrayLike) -> npt.NDArray[np.inexact]:
        """The mean between two instants."""
        a, b = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
        result: npt.NDArray[np.inexact] = (self.at(b) - self.at(a)) / (b - a)
        return result


def runs(mask: npt.NDArray[np.bool_] | Sequence[bool]) -> list[tuple[int, int]]:
    """The stretches of True as (first, one past last)."""
    flags = np.concatenate(([False], np.asarray(mask, dtype=bool), [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(flags))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
