"""The orders of one step on their way: in sequence, each confirmed before the next unless marked together; ramps.

Times come from outside; nothing here waits. A ramp is a chain of orders on a straight line, each confirmed before
the next is sent and none before its time. A profile is such a chain too, but keeps to its own clock: where an
instrument takes longer over one value than the next is away, the values whose time is past are left out and counted.
"""

import math
from collections.abc import Callable

from benchrunner.core.messages import Event, OrderDone, Output, SetOrder
from benchrunner.procedure.running import PlannedOrder, PlannedProfile


class _OnTheWay:
    """One planned order: its points still to be sent, and the one that waits for its confirmation."""

    __slots__ = ("late", "number", "planned", "points", "sent", "value")

    def __init__(self, planned: PlannedOrder, points: list[tuple[float, float]]) -> None:
        self.planned = planned
        self.points = points  # (due, value), the next one last
        self.number = 0  # 0: none waits
        self.sent = math.inf
        self.value = math.nan
        self.late = 0  # values of a profile that were left out


class OrderBook:
    """Carries the orders of one step through. `advance` returns what to send; `failed` says why it can't go on."""

    def __init__(
        self, orders: tuple[PlannedOrder, ...], timeout: float, number: Callable[[], int], settings: dict[str, float],
        newest: Callable[[str], float | None],
    ) -> None:  # fmt: skip
        self._orders = orders
        self._timeout = timeout
        self._number = number
        self._settings = settings  # what each setting was last confirmed at; kept up to date
        self._newest = newest
        self._next = 0
        self._active: list[_OnTheWay] = []
        self.failed = ""

    @property
    def complete(self) -> bool:
        """All orders confirmed."""
        return self._next >= len(self._orders) and not self._active

    def next_due(self) -> float:
        """When something has to be sent or runs out of time."""
        due = math.inf
        for order in self._active:
            due = min(due, order.sent + self._timeout if order.number else order.points[-1][0])
        return due

    def done(self, item: OrderDone, now: float) -> list[Output]:
        """The result of an order; one that is not ours is ignored."""
        out: list[Output] = []
        for order in self._active:
            if item.order != order.number or not order.number:
                continue
            order.number = 0
            if not item.ok:
                self.failed = f"{order.planned.text or order.planned.setting}: {item.text or 'the instrument did not do it'}"
                out.append(_event(now, order, "failed", item.text))
            else:
                self._settings[order.planned.setting] = order.value
                out.append(_event(now, order, "confirmed", item.text or order.planned.text))
                if order.late and not order.points:
                    out.append(_left_out(now, order))
            break
        self._active = [order for order in self._active if order.number or order.points]
        return out

    def advance(self, now: float) -> list[Output]:
        """Send what is due."""
        out: list[Output] = []
        while not self.failed:
            for order in self._active:
                if order.number:
                    if now >= order.sent + self._timeout:
                        self.failed = f"{order.planned.text or order.planned.setting}: no confirmation within {self._timeout:g} s"
                        out.append(_event(now, order, "failed", self.failed))
                elif now >= order.points[-1][0]:
                    if order.planned.profile is not None:
                        while len(order.points) > 1 and now >= order.points[-2][0]:
                            order.points.pop()
                            order.late += 1
                    _, order.value = order.points.pop()
                    order.number = self._number()
                    order.sent = now
                    out.append(SetOrder(order.number, order.planned.setting, order.value))
                    out.append(_event(now, order, "sent", order.planned.text))
            blocked = any(not order.planned.together for order in self._active)
            if blocked or self._next >= len(self._orders):
                return out
            planned = self._orders[self._next]
            self._next += 1
            self._active.append(_OnTheWay(planned, self._points(planned, now)))
        return out

    def _points(self, planned: PlannedOrder, now: float) -> list[tuple[float, float]]:
        if planned.profile is not None:
            return [(now + time, value) for time, value in profile_points(planned.profile, planned.every)][
                ::-1
            ]
        if not planned.ramp > 0.0:
            return [(now, planned.value)]
        begin = self._settings.get(planned.setting)
        if begin is None:
            begin = self._newest(planned.setting)
        if begin is None:
            begin = 0.0  # nothing is known of it: a ramp from zero is the cautious one
        count = max(1, int(planned.ramp / max(planned.every, 1e-3) + 1e-9))
        step = planned.ramp / count
        points = [(now + i * step, begin + (planned.value - begin) * i / count) for i in range(1, count)]
        points.append((now + planned.ramp, planned.value))
        return points[::-1]


def profile_points(profile: PlannedProfile, every: float) -> list[tuple[float, float]]:
    """(time, value) of all orders that a profile becomes, s and SI: its own values, and where it is `straight` those on the
    lines between them, no closer than `every` seconds.
    """
    found: list[tuple[float, float]] = []
    for time, value in zip(profile.times, profile.values, strict=True):
        if found and profile.straight:
            before, was = found[-1]
            count = max(1, int((time - before) / max(every, 1e-3) + 1e-9))
            for i in range(1, count):
                found.append((before + (time - before) * i / count, was + (value - was) * i / count))
        found.append((time, value))
    return found


def _left_out(now: float, order: _OnTheWay) -> Event:
    planned = order.planned
    name = planned.profile.file if planned.profile is not None else ""
    text = (
        f"{planned.setting}: {order.late} values of {name} came due while the instrument was at the one before, "
        "and were left out"
    )
    return Event(now, "note", {"text": text, "level": "warning"})


def _event(now: float, order: _OnTheWay, phase: str, text: str) -> Event:
    planned = order.planned
    data = {
        "setting": planned.setting,
        "value": order.value,
        "unit": planned.unit,
        "text": text,
        "phase": phase,
    }
    return Event(now, "order", data)
