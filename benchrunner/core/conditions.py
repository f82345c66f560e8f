"""Conditions over readings: does it hold, now? Fed one reading at a time, constant memory, no clock.

Only new evidence counts: readings taken wholly after `begin`, and each meter update once (the caller drops repeats
within one update period). A missing, NaN or overloaded reading reaches `reading` as NaN and breaks every streak; so
does a gap longer than `stale`. Nothing holds for want of data.
"""

import math
from collections import deque
from collections.abc import Callable, Iterator

from benchrunner.procedure.running import Condition

LARGEST = 1.7976931348623157e308  # an infinite reading is none, so open bounds stop here
TINY = 1e-9  # s; times are sums of floats


class Leaf:
    """One condition on one channel."""

    __slots__ = ("begin", "channel", "hold", "last", "seen", "since", "stale", "text", "violated")

    def __init__(self, condition: Condition, begin: float, stale: float) -> None:
        self.channel = condition.channel
        self.text = condition.text
        self.hold = max(0.0, condition.hold)
        self.begin = begin
        self.stale = stale
        self.since = math.nan  # time of the first reading of the unbroken streak
        self.last = -math.inf  # time of the newest reading that counts
        self.seen = False  # a valid reading has come at all
        self.violated = False  # the newest evidence speaks against it

    def reading(self, at: float, value: float, spread: float) -> None:
        """Take one reading of the channel."""
        raise NotImplementedError

    def fulfilled(self) -> bool:
        """As of the newest reading, holding for long enough."""
        raise NotImplementedError

    def holds(self, now: float) -> bool:
        """Holding, by readings that are not stale at `now`."""
        return self.fulfilled() and now - self.last <= self.stale

    def stretch(self) -> float:
        """Over how many seconds before the newest reading it is known to hold."""
        return self.hold


class Bound(Leaf):
    """Every reading of the last `hold` seconds lies between `low` and `high`."""

    __slots__ = ("high", "low")

    def __init__(self, condition: Condition, begin: float, stale: float) -> None:
        super().__init__(condition, begin, stale)
        low, high = condition.low, condition.high
        if condition.kind == "above":
            low, high = (high if low is None else low), None
        elif condition.kind == "below":
            low, high = None, (low if high is None else high)
        elif condition.kind == "is":
            target = low if low is not None else high
            slack = condition.within + 1e-12 * abs(
                target or 0.0
            )  # a target of 0.1 is not held to its last bit
            low = None if target is None else target - slack
            high = None if target is None else target + slack
        self.low = -LARGEST if low is None else low
        self.high = LARGEST if high is None else high
        if condition.kind != "between" and low is None and high is None:
            self.low, self.high = math.inf, -math.inf  # a condition without its bound never holds

    def reading(self, at: float, value: float, spread: float) -> None:
        if at - spread < self.begin:
            return
        if self.low <= value <= self.high:
            if not at - self.last <= self.stale or self.violated or self.since != self.since:
                self.since = at
            self.violated = False
            self.seen = True
        else:
            self.since = math.nan
            self.violated = True
            self.seen = self.seen or -LARGEST <= value <= LARGEST
        self.last = at

    def fulfilled(self) -> bool:
        return self.last - self.since >= self.hold - TINY  # NaN: never


class Settled(Leaf):
    """The readings of the last `hold` seconds span at most twice `within`: sliding extremes in constant time.

    The window reaches back to the newest reading that is at least `hold` old, so that a meter slower than `hold`
    shows rest by two updates and never by one.
    """

    __slots__ = ("falling", "rising", "times", "width")

    def __init__(self, condition: Condition, begin: float, stale: float) -> None:
        super().__init__(condition, begin, stale)
        self.width = 2.0 * condition.within
        self.times: deque[float] = deque()  # of the readings in the window
        self.falling: deque[tuple[float, float]] = deque()  # candidates for the largest, values falling
        self.rising: deque[tuple[float, float]] = deque()  # candidates for the smallest, values rising

    def reading(self, at: float, value: float, spread: float) -> None:
        if at - spread < self.begin:
            return
        times, falling, rising = self.times, self.falling, self.rising
        if not -LARGEST <= value <= LARGEST:
            self._forget()
            self.since = math.nan
            self.violated = True
            self.last = at
            return
        if not at - self.last <= self.stale or self.since != self.since:
            self._forget()
            self.since = at
        self.seen = True
        self.last = at
        while falling and falling[-1][1] <= value:
            falling.pop()
        falling.append((at, value))
        while rising and rising[-1][1] >= value:
            rising.pop()
        rising.append((at, value))
        times.append(at)
        begin = at - self.hold + TINY
        while len(times) > 1 and times[1] <= begin:
            times.popleft()
        edge = times[0]
        while falling[0][0] < edge:
            falling.popleft()
        while rising[0][0] < edge:
            rising.popleft()
        self.violated = self.last - self.since >= self.hold - TINY and not self.fulfilled()

    def _forget(self) -> None:
        self.times.clear()
        self.falling.clear()
        self.rising.clear()

    def fulfilled(self) -> bool:
        if not self.last - self.since >= self.hold - TINY or self.last <= self.since:
            return False  # not for long enough; and one reading shows no rest
        return self.falling[0][1] - self.rising[0][1] <= self.width


class Watch:
    """A condition with all its parts, watched from `begin` on.

    `stale(channel)`: the age in seconds past which a reading of that channel is no evidence any more.
    """

    def __init__(self, condition: Condition, begin: float, stale: Callable[[str], float]) -> None:
        self.condition = condition
        self.begin = begin
        self.answered = False
        self.captured = False
        self.leaves: list[Leaf] = []
        self._root = self._build(condition, stale)

    def _build(self, condition: Condition, stale: Callable[[str], float]) -> "_Node":
        if condition.kind in ("all", "any"):
            return _Node(condition, None, [self._build(part, stale) for part in condition.parts])
        if condition.kind in ("elapsed", "answered", "captured"):
            return _Node(condition, None, [])
        kind = Settled if condition.kind == "settled" else Bound
        leaf = kind(condition, self.begin, stale(condition.channel))
        self.leaves.append(leaf)
        return _Node(condition, leaf, [])

    def holds(self, now: float) -> bool:
        """The whole condition holds at `now`."""
        return self._holds(self._root, now)

    def _holds(self, node: "_Node", now: float) -> bool:
        kind = node.condition.kind
        if node.leaf is not None:
            return node.leaf.holds(now)
        if kind == "all":
            return bool(node.parts) and all(self._holds(part, now) for part in node.parts)
        if kind == "any":
            return any(self._holds(part, now) for part in node.parts)
        if kind == "elapsed":
            return now - self.begin >= node.condition.hold - TINY
        return self.answered if kind == "answered" else self.captured

    def refuted(self) -> bool:
        """The newest evidence speaks against it (for `requires`: no use in waiting)."""
        return self._refuted(self._root)

    def _refuted(self, node: "_Node") -> bool:
        if node.leaf is not None:
            return node.leaf.violated
        if node.condition.kind == "all":
            return not node.parts or any(self._refuted(part) for part in node.parts)
        if node.condition.kind == "any":
            return all(self._refuted(part) for part in node.parts)
        return False

    def next_due(self, now: float) -> float:
        """The next time at which it may come to hold without any reading."""
        times = [
            self.begin + node.condition.hold for node in self._root.walk() if node.condition.kind == "elapsed"
        ]
        return min((time for time in times if time > now), default=math.inf)

    def stretch(self, now: float) -> float:
        """Over how many seconds before `now` it is known to hold (0: only at this moment)."""
        return self._stretch(self._root, now)

    def _stretch(self, node: "_Node", now: float) -> float:
        if node.leaf is not None:
            return node.leaf.stretch() + max(0.0, now - node.leaf.last) if node.leaf.hold > 0.0 else 0.0
        if node.condition.kind == "elapsed":
            return now - self.begin
        lengths = [self._stretch(part, now) for part in node.parts if self._holds(part, now)]
        return min((length for length in lengths if length > 0.0), default=0.0)

    def unseen(self) -> list[str]:
        """Channels of which not one valid reading came."""
        return [leaf.channel for leaf in self.leaves if not leaf.seen]


class _Node:
    __slots__ = ("condition", "leaf", "parts")

    def __init__(self, condition: Condition, leaf: Leaf | None, parts: list["_Node"]) -> None:
        self.condition = condition
        self.leaf = leaf
        self.parts = parts

    def walk(self) -> Iterator["_Node"]:
        """This node and all below it."""
        yield self
        for part in self.parts:
            yield from part.walk()


def channels_of(condition: Condition | None) -> set[str]:
    """All channels that a condition looks at."""
    if condition is None:
        return set()
    own = {condition.channel} if condition.channel else set()
    return own.union(*(channels_of(part) for part in condition.parts)) if condition.parts else own


def kinds_of(condition: Condition | None) -> set[str]:
    """All kinds that stand in a condition."""
    if condition is None:
        return set()
    return {condition.kind}.union(*(kinds_of(part) for part in condition.parts))


def longest_hold(condition: Condition | None) -> float:
    """The longest `hold` in a condition, s."""
    if condition is None:
        return 0.0
    return max([condition.hold, *(longest_hold(part) for part in condition.parts)])
