"""Whether a run plan fits together, looked at before anything is fed: every problem at once, or none.

The rooms that make a plan refuse what a person got wrong with file and line; this is the core's own last look, so
that during a run nothing can turn out to be missing.
"""

import math
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from benchrunner.core.conditions import channels_of, kinds_of
from benchrunner.core.plan import RunPlan
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.running import Condition, PlannedOrder, PlannedStep

MOST_POINTS = 1_000_000  # orders that straight lines through a profile may become


def sound(plan: RunPlan) -> None:
    """Raises `Refused` with every problem of the plan."""
    problems = [*_bench(plan), *_guards(plan), *_safe(plan), *_steps(plan)]
    if problems:
        raise Refused(problems)


def start_channels(plan: RunPlan) -> list[str]:
    """The channels that must have a valid reading before the first order.

    Those of the start state, the guards and the interlock, and those that confirm the safe order: what can't be
    confirmed safe is not switched on.
    """
    names = [start.channel for start in plan.order.start] + [guard.channel for guard in plan.guards]
    names += [plan.interlock] if plan.interlock else []
    names += [name for step in plan.safe for name in (step.confirm, step.when_channel) if name]
    return list(dict.fromkeys(names))


def safe_sources(plan: RunPlan) -> set[str]:
    """The polled instruments without which the bench cannot be made safe, or not be seen to be safe.

    Those that confirm or release an order of the safe order, and those of the role that it gives the order to.
    """
    channels = {name for step in plan.safe for name in (step.confirm, step.when_channel) if name}
    roles = {step.setting.partition(".")[0] for step in plan.safe}
    return {
        source.name
        for source in plan.sources
        if source.period > 0.0
        and any(name in channels or name.partition(".")[0] in roles for name in source.channels)
    }


def _polled(plan: RunPlan) -> set[str]:
    return {name for source in plan.sources if source.period > 0.0 for name in source.channels}


def _read(plan: RunPlan) -> set[str]:
    return {name for source in plan.sources for name in source.channels}


def _finite(*numbers: float | None) -> bool:
    return all(number is None or math.isfinite(number) for number in numbers)


def _bench(plan: RunPlan) -> Iterator[Problem]:
    if plan.interlock and plan.interlock not in _polled(plan):
        yield Problem(
            "interlock",
            f"{plan.interlock} is read by no instrument",
            "name a channel of an instrument that is polled",
        )
    for start in plan.order.start:
        if start.channel not in _read(plan):
            yield Problem(
                f"start: {start.channel}",
                "is read by no instrument of this bench",
                "add the instrument, or leave it out",
            )
    for name, number in (
        ("pause limit", plan.pause_limit),
        ("rounds", plan.rounds),
        ("order time-out", plan.order_timeout),
    ):
        if not (math.isfinite(number) and number >= 0.0):
            yield Problem(name, f"is {number}, not a time", "give seconds, 0 or more")


def _guards(plan: RunPlan) -> Iterator[Problem]:
    for guard in plan.guards:
        where = f"guard {guard.id}"
        if guard.channel not in _polled(plan):
            yield Problem(
                where,
                f"{guard.channel} is read by no instrument that is polled",
                "a guard needs readings; add one",
            )
        if guard.low is None and guard.high is None:
            yield Problem(where, "has neither a low nor a high bound", "give it one")
        if not _finite(guard.low, guard.high, guard.delay) or guard.delay < 0.0:
            yield Problem(
                where,
                "has a bound or a delay that is not a number",
                "give finite numbers, the delay 0 or more",
            )


def _safe(plan: RunPlan) -> Iterator[Problem]:
    if not plan.safe and any(step.do for step in plan.order.steps):
        yield Problem(
            "safe order",
            "the procedure gives orders, but the bench has no safe order",
            "write [[safe]] in the bench card",
        )
    for step in plan.safe:
        where = f"safe order {step.id}"
        if step.confirm not in _polled(plan):
            yield Problem(
                where,
                f"is confirmed by {step.confirm or 'nothing'}, which no instrument reads",
                "name an independent channel",
            )
        if step.low is None and step.high is None:
            yield Problem(where, "any reading would confirm it", "give a low or a high bound")
        if step.when_channel and step.when_channel not in _polled(plan):
            yield Problem(
                where,
                f"waits for {step.when_channel}, which no instrument reads",
                "name a channel that is polled",
            )
        if (
            not _finite(step.value, step.low, step.high, step.timeout, step.at_latest)
            or min(step.timeout, step.at_latest) < 0.0
        ):
            yield Problem(
                where, "has a value or a time that is not a number", "give finite numbers, times 0 or more"
            )


def _steps(plan: RunPlan) -> Iterator[Problem]:
    twice = [name for name, times in Counter(step.id for step in plan.order.steps).items() if times > 1]
    for name in twice:
        yield Problem(f"step {name}", "stands twice in the running order", "give every step its own id")
    groups = {step.group for step in plan.order.steps if step.group}
    for check in plan.order.group_checks:
        if check.group not in groups:
            yield Problem(
                f"check {check.id}",
                f"there are no repeats named {check.group}",
                "name a group of the procedure",
            )
        yield from _limits(f"check {check.id}", check.low, check.high)
    for step in plan.order.steps:
        yield from _step(plan, step)


def _step(plan: RunPlan, step: PlannedStep) -> Iterator[Problem]:
    where = f"step {step.id}"
    for condition in (step.requires, step.until):
        for name in sorted(channels_of(condition) - _read(plan)):
            yield Problem(
                where,
                f"looks at {name}, which no instrument of this bench reads",
                "add the instrument, or change the step",
            )
        yield from _numbers(where, condition)
    if not (math.isfinite(step.at_most) and step.at_most > 0.0):
        yield Problem(where, f"at most {step.at_most} s is no time limit", "give a finite time")
    if not (math.isfinite(step.random_delay) and step.random_delay >= 0.0):
        yield Problem(where, f"a random delay of {step.random_delay} s is no time", "give seconds, 0 or more")
    for order in step.do:
        if not _finite(order.value, order.ramp, order.every) or order.ramp < 0.0:
            yield Problem(
                where, f"{order.setting} is set to something that is not a number", "give finite numbers"
            )
        if order.profile is not None and not _follows(order):
            yield Problem(
                where,
                f"{order.setting} follows a profile that is none",
                "give rising times and a value for each",
            )
    kinds = kinds_of(step.until)
    if "answered" in kinds and step.ask is None:
        yield Problem(where, "waits for an answer, but asks nothing", "give it a question")
    if "captured" in kinds and step.capture is None:
        yield Problem(where, "waits for a capture, but arms none", "give it a capture")
    for check in step.checks:
        name = f"{where}, check {check.id}"
        yield from _limits(name, check.low, check.high)
        if check.rule not in ("simple", "guarded"):
            yield Problem(name, f"{check.rule!r} is no decision rule", 'use "simple" or "guarded"')
        known = _read(plan) if check.needs == "polled" else _read(plan) | set(plan.waveforms)
        if check.of and check.of not in known:
            yield Problem(
                name,
                f"judges {check.of}, which no instrument of this bench delivers",
                "add the instrument, or change the check",
            )
        if not (math.isfinite(check.k) and check.k > 0.0):
            yield Problem(name, f"the coverage factor {check.k} is none", "use 2")


def _follows(order: PlannedOrder) -> bool:
    """Whether a profile has finite values at rising times, and not so many steps between them that they are none."""
    profile = order.profile
    assert profile is not None
    times = profile.times
    return (
        0 < len(times) == len(profile.values) == len(profile.lines)
        and _finite(*times, *profile.values)
        and times[0] >= 0.0
        and all(a < b for a, b in pairwise(times))
        and not (profile.straight and times[-1] > MOST_POINTS * order.every)
    )


def _numbers(where: str, condition: Condition | None) -> Iterator[Problem]:
    if condition is None:
        return
    if not _finite(condition.low, condition.high, condition.within, condition.hold) or condition.hold < 0.0:
        yield Problem(
            where, f"{condition.text or condition.kind}: a number in it is none", "give finite numbers"
        )
    if (
        condition.kind in ("above", "below", "between", "is")
        and condition.low is None
        and condition.high is None
    ):
        yield Problem(where, f"{condition.text or condition.kind}: its bound is missing", "give it a value")
    for part in condition.parts:
        yield from _numbers(where, part)


def _limits(where: str, low: float | None, high: float | None) -> Iterator[Problem]:
    if low is None and high is None:
        yield Problem(where, "has neither a low nor a high limit", "give it one")
    elif not _finite(low, high) or (low is not None and high is not None and low > high):
        yield Problem(
            where, f"its limits {low} and {high} make no range", "give finite numbers, the low one first"
        )
