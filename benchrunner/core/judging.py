"""From evidence to verdicts: the checks of a step, the checks over repeats, and what the whole run comes to.

A check whose data is missing, stale, NaN, overloaded or of too low a data class is inconclusive and says why; nothing
passes for want of data. A measure that fails by its own fault is inconclusive too, since the runner must go on
watching its guards.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchrunner.core.evidence import (
    ROOT_3,
    STATEFUL,
    Steady,
    Stretch,
    Track,
    reading_uncertainty,
    wave_uncertainty,
)
from benchrunner.core.messages import Captured
from benchrunner.core.plan import Channel, RunPlan
from benchrunner.judge import Verdict, judge, worst
from benchrunner.procedure.running import GroupCheck, PlannedCheck, PlannedStep

Check = dict[str, Any]
_CLASSES = ("polled", "half-cycle", "waveform")
INTEGRALS = ("energy", "charge")  # over the whole window, so that a late end adds to them
MISSED = 1.7  # periods without a reading: a poll has brought nothing
TOTALS = ("total_above", "total_below")


@dataclass(frozen=True, slots=True)
class StepEvidence:
    """All that the checks of one step may look at. Times in bench seconds.

    `begin`: its first order was sent; `held`: its condition held (NaN: never); `since`: from when on it is known to
    have held; `end`: the step's end. `stale`: age per channel past which a reading is stale.
    """

    begin: float
    held: float
    since: float
    end: float
    tracks: Mapping[str, Track]
    stale: Mapping[str, float]
    capture: Captured | None
    no_capture: str  # why there is none
    states: tuple[
        Steady, ...
    ] = ()  # the steady states up to here, this step's last, where a check compares them
    blank: float = (
        0.0  # s for which the step's end may be late, since readings of what it waited for were missing
    )


@dataclass(frozen=True, slots=True)
class _Value:
    value: float = math.nan
    u: float = math.nan
    note: str = ""
    evaluated: bool = True
    taken: float = math.nan  # bench time at which the value occurred, where it is one moment
    at_least: bool = False  # a lower bound: it had not ended when the data did


def compares_states(plan: RunPlan) -> bool:
    """Whether a check of this run holds steady states of several steps against each other."""
    return any(check.measure in STATEFUL for step in plan.order.steps for check in step.checks)


def steady_state(
    step: str, begin: float, end: float, tracks: Mapping[str, Track], settings: Mapping[str, float]
) -> Steady:
    """The mean of every channel from `begin` to `end` (bench seconds), with the scatter of that mean (type A).

    A channel with a reading missing there, or with none, has no mean: NaN.
    """
    means: dict[str, float] = {}
    scatter: dict[str, float] = {}
    for name, track in tracks.items():
        values = track.between(begin, end).values
        means[name] = float(np.mean(values)) if values.size else math.nan
        scatter[name] = float(np.std(values, ddof=1) / math.sqrt(values.size)) if values.size > 1 else 0.0
    return Steady(step, means, scatter, dict(settings))


def load_measures(plan: RunPlan) -> None:
    """Load what judging needs before the bench is live: an import in mid-run would keep the guards waiting."""
    if any(step.checks for step in plan.order.steps):
        import benchrunner.measure.catalogue  # noqa: F401


def judge_step(plan: RunPlan, step: PlannedStep, evidence: StepEvidence) -> list[Check]:
    """Every check of the step, judged."""
    return [_judged(step.id, check, _evaluate(plan, check, evidence)) for check in step.checks]


def awaited(step: PlannedStep) -> str:
    """What a step waits for, in words: the title of its check `reached`."""
    return step.until.text if step.until is not None else "the operator's answer"


def reached(
    step: PlannedStep, took: float, held: bool, unseen: Iterable[str], period: float, standing: str = ""
) -> Check:
    """The implied check of a step with `if_not = "fail"`: its condition held within `at_most`.

    `period` (s): the longest time between two readings of its channels, taken as the half-width of a rectangular
    distribution of the time that it took (JCGM 100:2008, 4.3.7); NaN where a person's answer is awaited. `standing`: what its
    channels read at the end, for people.
    """
    condition = awaited(step)
    blind = sorted(set(unseen))
    verdict, reason = Verdict.PASS, f"{condition}: after {took:.4g} s, within {step.at_most:g} s"
    if not held and blind:
        verdict, reason = (
            Verdict.INCONCLUSIVE,
            f"no valid reading of {', '.join(blind)} in {step.at_most:g} s",
        )
    elif not held:
        verdict, reason = Verdict.FAIL, f"this did not come within {step.at_most:g} s: {condition}{standing}"
    expanded = 2.0 * period / ROOT_3 if held and math.isfinite(period) else None
    margin = step.at_most - took if held else None
    in_u = margin / expanded if margin is not None and expanded else None
    return {
        "step": step.id, "id": "reached", "title": condition, "measure": "reached", "of": "", "unit": "s",
        "value": took if held else None, "low": None, "high": step.at_most, "uncertainty": expanded, "k": 2.0,
        "margin": margin, "margin_in_u": in_u, "verdict": str(verdict),
        "reason": reason, "rule": "simple", "basis": "", "limit": f"at most {step.at_most:g} s", "taken": None,
    }  # fmt: skip


def not_judged(step: str, check: PlannedCheck | GroupCheck, why: str) -> Check:
    """A check that the run never came to."""
    return _dress(step, check, None, None, None, None, Verdict.NOT_JUDGED, why)


def judge_group(check: GroupCheck, repeats: list[Check], wanted: int) -> Check:
    """One check over all repeats: its worst value, or the spread (largest less smallest).

    Missing repeats can only make either worse, so a failure of what is there stands; a pass needs all of them. The
    spread takes the uncertainties of both its ends in quadrature (independent: the larger, so the safe, figure).
    """
    there = [one for one in repeats if one["value"] is not None]
    evaluated = all(one["uncertainty"] is not None for one in there)
    if not there or (check.over == "spread" and len(there) < 2):
        value = _Value(note=f"{len(there)} of {wanted} repeats gave a value", evaluated=evaluated)
        return _judged(check.group, check, value)

    def standard(one: Check) -> float:
        return float(one["uncertainty"]) / float(one["k"]) if evaluated else math.nan

    if check.over == "worst":
        hard = min(there, key=lambda one: _distance(float(one["value"]), check.low, check.high))
        value = _Value(
            float(hard["value"]), standard(hard), f"worst of {len(there)}: {hard['step']}", evaluated
        )
    else:
        largest = max(there, key=lambda one: float(one["value"]))
        smallest = min(there, key=lambda one: float(one["value"]))
        note = f"{len(there)} repeats, from {smallest['step']} to {largest['step']}"
        value = _Value(
            float(largest["value"]) - float(smallest["value"]),
            math.hypot(standard(largest), standard(smallest)),
            note,
            evaluated,
        )
    result = _judged(check.group, check, value)
    if len(there) < wanted and result["verdict"] != Verdict.FAIL:
        result["verdict"] = str(Verdict.INCONCLUSIVE)
        result["reason"] = f"only {len(there)} of {wanted} repeats gave a value; {result['reason']}"
    return result


def overall(checks: Iterable[Check]) -> Verdict:
    """The worst of the judged checks; `not judged` where there is none."""
    return worst(check["verdict"] for check in checks if check["verdict"] != Verdict.NOT_JUDGED)


def exit_code(finished: bool, verdict: Verdict, safe_needed: bool, safe_confirmed: bool) -> int:
    """The contract's precedence 5 > 4 > 1 > 3 > 0 (2, refused, is decided before anything runs)."""
    if safe_needed and not safe_confirmed:
        return 5
    if not finished:
        return 4
    return {Verdict.FAIL: 1, Verdict.INCONCLUSIVE: 3}.get(verdict, 0)


def _distance(value: float, low: float | None, high: float | None) -> float:
    sides = [high - value] if high is not None else []
    sides += [value - low] if low is not None else []
    return min(sides, default=-value)


def _judged(step: str, check: PlannedCheck | GroupCheck, value: _Value) -> Check:
    number = value.value if math.isfinite(value.value) else None
    u = value.u if math.isfinite(value.u) else None
    evaluated = value.evaluated and u is not None
    try:
        said = judge(
            number, u, check.low, check.high, check.rule, check.k, evaluated, unit=check.unit, note=value.note
        )
    except Exception as error:  # a reason that can't be worded must not stop the run that is being watched
        return _dress(
            step, check, number, None, None, None, Verdict.INCONCLUSIVE, f"could not be judged: {error}"
        )
    verdict, reason = said.verdict, said.reason
    if value.at_least and number is not None and not _stands(verdict, number, check.low, check.high):
        verdict, reason = (
            Verdict.INCONCLUSIVE,
            f"{reason}; it had not ended when the data did, so it may be more",
        )
    result = _dress(step, check, number, said.expanded, said.margin, said.margin_in_u, verdict, reason)
    result["taken"] = value.taken if math.isfinite(value.taken) else None
    return result


def _stands(verdict: Verdict, value: float, low: float | None, high: float | None) -> bool:
    """The verdict on a value holds for every larger one too."""
    if verdict is Verdict.PASS:
        return high is None
    return verdict is Verdict.FAIL and high is not None and value > high


def _dress(
    step: str,
    check: PlannedCheck | GroupCheck,
    value: float | None,
    expanded: float | None,
    margin: float | None,
    margin_in_u: float | None,
    verdict: Verdict,
    reason: str,
) -> Check:
    if isinstance(check, PlannedCheck):
        measure, of = check.measure, check.of
    else:
        measure, of = f"{check.over} of {check.check}", check.group
    return {
        "step": step, "id": check.id, "title": check.title, "measure": measure, "of": of, "unit": check.unit,
        "value": value, "low": check.low, "high": check.high, "uncertainty": expanded, "k": check.k,
        "margin": margin, "margin_in_u": margin_in_u, "verdict": str(verdict), "reason": reason,
        "rule": check.rule, "basis": check.basis, "limit": check.limit_text, "taken": None,
    }  # fmt: skip


def _evaluate(plan: RunPlan, check: PlannedCheck, evidence: StepEvidence) -> _Value:
    try:
        from benchrunner.measure.catalogue import CATALOGUE

        spec = CATALOGUE.get(check.measure)
        if spec is None:
            return _Value(note=f"this program has no measure {check.measure!r}")
        if check.measure in STATEFUL:
            from benchrunner.measure.wiring import judge_states

            said = judge_states(_states(plan, evidence))
            return _Value(said.value, said.u, said.note)
        on_wave = _wants_wave(plan, check)
        data, unseen = (_wave(plan, check, evidence), "") if on_wave else _series(plan, check, evidence)
        if isinstance(data, str):
            return _Value(note=data)
        measured = spec.evaluate(data, check.arguments)
    except Exception as error:  # a measure's own fault must not stop the run that is being watched
        return _Value(note=f"the measure {check.measure!r} failed: {type(error).__name__}: {error}")
    u, note = float(measured.u), str(measured.note)
    late = 0.0 if on_wave else _late(check, evidence)
    if late > 0.0:
        u = math.hypot(u, late)
        why = f"the step may have ended {evidence.blank:.3g} s late, for readings were missing: U is the wider for it"
        note = f"{note}; {why}" if note else why
    if unseen:
        note = f"{note}; {unseen}" if note else unseen
    known = plan.waveforms if on_wave else plan.channels
    evaluated = all(name in known and known[name].evaluated for name in (check.of, *data.others))
    return _Value(
        float(measured.value),
        u,
        note,
        evaluated,
        measured.at,
        measured.at_least,
    )


def _late(check: PlannedCheck, evidence: StepEvidence) -> float:
    """Standard uncertainty of what a late end of the step may have added to a sum over it (rectangular, JCGM 100, 4.3.7).

    The most that can have come in that time: the largest reading in it, all of it long.
    """
    if evidence.blank <= 0.0 or check.measure not in (*INTEGRALS, *TOTALS):
        return 0.0
    most = 1.0
    if check.measure in INTEGRALS:
        there = evidence.tracks[check.of].between(evidence.end - 2.0 * evidence.blank, evidence.end).values
        there = there[np.isfinite(there)]
        most = float(np.abs(there).max()) if there.size else math.inf
    return most * evidence.blank / ROOT_3


def _states(plan: RunPlan, evidence: StepEvidence) -> Any:
    """The steady states with the standard uncertainty of each mean: the meter's own error and the scatter."""
    from benchrunner.measure.wiring import State, States

    known = []
    for state in evidence.states:
        u = {}
        for name, value in state.values.items():
            channel = plan.channels[name]
            own = float(reading_uncertainty(channel, np.array([value]))[0])
            u[name] = math.hypot(own, state.scatter[name]) if channel.evaluated else math.nan
        known.append(State(state.step, state.values, u, state.settings))
    meters = {source.name: source.channels for source in plan.sources}
    return States(tuple(known), meters, plan.phases)


def _wants_wave(plan: RunPlan, check: PlannedCheck) -> bool:
    """A capture is needed unless the polled channel itself delivers the class that the measure needs."""
    if check.needs == "polled":
        return False
    channel = plan.channels.get(check.of)
    if channel is None or check.of in plan.waveforms:
        return True
    return _CLASSES.index(channel.delivers) < _CLASSES.index(check.needs)


def _others(plan: RunPlan, check: PlannedCheck) -> list[str]:
    """Channels that the measure's arguments name."""
    return [text for text in check.arguments.values() if isinstance(text, str) and text in plan.channels]


def window(check: PlannedCheck, evidence: StepEvidence) -> tuple[float, float] | str:
    """Begin and end of what the check looks at, or why there is no such part."""
    begin, end = evidence.begin, evidence.end
    if check.window != "step":
        if not math.isfinite(evidence.held):
            return "the step never settled, so there is nothing to look at after it"
        begin, end = evidence.since, evidence.held if check.window == "settled" else evidence.end
    return (max(begin, end - check.last) if check.last > 0.0 else begin), end


def _series(plan: RunPlan, check: PlannedCheck, evidence: StepEvidence) -> tuple[Any, str]:
    """What the check looks at, or why there is none; and words for polls that brought nothing, too few to make it stale."""
    from benchrunner.measure.catalogue import Series

    span = window(check, evidence)
    if isinstance(span, str):
        return span, ""
    periods = {name: source.period for source in plan.sources for name in source.channels}
    cut: dict[str, Stretch] = {}
    unseen = []
    for name in dict.fromkeys([check.of, *_others(plan, check)]):
        if name not in evidence.tracks:
            return f"{name} was not read in this step", ""
        stretch = cut[name] = evidence.tracks[name].between(*span)
        if not np.isfinite(stretch.values).any():
            return f"no valid reading of {name}", ""
        gap, stale = stretch.largest_gap(*span), evidence.stale[name]
        if gap > stale:
            return f"no reading of {name} for {gap:.3g} s: stale", ""
        channel = plan.channels.get(name, Channel(name, "1"))
        if gap > MISSED * max(periods.get(name, math.inf), channel.update):
            unseen.append(f"{name} was not read for {gap:.2g} s (stale after {stale:.2g} s)")

    def series(name: str, others: dict[str, Any]) -> Series:
        stretch, channel = cut[name], plan.channels.get(name, Channel(name, "1"))
        u = reading_uncertainty(channel, stretch.values)
        return Series(stretch.times, stretch.values, u, stretch.spreads / ROOT_3, name, channel.unit, others)

    others = {name: series(name, {}) for name in _others(plan, check)}
    return series(check.of, others), "; ".join(unseen)


def _wave(plan: RunPlan, check: PlannedCheck, evidence: StepEvidence) -> Any:
    from benchrunner.measure.catalogue import Wave

    capture = evidence.capture
    if capture is None:
        return f"{check.needs} data is needed and there is no capture: {evidence.no_capture}"
    if check.measure in capture.not_carried or f"{check.measure} {check.of}" in capture.not_carried:
        return "the model does not carry this"
    if check.of not in capture.channels or capture.samples.ndim != 2:
        return f"the capture does not hold {check.of}"
    if not (
        math.isfinite(capture.rate)
        and capture.rate > 0.0
        and capture.samples.shape[0] >= len(capture.channels)
    ):
        return "the capture is damaged"
    first = 0
    if check.last > 0.0:
        first = max(0, capture.samples.shape[1] - int(check.last * capture.rate))

    def wave(name: str, others: dict[str, Any]) -> Wave:
        channel = plan.waveforms.get(name, Channel(name, "1", evaluated=False))
        u_gain, u_offset = wave_uncertainty(channel)
        samples = capture.samples[capture.channels.index(name)][first:]
        start = capture.start + first / capture.rate
        return Wave(
            samples,
            capture.rate,
            start,
            capture.trigger,
            u_gain,
            u_offset,
            name,
            channel.unit,
            plan.nominal_frequency,
            others,
        )

    named = [text for text in check.arguments.values() if isinstance(text, str) and text in capture.channels]
    return wave(check.of, {name: wave(name, {}) for name in named})
