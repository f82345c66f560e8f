"""When the program itself fails in the middle of a run: the bench is still made safe, by the safe order alone.

Neither runner nor journal is trusted any more. Inputs go to the safe sequence only and are not recorded, so that what
is on record still judges again as it was; what was done is kept as events as far as they can be written.
"""

import contextlib
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from typing import Protocol

from benchrunner.core.messages import Event, Input, Order, Output, Tick
from benchrunner.core.plan import RunPlan
from benchrunner.core.safe import SafeSequence

FIRST_NUMBER = 1_000_000  # of its orders, so that none is taken for one of the run's
NO_LONGER = (
    600.0  # s of wall time; the sequence ends by itself long before, unless the bench's clock stands still
)


class Host(Protocol):
    """What making safe needs of a bench."""

    @property
    def now(self) -> float: ...
    def submit(self, order: Order) -> None: ...
    def next(self, until: float) -> Input | None: ...


@dataclass(frozen=True)
class Failed:
    """The program failed. `safe`: as in the `ended` event; `exit`: 4, or 5 where the safe state is not confirmed."""

    reason: str
    safe: str
    exit: int


def rescue(
    error: BaseException, plan: RunPlan, host: Host, tell: Callable[[Event], None], touched: bool
) -> Failed:
    """Make the bench safe after `error`; `touched`: something may have been switched on. Never raises."""
    trace = traceback.extract_tb(error.__traceback__)
    place = f" ({trace[-1].name}, line {trace[-1].lineno})" if trace else ""
    reason = f"the program failed: {type(error).__name__}: {error}{place}"

    say = _sayer(host, tell)
    now = host.now
    say(Event(now, "note", {"text": f"the run ends here: {reason}", "level": "error"}))
    safe, code = "not needed", 4
    if touched and plan.safe:
        safe, code = ("confirmed", 4) if _make_safe(plan, host, now, say) else ("not confirmed", 5)
    data = {
        "exit": code, "ended_by": "fault", "reason": reason, "finished": False, "safe": safe,
    }  # fmt: skip
    say(Event(host.now, "ended", data))
    return Failed(reason, safe, code)


def _make_safe(plan: RunPlan, host: Host, now: float, say: Callable[[Output], None]) -> bool:
    sequence = SafeSequence(plan.safe, plan.sources, plan.rounds, count(FIRST_NUMBER).__next__)
    return _follow(sequence, plan.tick, host, now, say)


def carry_out(sequence: SafeSequence, tick: float, host: Host, tell: Callable[[Event], None]) -> bool:
    """Follow a safe order on a bench, to its end; whether it is confirmed. Never raises for what the bench does."""
    return _follow(sequence, tick, host, host.now, _sayer(host, tell))


def _sayer(host: Host, tell: Callable[[Event], None]) -> Callable[[Output], None]:
    def say(output: Output) -> None:
        if isinstance(output, Event):
            with contextlib.suppress(Exception):
                tell(output)
        else:
            with contextlib.suppress(Exception):  # an order that cannot be given is missed, and said to be
                host.submit(output)

    return say


def _follow(
    sequence: SafeSequence, tick: float, host: Host, now: float, say: Callable[[Output], None]
) -> bool:
    for output in sequence.start(now):
        say(output)
    give_up = time.monotonic() + NO_LONGER
    due = now + tick
    while not sequence.ended and time.monotonic() < give_up:
        try:
            item = host.next(due)
        except Exception:  # the bench cannot be reached: time goes on, and the sequence says what it missed
            time.sleep(tick)
            item = None
        if item is None:
            item = Tick(max(due, host.now))
            due = item.arrived + tick
        for output in sequence.feed(item):
            say(output)
    return sequence.ended and sequence.confirmed
