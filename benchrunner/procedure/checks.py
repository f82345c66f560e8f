"""Plans what a step judges: measures, their arguments and data classes, and limits."""

from benchrunner.cards.reading import KeyPath
from benchrunner.measure.catalogue import CATALOGUE, MeasureSpec
from benchrunner.procedure import model, running
from benchrunner.procedure.amounts import Amounts, Base
from benchrunner.procedure.names import did_you_mean
from benchrunner.procedure.roles import Roles


def check(
    roles: Roles, amounts: Amounts, given: model.Check, path: KeyPath, step: model.Step
) -> running.PlannedCheck | None:
    """A check with its numbers, or None where it is at fault (which is then noted)."""
    findings = amounts.findings
    spec = CATALOGUE.get(given.measure)
    if spec is None:
        mend = did_you_mean(given.measure, CATALOGUE, "measures")
        findings.add((*path, "measure"), f"is the unknown measure {given.measure!r}", mend)
    if given.of is None:
        findings.add(path, f"({given.id}) does not say of which channel", 'add of = "role.quantity"')
        return None
    channel_unit = roles.unit((*path, "of"), given.of)
    last = 0.0 if given.last is None else amounts.seconds((*path, "last"), given.last)
    if given.over != "step" and step.until is None:
        mend = "add until = { settled = ... }, or judge the whole step"
        findings.add((*path, "over"), f"is {given.over!r}, but the step waits for nothing", mend)
    if spec is None or channel_unit is None:
        return None
    _data_class(amounts, given, spec, path, step)
    if spec.of and channel_unit not in spec.of:
        what = f"{given.measure!r} makes no sense of {given.of!r}, which is in {channel_unit}"
        findings.add((*path, "measure"), what, f"it is for channels in {' or '.join(spec.of)}")
        return None
    unit = spec.unit(channel_unit)
    low, high, text = limits(amounts, given, path, unit)
    return running.PlannedCheck(
        id=given.id,
        measure=given.measure,
        of=given.of,
        unit=unit,
        low=low,
        high=high,
        rule=given.rule,
        title=given.title or "",
        k=given.k,
        needs=spec.needs,
        window=given.over,
        last=last,
        arguments=_arguments(roles, amounts, given, spec, channel_unit, path, step),
        basis=given.basis,
        limit_text=text,
        ends=given.on_fail == "end",
    )


def overall(
    roles: Roles, amounts: Amounts, given: model.Overall, path: KeyPath, group: model.Step, name: str
) -> running.GroupCheck | None:
    """A check over the repeats of the group `name`, or None where it is at fault (which is then noted)."""
    inside = {one.id: one for step in group.steps or [] for one in step.checks}
    judged = inside.get(given.check)
    if judged is None:
        mend = did_you_mean(given.check, inside, "checks in this group")
        amounts.findings.add((*path, "check"), f"names the unknown check {given.check!r}", mend)
        return None
    spec = CATALOGUE.get(judged.measure)
    channel_unit = roles.quiet().unit((), judged.of) if judged.of else None
    if spec is None or channel_unit is None:
        return None  # said at the check itself
    unit = spec.unit(channel_unit)
    low, high, text = limits(amounts, given, path, unit)
    return running.GroupCheck(
        id=given.id,
        group=name,
        check=given.check,
        over=given.over,
        low=low,
        high=high,
        unit=unit,
        rule=given.rule,
        k=given.k,
        title=given.title or "",
        basis=given.basis,
        limit_text=text,
    )


def limits(
    amounts: Amounts, given: model.Bound, path: KeyPath, unit: str
) -> tuple[float | None, float | None, str]:
    """Low and high bound in `unit`, and the limit as the procedure wrote it."""
    base = Base((*path, "base"), given.base)
    low = amounts.bound((*path, "low"), given.low, unit, base)
    high = amounts.bound((*path, "high"), given.high, unit, base)
    amounts.finish(base)
    if low is not None and high is not None and low > high:
        what = f"({low:g} {unit}) is above 'high' ({high:g} {unit})"
        amounts.findings.add((*path, "low"), what, "exchange them, or check the arithmetic")
    of = f" of {given.base}" if given.base is not None else ""
    if given.low is not None and given.high is not None:
        return low, high, f"from {given.low} to {given.high}{of}"
    return low, high, f"at least {given.low}{of}" if given.low is not None else f"at most {given.high}{of}"


def _data_class(
    amounts: Amounts, given: model.Check, spec: MeasureSpec, path: KeyPath, step: model.Step
) -> None:
    """A measure that needs the wave itself needs a capture of its channel in the step.

    A half-cycle measure may also be served by a meter that keeps half-cycle values; whether this bench has one is for
    the plan to see.
    """
    if spec.needs != "waveform":
        return
    if step.capture is None:
        what = f"{given.measure!r} needs waveform data, but the step has no capture"
        mend = "add capture = { with = ..., of = [...], for = ... } to the step"
        amounts.findings.add((*path, "measure"), what, mend)
    elif given.of not in step.capture.of:
        mend = f"add it to the capture: {', '.join(step.capture.of)}"
        amounts.findings.add((*path, "of"), f"{given.of!r} is not captured in this step", mend)


def _arguments(
    roles: Roles,
    amounts: Amounts,
    given: model.Check,
    spec: MeasureSpec,
    channel_unit: str,
    path: KeyPath,
    step: model.Step,
) -> dict[str, float | str]:
    """The measure's arguments: SI numbers, and channel names where it asks for one."""
    found: dict[str, float | str] = {}
    for name in sorted(spec.required - set(given.given)):
        what = f"{given.measure!r} needs {name!r}"
        amounts.findings.add((*path, "given"), what, f"add given = {{ {name} = ... }}")
    for name, raw in given.given.items():
        here = (*path, "given", name)
        if name not in spec.arguments:
            mend = did_you_mean(name, spec.arguments, "it takes")
            amounts.findings.add(here, f"is no argument of {given.measure!r}", mend)
            continue
        wanted = spec.argument_unit(name, channel_unit)
        if wanted != "channel":
            found[name] = amounts.number(here, raw, wanted)
        elif (unit := roles.unit(here, str(raw))) is not None:
            if unit != channel_unit and spec.needs != "waveform":
                what = f"{str(raw)!r} is in {unit}, {given.of!r} in {channel_unit}"
                amounts.findings.add(here, what, f"name a channel in {channel_unit}")
            elif spec.needs == "waveform" and (step.capture is None or raw not in step.capture.of):
                amounts.findings.add(
                    here, f"{str(raw)!r} is not captured in this step", "add it to the capture"
                )
            found[name] = str(raw)
    return found
