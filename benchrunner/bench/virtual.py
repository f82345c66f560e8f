"""The bench in simulated time: one thread, a heap of what is due, and a clock that jumps from event to event.

In memory the emulators are called directly; in lockstep they are reached over the wire and the plant is moved through
the control port. What is read depends only on plant time, so both give the same values, and a run repeated with the
same seed is the same run. It may be paced to wall time for people to watch.

What is polled at the same time is polled in one go, a *round*. Its replies wait aside, in the order of their arrival,
for as long as nothing else comes between them; else they join everything else on the heap.
"""

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Any, Protocol

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.report import Missed, dead, frozen_words, identity_row, open_all, words
from benchrunner.core.messages import ArmOrder, Captured, Fault, Input, OrderDone, Readings, SetOrder
from benchrunner.errors import LinkError

ARRIVAL, ACTION, POLL = 0, 1, 2  # what goes first of things due at the same time
AGAIN = 0.02  # s, least time between two readings of a setting that has not followed yet
READ_BACKS = 5


def time_of_reading(began: float, exchange: float, latency: float) -> float:
    """The time of a reading, s: the middle of its exchange less the card's latency.

    `exchange`: how long query and reply took, s. An instrument that was quicker than its card says cannot have been
    looking back further than the exchange was long; so the moment of asking stays within half the exchange.
    """
    return began + exchange / 2 - min(latency, exchange)


class Mover(Protocol):
    """Moves the simulated plant."""

    def advance(self, until: float) -> None:
        """Bring the plant to the bench time `until`. Raises `LinkError` if it cannot."""

    def close(self) -> None:
        """Let go of it."""


@dataclass
class _Source:
    index: int
    instrument: Instrument
    period: float
    latency: float
    lag: float  # from the poll to the time of the reading
    spread: float
    update: float
    repeat_mask: int
    poll: Callable[[], tuple[float, ...]]
    frozen_after: float = 0.0
    changed: float = -math.inf  # when a poll last brought a new update
    moved: float = -math.inf  # when its reply was last another one
    missed: Missed = field(default_factory=Missed)


@dataclass
class _Round:
    """Sources that are polled at the same time, in the order of their numbers. `period` 0: once only."""

    sources: tuple[_Source, ...]
    period: float
    polls: int = 0
    by_arrival: tuple[int, ...] | None = (
        None  # where they differ: the places in the order in which replies come
    )

    def __post_init__(self) -> None:
        places = range(len(self.sources))
        order = tuple(sorted(places, key=lambda k: self.sources[k].latency))
        self.by_arrival = order if order != tuple(places) else None


@dataclass
class _Capture:
    order: ArmOrder
    instrument: Instrument
    armed: float


class VirtualHost:
    """The bench as the engine sees it (`submit`, `next`, `now`), in simulated time."""

    def __init__(
        self,
        instruments: dict[str, Instrument],
        mover: Mover,
        speed: float | None = None,
        closing: Callable[[], None] = lambda: None,
    ) -> None:
        """`speed`: bench seconds for each second of wall time; None: as fast as possible."""
        self.instruments = instruments
        self.speed = speed
        self._mover = mover
        self._closing = closing
        self._now = self._moved = 0.0
        self._wall = 0.0
        self._lost = False  # the plant cannot be moved any more
        self._seq = 0
        self._heap: list[tuple[float, int, int, Any]] = []
        self._captures: dict[str, _Capture] = {}
        self._settings = {
            f"{i.part.role}.{setting}": (i, setting)
            for i in instruments.values()
            for setting in i.driver.settings
        }
        self._sources: list[_Source] = []
        for instrument in instruments.values():
            instrument.link.by_count = True  # the same run twice must not depend on how fast this machine is
            if instrument.channels and instrument.part.period > 0:
                self._sources.append(_source(len(self._sources), instrument))
        self._waiting: list[
            Readings
        ] = []  # replies of the last round, sorted; nothing on the heap is due before their end
        self._given = 0  # how many of them were taken
        self._met: dict[
            tuple[int, ...], _Round
        ] = {}  # rounds that fell on the same time, by their first sources
        self._begin_polls()

    def _begin_polls(self) -> None:
        self._heap.clear()
        for period in dict.fromkeys(source.period for source in self._sources):
            together = tuple(source for source in self._sources if source.period == period)
            heappush(self._heap, (period, POLL, together[0].index, _Round(together, period)))

    # -- life

    @property
    def now(self) -> float:
        """Bench time, s."""
        return self._now

    def open(self) -> None:
        """Open every link and prove every identity. Raises `Refused` with every instrument that did not answer."""
        open_all(self.instruments.values())
        self._wall = time.monotonic()

    def identify(self) -> list[dict[str, Any]]:
        """What the instruments said of themselves when their links were opened, for the record."""
        return [identity_row(instrument) for instrument in self.instruments.values()]

    def close(self) -> None:
        """Close every link. Nothing is switched: making safe is the core's, and done before."""
        for instrument in self.instruments.values():
            instrument.close()
        self._mover.close()
        self._closing()

    # -- time

    def next(self, until: float) -> Input | None:
        """The next input at or before `until`, or None once the bench has come to `until`."""
        heap = self._heap
        while True:
            if self._waiting:
                item = self._waiting[self._given]
                if item.arrived > until:
                    break
                self._given += 1
                if self._given == len(self._waiting):
                    self._waiting, self._given = [], 0
                return self._reached(item)
            if not heap or heap[0][0] > until:
                break
            when, kind, _, entry = heap[0]
            if kind == POLL:
                self._poll(when)
                continue
            heappop(heap)
            if kind == ARRIVAL:
                return self._reached(entry)
            entry(when)
        self._pass(until)
        return None

    def replies(self, until: float) -> list[Readings]:
        """The replies that come next, one right after the other, none after `until`; they stay until they are `taken`.

        Empty where something else comes first, or a run is paced: then ask `next`.
        """
        heap = self._heap
        if self.speed is not None:
            return []
        while not self._waiting and heap and heap[0][0] <= until and heap[0][1] == POLL:
            self._poll(heap[0][0])
        waiting = self._waiting
        if not waiting or waiting[-1].arrived <= until:
            return waiting[self._given :] if self._given else waiting
        return [item for item in waiting[self._given :] if item.arrived <= until]

    def taken(self, count: int) -> None:
        """The first `count` of these replies were taken; the clock stands at the last of them."""
        last = self._waiting[self._given + count - 1].arrived
        if last > self._now:
            self._now = last
        self._given += count
        if self._given == len(self._waiting):
            self._waiting, self._given = [], 0

    def _reached(self, item: Input) -> Input:
        if self.speed is not None:
            self._pass(item.arrived)
        elif item.arrived > self._now:
            self._now = item.arrived
        return item

    def _pass(self, until: float) -> None:
        if until > self._now:
            self._now = until
        if self.speed is not None:
            wait = self._wall + self._now / self.speed - time.monotonic()
            if wait > 0:
                time.sleep(wait)

    def _push(self, when: float, kind: int, item: Any) -> None:
        if self._waiting:
            self._mix()
        self._seq += 1
        heappush(self._heap, (when, kind, self._seq, item))

    def _mix(self) -> None:
        """Put the replies that wait aside onto the heap: something may come between them."""
        waiting, self._waiting = self._waiting[self._given :], []
        self._given = 0
        for item in waiting:
            self._push(item.arrived, ARRIVAL, item)

    def _arrive(self, item: Input) -> None:
        self._push(item.arrived, ARRIVAL, item)

    def _move(self, when: float) -> None:
        if when > self._moved:
            self._mover.advance(when)
            self._moved = when

    def _plant_lost(self, arrived: float, error: LinkError) -> None:
        if not self._lost:
            self._lost = True
            self._arrive(Fault(arrived, -1, words(error), fatal=True))

    # -- reading

    def _poll(self, when: float) -> None:
        """Carry out the polls that are the first thing on the heap; their replies wait, or go onto the heap."""
        due = self._due(when)
        found: list[Readings] = []
        keep = found.append
        for source in due.sources:
            instrument, arrived = source.instrument, when + source.latency
            try:
                if when > self._moved:
                    self._mover.advance(when)
                    self._moved = when
                values = source.poll()
            except LinkError as error:
                flags, values = 0, self._missed(source, when, arrived, error)
            except BaseException:
                self._split(when, due, len(found) + 1, found)
                raise
            else:
                flags = instrument.flags
                if not instrument.repeated:
                    source.changed = source.moved = when
                    if source.missed.count:
                        self._answers_again(source, arrived)
                else:
                    if when - source.changed < source.update:
                        flags |= source.repeat_mask
                    else:
                        source.changed = when
                    if source.missed.count or 0.0 < source.frozen_after < when - source.moved:
                        values = self._shown_again(source, when, arrived, values)
            keep(Readings(arrived, source.index, when + source.lag, source.spread, values, flags))
            if arrived == when and len(found) < len(due.sources):
                self._split(when, due, len(found), found)  # it comes before the next one is polled
                return
        if due.by_arrival is not None:
            found = [found[k] for k in due.by_arrival]
        self._waiting = found
        if self._heap and self._heap[0][0] <= found[-1].arrived:
            self._mix()

    def _due(self, when: float) -> _Round:
        """Take what is to be polled at `when` off the heap, as one round, and put the rounds' next polls onto it."""
        heap = self._heap
        rounds: list[_Round] = []
        while heap and heap[0][0] == when and heap[0][1] == POLL:
            rounds.append(heappop(heap)[3])
        for one in rounds:
            if one.period > 0.0:
                one.polls += 1
                heappush(heap, ((one.polls + 1) * one.period, POLL, one.sources[0].index, one))
        if len(rounds) == 1:
            return rounds[0]
        met = tuple(source.index for one in rounds for source in one.sources)
        if met not in self._met:
            self._met[met] = _Round(tuple(self._sources[index] for index in sorted(met)), 0.0)
        return self._met[met]

    def _split(self, when: float, due: _Round, done: int, found: list[Readings]) -> None:
        """What was polled comes first; the rest of the round follows at the same time."""
        for item in found:
            self._arrive(item)
        if rest := due.sources[done:]:
            heappush(self._heap, (when, POLL, rest[0].index, _Round(rest, 0.0)))

    def _missed(self, source: _Source, when: float, arrived: float, error: LinkError) -> tuple[float, ...]:
        if self._moved < when:
            self._plant_lost(arrived, error)
        text = source.missed.miss(words(error))
        if text is not None or error.fatal:
            self._arrive(Fault(arrived, source.index, text or words(error), error.fatal))
        return (math.nan,) * len(source.instrument.channels)

    def _answers_again(self, source: _Source, arrived: float) -> None:
        if (text := source.missed.hit()) is not None:
            self._arrive(Fault(arrived, source.index, text))

    def _shown_again(
        self, source: _Source, when: float, arrived: float, values: tuple[float, ...]
    ) -> tuple[float, ...]:
        """The same reply as before. After too long it is none: the display is frozen."""
        if 0.0 < source.frozen_after < when - source.moved and not dead(values):
            text = source.missed.miss(frozen_words(source.instrument, when - source.moved))
            if text is not None:
                self._arrive(Fault(arrived, source.index, text))
            return (math.nan,) * len(values)
        if source.missed.count:
            self._answers_again(source, arrived)
        return values

    def missed_polls(self) -> dict[str, int]:
        """Polls so far that brought no reading, of each instrument that missed any."""
        return {s.instrument.name: s.missed.total for s in self._sources if s.missed.total}

    # -- orders

    def submit(self, order: SetOrder | ArmOrder) -> None:
        """Carry out an order at bench time `now`; its outcome comes as an input."""
        if isinstance(order, SetOrder):
            self._set(order)
        else:
            self._arm(order)

    def _set(self, order: SetOrder) -> None:
        found = self._settings.get(order.setting)
        if found is None:
            self._arrive(
                OrderDone(self._now, order.order, False, None, f"the bench has no setting {order.setting}")
            )
            return
        instrument, setting = found
        latency = instrument.driver.latency
        try:
            self._move(self._now)
            if order.safety:
                instrument.link.hurry()
            instrument.send(setting, order.value)
        except LinkError as error:
            self._arrive(OrderDone(self._now + latency, order.order, False, None, words(error)))
            return
        due = self._now + latency + instrument.settle(setting)
        self._push(due, ACTION, lambda when: self._read_back(when, order, instrument, setting, 1))

    def _read_back(
        self, when: float, order: SetOrder, instrument: Instrument, setting: str, attempt: int
    ) -> None:
        arrived = when + instrument.driver.latency
        try:
            self._move(when)
            value = instrument.read_back(setting)
        except LinkError as error:
            self._arrive(OrderDone(arrived, order.order, False, None, words(error)))
            return
        if instrument.followed(setting, order.value, value):
            if not order.safety:  # while making safe nothing else than that is looked at
                instrument.hold(setting, order.value)
            self._arrive(
                OrderDone(arrived, order.order, True, value, "" if value is not None else "not read back")
            )
        elif attempt < READ_BACKS:
            due = when + max(AGAIN, instrument.settle(setting))
            self._push(
                due, ACTION, lambda then: self._read_back(then, order, instrument, setting, attempt + 1)
            )
        else:
            text = f"{instrument.where}: {order.setting} was set to {order.value:g} and reads {value:g}"
            self._arrive(OrderDone(arrived, order.order, False, value, text))

    def _arm(self, order: ArmOrder) -> None:
        instrument = next(
            (
                i
                for i in self.instruments.values()
                if i.part.role == order.role and i.driver.capture is not None
            ),
            None,
        )
        if instrument is None:
            text = f"the bench has no recorder in role {order.role}"
            self._arrive(OrderDone(self._now, order.order, False, None, text))
            return
        before = self._captures.pop(instrument.name, None)
        if before is not None:
            text = "ended by the next capture before its trigger came"
            self._arrive(Captured(self._now, before.order.order, False, text=text))
        latency = instrument.driver.latency
        try:
            self._move(self._now)
            instrument.arm(order)
        except LinkError as error:
            self._arrive(OrderDone(self._now + latency, order.order, False, None, words(error)))
            return
        capture = _Capture(order, instrument, self._now)
        self._captures[instrument.name] = capture
        self._arrive(OrderDone(self._now + latency, order.order, True))
        self._look_again(self._now + latency, capture)

    def _look_again(self, when: float, capture: _Capture) -> None:
        card = capture.instrument.driver.capture
        assert card is not None, "only a recorder is armed"
        self._push(when + card.poll, ACTION, lambda then: self._look(then, capture))

    def _look(self, when: float, capture: _Capture) -> None:
        instrument, order = capture.instrument, capture.order
        if self._captures.get(instrument.name) is not capture:
            return
        arrived = when + instrument.driver.latency
        try:
            self._move(when)
            if not instrument.triggered():
                self._look_again(when, capture)
                return
            wave = instrument.captured(order.channels)
        except LinkError as error:
            del self._captures[instrument.name]
            self._arrive(Captured(arrived, order.order, False, text=words(error)))
            return
        del self._captures[instrument.name]
        origin = instrument.wave_origin(capture.armed, when, order, wave)
        self._arrive(
            Captured(
                arrived,
                order.order,
                True,
                wave.channels,
                origin + wave.start,
                wave.rate,
                origin + wave.trigger,
                wave.samples,
                wave.not_carried,
                prescribed=wave.prescribed,
            )
        )


def _source(index: int, instrument: Instrument) -> _Source:
    part, latency = instrument.part, instrument.driver.latency
    return _Source(
        index,
        instrument,
        part.period,
        latency,
        time_of_reading(0.0, latency, latency),
        (latency + part.window + part.update) / 2,
        # a hair less, so that polling once in each update is never taken for a repeat
        part.update * (1 - 1e-6),
        sum(1 << (32 + k) for k in range(len(instrument.channels))),
        instrument.poll,
        frozen_after=part.frozen_after,
    )
