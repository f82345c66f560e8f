"""The runner: a run as a state machine without I/O and without a clock. Stamped inputs in, orders and events out.

The same code runs live, in simulated time, in a rehearsal and when a record is judged again. Feeding the same inputs
gives the same outputs. It moves along `states.MOVES` only. Whatever comes in, it does not raise, and with ticks it
ends: every wait has its time limit.
"""

import math
from collections.abc import Sequence
from itertools import count
from typing import Any

from benchrunner.core.evidence import Steady, Track
from benchrunner.core.guards import GuardBoard, Trip
from benchrunner.core.judging import (
    Check,
    compares_states,
    exit_code,
    judge_group,
    load_measures,
    not_judged,
    overall,
)
from benchrunner.core.messages import (
    Answer,
    Captured,
    Event,
    Fault,
    Input,
    Operator,
    OrderDone,
    Output,
    Readings,
    SetOrder,
    Tick,
)
from benchrunner.core.plan import RunPlan
from benchrunner.core.planning import safe_sources, sound
from benchrunner.core.safe import SafeSequence
from benchrunner.core.starting import look_at_start
from benchrunner.core.states import Cause, Phase, State, move
from benchrunner.core.step import StepRun
from benchrunner.errors import Problem

START_LEAST = 5.0  # s; how long instruments may take to report first, at least
LIFELINE = 10.0  # s, or more for an instrument that is polled less often than every third of it
LOOK_EVERY = 1.0  # s; between looks at whether what makes the bench safe still answers
TRIM_EVERY = 10.0  # s; buffers are looked through for old readings this often
FAULTS_TOLD = 20  # of one source; further missed polls are counted, and told every hundredth time
OVERLOADS = 0xFFFFFFFF  # the lower half of a reading's flags
LARGEST_SPREAD = 1e6  # s
_GUARDED = frozenset({State.RUNNING, State.WAITING, State.PAUSED})
_WATCHING = _GUARDED | {State.STARTING}


class Runner:
    """One run of a plan. Raises `Refused` at once if the plan doesn't fit together; never afterwards.

    `checks` holds every judged check as the `check` event carries it; `exit_code`, `verdict`, `ended_by`
    (one word: start, procedure, step, guard, stale, interlock, fault, operator), `reason` (a sentence), `finished`
    and `safe_confirmed` say how it ended.
    """

    def __init__(self, plan: RunPlan) -> None:
        sound(plan)
        load_measures(plan)
        self.plan = plan
        self.board = GuardBoard(plan)
        self.settings: dict[str, float] = {}
        self.states: list[Steady] | None = [] if compares_states(plan) else None
        self.state = State.READY
        self.now = 0.0
        self.checks: list[Check] = []
        self.refusals: list[Problem] = []
        self.exit_code: int | None = None
        self.ended_by = ""
        self.reason = ""
        self.finished = False
        self.touched = False  # at least one setting was ordered
        self.safe_needed = False
        self.safe_confirmed = False
        self.step: StepRun | None = None
        self._number = count(1).__next__
        self._tick = plan.tick
        self._out: list[Output] = []
        self._due = math.inf
        self._next = 0
        self._pause_wanted = False
        self._pause_until = math.inf
        self._start_until = math.inf
        self._trim_at = 0.0
        self._look_at = 0.0
        self._lifelines = [source for source in self.board.sources if source.name in safe_sources(plan)]
        self._safe: SafeSequence | None = None
        self._faults: dict[int, int] = {}
        self._groups = {step.group: index for index, step in enumerate(plan.order.steps) if step.group}
        self._looking: set[int] = set()  # sources whose readings may move the step on

    # -- what the host sees --------------------------------------------------------------------------------------

    @property
    def ended(self) -> bool:
        """Nothing more will come."""
        return self.state is State.ENDED

    @property
    def verdict(self) -> str:
        """The worst of the judged checks so far; `not judged` where there is none."""
        return str(overall(self.checks))

    def start(self, at: float = 0.0) -> list[Output]:
        """Begin at bench time `at`: look at the bench first. Nothing is switched on yet."""
        out: list[Output] = []
        self._out = out
        self.now = at if math.isfinite(at) else 0.0
        self._change(Cause.START)
        self.board.begin(self.now)
        slowest = max((source.period for source in self.plan.sources), default=0.0)
        self._start_until = self.now + max(START_LEAST, 3.0 * slowest + 2.0)
        self._look_at_start()
        self._schedule()
        return out

    def feed(self, item: Input) -> list[Output]:
        """Take one input; returns the orders to carry out and the events to show and keep, in their sequence."""
        out: list[Output] = []
        self._out = out
        arrived = item.arrived
        if self.now < arrived < math.inf:
            self.now = arrived
        if self.now >= self._due:
            self._timed()
            self._schedule()
        elif self._due <= self.now + self._tick and type(item) is Tick:
            self._schedule()  # newer readings have come: nothing is due in the midst of the next ones
        if type(item) is Tick:
            if self.state is State.MAKING_SAFE:
                self._make_safe(item)  # else what was due is done; nothing new is
        elif type(item) is not Readings:
            self._other(item)
            self._schedule()
        elif self.state in _WATCHING:
            if self._reading(item):
                self._schedule()
        elif self.state is State.MAKING_SAFE:
            self._make_safe(item)
        return out

    # -- readings: the path walked most often --------------------------------------------------------------------

    def uneventful(self, replies: Sequence[Readings]) -> int:
        """How many of these, from the first on, bring nothing but values to keep: no output, no move, no trip.

        Changes nothing. So many may be journaled and `keep` given in one go; the next one goes to `feed`. Where it
        is not sure at a glance, it counts as eventful.
        """
        due, looking, sources = self._due, self._looking, self.board.sources
        if self.state not in _GUARDED or not self.now < due:
            return 0
        most = len(sources)
        count = 0
        for item in replies:
            number, values = item.source, item.values
            if not item.arrived < due or not 0 <= number < most or item.flags & OVERLOADS:
                break
            source = sources[number]
            if source.troubled or number in looking:
                break
            if values is not source.values:  # a repeat was looked at when it came first
                if len(values) != source.count or not values or values[0] != values[0]:
                    break
                for k, low, high in source.bounds:
                    if not low <= values[k] <= high:
                        return count
            count += 1
        return count

    def keep(self, replies: Sequence[Readings]) -> None:
        """Take replies that `uneventful` counted, just as `feed` would."""
        sources = self.board.sources
        now = self.now
        for item in replies:
            source = sources[item.source]
            at, spread = item.at, item.spread
            if now < item.arrived:  # `uneventful` has seen that it is finite
                now = item.arrived
            if at > now:
                at = now
            if not at > source.last_at:
                continue  # older than what is known
            if not 0.0 <= spread <= LARGEST_SPREAD:
                spread = LARGEST_SPREAD
            source.last_at = at
            fresh = at + spread
            source.fresh = now if fresh > now else fresh
            source.values = values = item.values
            if source.tracks:
                flags = item.flags
                for k, track in source.tracks:
                    if not flags >> (32 + k) & 1:
                        track.take(at, values[k], spread)
        self.now = now

    def _reading(self, item: Readings) -> bool:
        """True: something changed that time has to know of."""
        sources = self.board.sources
        if not 0 <= item.source < len(sources):
            return False
        source = sources[item.source]
        values, at, now = item.values, item.at, self.now
        if at > now:
            at = now
        if len(values) != source.count or not values or not at > source.last_at:
            return False  # not what this instrument sends, or older than what is known; silence will tell
        if values[0] != values[0] and not item.flags and all(value != value for value in values):
            return False  # a poll that brought nothing is a missed poll
        trip: Trip | None = None
        before = source.troubled
        plain = not before and not item.flags & OVERLOADS
        if plain:
            for k, low, high in source.bounds:
                if not low <= values[k] <= high:
                    plain = False
                    break
        if not plain:
            trip = self.board.look(source, item, at, now)
        spread = item.spread
        if not 0.0 <= spread <= LARGEST_SPREAD:
            spread = LARGEST_SPREAD  # a time so uncertain that no condition takes it for evidence
        source.last_at = at
        source.fresh = now if at + spread > now else at + spread
        source.values = values = _without_overloads(values, item.flags) if item.flags & OVERLOADS else values
        if trip is not None and self.state is not State.STARTING:
            self._trip(trip)
            return True
        if source.tracks:
            new = False
            for k, track in source.tracks:
                if not item.flags >> (32 + k) & 1 and track.take(at, values[k], spread):
                    new = True
            if new and source.index in self._looking and self.step is not None:
                self.step.advance(now)
                self._after_step()
        if self.state is State.STARTING:
            self._look_at_start()
            return True
        return source.troubled or before or bool(self._out)

    # -- everything else that comes in ---------------------------------------------------------------------------

    def _other(self, item: Input) -> None:
        if self.state is State.ENDED:
            return
        if self.state is State.MAKING_SAFE:
            self._make_safe(item)
        elif isinstance(item, Operator):
            self._operator(item)
        elif isinstance(item, Fault):
            self._fault(item)
        elif self.step is not None:
            if isinstance(item, OrderDone):
                self.step.order_done(item, self.now)
            elif isinstance(item, Captured):
                self.step.captured(item, self.now)
            elif isinstance(item, Answer):
                self.step.answered(item, self.now)
            else:
                return  # a tick: what was due is done
            self.step.advance(self.now)
            self._after_step()

    def _operator(self, item: Operator) -> None:
        who = f" ({item.by})" if item.by else ""
        if item.wish == "stop":
            why = f": {item.why}" if item.why else ""
            self._end_early(Cause.OPERATOR, "operator", f"the operator{who} stopped the run{why}")
        elif item.wish == "pause":
            if self.state is State.PAUSED:
                self._note("the run is paused already", "info")
            elif self.state is not State.READY:
                self._pause_wanted = True
                self._note(
                    f"pause asked for{who}: it begins when the current step is done, guards stay live", "info"
                )
        elif item.wish == "resume":
            self._pause_wanted = False
            if self.state is State.PAUSED:
                self._pause_until = math.inf
                self._change(Cause.RESUME)
                self._go_on()

    def _fault(self, item: Fault) -> None:
        name = self.board.sources[item.source].name if 0 <= item.source < len(self.board.sources) else ""
        text = f"{name}: {item.text}" if name else item.text
        if item.fatal:
            if self.state in (State.READY, State.STARTING):
                self._refuse([Problem(name or "bench", item.text, "mend it and start again")])
            else:
                self._end_early(Cause.FAULT, "fault", text)
            return
        times = self._faults[item.source] = self._faults.get(item.source, 0) + 1
        if times <= FAULTS_TOLD or times % 100 == 0:
            self._note(f"{text} (missed {times} times)" if times > 1 else text, "warning")

    # -- time ----------------------------------------------------------------------------------------------------

    def _timed(self) -> None:
        now = self.now
        if self.state is State.STARTING:
            self._look_at_start()
            return
        if self.state not in _GUARDED:
            return
        trip = self.board.timed(now)
        if trip is not None:
            self._trip(trip)
            return
        if now >= self._look_at:
            self._look_at = now + LOOK_EVERY
            for source in self._lifelines:
                silent = now - source.last_at
                if silent > max(LIFELINE, 3.0 * source.period):
                    text = f"{source.name} has not answered for {silent:.3g} s: the bench could not be made safe, or be seen to be safe, without it"
                    self._end_early(Cause.GUARD, "stale", text)
                    return
        if self.state is State.PAUSED:
            if now >= self._pause_until:
                limit = self.plan.pause_limit
                self._end_early(
                    Cause.OPERATOR,
                    "operator",
                    f"the pause lasted longer than {limit:g} s and counts as a stop",
                )
            return
        if self.step is None:
            return
        if now >= self._trim_at:
            self._trim_at = now + TRIM_EVERY
            if self.step.phase is Phase.UNTIL:
                for track in self.step.tracks.values():
                    track.trim(now)
        self.step.advance(now)
        self._after_step()

    def _schedule(self) -> None:
        """When `_timed` has to look again at the latest."""
        if self.state is State.STARTING:
            self._due = self._start_until
        elif self.state in _GUARDED:
            due = min(self.board.next_due(self.now), self._pause_until, self._look_at)
            if self.step is not None:
                due = min(due, self.step.next_due(self.now), self._trim_at)
            self._due = due
        else:
            self._due = math.inf

    # -- start ---------------------------------------------------------------------------------------------------

    def _look_at_start(self) -> None:
        """Go on once every instrument has reported; refuse a bench that is not as the procedure needs it."""
        look = look_at_start(self.plan, self.board, self._lifelines, self.now)
        if look.waiting and self.now < self._start_until:
            return
        for silent in look.not_needed:
            self._note(f"{silent} has not answered; guards and safe order don't need it", "warning")
        if look.problems:
            self._refuse(look.problems)
        else:
            self._change(Cause.FOUND_READY)
            self._go_on()

    def _refuse(self, problems: list[Problem]) -> None:
        self.refusals = problems
        self.ended_by = "start"
        self.reason = "; ".join(f"{problem.where}: {problem.what}" for problem in problems)
        for problem in problems:
            self._note(f"refused: {problem.where}: {problem.what}. Mend: {problem.mend}", "error")
        self._not_judged("the run was refused before anything was switched on")
        self.exit_code = 2
        self._change(Cause.REFUSED)
        self._ended()

    # -- steps ---------------------------------------------------------------------------------------------------

    def _go_on(self) -> None:
        """Between steps: pause if wanted, else begin the next ones until one has to wait."""
        while self.state is State.RUNNING and self.step is None:
            if self._pause_wanted:
                self._pause_wanted = False
                self._pause_until = self.now + self.plan.pause_limit
                self._change(Cause.PAUSE)
            elif self._next >= len(self.plan.order.steps):
                self._end_of_procedure()
            else:
                self.step = StepRun(self.plan.order.steps[self._next], self._next, self, self.now)
                self._next += 1
                self.step.advance(self.now)
                self._take_step()

    def _after_step(self) -> None:
        self._take_step()
        self._go_on()

    def _take_step(self) -> None:
        """See what became of the current step."""
        step = self.step
        if step is None:
            return
        if step.open_question and self.state is State.RUNNING:
            self._change(Cause.ASKED)
        elif not step.open_question and self.state is State.WAITING and step.phase is not Phase.STOPPED:
            self._change(Cause.ANSWERED)
        if step.phase is Phase.DONE:
            self.checks.extend(step.checks)
            self.step = None
            self.follow({})
            group = step.step.group
            if group and self._groups[group] == step.index:
                self._judge_groups(group)
            self._end_on_fail(step)
        elif step.phase is Phase.STOPPED:
            if step.fault:
                self._end_early(Cause.FAULT, "fault", f"{step.step.id}: {step.why}")
            else:
                self._end_early(Cause.STEP, "step", f"{step.step.id}: {step.why}")

    def _end_on_fail(self, step: StepRun) -> None:
        """End the run where a check of `step` failed with which it is to end: what follows would mean nothing."""
        ends = {check.id for check in step.step.checks if check.ends}
        failed = [one["id"] for one in step.checks if one["id"] in ends and one["verdict"] == "fail"]
        if failed:
            why = f"{step.step.id}: {', '.join(failed)} failed, and the procedure ends with that"
            self._note(f"the run ends here: {why}", "error")
            self._not_judged(f"the run ended before: {why}")
            self._end_of_procedure(why)

    def _judge_groups(self, group: str) -> None:
        steps = {step.id: step for step in self.plan.order.steps if step.group == group}
        for check in self.plan.order.group_checks:
            if check.group == group:
                repeats = [
                    one for one in self.checks if one["step"] in steps and same_check(one["id"], check.check)
                ]
                wanted = sum(
                    same_check(one.id, check.check) for step in steps.values() for one in step.checks
                )
                judged = judge_group(check, repeats, max(wanted, len(repeats)))
                self.checks.append(judged)
                self._event("check", dict(judged))

    # -- endings -------------------------------------------------------------------------------------------------

    def _trip(self, trip: Trip) -> None:
        guard = trip.guard
        data = {
            "id": guard.plan.id, "channel": guard.channel, "unit": guard.unit, "text": trip.text,
            "value": trip.value if math.isfinite(trip.value) else None,
            "bound": trip.bound if math.isfinite(trip.bound) else None,
        }  # fmt: skip
        self._event("guard", data)
        self._end_early(Cause.GUARD, trip.kind, trip.text)

    def _end_of_procedure(self, reason: str = "the procedure came to its end") -> None:
        self.finished = True
        self.ended_by = "procedure"
        self.reason = reason
        if self.touched:
            self._change(Cause.PROCEDURE)
            self._begin_safe()
        else:
            self._change(Cause.NOTHING_SET)
            self.exit_code = exit_code(True, overall(self.checks), False, False)
            self._ended()

    def _end_early(self, cause: Cause, word: str, reason: str) -> None:
        looked_only = self.state in (State.READY, State.STARTING)
        self.ended_by, self.reason = word, reason
        self._note(f"the run ends here: {reason}", "error")
        self._not_judged(f"the run ended before: {reason}")
        self.step = None
        self.follow({})
        self._change(cause)
        if looked_only:
            self.exit_code = 4
            self._ended()
        else:
            self._begin_safe()

    def _not_judged(self, why: str) -> None:
        begun = self._next if self.step is None else self._next - 1
        open_groups = {group for group, last in self._groups.items() if last >= begun}
        for index, step in enumerate(self.plan.order.steps[begun:], begun):
            left = [not_judged(step.id, check, why) for check in step.checks]
            self.checks.extend(left)
            for check in left:
                self._event("check", dict(check))
            self._event("step", {"index": index, "id": step.id, "phase": "skipped", "text": why})
        for group_check in self.plan.order.group_checks:
            if group_check.group in open_groups:
                left_over = not_judged(group_check.group, group_check, why)
                self.checks.append(left_over)
                self._event("check", dict(left_over))

    def _begin_safe(self) -> None:
        self.step = None
        self.follow({})
        self._pause_until = math.inf
        self.safe_needed = bool(self.plan.safe)
        self._safe = SafeSequence(self.plan.safe, self.plan.sources, self.plan.rounds, self._number)
        if self.plan.safe:
            self.put(self._safe.start(self.now))
        self._after_safe()

    def _make_safe(self, item: Input) -> None:
        assert self._safe is not None
        if isinstance(item, Operator):
            self._note("the bench is being made safe already", "info")
        elif isinstance(item, Fault):
            self._note(f"while making safe: {item.text}", "warning")
        self.put(self._safe.feed(item))
        self._after_safe()

    def _after_safe(self) -> None:
        if self._safe is None or (self.plan.safe and not self._safe.ended):
            return
        self.safe_confirmed = self.safe_needed and self._safe.confirmed
        self.exit_code = exit_code(self.finished, overall(self.checks), self.safe_needed, self.safe_confirmed)
        self._change(Cause.SAFE)
        self._ended()

    def _ended(self) -> None:
        safe = "confirmed" if self.safe_confirmed else "not confirmed" if self.safe_needed else "not needed"
        data = {
            "exit": self.exit_code, "verdict": self.verdict, "ended_by": self.ended_by, "reason": self.reason,
            "finished": self.finished, "safe": safe,
        }  # fmt: skip
        self._event("ended", data)

    # -- the desk of a step --------------------------------------------------------------------------------------

    def number(self) -> int:
        """The next order's number."""
        return self._number()

    def put(self, outputs: list[Output]) -> None:
        """Pass on what a step or the safe order wants done and shown."""
        for output in outputs:
            if type(output) is SetOrder:
                self.touched = True
        self._out.extend(outputs)

    def follow(self, tracks: dict[str, Track]) -> None:
        """Follow these channels from now on, and no others."""
        self._looking.clear()
        for source in self.board.sources:
            source.tracks = []
        for name, track in tracks.items():
            source, k = self.board.where[name]
            source.tracks.append((k, track))
            if track.leaves:
                self._looking.add(source.index)

    def _change(self, cause: Cause) -> None:
        self.state = move(self.state, cause)
        self._event("state", {"state": str(self.state), "cause": str(cause)})

    def _note(self, text: str, level: str) -> None:
        self._event("note", {"text": text, "level": level})

    def _event(self, kind: str, data: dict[str, Any]) -> None:
        self._out.append(Event(self.now, kind, data))


def same_check(id_: str, wanted: str) -> bool:
    """The id of a step's check, with or without its group's prefix, is the one that a group check names."""
    return id_ == wanted or id_.rsplit("/", 1)[-1] == wanted


def _without_overloads(values: tuple[float, ...], flags: int) -> tuple[float, ...]:
    return tuple(math.nan if flags >> k & 1 else value for k, value in enumerate(values))
