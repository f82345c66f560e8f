"""The guards of a run and the newest readings of every source. All of it lives during the whole run.

The path of one good reading is kept short, since it is walked 80 times a second for hours: compare each guarded
value with its two bounds, remember the reply, done. Everything unusual (crossed, NaN, overloaded, late) takes the
long way. A guard acts when it has been crossed for its `delay` (with the last reading still crossed, a further one
is not awaited: that keeps the promise "poll period + delay + link time"), or when its channel has had no valid
reading for three poll periods. An overloaded reading counts as crossed: the instrument says that the value is beyond.
A repeat of one meter update is valid here: the instrument answered, and its next update is not due yet.
"""

import math
from dataclasses import dataclass
from typing import Literal

from benchrunner.core.conditions import LARGEST
from benchrunner.core.evidence import Track
from benchrunner.core.messages import Readings
from benchrunner.core.plan import Channel, RunPlan
from benchrunner.procedure.running import PlannedGuard

JITTER = 0.1  # s; or half a period where that is shorter
SILENT_POLLS = 3  # design, section 2: a guard acts without a valid reading for three poll periods


@dataclass(frozen=True, slots=True)
class Trip:
    """A guard that acts, and why, for people."""

    guard: "Guard"
    kind: Literal["guard", "stale", "interlock"]
    value: float  # NaN where silence is the reason
    bound: float
    text: str


class Guard:
    """One trip limit on one value of one source."""

    __slots__ = (
        "bad",
        "channel",
        "crossed_at",
        "crossed_value",
        "delay",
        "fresh",
        "high",
        "interlock",
        "k",
        "limit",
        "low",
        "plan",
        "unit",
    )

    def __init__(self, plan: PlannedGuard, k: int, limit: float, interlock: bool = False) -> None:
        self.plan = plan
        self.k = k
        self.low = -LARGEST if plan.low is None else plan.low
        self.high = LARGEST if plan.high is None else plan.high
        self.channel = plan.channel
        self.unit = plan.unit
        self.delay = plan.delay
        self.limit = limit  # s without a valid reading
        self.interlock = interlock
        self.bad = False  # the newest reading was crossed or not valid
        self.crossed_at = math.nan
        self.crossed_value = math.nan
        self.fresh = math.nan  # time of the last valid reading; only kept while `bad`

    def trip_crossed(self) -> Trip:
        """The trip because of a crossed bound."""
        value = self.crossed_value
        if self.interlock:
            return Trip(
                self,
                "interlock",
                value,
                1.0,
                f"the interlock is open: {self.channel} reads {value:g} and not 1",
            )
        bound = self.low if value < self.low else self.high
        if math.isfinite(value):
            seen = f"{self.channel} is {value:.6g} {self.unit}, beyond {bound:.6g} {self.unit}"
        else:
            seen = f"{self.channel} is overloaded: its value is beyond the instrument's range"
        held = f" for {self.delay:g} s" if self.delay > 0.0 else ""
        return Trip(
            self,
            "guard",
            value,
            bound,
            f"{self.plan.says or self.plan.id}: {seen}{held} (from the {self.plan.origin})",
        )

    def trip_stale(self, source: str, age: float, answers: bool) -> Trip:
        """The trip because of silence; `answers`: the instrument does, but without a value for this channel."""
        name = "the interlock" if self.interlock else f"guard {self.plan.id}"
        why = f"{source} answers without one" if answers else f"{source} does not answer"
        text = f"no valid reading of {self.channel} for {age:.3g} s ({why}): {name} is blind"
        return Trip(self, "stale", math.nan, math.nan, text)


class SourceState:
    """What the core knows of one instrument: its newest reply and the guards on it."""

    __slots__ = (
        "bounds",
        "channels",
        "count",
        "fresh",
        "guards",
        "index",
        "last_at",
        "limit",
        "limits",
        "name",
        "period",
        "tracks",
        "troubled",
        "values",
    )

    def __init__(
        self, index: int, name: str, channels: tuple[str, ...], period: float, limits: tuple[float, ...]
    ) -> None:
        self.index = index
        self.name = name
        self.channels = channels
        self.count = len(channels)
        self.period = period
        self.limits = limits  # per channel: the age past which a reading is stale, s
        self.guards: list[Guard] = []
        self.limit = math.inf  # the shortest of its guards' limits, s
        self.bounds: tuple[tuple[int, float, float], ...] = ()  # the guards' nearest bounds, by value
        self.tracks: list[tuple[int, Track]] = []  # what the current step follows; filled by the runner
        self.last_at = -math.inf  # time of the newest reading
        self.fresh = math.nan  # the same, or when its guards were set alive
        self.values: tuple[float, ...] = (math.nan,) * len(channels)
        self.troubled = False  # a guard of this source is bad


def _nearest(guards: list[Guard], k: int) -> tuple[float, float]:
    """The bounds that no guard on value `k` finds crossed."""
    return max(guard.low for guard in guards if guard.k == k), min(
        guard.high for guard in guards if guard.k == k
    )


def stale_after(period: float, update: float) -> float:
    """Age in seconds past which a reading is stale; never for an instrument that is not polled.

    Three periods (of the poll, or of the meter's update where that is longer) and a little for the link's jitter:
    the reading that follows two missed polls arrives just three periods after the last one and is in time.
    """
    if not period > 0.0:
        return math.inf
    longer = max(period, update)
    return SILENT_POLLS * longer + min(0.5 * longer, JITTER)


class GuardBoard:
    """All sources with their guards. `feed` takes one reply, `timed` notices silence and delays that ran out."""

    def __init__(self, plan: RunPlan) -> None:
        self.sources: list[SourceState] = []
        self.where: dict[str, tuple[SourceState, int]] = {}
        nothing = Channel("", "1")
        for index, source in enumerate(plan.sources):
            limits = tuple(
                stale_after(source.period, plan.channels.get(name, nothing).update)
                for name in source.channels
            )
            state = SourceState(index, source.name, source.channels, source.period, limits)
            self.sources.append(state)
            for k, name in enumerate(source.channels):
                self.where.setdefault(name, (state, k))
        self.guards: list[Guard] = []
        for planned in plan.guards:
            self._add(planned, False)
        if plan.interlock:
            says = "interlock chain (door, emergency stop)"
            self._add(
                PlannedGuard("interlock", plan.interlock, 0.999, 1.001, "1", 0.0, says, "bench card"), True
            )
        self.guarded = [source for source in self.sources if source.guards]
        for state in self.guarded:
            places = sorted({guard.k for guard in state.guards})
            state.bounds = tuple((k, *_nearest(state.guards, k)) for k in places)
            state.limit = min(guard.limit for guard in state.guards)

    def _add(self, planned: PlannedGuard, interlock: bool) -> None:
        state, k = self.where[planned.channel]
        guard = Guard(planned, k, state.limits[k], interlock)
        state.guards.append(guard)
        self.guards.append(guard)

    def begin(self, now: float) -> None:
        """From now on silence counts."""
        for source in self.sources:
            source.fresh = now

    def stale_limit(self, channel: str) -> float:
        """The age past which a reading of `channel` is stale, s."""
        state, k = self.where[channel]
        return state.limits[k]

    def newest(self, channel: str, now: float) -> tuple[float, float] | None:
        """Time and value of the newest reading, or None if it is missing, not valid or stale."""
        state, k = self.where[channel]
        value = state.values[k]
        if not -LARGEST <= value <= LARGEST or now - state.last_at > state.limits[k]:
            return None
        return state.last_at, value

    def look(self, source: SourceState, item: Readings, at: float, now: float) -> Trip | None:
        """The long way: called when a value was not plainly good, or was not before."""
        values, flags = item.values, item.flags
        troubled = False
        trip: Trip | None = None
        for guard in source.guards:
            k = guard.k
            value = values[k]
            over = flags >> k & 1
            if not over and guard.low <= value <= guard.high:
                guard.bad = False
                guard.crossed_at = math.nan
                continue
            if not guard.bad:
                guard.bad = True
                guard.fresh = source.fresh  # before this reply
            troubled = True
            if not over and value != value:
                continue  # none: neither crossed nor good; silence will tell
            if guard.crossed_at != guard.crossed_at:
                guard.crossed_at = at
            guard.crossed_value = math.inf if over else value
            if not over:
                guard.fresh = at
            if now - guard.crossed_at >= guard.delay:
                trip = trip or guard.trip_crossed()
        source.troubled = troubled
        return trip

    def timed(self, now: float) -> Trip | None:
        """Guards whose delay ran out, or that are blind."""
        for source in self.guarded:
            if not source.troubled and now - source.fresh <= source.period:
                continue
            for guard in source.guards:
                if guard.crossed_at == guard.crossed_at and now - guard.crossed_at >= guard.delay:
                    return guard.trip_crossed()
                fresh = guard.fresh if guard.bad else source.fresh
                if now - fresh > guard.limit:
                    return guard.trip_stale(source.name, now - fresh, now - source.last_at <= guard.limit)
        return None

    def next_due(self, now: float) -> float:
        """When `timed` has to look again at the latest."""
        due = math.inf
        for source in self.guarded:
            if not source.troubled:
                blind = source.fresh + source.limit + 1e-9
                if blind < due:
                    due = blind
                continue
            for guard in source.guards:
                fresh = guard.fresh if guard.bad else source.fresh
                due = min(due, fresh + guard.limit + 1e-9)
                if guard.crossed_at == guard.crossed_at:
                    due = min(due, guard.crossed_at + guard.delay)
        return max(due, now)
