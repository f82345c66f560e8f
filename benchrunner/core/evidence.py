"""What a step keeps of the readings, and how it becomes a series with uncertainties for a measure.

Only channels that a check or a condition of the current step needs are followed; only judged ones are kept, in
growing float64 buffers (24 bytes a reading), trimmed to the longest window that a check looks at.
"""

import math
from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchrunner.core.conditions import Leaf
from benchrunner.core.plan import Channel
from benchrunner.judge import reading_u

Floats = npt.NDArray[np.float64]
ROOT_3 = math.sqrt(3.0)
STATEFUL = ("wiring_faults",)  # measures that hold the steady states of several steps against each other


@dataclass(frozen=True, slots=True)
class Steady:
    """The bench in one steady state: the mean of each channel with the scatter of that mean, and the settings."""

    step: str
    values: dict[str, float]
    scatter: dict[str, float]
    settings: dict[str, float]


class Track:
    """Follows one channel during one step: drops repeats of one meter update, feeds conditions, keeps for checks."""

    __slots__ = (
        "blank",
        "channel",
        "counted",
        "counted_at",
        "keep",
        "leaves",
        "recording",
        "seen_at",
        "spreads",
        "times",
        "update",
        "values",
    )

    def __init__(self, channel: str, update: float, recording: bool, keep: float = math.inf) -> None:
        self.channel = channel
        self.update = update  # s; 0 where the meter updates at least as often as it is polled
        self.recording = recording
        self.keep = keep  # s; readings older than this are of no use to any check
        self.leaves: list[Leaf] = []
        self.seen_at = math.nan  # the newest reading that is one, s
        self.blank = 0.0  # the longest time between two of them, s
        self.counted = math.nan
        self.counted_at = -math.inf
        self.times = array("d")
        self.values = array("d")
        self.spreads = array("d")

    def take(self, at: float, value: float, spread: float) -> bool:
        """Take one reading (NaN: missing or overloaded). False: a repeat of the last update, no new evidence."""
        if value == self.counted and at - self.counted_at < self.update:
            return False
        self.counted = value
        self.counted_at = at
        if value == value:
            if at - self.seen_at > self.blank:
                self.blank = at - self.seen_at
            self.seen_at = at
        if self.recording:
            self.times.append(at)
            self.values.append(value)
            self.spreads.append(spread)
        for leaf in self.leaves:
            leaf.reading(at, value, spread)
        return True

    def trim(self, now: float) -> None:
        """Forget what no check will look at, once it is as much as what is needed."""
        times = self.times
        if self.keep == math.inf or len(times) < 64 or now - times[0] < 2.0 * self.keep:
            return
        old = int(np.searchsorted(np.array(times), now - self.keep)) - 1  # one older one bridges the edge
        if old > 0:
            del self.times[:old], self.values[:old], self.spreads[:old]

    def between(self, begin: float, end: float) -> "Stretch":
        """The readings kept from `begin` to `end`, both included."""
        times = np.array(self.times, dtype=np.float64)
        first, last = np.searchsorted(times, begin - 1e-9), np.searchsorted(times, end + 1e-9, side="right")
        cut = slice(int(first), int(last))
        return Stretch(
            times[cut],
            np.array(self.values, dtype=np.float64)[cut],
            np.array(self.spreads, dtype=np.float64)[cut],
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one channel in time order; times in s, values in the channel's SI unit, spreads in s."""

    times: Floats
    values: Floats
    spreads: Floats

    def largest_gap(self, begin: float, end: float) -> float:
        """The longest time without a reading between `begin` and `end`, s."""
        if self.times.size == 0:
            return end - begin
        inner = float(np.max(np.diff(self.times))) if self.times.size > 1 else 0.0
        return max(inner, float(self.times[0]) - begin, end - float(self.times[-1]))


def reading_uncertainty(channel: Channel, values: Floats) -> Floats:
    """Standard uncertainty of each reading, in the channel's unit (`benchrunner.judge.reading_u`, on an array)."""
    half_width = channel.of_reading * np.abs(values) + channel.of_range
    result: Floats = np.sqrt(half_width * half_width / 3.0 + channel.resolution**2 / 12.0)
    return result


def wave_uncertainty(channel: Channel) -> tuple[float, float]:
    """Standard uncertainties of gain (a fraction) and offset (in the unit) of a captured waveform."""
    return channel.of_reading / ROOT_3, reading_u(0.0, 0.0, channel.of_range, channel.resolution)
