"""The bench in real time: one owner thread for each link, one clock, one queue to the engine.

A slow or dead instrument holds up nobody but itself. Its readings become NaN with a word on why, so that the stale
guards act. Safety orders go before everything else on their link, and open a dead link at once. With the first of
them, ordinary orders that still wait anywhere are dropped: carried out later, they would undo the safe state.
"""

import heapq
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.plan import poll_period
from benchrunner.bench.report import Missed, dead, frozen_words, identity_row, open_all, words
from benchrunner.bench.skew import SkewWatch
from benchrunner.bench.virtual import AGAIN, READ_BACKS, time_of_reading
from benchrunner.core.messages import ArmOrder, Captured, Fault, Input, OrderDone, Readings, SetOrder
from benchrunner.errors import LinkError

SAFETY, ORDER, FOLLOW_UP, POLL = 0, 1, 2, 3  # what goes first on a link
PATIENCE = 5.0  # s of wall time for threads to end at closing
DROPPED = "dropped: the bench is being made safe"
LONGEST_WAIT = 0.2  # s of wall time between looks at whether to stop


class Clock:
    """Bench seconds since the start of the run, `rate` of them for each second of wall time."""

    def __init__(self, rate: float = 1.0) -> None:
        self.rate = rate
        self._zero: float | None = None

    def start(self) -> None:
        """Start it, once."""
        if self._zero is None:
            self._zero = time.monotonic()

    def at(self, wall: float) -> float:
        """The bench time of a monotonic wall time."""
        return 0.0 if self._zero is None else (wall - self._zero) * self.rate

    def now(self) -> float:
        """Bench time, s."""
        return self.at(time.monotonic())


class Inbox:
    """Where the owner threads put their inputs. Stamped under its lock, so that stamps never run backwards."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._items: deque[Input] = deque()
        self._changed = threading.Condition()

    def put(self, make: Callable[[float], Input]) -> None:
        """Stamp and queue an input."""
        with self._changed:
            self._items.append(make(self.clock.now()))
            self._changed.notify()

    def take(self, until: float) -> Input | None:
        """The next input, or None once the clock has come to `until` without one."""
        with self._changed:
            while not self._items:
                wait = (until - self.clock.now()) / self.clock.rate
                if wait <= 0:
                    return None
                self._changed.wait(wait)
            return self._items.popleft()


@dataclass
class _Capture:
    order: ArmOrder
    armed: float


class Owner:
    """The one thread that uses an instrument's link."""

    def __init__(self, instrument: Instrument, source: int | None, inbox: Inbox) -> None:
        self.instrument, self.source, self.inbox = instrument, source, inbox
        self.clock = inbox.clock
        self.period = poll_period(instrument.part.period, self.clock.rate)
        # what first, due, number, what to do, the order that it begins
        self._jobs: list[tuple[int, float, int, Callable[[], None], SetOrder | ArmOrder | None]] = []
        self._number = 0
        self._changed = threading.Condition()
        self._stop = False
        self._missed = Missed()
        self._changed_at = self._moved_at = self._last_at = -math.inf
        # asked less often than its card says (a bench served fast), a display is given as many polls to move
        self._frozen_after = instrument.part.frozen_after * max(
            1.0, self.period / (instrument.part.period or 1.0)
        )
        self._polls = 0
        self.asked = 0  # polls
        self.missed = self.failed = 0  # periods in which nothing was asked; polls that brought no reading
        self._capture: _Capture | None = None
        self._feeding = False
        self.thread = threading.Thread(target=self._run, name=f"owner of {instrument.name}", daemon=True)

    def start(self) -> None:
        """Begin to poll."""
        if self.source is not None:
            self._polls = 1
            self._add(POLL, self.period, self._poll)
        self.thread.start()

    def stop(self) -> None:
        """Ask the thread to end after what it is doing."""
        with self._changed:
            self._stop = True
            self._changed.notify()

    def submit(self, order: SetOrder | ArmOrder) -> None:
        """Queue an order; safety orders go first."""
        now = self.clock.now()
        if isinstance(order, SetOrder):
            self._add(SAFETY if order.safety else ORDER, now, lambda: self._set(order), order)
        else:
            self._add(ORDER, now, lambda: self._arm(order), order)

    def feed(self) -> None:
        """Feed a watchdog relay, before anything else on its link; at most one such job waits."""
        if not self._feeding:
            self._feeding = True
            self._add(SAFETY, self.clock.now(), self._feed)

    def _feed(self) -> None:
        try:
            self.instrument.send("fed", 1.0)
        except LinkError as error:
            text, source = words(error), -1 if self.source is None else self.source
            self.inbox.put(lambda at: Fault(at, source, text))
        finally:
            self._feeding = False

    def drop_ordinary(self) -> None:
        """Forget the ordinary orders that have not been begun, and say so."""
        with self._changed:
            dropped = [entry[4] for entry in self._jobs if entry[0] == ORDER]
            self._jobs = [entry for entry in self._jobs if entry[0] != ORDER]
            heapq.heapify(self._jobs)
        for order in dropped:
            if order is not None:
                number = order.order
                self.inbox.put(lambda at, number=number: OrderDone(at, number, False, None, DROPPED))  # type: ignore[misc]

    # -- the thread

    def _add(
        self, rank: int, due: float, job: Callable[[], None], order: SetOrder | ArmOrder | None = None
    ) -> None:
        with self._changed:
            self._number += 1
            heapq.heappush(self._jobs, (rank, due, self._number, job, order))
            self._changed.notify()

    def _run(self) -> None:
        while (job := self._next()) is not None:
            try:
                job()
            except (
                Exception
            ) as error:  # no reason to leave the link without its owner: safety orders come next
                text = f"{self.instrument.where}: its owner failed: {type(error).__name__}: {error}"
                source = -1 if self.source is None else self.source
                self.inbox.put(lambda at, source=source, text=text: Fault(at, source, text, fatal=True))  # type: ignore[misc]

    def _next(self) -> Callable[[], None] | None:
        with self._changed:
            while not self._stop:
                now = self.clock.now()
                due = [entry for entry in self._jobs if entry[1] <= now]
                if due:
                    best = min(due)
                    self._jobs.remove(best)
                    heapq.heapify(self._jobs)
                    return best[3]
                first = min((entry[1] for entry in self._jobs), default=math.inf)
                self._changed.wait(min((first - now) / self.clock.rate, LONGEST_WAIT))
            return None

    # -- reading

    def _poll(self) -> None:
        assert self.source is not None, "only sources are polled"
        source, instrument, period = self.source, self.instrument, self.period
        began = self.clock.now()
        late = int((began - self._polls * period) / period)
        if late > 0:
            self._polls += late
            self.missed += late
            if late > 1:
                text = f"{instrument.where}: {late} polls were missed; the exchange before took too long"
                self.inbox.put(lambda at: Fault(at, source, text))
        self._polls += 1
        self.asked += 1
        flags, text_of, fatal = 0, None, False
        try:
            values = instrument.poll()
        except LinkError as error:
            values = (math.nan,) * len(instrument.channels)
            self.failed += 1
            text_of, fatal = self._missed.miss(words(error)), error.fatal
            if fatal:
                text_of = words(error)
        else:
            flags = instrument.flags
            update = instrument.part.update
            if not instrument.repeated:
                self._changed_at = self._moved_at = began
            elif began - self._changed_at < update * (1 - 1e-6):
                flags |= sum(1 << (32 + k) for k in range(len(values)))
            else:
                self._changed_at = began
            if instrument.repeated and 0.0 < self._frozen_after < began - self._moved_at and not dead(values):
                values = (math.nan,) * len(values)
                self.failed += 1
                text_of = self._missed.miss(frozen_words(instrument, began - self._moved_at))
            else:
                text_of = self._missed.hit()
        exchange = self.clock.now() - began
        at = time_of_reading(began, exchange, instrument.driver.latency)
        if at <= self._last_at:  # a quick exchange right after a late one: times never run backwards
            at = math.nextafter(self._last_at, math.inf)
        self._last_at = at
        spread = (exchange + instrument.part.window + instrument.part.update) / 2
        if text_of is not None:
            said = text_of
            self.inbox.put(lambda at: Fault(at, source, said, fatal))
        self.inbox.put(lambda arrived: Readings(arrived, source, at, spread, values, flags))
        self._add(POLL, self._polls * period, self._poll)

    # -- orders

    def _set(self, order: SetOrder) -> None:
        instrument, setting = self.instrument, order.setting.partition(".")[2]
        try:
            if order.safety:
                instrument.link.hurry()
            instrument.send(setting, order.value)
        except LinkError as error:
            text = words(error)
            self.inbox.put(lambda at: OrderDone(at, order.order, False, None, text))
            return
        rank = SAFETY if order.safety else FOLLOW_UP
        due = self.clock.now() + instrument.settle(setting)
        self._add(rank, due, lambda: self._read_back(order, setting, 1))

    def _read_back(self, order: SetOrder, setting: str, attempt: int) -> None:
        instrument = self.instrument
        try:
            value = instrument.read_back(setting)
        except LinkError as error:
            text = words(error)
            self.inbox.put(lambda at: OrderDone(at, order.order, False, None, text))
            return
        if instrument.followed(setting, order.value, value):
            if not order.safety:  # while making safe nothing else than that is looked at
                instrument.hold(setting, order.value)
            text = "" if value is not None else "not read back"
            self.inbox.put(lambda at: OrderDone(at, order.order, True, value, text))
        elif attempt < READ_BACKS:
            rank = SAFETY if order.safety else FOLLOW_UP
            due = self.clock.now() + max(AGAIN, instrument.settle(setting))
            self._add(rank, due, lambda: self._read_back(order, setting, attempt + 1))
        else:
            text = f"{instrument.where}: {order.setting} was set to {order.value:g} and reads {value:g}"
            self.inbox.put(lambda at: OrderDone(at, order.order, False, value, text))

    def _arm(self, order: ArmOrder) -> None:
        if self._capture is not None:
            before, why = self._capture.order, "ended by the next capture before its trigger came"
            self._capture = None
            self.inbox.put(lambda at: Captured(at, before.order, False, text=why))
        try:
            self.instrument.arm(order)
        except LinkError as error:
            text = words(error)
            self.inbox.put(lambda at: OrderDone(at, order.order, False, None, text))
            return
        self._capture = _Capture(order, self.clock.at(self.instrument.started))
        self.inbox.put(lambda at: OrderDone(at, order.order, True))
        self._look_again(self._capture)

    def _look_again(self, capture: _Capture) -> None:
        card = self.instrument.driver.capture
        assert card is not None, "only a recorder is armed"
        self._add(FOLLOW_UP, self.clock.now() + card.poll, lambda: self._look(capture))

    def _look(self, capture: _Capture) -> None:
        if self._capture is not capture:
            return
        order, instrument = capture.order, self.instrument
        try:
            if not instrument.triggered():
                self._look_again(capture)
                return
            seen = self.clock.now()
            wave = instrument.captured(order.channels)
        except LinkError as error:
            text = words(error)
            self._capture = None
            self.inbox.put(lambda at: Captured(at, order.order, False, text=text))
            return
        self._capture = None
        origin = instrument.wave_origin(capture.armed, seen, order, wave)
        self.inbox.put(
            lambda at: Captured(
                at, order.order, True, wave.channels, origin + wave.start, wave.rate, origin + wave.trigger,
                wave.samples, wave.not_carried, prescribed=wave.prescribed,
            )
        )  # fmt: skip


class LiveHost:
    """The bench as the engine sees it (`submit`, `next`, `now`), in real time."""

    def __init__(self, instruments: dict[str, Instrument], rate: float = 1.0) -> None:
        self.instruments = instruments
        self._clock = Clock(rate)
        self._inbox = Inbox(self._clock)
        self._now = 0.0
        self._running = False
        watched = {n: i for n, i in instruments.items() if i.channels and i.part.period > 0}
        self._skew = SkewWatch(
            {n: i.channels for n, i in watched.items()},
            max(
                (
                    poll_period(i.part.period, rate)
                    for i in watched.values()
                    if any(c.endswith((".power", ".current")) for c in i.channels)
                ),
                default=0.0,
            ),
        )
        self._making_safe = False
        self._owners: dict[str, Owner] = {}
        count = 0
        for name, instrument in instruments.items():
            polled = bool(instrument.channels) and instrument.part.period > 0
            self._owners[name] = Owner(instrument, count if polled else None, self._inbox)
            count += polled
        self._settings = {
            f"{i.part.role}.{setting}": name
            for name, i in instruments.items()
            for setting in i.driver.settings
        }

    @property
    def now(self) -> float:
        """Bench time of the last input or of the last `next` that brought none, s."""
        return self._now

    def open(self) -> None:
        """Open every link and prove every identity. Raises `Refused` with every instrument that did not answer."""
        open_all(self.instruments.values())

    def identify(self) -> list[dict[str, Any]]:
        """What the instruments said of themselves when their links were opened, for the record."""
        return [identity_row(instrument) for instrument in self.instruments.values()]

    def submit(self, order: SetOrder | ArmOrder) -> None:
        """Hand an order to the owner of its link; its outcome comes as an input."""
        self._begin()
        safety = isinstance(order, SetOrder) and order.safety
        if safety and not self._making_safe:
            self._making_safe = True
            for owner in self._owners.values():
                owner.drop_ordinary()
        elif self._making_safe and not safety:
            self._inbox.put(lambda at: OrderDone(at, order.order, False, None, DROPPED))
            return
        if isinstance(order, SetOrder):
            if order.setting.startswith("load."):
                self._skew.load_set(self._clock.now())
            name = self._settings.get(order.setting)
            missing = f"the bench has no setting {order.setting}"
        else:
            name = next(
                (n for n, i in self.instruments.items() if i.part.role == order.role and i.driver.capture),
                None,
            )
            missing = f"the bench has no recorder in role {order.role}"
        if name is None:
            self._inbox.put(lambda at: OrderDone(at, order.order, False, None, missing))
        else:
            self._owners[name].submit(order)

    def feed(self, name: str) -> None:
        """Have the watchdog relay `name` fed by the owner of its link."""
        self._begin()
        self._owners[name].feed()

    def next(self, until: float) -> Input | None:
        """The next input, or None once the clock has come to `until` without one."""
        self._begin()
        item = self._inbox.take(until)
        if type(item) is Readings:
            self._skew.reading(item.source, item.at, item.values)
        self._now = max(self._now, until if item is None else item.arrived)
        return item

    def missed_polls(self) -> dict[str, int]:
        """Polls so far that were not made or brought no reading, of each instrument that missed any."""
        counts = {name: owner.missed + owner.failed for name, owner in self._owners.items()}
        return {name: count for name, count in counts.items() if count}

    def account(self) -> dict[str, list[dict[str, Any]]]:
        """What the record says of the polling: `polling`, periods, missed ones and failed polls of each instrument;
        `skew`, how far the instruments' times lie apart (bench.skew), s. Readings are not corrected by it."""
        polled = [
            {"instrument": name, "period": owner.period, "polls": owner.asked, "missed": owner.missed,
             "failed": owner.failed}
            for name, owner in self._owners.items() if owner.source is not None
        ]  # fmt: skip
        skew = [
            {"instrument": one.source, "against": one.against, "skew": one.seconds,
             "standard_uncertainty": one.uncertainty, "steps": one.steps}
            for one in self._skew.result()
        ]  # fmt: skip
        return {"polling": polled, "skew": skew}

    def close(self) -> None:
        """End the owners and close the links. Nothing is switched: making safe is the core's, and done before."""
        for owner in self._owners.values():
            owner.stop()
        end = time.monotonic() + PATIENCE
        for owner in self._owners.values():
            if owner.thread.is_alive():
                owner.thread.join(max(0.0, end - time.monotonic()))
        for instrument in self.instruments.values():
            instrument.close()

    def _begin(self) -> None:
        if not self._running:
            self._running = True
            self._clock.start()
            for owner in self._owners.values():
                owner.start()
