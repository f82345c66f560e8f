"""Turns the steps of a procedure into planned ones: conditions, orders, captures, checks, loops and repeats."""

import math
import random
from dataclasses import dataclass, field

from benchrunner.cards.reading import KeyPath
from benchrunner.procedure import actions, checks, model, running
from benchrunner.procedure.amounts import Amounts
from benchrunner.procedure.arithmetic import Value
from benchrunner.procedure.following import Profiles
from benchrunner.procedure.roles import Roles

MOST_STEPS = 2000  # in the running order; a day of one-minute steps
MOST_REPEATS = 1000
MOST_VALUES = 50_000  # of profiles, in the running order; it is frozen into the record as a whole
_RATED_FREQUENCY = "pairing.battery_inverter.rated_frequency"


@dataclass
class StepMaker:
    """Walks the steps in their order; the planned steps and group checks gather in it."""

    roles: Roles
    random: random.Random
    profiles: Profiles | None = None  # the files that orders follow; None: nobody has looked for them
    steps: list[running.PlannedStep] = field(default_factory=list)
    overall: list[running.GroupCheck] = field(default_factory=list)
    _full: bool = False
    _followed: int = 0

    def walk(
        self,
        amounts: Amounts,
        steps: list[model.Step],
        path: KeyPath,
        prefix: str = "",
        group: str = "",
        repeat: int = 0,
        wave: bool = False,
    ) -> None:
        """Plan `steps`; `wave`: they are repeats that shall fall at random points on the wave."""
        for index, step in enumerate(steps):
            if self._full:
                return  # said already; walking on through nested repeats could take for ever
            here = (*path, index)
            if step.is_group:
                self._group(amounts, step, here, prefix)
            elif len(self.steps) < MOST_STEPS:
                self.steps.append(self._step(amounts, step, here, prefix, group, repeat, wave))
            else:
                self._full = True
                amounts.findings.add(
                    here, f"brings the running order beyond {MOST_STEPS} steps", "use fewer repeats"
                )

    def _group(self, amounts: Amounts, step: model.Step, path: KeyPath, prefix: str) -> None:
        name = prefix + step.id
        assert step.steps is not None
        if step.each is not None:
            rounds = self._values(amounts, step, path)
        else:
            assert step.repeats is not None
            rounds = [{} for _ in range(self._count(amounts, path, step.repeats))]
        for number, values in enumerate(rounds, 1):
            if self._full:
                break
            scope = amounts.scope.inner(values) if values else amounts.scope
            self.walk(
                amounts.within(scope),
                step.steps,
                (*path, "steps"),
                f"{name}[{number}]/",
                name,
                number,
                step.each is None,
            )
        for index, given in enumerate(step.overall):
            judged = checks.overall(self.roles, amounts, given, (*path, "overall", index), step, name)
            if judged is not None:
                self.overall.append(judged)

    def _count(self, amounts: Amounts, path: KeyPath, raw: model.Amount) -> int:
        number = amounts.number((*path, "repeats"), raw, "1")
        if math.isnan(number):
            return 1
        if number != round(number) or not 1 <= number <= MOST_REPEATS:
            amounts.findings.add(
                (*path, "repeats"), f"comes to {number:g}", f"give a whole number from 1 to {MOST_REPEATS}"
            )
            return 1
        return round(number)

    def _values(self, amounts: Amounts, step: model.Step, path: KeyPath) -> list[dict[str, Value]]:
        assert step.each is not None
        rounds: list[dict[str, Value]] = [{} for _ in next(iter(step.each.values()))]
        for name, listed in step.each.items():
            if amounts.scope.knows(name):
                amounts.findings.add(
                    (*path, "each", name),
                    f"{name!r} is already the name of another value",
                    "choose another name",
                )
            for index, raw in enumerate(listed[: len(rounds)]):
                value = amounts.value((*path, "each", name, index), raw)
                rounds[index][name] = value if value is not None else Value(math.nan, None)
        if step.shuffled:
            self.random.shuffle(rounds)
        return rounds

    def _step(
        self,
        amounts: Amounts,
        step: model.Step,
        path: KeyPath,
        prefix: str,
        group: str,
        repeat: int,
        wave: bool,
    ) -> running.PlannedStep:
        roles = self.roles
        until = requires = capture = ask = None
        if step.until is not None:
            until = actions.condition(roles, amounts, step.until, (*path, "until"), step)
        if step.requires is not None:
            requires = actions.condition(roles, amounts, step.requires, (*path, "requires"), step)
        if step.capture is not None:
            capture = actions.capture(roles, amounts, step.capture, (*path, "capture"))
        if step.ask is not None:
            ask = actions.question(amounts, step.ask, (*path, "ask"))
        at_most = amounts.seconds((*path, "at_most"), step.at_most)
        hold = actions.longest(until)
        self._waiting(amounts, step, path, at_most, hold)
        do = [
            actions.order(roles, amounts, one, (*path, "do", i), self.profiles)
            for i, one in enumerate(step.do)
        ]
        self._count_values(amounts, path, do)
        judged = [
            checks.check(roles, amounts, one, (*path, "checks", i), step) for i, one in enumerate(step.checks)
        ]
        delay = 0.0
        if step.random_delay is not None:
            delay = amounts.seconds((*path, "random_delay"), step.random_delay, most=3600.0)
        elif wave and step.capture is not None:
            delay = self._period(amounts)
        if step.expected is not None:
            expected = amounts.seconds((*path, "expected"), step.expected)
        elif until is None:
            expected = 1.0
        else:
            expected = min(at_most, hold if until.kind == "elapsed" else hold + 5.0)
        if step.expected is None:
            expected += _moving(do)
        return running.PlannedStep(
            id=prefix + step.id,
            title=step.title,
            says=step.says or "",
            cautions=tuple(step.cautions),
            requires=requires,
            capture=capture,
            do=tuple(order for order in do if order is not None),
            ask=ask,
            until=until,
            at_most=at_most,
            if_not=step.if_not or ("fail" if step.checks else "stop"),
            checks=tuple(check for check in judged if check is not None),
            group=group,
            repeat=repeat,
            random_delay=delay,
            expected=expected,
        )

    def _count_values(self, amounts: Amounts, path: KeyPath, do: list[running.PlannedOrder | None]) -> None:
        before = self._followed
        self._followed += sum(len(o.profile.times) for o in do if o is not None and o.profile is not None)
        if before <= MOST_VALUES < self._followed:
            what = f"brings the values of profiles beyond {MOST_VALUES}, repeats counted"
            amounts.findings.add((*path, "do"), what, "thin the profile out, or use fewer repeats")

    def _waiting(
        self, amounts: Amounts, step: model.Step, path: KeyPath, at_most: float, hold: float
    ) -> None:
        """Note waits that cannot end well, and keys that say nothing because the step waits for nothing."""
        if hold > at_most:
            what = f"is {at_most:g} s, but 'until' needs {hold:g} s to hold"
            amounts.findings.add((*path, "at_most"), what, "give a longer at_most")
        if step.until is not None or step.ask is not None:
            return
        for key in ("at_most", "if_not"):
            if key in step.model_fields_set and not (key == "at_most" and step.capture is not None):
                what = "is of no use: the step waits for nothing"
                amounts.findings.add((*path, key), what, f"add until, or remove {key}")

    def _period(self, amounts: Amounts) -> float:
        """One period of the mains: repeats then begin anywhere on the wave."""
        value = amounts.value((), _RATED_FREQUENCY)
        return 0.02 if value is None or not value.number > 0 else 1.0 / value.number


def _moving(do: list[running.PlannedOrder | None]) -> float:
    """How long ramps and profiles take, s: one after the other, or beside each other where they are `together`."""
    at = end = 0.0
    for order in do:
        if order is not None and not math.isnan(order.moving):
            end = max(end, at + order.moving)
            at = at if order.together else end
    return end
