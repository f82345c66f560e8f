"""Makes the bench safe: the declared order, each confirmed by an independent reading. Sans-I/O, usable on its own.

A run ends in it, and a watchdog in another process may run it over links of its own: readings, results of orders and
ticks go in (`feed`), orders and events come out. Each order is sent once, when its condition holds or `at_latest` has
passed; the next follows when it is confirmed or its time is out, regardless; a missed one has its fallback sent. What
then is not confirmed is tried again in rounds, loudly, for `rounds` seconds. A confirmation is the newest reading of
the confirming channel, measured wholly after the order was carried out; one that is contradicted later is taken back. It
takes both: a switch that says "open" is not a meter that says "no current", and a meter that reads nothing may do so
because the sun is down, while the contactor that could not be told, or is welded, stays closed. Where an order could
not be given, a fallback that was carried out stands for it; where the instrument itself says that it stands
otherwise, nothing does. What only a fallback stands for is tried once more at the end, for an instrument may be back
by then; if it is not, the end says so.
"""

import math
from collections.abc import Callable, Sequence
from itertools import count

from benchrunner.core.conditions import LARGEST
from benchrunner.core.messages import Event, Input, OrderDone, Output, Readings, SetOrder
from benchrunner.core.plan import SafeStep, Source

END_STATEMENT = "Sources off, confirmed by meter. NOT proved dead: battery and PV terminals stay live."
ALARM_STATEMENT = (
    "THE SAFE STATE COULD NOT BE CONFIRMED: {missed}. Treat the whole bench as live. Use the bench's own hardware "
    "switches and its emergency stop; this program is no emergency stop."
)
STANDS_FOR = "{says} could not be carried out; {fallback} stands for it. See to it by hand."
LAST_TRY = 5.0  # s for the answers to it
FIRST_ROUND = 1.0  # s after the first pass
ROUND = (1.0, 5.0)  # s between rounds: the longest time-out of what is missed, but within these


class _Item:
    """One order of the safe order and how it stands."""

    __slots__ = (
        "answered",
        "carried",
        "confirmed",
        "contradicted",
        "deadline",
        "fallback",
        "fallback_carried",
        "fallbacks",
        "fits",
        "missed",
        "orders",
        "ready",
        "refused",
        "sent",
        "step",
        "turn",
    )

    def __init__(self, step: SafeStep) -> None:
        self.step = step
        self.turn = math.nan  # when its turn came
        self.ready = not step.when_channel
        self.sent = math.nan
        self.deadline = math.inf
        self.confirmed = False
        self.refused = False  # the instrument could not be told
        self.missed = False
        self.fallback = False
        self.orders: set[int] = set()
        self.fallbacks: set[int] = set()
        self.answered = 0  # number of the newest order of its own that was answered
        self.carried = math.nan  # when that one was carried out; NaN: it was not
        self.contradicted = False  # by its read-back it stands otherwise
        self.fallback_carried = math.nan
        self.fits = False  # the newest reading is in range, whatever became of the order

    def since(self) -> float:
        """From when on a reading confirms it; NaN: none can."""
        if self.carried == self.carried:
            return self.carried
        return math.nan if self.contradicted else self.fallback_carried

    def in_range(self, value: float) -> bool:
        low = -LARGEST if self.step.low is None else self.step.low
        high = LARGEST if self.step.high is None else self.step.high
        return low <= value <= high


class SafeSequence:
    """The make-safe sequence of one bench. Never raises on any input; ends within a bounded time of ticks."""

    def __init__(
        self,
        steps: Sequence[SafeStep],
        sources: Sequence[Source],
        rounds: float = 60.0,
        number: Callable[[], int] | None = None,
    ) -> None:
        self.steps = tuple(steps)
        self.rounds = rounds
        self.ended = False
        self.confirmed = False
        self.now = -math.inf
        self._number = number or count(1).__next__
        self._items = [_Item(step) for step in self.steps]
        self._current = 0
        self._round_at = math.inf
        self._give_up = math.inf
        self._round = 0
        self._last_try: set[int] | None = None  # its orders that are not answered yet
        self._last_until = math.inf
        self._out: list[Output] = []
        # per source: which value confirms or releases which item
        self._confirms: dict[int, list[tuple[int, _Item]]] = {}
        self._releases: dict[int, list[tuple[int, _Item]]] = {}
        for item in self._items:
            for name, table in (
                (item.step.confirm, self._confirms),
                (item.step.when_channel, self._releases),
            ):
                for index, source in enumerate(sources):
                    if name and name in source.channels:
                        table.setdefault(index, []).append((source.channels.index(name), item))
                        break

    @property
    def missed(self) -> tuple[str, ...]:
        """The ids of what is not confirmed."""
        return tuple(item.step.id for item in self._items if not item.confirmed)

    def start(self, at: float) -> list[Output]:
        """Begin. Returns the first orders and events."""
        self._out = []
        self.now = at
        if self._items:
            self._items[0].turn = at
        self._advance()
        return self._out

    def feed(self, item: Input) -> list[Output]:
        """Take one input; what concerns the safe order is used, all else only tells the time."""
        self._out = []
        if self.ended:
            return self._out
        if self.now < item.arrived < math.inf:
            self.now = item.arrived
        if isinstance(item, Readings):
            self._readings(item)
        elif isinstance(item, OrderDone):
            self._done(item)
        self._advance()
        return self._out

    def _readings(self, reply: Readings) -> None:
        at = min(reply.at, self.now)
        # A display is half its window and update old on average and twice that at worst: only what cannot have been
        # measured before the order was carried out, not even in part, confirms it.
        oldest = at - 2.0 * abs(reply.spread)
        for k, item in self._releases.get(reply.source, ()):
            if item.turn <= at and _good(reply, k) and abs(reply.values[k]) < item.step.when_below:
                item.ready = True
        for k, item in self._confirms.get(reply.source, ()):
            if not item.sent <= at - abs(reply.spread) or not _good(reply, k):  # NaN: not sent yet
                continue
            item.fits = item.in_range(reply.values[k])
            if item.confirmed and item.fits and item.since() > oldest:
                continue  # the order was given once more; what was measured before it changes nothing
            before, item.confirmed = item.confirmed, item.fits and item.since() <= oldest
            if item.confirmed and not before:
                self._say(item, "confirmed", f"{item.step.confirm} reads {reply.values[k]:.6g}")
            elif before and not item.confirmed:
                self._say(item, "missed", f"no longer so: {item.step.confirm} reads {reply.values[k]:.6g}")

    def _done(self, done: OrderDone) -> None:
        if self._last_try is not None:
            self._last_try.discard(done.order)
        for item in self._items:
            if done.order in item.fallbacks and done.ok:
                item.fallback_carried = self.now
            if done.order not in item.orders or done.order < item.answered:
                continue
            item.answered = done.order
            item.carried = self.now if done.ok else math.nan
            item.contradicted = not done.ok and done.read_back is not None
            if not done.ok:
                item.refused = True
                item.confirmed = item.confirmed and item.since() == item.since()
                self._say(item, "missed", f"the order failed: {done.text or 'no reason given'}")

    def _advance(self) -> None:
        while not self.ended and self._current < len(self._items):
            item = self._items[self._current]
            if item.sent != item.sent:
                if not item.ready and self.now < item.turn + item.step.at_latest:
                    return
                self._send(item, item.step.setting, item.step.value, "sent")
                item.sent = self.now
                item.deadline = self.now + item.step.timeout
                return  # its confirmation can't be here yet, and the host has an order to carry out
            if not item.confirmed:
                if not item.refused and self.now < item.deadline:
                    return
                self._miss(item)
            self._current += 1
            if self._current < len(self._items):
                self._items[self._current].turn = self.now
            else:
                self._round_at = self.now + FIRST_ROUND
                self._give_up = self.now + self.rounds
        if self.ended:
            return
        if all(item.confirmed for item in self._items):
            if self._last_try is None:
                self._try_last()
            if not self._last_try or self.now >= self._last_until:
                self._end(True)
        elif self.now >= self._give_up:
            self._end(False)
        elif self.now >= self._round_at:
            self._again()

    def _miss(self, item: _Item) -> None:
        item.missed = True
        step = item.step
        why = f"{step.confirm} did not confirm it within {step.timeout:g} s"
        if item.fits and item.since() != item.since():
            why = f"{step.confirm} reads as it should, but the order itself was not carried out"
        self._say(item, "missed", why)
        if step.fallback_setting and not item.fallback:
            item.fallback = True
            self._send(item, step.fallback_setting, step.fallback_value, "again", True)

    def _again(self) -> None:
        self._round += 1
        missed = [item for item in self._items if not item.confirmed]
        names = ", ".join(item.step.says or item.step.id for item in missed)
        text = f"not confirmed safe, trying again (round {self._round}): {names}. Treat the bench as live."
        self._event("note", {"text": text, "level": "alarm"})
        for item in missed:
            item.refused = False
            self._send(item, item.step.setting, item.step.value, "again")
            if item.step.fallback_setting:
                self._send(item, item.step.fallback_setting, item.step.fallback_value, "again", True)
        longest = max(item.step.timeout for item in missed)
        self._round_at = self.now + min(max(longest, ROUND[0]), ROUND[1])

    def _stood_for(self) -> list[_Item]:
        """Those that are confirmed by their fallback alone."""
        return [item for item in self._items if item.confirmed and item.carried != item.carried]

    def _try_last(self) -> None:
        self._last_try, self._last_until = set(), self.now + LAST_TRY
        for item in self._stood_for():
            self._send(item, item.step.setting, item.step.value, "again")
            self._last_try.add(max(item.orders))

    def _send(self, item: _Item, setting: str, value: float, phase: str, fallback: bool = False) -> None:
        number = self._number()
        (item.fallbacks if fallback else item.orders).add(number)
        self._out.append(SetOrder(number, setting, value, safety=True))
        self._say(item, phase, f"{setting} = {value:g}")

    def _end(self, confirmed: bool) -> None:
        self.ended = True
        self.confirmed = confirmed
        if confirmed:
            for item in self._stood_for():
                fallback = f"{item.step.fallback_setting} = {item.step.fallback_value:g}"
                text = STANDS_FOR.format(says=item.step.says or item.step.id, fallback=fallback)
                self._event("note", {"text": text, "level": "warning"})
            self._event("note", {"text": END_STATEMENT, "level": "safe"})
            return
        missed = ", ".join(item.step.says or item.step.id for item in self._items if not item.confirmed)
        self._event("note", {"text": ALARM_STATEMENT.format(missed=missed), "level": "alarm"})

    def _say(self, item: _Item, phase: str, text: str) -> None:
        self._event("safe", {"id": item.step.id, "says": item.step.says, "phase": phase, "text": text})

    def _event(self, kind: str, data: dict[str, object]) -> None:
        self._out.append(Event(self.now, kind, data))


def _good(reply: Readings, k: int) -> bool:
    """Value k is there, a number, not overloaded, and no repeat of an update that may be older than the order."""
    if k >= len(reply.values) or reply.flags >> k & 1 or reply.flags >> (32 + k) & 1:
        return False
    return -LARGEST <= reply.values[k] <= LARGEST
