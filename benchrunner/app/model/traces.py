"""The readings of a channel for drawing: recent ones as they came, older ones as extremes, in bounded memory.

The record has every reading; this is only what the screen shows. Extremes are kept, so no spike is hidden.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Trace:
    """One channel over the whole run. At most `2 * recent` readings and `2 * buckets` extremes are held."""

    def __init__(self, recent: int = 8192, buckets: int = 4096) -> None:
        if recent < 4 or buckets < 4 or recent & (recent - 1) or buckets & (buckets - 1):
            raise ValueError("a trace holds 4, 8, 16, ... readings and buckets")
        self._recent, self._buckets = recent, buckets
        self._group = max(
            2, 2 * recent // buckets
        )  # readings in a bucket; doubles when there are too many buckets
        self._times: Floats = np.empty(2 * recent)
        self._values: Floats = np.empty(2 * recent)
        self._count = 0
        self._old_times: Floats = np.empty(0)
        self._old_values: Floats = np.empty(0)
        self.least = math.inf
        self.most = -math.inf

    def __len__(self) -> int:
        return self._count + len(self._old_times)

    @property
    def last_time(self) -> float:
        """The time of the newest reading; minus infinity if there is none."""
        return float(self._times[self._count - 1]) if self._count else -math.inf

    @property
    def last(self) -> float:
        """The newest reading, NaN if there is none or it was not valid."""
        return float(self._values[self._count - 1]) if self._count else math.nan

    def extend(self, times: Sequence[float], values: Sequence[float | None]) -> None:
        """Add readings in order of time; None is a reading that was not valid. Older ones than the newest are left out."""
        for at, value in zip(times, values, strict=False):
            if at <= self.last_time:
                continue
            if self._count == len(self._times):
                self._age()
            number = math.nan if value is None else float(value)
            self._times[self._count], self._values[self._count] = at, number
            self._count += 1
            if number == number:
                self.least, self.most = min(self.least, number), max(self.most, number)

    def arrays(self) -> tuple[Floats, Floats]:
        """Times (s, rising) and values (SI; NaN breaks the line), for drawing."""
        if not len(self._old_times):
            return self._times[: self._count], self._values[: self._count]
        return (
            np.concatenate([self._old_times, self._times[: self._count]]),
            np.concatenate([self._old_values, self._values[: self._count]]),
        )

    def at(self, time: float) -> float:
        """The reading that held at `time` (the newest not after it); NaN before the first."""
        times, values = self.arrays()
        index = int(np.searchsorted(times, time, side="right")) - 1
        return float(values[index]) if index >= 0 else math.nan

    def part(self, start: float, end: float) -> Floats:
        """The valid readings held from `start` to `end`, and the one that held at `start`."""
        times, values = self.arrays()
        first, last = np.searchsorted(times, (start, end), side="right")
        part = values[max(int(first) - 1, 0) : int(last)]
        return part[np.isfinite(part)]

    def _age(self) -> None:
        """Move the older half of the recent readings to the extremes."""
        n = self._recent
        times, values = _extremes(self._times[:n], self._values[:n], self._group)
        self._old_times = np.concatenate([self._old_times, times])
        self._old_values = np.concatenate([self._old_values, values])
        while len(self._old_times) > 2 * self._buckets:
            # All buckets are of one size, so that the oldest hour is drawn no coarser than the newest.
            self._old_times, self._old_values = _extremes(self._old_times, self._old_values, 4)
            self._group = min(2 * self._group, n)
        self._times[: self._count - n] = self._times[n : self._count]
        self._values[: self._count - n] = self._values[n : self._count]
        self._count -= n


def _extremes(times: Floats, values: Floats, group: int) -> tuple[Floats, Floats]:
    """Lowest and highest of each `group` readings in order of time; a group without a valid one stays a gap."""
    kept_times: list[Floats] = []
    kept_values: list[Floats] = []
    whole = len(times) // group * group
    if whole:
        block = values[:whole].reshape(-1, group)
        empty = np.isnan(block).all(axis=1)
        low = np.where(np.isnan(block), np.inf, block).argmin(axis=1)
        high = np.where(np.isnan(block), -np.inf, block).argmax(axis=1)
        low[empty], high[empty] = 0, group - 1
        pair = np.sort(np.stack([low, high], axis=1), axis=1)
        same = pair[:, 0] == pair[:, 1]
        pair[same, 1] = np.where(pair[same, 0] < group - 1, pair[same, 0] + 1, pair[same, 0])
        pair[same & (pair[:, 0] == pair[:, 1]), 0] -= 1
        flat = (pair + np.arange(len(block))[:, None] * group).ravel()
        kept_times.append(times[flat])
        kept_values.append(values[flat])
    kept_times.append(times[whole:])
    kept_values.append(values[whole:])
    return np.concatenate(kept_times), np.concatenate(kept_values)
