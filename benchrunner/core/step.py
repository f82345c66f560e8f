"""One step: look whether it means anything, arm, wait at random, order, go on until, wait for the capture, judge.

A question is asked once the orders are confirmed, as part of what the step waits for; what must be answered before
anything is switched on stands in a step of its own before. It moves along `states.STEP_MOVES` only and asks its `Desk` (the runner) for everything else.
"""

import math
import random
from typing import Any, Protocol

from benchrunner.core.conditions import Watch, channels_of, kinds_of, longest_hold
from benchrunner.core.evidence import Steady, Track
from benchrunner.core.guards import GuardBoard
from benchrunner.core.judging import Check, StepEvidence, judge_step, reached, steady_state
from benchrunner.core.messages import Answer, ArmOrder, Captured, Event, OrderDone, Output
from benchrunner.core.orders import OrderBook
from benchrunner.core.plan import Channel, RunPlan
from benchrunner.core.states import Phase, StepCause, step_move
from benchrunner.procedure.running import Condition, PlannedStep, Question
from benchrunner.units import parse

CAPTURE_GRACE = 15.0  # s; for the transfer of a record after its span is over
DATA_GRACE = 2.0  # s; for a first reading
STATE_SPAN = 8.0  # s; a steady state is the mean over so long


class Desk(Protocol):
    """What a step needs of its runner."""

    plan: RunPlan
    board: GuardBoard
    settings: dict[str, float]
    states: list[Steady] | None  # steady states of the bench so far, where a check compares them; else None

    def number(self) -> int: ...
    def put(self, outputs: list[Output]) -> None: ...
    def follow(self, tracks: dict[str, Track]) -> None: ...


class StepRun:
    """One step as it runs. `phase` DONE: `checks` are judged; STOPPED: `why` says for what."""

    def __init__(self, step: PlannedStep, index: int, desk: Desk, now: float) -> None:
        self.step = step
        self.index = index
        self.desk = desk
        self.phase = Phase.NEW
        self.checks: list[Check] = []
        self.why = ""
        self.fault = False  # STOPPED because of an instrument, not of a condition
        self.open_question = False
        self.answer: str | None = None
        self.tracks: dict[str, Track] = {}
        self.watch: Watch | None = None
        self._entered = now
        self._confirmed_at = math.nan
        self._begin = math.nan
        self._held = math.nan
        self._since = math.nan
        self._capture_number = 0
        self._capture_confirmed = False
        self._capture: Captured | None = None
        self._no_capture = "" if step.capture else "the step has none"
        self._delay_until = math.inf
        self._book: OrderBook | None = None
        self._say(now, "started", step.title)
        self._follow_step()
        if step.requires is not None:
            self._move(StepCause.REQUIRES, now)
            self._watch(step.requires, now)
        else:
            self._after_requires(now)

    # -- what comes in -------------------------------------------------------------------------------------------

    def order_done(self, item: OrderDone, now: float) -> None:
        """The result of an order or of the arming."""
        if self.phase is Phase.ARMING and item.order == self._capture_number and not self._capture_confirmed:
            capture = self.step.capture
            assert capture is not None
            if item.ok:
                self._capture_confirmed = True
                self._event(now, "capture", {"step": self.step.id, "phase": "armed", "text": item.text})
            else:
                self.fault = True
                self._stop(
                    now, f"the capture on {capture.role} could not be armed: {item.text or 'no reason given'}"
                )
        elif self._book is not None:
            self.desk.put(self._book.done(item, now))

    def captured(self, item: Captured, now: float) -> None:
        """A waveform record; one that was not asked for, or comes twice, is ignored."""
        if item.order != self._capture_number or not self._capture_number or self._capture is not None:
            return
        if item.ok:
            self._capture = item
            text = f"{len(item.channels)} channels, {item.rate:g} samples/s" + _not_computed(item)
            self._event(now, "capture", {"step": self.step.id, "phase": "in", "text": text})
        else:
            self._no_capture = item.text or "the capture failed"
            self._event(now, "capture", {"step": self.step.id, "phase": "failed", "text": self._no_capture})
        if self.watch is not None:
            self.watch.captured = item.ok

    def answered(self, item: Answer, now: float) -> None:
        """The operator's answer to the open question; a wrong one is asked for again."""
        if not self.open_question or self.step.ask is None:
            return
        mend = misfit(self.step.ask, item.text)
        if mend:
            self._event(
                now,
                "note",
                {"text": f"{item.text[:80]!r} is no answer to this question: {mend}", "level": "warning"},
            )
            self._ask(now)
            return
        self.answer = item.text
        self.open_question = False
        by = f" ({item.by})" if item.by else ""
        self._event(now, "note", {"text": f"answered{by}: {item.text}", "level": "info"})
        go_on = self.step.ask.go_on
        if go_on and item.text not in go_on:
            self._stop(now, f"the answer was {item.text!r}; the run goes on only with {' or '.join(go_on)}")
            return
        if self.watch is not None:
            self.watch.answered = True

    # -- time ----------------------------------------------------------------------------------------------------

    def next_due(self, now: float) -> float:
        """When the step has to be looked at again without any other input."""
        timeout = self.desk.plan.order_timeout
        if self.phase is Phase.REQUIRES:
            return self._entered + self._requires_within()
        if self.phase is Phase.ARMING:
            return self._entered + timeout
        if self.phase is Phase.DELAY:
            return self._delay_until
        if self.phase is Phase.ORDERS and self._book is not None:
            return self._book.next_due()
        if self.phase is Phase.UNTIL:
            due = self._confirmed_at + self.step.at_most
            return min(due, self.watch.next_due(now)) if self.watch is not None else due
        if self.phase is Phase.CAPTURE:
            return self._capture_deadline()
        return math.inf

    def advance(self, now: float) -> None:
        """Go as far as it goes at `now`."""
        before = None
        while self.phase is not before:
            before = self.phase
            if self.phase is Phase.REQUIRES:
                self._requires(now)
            elif self.phase is Phase.ARMING:
                self._arming(now)
            elif self.phase is Phase.DELAY:
                if now >= self._delay_until:
                    self._orders(now)
            elif self.phase is Phase.ORDERS:
                self._ordering(now)
            elif self.phase is Phase.UNTIL:
                self._until(now)
            elif self.phase is Phase.CAPTURE:
                self._capturing(now)
            elif self.phase is Phase.JUDGING:
                self._judge(now)

    # -- phases --------------------------------------------------------------------------------------------------

    def _requires_within(self) -> float:
        requires = self.step.requires
        limits = [self.desk.board.stale_limit(name) for name in channels_of(requires)]
        slack = max((limit for limit in limits if math.isfinite(limit)), default=0.0)
        return longest_hold(requires) + slack + DATA_GRACE

    def _requires(self, now: float) -> None:
        assert self.watch is not None and self.step.requires is not None
        if self.watch.holds(now):
            self._after_requires(now)
        elif self.watch.refuted() or now >= self._entered + self._requires_within():
            blind = self.watch.unseen()
            why = f"no valid reading of {', '.join(blind)}" if blind else "it is not so"
            self._stop(
                now,
                f"the step requires {self.step.requires.text}, but {why}: its stimulus would mean nothing",
            )

    def _after_requires(self, now: float) -> None:
        capture = self.step.capture
        if capture is None:
            self._after_arming(now)
            return
        self._move(StepCause.CAPTURE, now)
        self._capture_number = self.desk.number()
        trigger = capture.trigger
        order = ArmOrder(
            self._capture_number, capture.role, capture.channels, trigger.channel, trigger.change,
            capture.span, capture.before, capture.rate,
        )  # fmt: skip
        self.desk.put([order])
        text = f"{capture.role} waits for {trigger.channel} to move by {trigger.change:g} {trigger.unit}"
        self._event(now, "capture", {"step": self.step.id, "phase": "arming", "text": text})

    def _arming(self, now: float) -> None:
        if self._capture_confirmed:
            self._after_arming(now)
        elif now >= self._entered + self.desk.plan.order_timeout:
            self.fault = True
            self._stop(now, f"the capture was not armed within {self.desk.plan.order_timeout:g} s")

    def _after_arming(self, now: float) -> None:
        if self.step.random_delay > 0.0:
            self._move(StepCause.REPEATS, now)
            draw = random.Random(
                f"{self.desk.plan.seed}/{self.step.id}"
            ).random()  # the same on every machine
            self._delay_until = now + draw * self.step.random_delay
        else:
            self._orders(now)

    def _orders(self, now: float) -> None:
        self._move(StepCause.ORDERS, now)
        self._begin = now
        for track in self.tracks.values():
            track.seen_at, track.blank = now, 0.0
        desk = self.desk

        def newest(channel: str) -> float | None:
            found = desk.board.newest(channel, now) if channel in desk.board.where else None
            return found[1] if found else None

        self._book = OrderBook(self.step.do, desk.plan.order_timeout, desk.number, desk.settings, newest)

    def _ordering(self, now: float) -> None:
        book = self._book
        assert book is not None
        if not book.failed:
            self.desk.put(book.advance(now))
        if book.failed:
            self.fault = True
            self._stop(now, book.failed)
        elif book.complete:
            self._move(StepCause.CONFIRMED, now)
            self._confirmed_at = now
            if self.step.ask is not None:
                self.open_question = True
                self._ask(now)
            if self.step.until is not None:
                self._watch(self.step.until, now)
                if self._capture is not None and self.watch is not None:
                    self.watch.captured = True
            self._say(now, "waiting", self.step.until.text if self.step.until else "")

    def _until(self, now: float) -> None:
        holds = (self.watch is None or self.watch.holds(now)) and (
            self.step.ask is None or self.answer is not None
        )
        if holds:
            self._held = now
            self._since = now - (
                self.watch.stretch(now) if self.watch is not None else now - self._confirmed_at
            )
            self._since = max(self._since, self._confirmed_at)
            self._move(StepCause.HOLDS, now)
        elif now >= self._confirmed_at + self.step.at_most:
            if self.step.if_not == "stop":
                what = self.step.until.text if self.step.until else "the operator's answer"
                self._stop(
                    now, f"this did not come within {self.step.at_most:g} s: {what}{self._standing(now)}"
                )
            else:
                self.open_question = False
                self._move(StepCause.TOO_LONG, now)

    def _capture_deadline(self) -> float:
        capture = self.step.capture
        return self._entered + (capture.span + CAPTURE_GRACE if capture is not None else 0.0)

    def _capturing(self, now: float) -> None:
        if self.step.capture is None or self._capture is not None or self._no_capture:
            self._move(StepCause.CAPTURE_IN, now)
        elif now >= self._capture_deadline():
            self._no_capture = (
                f"{self.step.capture.trigger.channel} did not move as the capture's trigger expected"
            )
            self._event(now, "capture", {"step": self.step.id, "phase": "given up", "text": self._no_capture})
            self._move(StepCause.CAPTURE_IN, now)

    def _judge(self, now: float) -> None:
        step, board = self.step, self.desk.board
        held = math.isfinite(self._held)
        if step.if_not == "fail" and (step.until is not None or step.ask is not None):
            took = (self._held if held else now) - self._confirmed_at
            unseen = self.watch.unseen() if self.watch is not None else []
            self.checks.append(reached(step, took, held, unseen, self._longest_period(), self._standing(now)))
        stale = {name: board.stale_limit(name) for name in self.tracks}
        states = self.desk.states
        if states is not None and held and step.until is not None:
            begin = max(self._since, now - STATE_SPAN)
            states.append(steady_state(step.id, begin, now, self.tracks, self.desk.settings))
        evidence = StepEvidence(
            self._begin, self._held, self._since, now, self.tracks, stale, self._capture, self._no_capture,
            tuple(states or ()), self._blank(),
        )  # fmt: skip
        self.checks.extend(judge_step(self.desk.plan, step, evidence))
        for check in self.checks:
            self._event(now, "check", dict(check))
        if self.checks:
            self._say(now, "judged", "")
        failed = [check["id"] for check in self.checks if check["verdict"] == "fail"]
        self._say(now, "failed" if failed else "done", ", ".join(failed))
        self._move(StepCause.JUDGED, now)

    # -- helpers -------------------------------------------------------------------------------------------------

    def _standing(self, now: float) -> str:
        """What the channels of `until` read now, in brackets, for people."""
        plan, board = self.desk.plan, self.desk.board
        said = []
        for name in sorted(channels_of(self.step.until)):
            newest = board.newest(name, now)
            unit = plan.channels[name].unit if name in plan.channels else "1"
            value = (
                "no valid reading"
                if newest is None
                else f"{newest[1]:.5g}{'' if unit == '1' else ' ' + unit}"
            )
            said.append(f"{name}: {value}")
        return f" (at the end {', '.join(said)})" if said else ""

    def _longest_period(self) -> float:
        """The longest time between two readings of what `until` looks at, missing ones counted in; NaN where it is for a
        person to answer."""
        if self.step.ask is not None:
            return math.nan
        return max([self.desk.plan.tick, *self._periods().values(), self._blank()])

    def _periods(self) -> dict[str, float]:
        """The time between two readings of each channel that `until` looks at."""
        plan, where = self.desk.plan, self.desk.board.where
        names = [name for name in channels_of(self.step.until) if name in plan.channels]
        return {name: max(where[name][0].period, plan.channels[name].update) for name in names}

    def _blank(self) -> float:
        """The longest time for which readings of what `until` looks at were missing, s; 0: none was."""
        periods = self._periods()
        # times are those of readings, which scatter by less than a poll: only a missing one makes it longer
        least = 1.5 * max(periods.values(), default=0.0)
        blanks = (self.tracks[name].blank for name in periods if name in self.tracks)
        return max((blank for blank in blanks if blank > least), default=0.0)

    def _follow_step(self) -> None:
        """Follow what the step's conditions and checks look at, and nothing else."""
        step, plan = self.step, self.desk.plan
        keep: dict[str, float] = {}
        steady = math.inf if "elapsed" in kinds_of(step.until) else longest_hold(step.until) + 10.0
        for check in step.checks:
            length = math.inf if check.window == "step" else steady
            length = check.last + 10.0 if check.last > 0.0 and check.window != "settled" else length
            for name in (check.of, *(text for text in check.arguments.values() if isinstance(text, str))):
                if name in self.desk.board.where:
                    keep[name] = max(keep.get(name, 0.0), length)
        if self.desk.states is not None and step.until is not None:
            for name in plan.channels:
                if name in self.desk.board.where:
                    keep[name] = max(keep.get(name, 0.0), 2.0 * STATE_SPAN)
        for name in sorted(channels_of(step.requires) | channels_of(step.until) | set(keep)):
            source, _ = self.desk.board.where[name]
            update = plan.channels.get(name, Channel(name, "1")).update
            update = update if update > source.period else 0.0
            self.tracks[name] = Track(name, update, name in keep, keep.get(name, 0.0))
        self.desk.follow(self.tracks)

    def _watch(self, condition: Condition, now: float) -> None:
        watch = Watch(condition, now, self.desk.board.stale_limit)
        for track in self.tracks.values():
            track.leaves = [leaf for leaf in watch.leaves if leaf.channel == track.channel]
        self.watch = watch
        self.desk.follow(self.tracks)

    def _ask(self, now: float) -> None:
        ask = self.step.ask
        assert ask is not None
        data = {"id": self.step.id, "text": ask.text, "choices": list(ask.choices), "unit": ask.unit}
        self._event(now, "ask", data)

    def _move(self, cause: StepCause, now: float) -> None:
        self.phase = step_move(self.phase, cause)
        self._entered = now
        if self.phase is Phase.ARMING or self.phase is Phase.DELAY or self.phase is Phase.ORDERS:
            self._unwatch()

    def _unwatch(self) -> None:
        self.watch = None
        for track in self.tracks.values():
            track.leaves = []

    def _stop(self, now: float, why: str) -> None:
        self.phase = step_move(self.phase, StepCause.STOP)
        self.open_question = False
        self.why = why
        self._say(now, "failed", why)

    def _say(self, now: float, phase: str, text: str) -> None:
        self._event(now, "step", {"index": self.index, "id": self.step.id, "phase": phase, "text": text})

    def _event(self, now: float, kind: str, data: dict[str, Any]) -> None:
        self.desk.put([Event(now, kind, data)])


def misfit(question: Question, answer: str) -> str:
    """Why `answer` does not answer `question`, as a mend; empty where it does."""
    if question.choices:
        return "" if answer in question.choices else f"choose one of {', '.join(question.choices)}"
    if not question.unit:
        return "" if answer.strip() else "write something"
    try:
        number = float(answer)
        return "" if math.isfinite(number) else "give a finite number"
    except ValueError:
        pass
    try:
        parse(answer, question.unit)
    except ValueError as error:
        return str(error)
    return ""


def _not_computed(item: Captured) -> str:
    """What of a simulated wave was prescribed, as an addition to a sentence."""
    parts = sorted({part for each in item.prescribed for part in each.split(", ") if part})
    return f"; prescribed, not computed: {', '.join(parts)}" if parts else ""
