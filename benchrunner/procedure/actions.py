"""Plans what a step does and waits for: conditions, orders, captures and questions, in SI numbers."""

import math

from benchrunner.cards.reading import KeyPath
from benchrunner.procedure import model, running
from benchrunner.procedure.amounts import Amounts, Base, shown
from benchrunner.procedure.following import Profiles, following
from benchrunner.procedure.names import did_you_mean
from benchrunner.procedure.roles import Roles

LONGEST_CAPTURE = 120.0  # s


def condition(
    roles: Roles, amounts: Amounts, given: model.Condition, path: KeyPath, step: model.Step
) -> running.Condition:
    """A condition with its numbers; `step` is the one that waits for it."""
    kind = given.kind
    if kind in ("all", "any"):
        parts = given.all_ or given.any_ or []
        planned = tuple(
            condition(roles, amounts, part, (*path, kind, index), step) for index, part in enumerate(parts)
        )
        joined = f" {'and' if kind == 'all' else 'or'} ".join(part.text for part in planned)
        return running.Condition("all" if kind == "all" else "any", joined, parts=planned)
    if kind == "elapsed":
        assert given.elapsed is not None
        span = amounts.seconds((*path, "elapsed"), given.elapsed)
        return running.Condition("elapsed", f"{shown(span, 's')} have passed", hold=span, unit="s")
    if kind == "answered":
        if step.ask is None:
            amounts.findings.add(
                path, "waits for an answer, but the step asks nothing", "add ask = { text = ... }"
            )
        return running.Condition("answered", "the question is answered")
    if kind == "captured":
        if step.capture is None:
            amounts.findings.add(path, "waits for a capture, but the step has none", "add capture = { ... }")
        return running.Condition("captured", "the capture is in")
    channel = given.settled or given.above or given.below or given.between or given.is_ or ""
    unit = roles.unit((*path, kind), channel)
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
    after = f" for {shown(hold, 's')}" if hold else ""
    match kind:
        case "settled":
            return running.Condition(
                "settled",
                f"{channel} stays within ± {shown(within, unit, difference=True)}{after}",
                channel,
                unit,
                within=within or 0.0,
                hold=hold,
            )
        case "above":
            return running.Condition(
                "above",
                f"{channel} above {shown(value, unit)}{after}",
                channel,
                unit,
                low=value,
                hold=hold,
            )
        case "below":
            return running.Condition(
                "below",
                f"{channel} below {shown(value, unit)}{after}",
                channel,
                unit,
                high=value,
                hold=hold,
            )
        case "between":
            text = f"{channel} from {shown(low, unit)} to {shown(high, unit)}{after}"
            return running.Condition("between", text, channel, unit, low=low, high=high, hold=hold)
        case _:
            around = f" ± {shown(within, unit, difference=True)}" if within else ""
            text = f"{channel} is {shown(value, unit)}{around}{after}"
            return running.Condition("is", text, channel, unit, low=value, within=within or 0.0, hold=hold)


def order(
    roles: Roles, amounts: Amounts, given: model.Order, path: KeyPath, profiles: Profiles | None = None
) -> running.PlannedOrder | None:
    """An order with its numbers; `profiles`: the files that were read for it, None where nobody has looked."""
    setting = roles.setting(path, given.set)
    if setting is None:
        return None
    if given.to is None:
        return following(amounts, given, path, setting, profiles)
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
        text = _switched(given.set, bool(given.to))
        return running.PlannedOrder(given.set, float(given.to), setting.unit, text, given.together)
    if isinstance(given.to, bool):
        amounts.findings.add(
            path, f"sets {given.set!r} to {str(given.to).lower()}", f"give a value in {setting.unit}"
        )
        return None
    if given.every is not None and given.over is None:
        amounts.findings.add(path, "has 'every' without 'over'", "add over = ... for a ramp, or remove it")
    value = amounts.number(path, given.to, setting.unit)
    text = f"{given.set} to {shown(value, setting.unit)}" + (f" over {shown(ramp, 's')}" if ramp else "")
    return running.PlannedOrder(given.set, value, setting.unit, text, given.together, ramp, every)


def question(amounts: Amounts, ask: model.Ask, path: KeyPath) -> running.Question:
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
    for index, answer in enumerate(ask.go_on):
        if answer not in ask.choices:
            mend = did_you_mean(answer, ask.choices, "choices")
            amounts.findings.add((*path, "go_on", index), f"{answer!r} is none of the choices", mend)
    return running.Question(ask.text, tuple(ask.choices), ask.unit, tuple(ask.go_on))


def capture(roles: Roles, amounts: Amounts, given: model.Capture, path: KeyPath) -> running.PlannedCapture:
    roles.waveform((*path, "with"), given.with_)
    channel_units = {name: roles.unit((*path, "of", index), name) for index, name in enumerate(given.of)}
    if len(channel_units) < len(given.of):
        amounts.findings.add((*path, "of"), "names a channel twice", "name each channel once")
    span = amounts.seconds((*path, "for"), given.hold, least=0.001, most=LONGEST_CAPTURE)
    before = amounts.seconds((*path, "before"), given.before, most=LONGEST_CAPTURE)
    rate = amounts.number((*path, "rate"), given.rate, "Hz")
    if rate < 1000.0 or rate > 10e6:
        amounts.findings.add((*path, "rate"), f"comes to {rate:g} samples/s", "give 1 kHz to 10 MHz")
    trigger = (
        _edge(roles, amounts, given.trigger, (*path, "trigger"))
        if given.trigger
        else _usual_edge(roles, amounts, channel_units)
    )
    if given.trigger is not None and given.trigger.on not in given.of:
        amounts.findings.add(
            (*path, "trigger", "on"),
            f"triggers on {given.trigger.on!r}, which is not captured",
            "add it to 'of'",
        )
    return running.PlannedCapture(given.with_, tuple(given.of), trigger, span, before, rate)


def _edge(roles: Roles, amounts: Amounts, given: model.Edge, path: KeyPath) -> running.Trigger:
    unit = roles.unit((*path, "on"), given.on)
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


def _usual_edge(roles: Roles, amounts: Amounts, channels: dict[str, str | None]) -> running.Trigger:
    """The first current moves by a tenth of the rated one, else the first voltage by 3 % of the rated one (common practice)."""
    for wanted in ("A", "V"):
        for name, unit in channels.items():
            if unit == wanted:
                direct = "dc_meter" in roles.classes.get(name.partition(".")[0], ())
                volts = (
                    "pairing.battery.nominal_voltage" if direct else "pairing.battery_inverter.rated_voltage"
                )
                text = (
                    f"10 % * pairing.battery_inverter.rated_power / {volts}"
                    if wanted == "A"
                    else f"3 % * {volts}"
                )
                return running.Trigger(name, amounts.number((), text, wanted), wanted)
    return running.Trigger(next(iter(channels)), math.nan, "1")


def longest(condition: running.Condition | None) -> float:
    """The least time that the condition needs, s."""
    if condition is None:
        return 0.0
    if condition.parts:
        times = [longest(part) for part in condition.parts]
        return min(times) if condition.kind == "any" else max(times)
    return 0.0 if math.isnan(condition.hold) else condition.hold


def _switched(setting: str, on: bool) -> str:
    """An order to a switch as people say it: `relays.pv_contactor closed`, `load on`."""
    owner, _, name = setting.rpartition(".")
    if name in ("on", "closed"):
        closed = name == "closed"
        return f"{owner} {('closed' if on else 'open') if closed else ('on' if on else 'off')}"
    if name.endswith("contactor"):
        return f"{setting} {'closed' if on else 'open'}"
    return f"{setting} {'on' if on else 'off'}"
