"""Turns the steps of a procedure into planned ones: conditions, orders, captures, checks, loops and repeats."""

import math
import random
from dataclasses import dataclass, field

from benchrunner.cards.reading import KeyPath
from benchrunner.measure.catalogue import CATALOGUE, MeasureSpec
from benchrunner.procedure import model, running
from benchrunner.procedure.amounts import Amounts, Base
from benchrunner.procedure.arithmetic import Value
from benchrunner.procedure.names import did_you_mean
from benchrunner.procedure.roles import Roles

MOST_STEPS = 2000  # in the running order; a day of one-minute steps
MOST_REPEATS = 1000
LONGEST_CAPTURE = 120.0  # s
_RATED_FREQUENCY = "pairing.battery_inverter.rated_frequency"


@dataclass
class StepMaker:
    """Walks the steps in their order; the planned steps and group checks gather in it."""

    roles: Roles
    random: random.Random
    steps: list[running.PlannedStep] = field(default_factory=list)
    overall: list[running.GroupCheck] = field(default_factory=list)
    _full: bool = False

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
            here = (*path, index)
            if step.is_group:
                self._group(amounts, step, here, prefix)
            elif len(self.steps) < MOST_STEPS:
                self.steps.append(self._step(amounts, step, here, prefix, group, repeat, wave))
            elif not self._full:
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
        self._overall(amounts, step, path, name)

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

    def _overall(self, amounts: Amounts, step: model.Step, path: KeyPath, name: str) -> None:
        inside = {check.id: (one, check) for one in step.steps or [] for check in one.checks}
        for index, wanted in enumerate(step.overall):
            here = (*path, "overall", index)
            if wanted.check not in inside:
                amounts.findings.add(
                    (*here, "check"),
                    f"names the unknown check {wanted.check!r}",
                    did_you_mean(wanted.check, inside, "checks in this group"),
                )
                continue
            check = inside[wanted.check][1]
            unit = self._check_unit(amounts, check, None)
            if unit is None:
                continue
            low, high, text = self._limits(amounts, wanted, here, unit)
            self.overall.append(
                running.GroupCheck(
                    id=wanted.id,
                    group=name,
                    check=wanted.check,
                    over=wanted.over,
                    low=low,
                    high=high,
                    unit=unit,
                    rule=wanted.rule,
                    k=wanted.k,
                    title=wanted.title or "",
                    basis=wanted.basis,
                    limit_text=text,
                )
            )

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
        findings = amounts.findings
        until = self.condition(amounts, step.until, (*path, "until"), step) if step.until else None
        at_most = amounts.seconds((*path, "at_most"), step.at_most)
        hold = _longest(until)
        if hold > at_most:
            findings.add(
                (*path, "at_most"),
                f"is {at_most:g} s, but 'until' needs {hold:g} s to hold",
                "give a longer at_most",
            )
        if step.if_not and step.until is None and step.ask is None:
            findings.add(
                (*path, "if_not"), "is of no use: the step waits for nothing", "add until, or remove if_not"
            )
        if (
            "at_most" in step.model_fields_set
            and step.until is None
            and step.ask is None
            and step.capture is None
        ):
            findings.add(
                (*path, "at_most"), "is of no use: the step waits for nothing", "add until, or remove at_most"
            )
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
        return running.PlannedStep(
            id=prefix + step.id,
            title=step.title,
            says=step.says or "",
            cautions=tuple(step.cautions),
            requires=self.condition(amounts, step.requires, (*path, "requires"), step) if step.requires else None,
            capture=self._capture(amounts, step.capture, (*path, "capture")) if step.capture else None,
            do=tuple(
                order
                for index, given in enumerate(step.do)
                if (order := self._order(amounts, given, (*path, "do", index))) is not None
            ),
            ask=self._question(amounts, step.ask, (*path, "ask")) if step.ask else None,
            until=until,
            at_most=at_most,
            if_not=step.if_not or ("fail" if step.checks else "stop"),
            checks=tuple(
                check
                for index, given in enumerate(step.checks)
                if (check := self._check(amounts, given, (*path, "checks", index), step)) is not None
            ),
            group=group,
            repeat=repeat,
            random_delay=delay,
            expected=expected,
        )  # fmt: skip

    def _period(self, amounts: Amounts) -> float:
        """One period of the mains: repeats then begin anywhere on the wave."""
        value = amounts.value((), _RATED_FREQUENCY)
        return 0.02 if value is None or not value.number > 0 else 1.0 / value.number

    def _question(self, amounts: Amounts, ask: model.Ask, path: KeyPath) -> running.Question:
        from benchrunner import units

        if ask.unit and ask.unit not in units.UNITS:
            amounts.findings.add(
                (*path, "unit"),
                f"is the unknown unit {ask.unit!r}",
                did_you_mean(ask.unit, units.UNITS, "units"),
            )
        if ask.unit and ask.choices:
            amounts.findings.add(
                path, "has both choices and a unit", "a question is answered by a choice or by a number"
            )
        return running.Question(ask.text, tuple(ask.choices), ask.unit)

    # conditions and orders

    def condition(
        self, amounts: Amounts, given: model.Condition, path: KeyPath, step: model.Step
    ) -> running.Condition:
        """A condition with its numbers; `step` is the one that waits for it."""
        kind = given.kind
        if kind in ("all", "any"):
            parts = given.all_ or given.any_ or []
            planned = tuple(
                self.condition(amounts, part, (*path, kind, index), step) for index, part in enumerate(parts)
            )
            joined = f" {'and' if kind == 'all' else 'or'} ".join(part.text for part in planned)
            return running.Condition("all" if kind == "all" else "any", joined, parts=planned)
        if kind == "elapsed":
            assert given.elapsed is not None
            span = amounts.seconds((*path, "elapsed"), given.elapsed)
            return running.Condition("elapsed", f"{_shown(span, 's')} have passed", hold=span, unit="s")
        if kind == "answered":
            if step.ask is None:
                amounts.findings.add(
                    path, "waits for an answer, but the step asks nothing", "add ask = { text = ... }"
                )
            return running.Condition("answered", "the question is answered")
        if kind == "captured":
            if step.capture is None:
                amounts.findings.add(
                    path, "waits for a capture, but the step has none", "add capture = { ... }"
                )
            return running.Condition("captured", "the capture is in")
        channel = given.settled or given.above or given.below or given.between or given.is_ or ""
        unit = self.roles.unit((*path, kind), channel)
        hold = 0.0 if given.hold is None else amounts.seconds((*path, "for"), given.hold)
        if unit is None:
            return running.Condition("elapsed", f"{channel} {kind}", hold=hold)
        base = Base((*path, "base"), given.base)
        value = amounts.bound((*path, "value"), given.value, unit, base)
        low = amounts.bound((*path, "low"), given.low, unit, base)
        high = amounts.bound((*path, "high"), given.high, unit, base)
        within = amounts.bound((*path, "within"), given.within, unit, base)
        amounts.finish(base)
        if low is not None and high is not None and low > high:
            amounts.findings.add((*path, "low"), "is above 'high'", "exchange them")
        if (within is not None and within < 0) or (kind == "settled" and within == 0):
            amounts.findings.add(
                (*path, "within"), "is not above zero", "a real reading never stands still; give a tolerance"
            )
        after = f" for {_shown(hold, 's')}" if hold else ""
        match kind:
            case "settled":
                return running.Condition(
                    "settled",
                    f"{channel} stays within ± {_shown(within, unit)}{after}",
                    channel,
                    unit,
                    within=within or 0.0,
                    hold=hold,
                )
            case "above":
                return running.Condition(
                    "above",
                    f"{channel} above {_shown(value, unit)}{after}",
                    channel,
                    unit,
                    low=value,
                    hold=hold,
                )
            case "below":
                return running.Condition(
                    "below",
                    f"{channel} below {_shown(value, unit)}{after}",
                    channel,
                    unit,
                    high=value,
                    hold=hold,
                )
            case "between":
                text = f"{channel} from {_shown(low, unit)} to {_shown(high, unit)}{after}"
                return running.Condition("between", text, channel, unit, low=low, high=high, hold=hold)
            case _:
                around = f" ± {_shown(within, unit)}" if within else ""
                text = f"{channel} is {_shown(value, unit)}{around}{after}"
                return running.Condition(
                    "is", text, channel, unit, low=value, within=within or 0.0, hold=hold
                )

    def _order(self, amounts: Amounts, given: model.Order, path: KeyPath) -> running.PlannedOrder | None:
        setting = self.roles.setting(path, given.set)
        if setting is None:
            return None
        ramp = 0.0 if given.over is None else amounts.seconds((*path, "over"), given.over)
        every = 0.5 if given.every is None else amounts.seconds((*path, "every"), given.every, least=0.05)
        if setting.kind == "switch":
            if not isinstance(given.to, bool):
                amounts.findings.add(
                    path,
                    f"sets the switch {given.set!r} to {given.to!r}",
                    "a switch is true (closed, on) or false",
                )
                return None
            if given.over is not None:
                amounts.findings.add(path, f"ramps the switch {given.set!r}", "remove 'over'")
            text = f"{given.set} {'on' if given.to else 'off'}"
            return running.PlannedOrder(given.set, float(given.to), setting.unit, text, given.together)
        if isinstance(given.to, bool):
            amounts.findings.add(
                path, f"sets {given.set!r} to {str(given.to).lower()}", f"give a value in {setting.unit}"
            )
            return None
        if given.every is not None and given.over is None:
            amounts.findings.add(
                path, "has 'every' without 'over'", "add over = ... for a ramp, or remove it"
            )
        value = amounts.number(path, given.to, setting.unit)
        text = f"{given.set} to {_shown(value, setting.unit)}" + (
            f" over {_shown(ramp, 's')}" if ramp else ""
        )
        return running.PlannedOrder(given.set, value, setting.unit, text, given.together, ramp, every)

    # captures and checks

    def _capture(self, amounts: Amounts, given: model.Capture, path: KeyPath) -> running.PlannedCapture:
        self.roles.waveform((*path, "with"), given.with_)
        channel_units = {
            name: self.roles.unit((*path, "of", index), name) for index, name in enumerate(given.of)
        }
        if len(channel_units) < len(given.of):
            amounts.findings.add((*path, "of"), "names a channel twice", "name each channel once")
        span = amounts.seconds((*path, "for"), given.hold, least=0.001, most=LONGEST_CAPTURE)
        before = amounts.seconds((*path, "before"), given.before, most=LONGEST_CAPTURE)
        rate = amounts.number((*path, "rate"), given.rate, "Hz")
        if rate < 1000.0 or rate > 10e6:
            amounts.findings.add((*path, "rate"), f"comes to {rate:g} samples/s", "give 1 kHz to 10 MHz")
        trigger = (
            self._edge(amounts, given.trigger, (*path, "trigger"))
            if given.trigger
            else self._usual_edge(amounts, channel_units)
        )
        if given.trigger is not None and given.trigger.on not in given.of:
            amounts.findings.add(
                (*path, "trigger", "on"),
                f"triggers on {given.trigger.on!r}, which is not captured",
                "add it to 'of'",
            )
        return running.PlannedCapture(given.with_, tuple(given.of), trigger, span, before, rate)

    def _edge(self, amounts: Amounts, given: model.Edge, path: KeyPath) -> running.Trigger:
        unit = self.roles.unit((*path, "on"), given.on)
        if unit is None:
            return running.Trigger(given.on, math.nan, "1")
        base = Base((*path, "base"), given.base)
        change = amounts.number((*path, "change"), given.change, unit, base)
        amounts.finish(base)
        if change <= 0:
            amounts.findings.add(
                (*path, "change"), "is not above zero", "give the size of the edge, whichever way it goes"
            )
        return running.Trigger(given.on, change, unit)

    def _usual_edge(self, amounts: Amounts, channels: dict[str, str | None]) -> running.Trigger:
        """The first current moves by a tenth of the rated one, else the first voltage by 3 % of the rated one (common practice)."""
        for wanted in ("A", "V"):
            for name, unit in channels.items():
                if unit == wanted:
                    direct = "dc_meter" in self.roles.classes.get(name.partition(".")[0], ())
                    volts = (
                        "pairing.battery.nominal_voltage"
                        if direct
                        else "pairing.battery_inverter.rated_voltage"
                    )
                    text = (
                        f"10 % * pairing.battery_inverter.rated_power / {volts}"
                        if wanted == "A"
                        else f"3 % * {volts}"
                    )
                    return running.Trigger(name, amounts.number((), text, wanted), wanted)
        return running.Trigger(next(iter(channels)), math.nan, "1")

    def _limits(
        self, amounts: Amounts, given: model.Bound, path: KeyPath, unit: str
    ) -> tuple[float | None, float | None, str]:
        base = Base((*path, "base"), given.base)
        low = amounts.bound((*path, "low"), given.low, unit, base)
        high = amounts.bound((*path, "high"), given.high, unit, base)
        amounts.finish(base)
        if low is not None and high is not None and low > high:
            amounts.findings.add(
                (*path, "low"),
                f"({low:g} {unit}) is above 'high' ({high:g} {unit})",
                "exchange them, or check the arithmetic",
            )
        of = f" of {given.base}" if given.base is not None else ""
        if given.low is not None and given.high is not None:
            return low, high, f"from {given.low} to {given.high}{of}"
        return (
            low,
            high,
            f"at least {given.low}{of}" if given.low is not None else f"at most {given.high}{of}",
        )

    def _spec(self, amounts: Amounts, check: model.Check, path: KeyPath | None) -> MeasureSpec | None:
        spec = CATALOGUE.get(check.measure)
        if spec is None and path is not None:
            amounts.findings.add(
                (*path, "measure"),
                f"is the unknown measure {check.measure!r}",
                did_you_mean(check.measure, CATALOGUE, "measures"),
            )
        return spec

    def _check_unit(self, amounts: Amounts, check: model.Check, path: KeyPath | None) -> str | None:
        """The unit of a check's value; what is wrong is noted only where `path` is given (once, at the check itself)."""
        spec = self._spec(amounts, check, path)
        if check.of is None:
            if path is not None and spec is not None:
                amounts.findings.add(
                    path, f"({check.id}) does not say of which channel", 'add of = "role.quantity"'
                )
            return None
        roles = self.roles if path is not None else self.roles.quiet()
        channel_unit = roles.unit((*(path or ()), "of"), check.of)
        if spec is None or channel_unit is None:
            return None
        return spec.unit(channel_unit)

    def _check(
        self, amounts: Amounts, given: model.Check, path: KeyPath, step: model.Step
    ) -> running.PlannedCheck | None:
        unit = self._check_unit(amounts, given, path)
        spec = CATALOGUE.get(given.measure)
        last = 0.0 if given.last is None else amounts.seconds((*path, "last"), given.last)
        if unit is None or spec is None or given.of is None:
            return None
        self._data_class(amounts, given, spec, path, step)
        low, high, text = self._limits(amounts, given, path, unit)
        if given.over != "step" and not (step.until and _settles(step.until)):
            amounts.findings.add(
                (*path, "over"),
                f"is {given.over!r}, but the step waits for nothing to settle",
                "add until = { settled = ... }, or judge the whole step",
            )
        return running.PlannedCheck(
            id=given.id, measure=given.measure, of=given.of, unit=unit, low=low, high=high, rule=given.rule,
            title=given.title or "", k=given.k, needs=spec.needs, window=given.over, last=last,
            arguments=self._arguments(amounts, given, spec, path), basis=given.basis, limit_text=text,
        )  # fmt: skip

    def _data_class(
        self, amounts: Amounts, given: model.Check, spec: MeasureSpec, path: KeyPath, step: model.Step
    ) -> None:
        if spec.needs != "waveform":
            return
        if step.capture is None:
            amounts.findings.add(
                (*path, "measure"), f"{given.measure!r} needs waveform data, but the step has no capture",
                "add capture = { with = ..., of = [...], for = ... } to the step",
            )  # fmt: skip
        elif given.of not in step.capture.of:
            amounts.findings.add(
                (*path, "of"),
                f"{given.of!r} is not captured in this step",
                f"add it to the capture: {', '.join(step.capture.of)}",
            )

    def _arguments(
        self, amounts: Amounts, given: model.Check, spec: MeasureSpec, path: KeyPath
    ) -> dict[str, float | str]:
        return {}


def _settles(condition: model.Condition) -> bool:
    return condition.settled is not None or any(
        _settles(part) for part in (condition.all_ or condition.any_ or [])
    )


def _longest(condition: running.Condition | None) -> float:
    """The least time that the condition needs, s."""
    if condition is None:
        return 0.0
    if condition.parts:
        times = [_longest(part) for part in condition.parts]
        return min(times) if condition.kind == "any" else max(times)
    return 0.0 if math.isnan(condition.hold) else condition.hold


def _shown(value: float | None, unit: str) -> str:
    from benchrunner import units

    if value is None or math.isnan(value):
        return "?"
    return units.show(value, unit, percent=unit == "1" and 0 < abs(value) < 1)
