"""How far the instruments' times lie apart, seen from steps of the load that several of them show.

A step of the load shows in every meter of the bench at one moment. When a meter shows it is told by the share of the
step that its readings have done: with s_i = (x_i - before) / (after - before), `end - integral of s dt` (trapezoids) is the moment of the step as that meter's times have it, whatever
its window (the integral of a step answer, as in the area method of step response). A meter that samples without
averaging can be off by half a period either way, evenly, which is its uncertainty in one step. Source: common
practice; the uncertainty as JCGM 100:2008, 4.3.7 and 4.2.3.

The skew is stated in the record and corrects nothing: readings keep the times at which they were asked.
"""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

LOOK = 3.0  # s of readings on either side of a step that are looked at; more where polls are further apart
POLLS = 5.0  # at least
LEAST_READINGS = 4  # on either side
CLEAR = 12.0  # a step counts where it is so many times the scatter before and after it
LONGEST_RISE = 1.5  # s
LEAST_SHARE = 0.02  # and this share of the larger level
MOST_STEPS = 200
KEPT = 4096  # readings of each source
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Seen:
    """When one meter shows a step, s, and how far that may be off (standard uncertainty, s)."""

    at: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Skew:
    """By how much an instrument's times lie behind those of the one that it is compared with, over so many steps."""

    source: str
    against: str
    seconds: float
    uncertainty: float  # standard, s
    steps: int


def step_seen(times: Array, values: Array) -> Seen | None:
    """When a channel shows a step, from its readings around it (s, any unit; NaN left out). None where there is no clear
    one: too few readings, too small a step, or levels that do not stand still."""
    keep = np.isfinite(times) & np.isfinite(values)
    times, values = times[keep], values[keep]
    if len(times) < 2 * LEAST_READINGS:
        return None
    before, after = values[:LEAST_READINGS], values[-LEAST_READINGS:]
    low, high = float(np.median(before)), float(np.median(after))
    size = high - low
    scatter = max(float(np.ptp(before)), float(np.ptp(after)))
    if abs(size) <= max(CLEAR * scatter / 3.0, LEAST_SHARE * max(abs(low), abs(high))) or size == 0.0:
        return None
    share = (values - low) / size
    if np.any(share < -0.25) or np.any(share > 1.6):  # more than one thing happened
        return None
    spacing = np.diff(times)
    under_way = times[(share > 0.1) & (share < 0.9)]
    if len(under_way) and float(np.ptp(under_way)) > LONGEST_RISE:  # a ramp
        return None
    at = float(times[-1] - np.sum((share[1:] + share[:-1]) / 2 * spacing))
    first = int(np.argmax(share > 0.5))
    period = float(spacing[max(0, first - 1)])
    return Seen(at, period / math.sqrt(12.0))


def compare(seen: Sequence[Mapping[str, Seen]]) -> list[Skew]:
    """The skew of every source against the one with the least uncertainty that shows most of the steps."""
    names = sorted({name for step in seen for name in step})
    if len(names) < 2:
        return []

    def rank(name: str) -> tuple[int, float]:
        shown = [step[name].uncertainty for step in seen if name in step]
        return -len(shown), sum(shown) / len(shown)

    against = min(names, key=rank)
    found = []
    for name in names:
        pairs = [(step[name], step[against]) for step in seen if name in step and against in step]
        if name == against or not pairs:
            continue
        apart = [one.at - other.at for one, other in pairs]
        own = math.sqrt(sum(a.uncertainty**2 + b.uncertainty**2 for a, b in pairs)) / len(pairs)
        scatter = float(np.std(apart, ddof=1)) / math.sqrt(len(apart)) if len(apart) > 2 else 0.0
        found.append(Skew(name, against, sum(apart) / len(apart), max(own, scatter), len(pairs)))
    return found


class SkewWatch:
    """Looks along during a run: keeps the latest readings of each source, and looks at each step of the load once.

    `sources`: name -> its channels, of which those of power and current are looked at. `period`: the longest, s.
    """

    def __init__(self, sources: Mapping[str, Sequence[str]], period: float = 0.0) -> None:
        self._look_at = max(LOOK, POLLS * period)
        self._names = list(sources)
        self._places = [
            [
                k
                for k, channel in enumerate(channels)
                if channel.rpartition(".")[2].startswith(("power", "current"))
            ]
            for channels in sources.values()
        ]
        self._kept: list[deque[tuple[float, Sequence[float]]]] = [deque(maxlen=KEPT) for _ in self._names]
        self._due: deque[float] = deque()
        self.seen: list[dict[str, Seen]] = []

    def reading(self, source: int, time: float, values: Sequence[float]) -> None:
        """One poll."""
        if self._places[source]:
            self._kept[source].append((time, values))
        if self._due and time > self._due[0] + self._look_at + 0.5:
            self._look(self._due.popleft())

    def load_set(self, at: float) -> None:
        """The load was told something at that moment. Of orders close together none is looked at: steps would mix."""
        if self._due and at - self._due[-1] < 2 * self._look_at:
            self._due.pop()
        elif len(self.seen) < MOST_STEPS:
            self._due.append(at)

    def result(self) -> list[Skew]:
        """The skew of each source that showed steps."""
        while self._due:
            self._look(self._due.popleft())
        return compare(self.seen)

    def _look(self, at: float) -> None:
        found: dict[str, Seen] = {}
        for name, places, kept in zip(self._names, self._places, self._kept, strict=True):
            rows = [(t, values) for t, values in kept if abs(t - at) <= self._look_at]
            if not rows or rows[-1][0] < at + self._look_at / 2:
                continue
            times = np.array([t for t, _ in rows])
            shown = [step_seen(times, np.array([values[k] for _, values in rows])) for k in places]
            clear = [one for one in shown if one is not None]
            if clear:  # power and current of one meter are of one moment
                found[name] = clear[0]
        if len(found) > 1:
            self.seen.append(found)
