"""The running order of a procedure: parameters resolved, arithmetic done, loops and repeats unrolled.

`unroll` works with the values of the cards, `examine` without them: the same walk, in which numbers that only the cards
know stay unknown, so that a file is checked for everything that can be wrong in it before any bench is at hand.
"""

import math
import random
from collections.abc import Iterable, Mapping

from benchrunner.errors import Problem
from benchrunner.procedure.amounts import Amounts, Base, Findings, parsed
from benchrunner.procedure.arithmetic import (
    ArithmeticFault,
    Node,
    Value,
    evaluate,
    unit_text,
)
from benchrunner.procedure.model import Amount, Procedure, Step
from benchrunner.procedure.names import AlreadyReported, Scope, did_you_mean, in_order
from benchrunner.procedure.roles import Roles, joins_live_buses
from benchrunner.procedure.running import PlannedGuard, RunningOrder, StartCondition
from benchrunner.procedure.steps import StepMaker
from benchrunner.units import Quantity

_RESERVED = ("min", "max", "pairing", "bench")


def unroll(
    procedure: Procedure,
    values: Mapping[str, Quantity],
    overrides: Mapping[str, str] | None = None,
    bench_roles: Mapping[str, Iterable[str]] | None = None,
    seed: int = 1,
) -> RunningOrder:
    """The running order for these cards.

    `values`: `pairing.*` and `bench.*`; `overrides`: parameter -> text, as `--set name=value` gives them; `bench_roles`:
    role -> classes of the bench, to refuse a bench that lacks one; `seed`: for shuffled loops. Raises `Refused` with
    everything that is wrong.
    """
    findings = Findings(procedure.document, procedure.title)
    order = _work_out(procedure, findings, values, overrides or {}, bench_roles, seed)
    findings.refuse()
    return order


def examine(procedure: Procedure) -> Findings:
    """Everything that is wrong with a procedure, as far as it shows without pairing and bench."""
    findings = Findings(procedure.document, procedure.title)
    _work_out(procedure, findings, None, {}, None, 1)
    return findings


def _work_out(
    procedure: Procedure,
    findings: Findings,
    values: Mapping[str, Quantity] | None,
    overrides: Mapping[str, str],
    bench_roles: Mapping[str, Iterable[str]] | None,
    seed: int,
) -> RunningOrder:
    roles = Roles(procedure, findings)
    if bench_roles is not None:
        roles.meets(bench_roles)
    _names_once(procedure, findings)
    joins_live_buses(procedure, findings)
    amounts = Amounts(Scope(values), findings)
    parameters = _parameters(procedure, amounts, overrides)
    start = _start(procedure, amounts, roles)
    guards = _guards(procedure, amounts, roles)
    maker = StepMaker(roles, random.Random(seed), procedure.profiles)
    maker.walk(amounts, procedure.steps, ("steps",))
    return RunningOrder(
        title=procedure.title,
        purpose=procedure.purpose,
        basis=tuple(procedure.basis),
        cautions=tuple(procedure.cautions),
        roles=dict(roles.classes),
        parameters=parameters,
        start=start,
        steps=tuple(maker.steps),
        guards=guards,
        group_checks=tuple(maker.overall),
    )


def _parameters(
    procedure: Procedure, amounts: Amounts, overrides: Mapping[str, str]
) -> dict[str, tuple[float, str]]:
    """Works out parameters and named values, in the order in which they need one another."""
    findings, scope = amounts.findings, amounts.scope
    raws: dict[str, Amount] = {name: parameter.value for name, parameter in procedure.parameters.items()}
    for name in procedure.values:
        if name in raws:
            findings.add(("values", name), f"{name!r} is a parameter already", "choose another name")
    raws |= {name: raw for name, raw in procedure.values.items() if name not in raws}
    for name in raws:
        if name in _RESERVED:
            findings.add(
                _place(procedure, name), f"{name!r} is a word of the arithmetic", "choose another name"
            )
    nodes: dict[str, Node] = {}
    for name, raw in raws.items():
        try:
            nodes[name] = parsed(str(raw))
        except ArithmeticFault as fault:
            findings.add(_place(procedure, name), f"({str(raw)[:60]}) {fault.what}", fault.mend)
            scope.spoil(name)
    ordered, circles = in_order(nodes)
    for circle in circles:
        findings.add(
            _place(procedure, circle[0]),
            f"goes round in a circle: {' -> '.join(circle)}",
            "give one of them a value of its own",
        )
        for name in circle:
            scope.spoil(name)
    for name in overrides:
        if name not in procedure.parameters:
            mend = did_you_mean(name, procedure.parameters, "parameters")
            findings.note(Problem(f"--set {name}", "is not a parameter of this procedure", mend))
    for name in ordered:
        if any(name in circle for circle in circles):
            continue
        value = amounts.value(_place(procedure, name), raws[name])
        if value is not None and name in procedure.parameters and name in overrides:
            value = _override(amounts, name, overrides[name], value)
        if value is None:
            scope.spoil(name)
        else:
            scope.fix(name, value)
    return {
        name: resolved
        for name in procedure.parameters
        if (resolved := _in_range(procedure, amounts, name, overrides.get(name))) is not None
    }


def _place(procedure: Procedure, name: str) -> tuple[str | int, ...]:
    return ("parameters", name, "value") if name in procedure.parameters else ("values", name)


def _override(amounts: Amounts, name: str, text: str, default: Value) -> Value | None:
    """The value that `--set` gives, which must be of the parameter's kind."""
    where = f"--set {name}={text[:60]}"
    unit = unit_text(default.dimension)
    try:
        value = evaluate(parsed(text), amounts.scope.lookup)
    except ArithmeticFault as fault:
        amounts.findings.note(Problem(where, fault.what, fault.mend))
        return None
    except AlreadyReported:
        return None
    if None not in (value.dimension, default.dimension) and value.dimension != default.dimension:
        given = "a bare number" if value.bare == "number" else f"in {unit_text(value.dimension)}"
        amounts.findings.note(
            Problem(
                where,
                f"is {given}; {name} is in {unit}",
                f"give a value in {unit}, such as '{_example(default, unit)}'",
            )
        )
        return None
    return value


def _in_range(
    procedure: Procedure, amounts: Amounts, name: str, text: str | None
) -> tuple[float, str] | None:
    """The parameter's value and unit, if it is within its range."""
    if name in _RESERVED:
        return None
    try:
        value = amounts.scope.lookup(name)
    except (ArithmeticFault, AlreadyReported):
        return None
    unit = unit_text(value.dimension)
    path = ("parameters", name)
    bounds: list[float] = []
    for index, raw in enumerate(procedure.parameters[name].range):
        bound = amounts.value((*path, "range", index), raw)
        if bound is None:
            return None
        if None not in (bound.dimension, value.dimension) and bound.dimension != value.dimension:
            amounts.findings.add(
                (*path, "range", index),
                f"({raw}) is in {unit_text(bound.dimension)}; {name} is in {unit}",
                f"give a value in {unit}",
            )
            return None
        bounds.append(bound.number)
    low, high = bounds
    if low > high:
        amounts.findings.add((*path, "range"), "begins above its end", "write [least, largest]")
    elif value.number < low or value.number > high:
        what = (
            f"is {_show(value.number, unit)}, outside its range of {_show(low, unit)} to {_show(high, unit)}"
        )
        mend = "choose a value within the range"
        if text is not None:
            amounts.findings.note(Problem(f"--set {name}={text[:60]}", what, mend))
        else:
            amounts.findings.add((*path, "value"), what, mend)
    return value.number, unit


def _start(procedure: Procedure, amounts: Amounts, roles: Roles) -> tuple[StartCondition, ...]:
    found = []
    for channel, (raw_low, raw_high) in procedure.start.items():
        path = ("start", channel)
        unit = roles.unit(path, channel, anywhere=True)
        if unit is None:
            continue
        low, high = amounts.number((*path, 0), raw_low, unit), amounts.number((*path, 1), raw_high, unit)
        if low > high:
            amounts.findings.add(path, "begins above its end", "write [least, largest]")
        found.append(StartCondition(channel, low, high, unit))
    return tuple(found)


def _guards(procedure: Procedure, amounts: Amounts, roles: Roles) -> tuple[PlannedGuard, ...]:
    found = []
    for index, guard in enumerate(procedure.guards):
        path = ("guards", index)
        unit = roles.unit((*path, "channel"), guard.channel)
        delay = amounts.seconds((*path, "delay"), guard.delay, most=3600.0)
        if unit is None:
            continue
        base = Base((*path, "base"), guard.base)
        low = amounts.bound((*path, "low"), guard.low, unit, base)
        high = amounts.bound((*path, "high"), guard.high, unit, base)
        amounts.finish(base)
        if low is not None and high is not None and low >= high:
            amounts.findings.add(
                (*path, "low"), "is not below 'high'", "exchange them, or check the arithmetic"
            )
        found.append(PlannedGuard(guard.id, guard.channel, low, high, unit, delay, guard.says, "procedure"))
    return tuple(found)


def _names_once(procedure: Procedure, findings: Findings) -> None:
    """Ids that stand twice: of steps beside each other, of checks anywhere, of guards."""
    seen: dict[str, str] = {}
    for index, guard in enumerate(procedure.guards):
        if guard.id in seen:
            findings.add(
                ("guards", index, "id"), f"{guard.id!r} is the id of another guard", "choose another id"
            )
        seen[guard.id] = ""
    _step_ids(procedure.steps, ("steps",), set(), findings)


def _step_ids(steps: list[Step], path: tuple[str | int, ...], checks: set[str], findings: Findings) -> None:
    ids: set[str] = set()
    for index, step in enumerate(steps):
        here = (*path, index)
        if step.id in ids:
            findings.add((*here, "id"), f"{step.id!r} is the id of another step", "choose another id")
        ids.add(step.id)
        for key, listed in (("checks", step.checks), ("overall", step.overall)):
            for number, check in enumerate(listed):
                if check.id in checks:
                    findings.add(
                        (*here, key, number, "id"),
                        f"{check.id!r} is the id of another check",
                        "choose another id",
                    )
                checks.add(check.id)
        if step.steps is not None:
            _step_ids(step.steps, (*here, "steps"), checks, findings)


def _example(value: Value, unit: str) -> str:
    return f"1 {unit}" if math.isnan(value.number) else _show(value.number, unit)


def _show(number: float, unit: str) -> str:
    from benchrunner import units

    return units.show(number, unit) if unit in units.UNITS else f"{number:g} {unit}"
