"""A value against its limits under an agreed decision rule (ILAC-G8:09/2019): simple, or guarded with w =
U."""

import math
from dataclasses import dataclass

from benchrunner.errors import Problem
from benchrunner.judge.verdicts import Verdict, worst
from benchrunner.units import alike

RULES = ("simple", "guarded")


@dataclass(frozen=True, slots=True)
class Judged:
    """One judgement. Margin and expanded uncertainty in the value's own unit.

    `margin`: distance to the nearest limit, positive on the good side; `margin_in_u`: the same in multiples
    of U; both None where there is no value, or no uncertainty to divide by. `expanded`: None where it was not
    evaluated.
    """

    verdict: Verdict
    margin: float | None
    margin_in_u: float | None
    expanded: float | None
    reason: str


def judge(
    value: float | None,
    u: float | None,
    low: float | None,
    high: float | None,
    rule: str,
    k: float = 2.0,
    evaluated: bool = True,
    unit: str = "",
    note: str = "",
) -> Judged:
    """Judge `value` with standard uncertainty `u` against `low <= value <= high` (either may be None).

    *simple* (w = 0): pass inside the limits, else fail. *guarded* (w = U = k u): pass if the value is inside
    by U or more, fail if it is outside by more than U, else inconclusive; of two limits the worse verdict
    counts. A value that is missing, NaN or infinite is inconclusive under either rule, and so is a guarded
    judgement whose uncertainty was not evaluated. `unit` and `note` only serve the reason in words.
    Raises `ValueError` for limits, rule, `u` or `k` that make no sense. Source: ILAC-G8:09/2019, 4.2.
    """
    _sensible(u, low, high, rule, k)
    expanded = k * float(u) if evaluated and u is not None and math.isfinite(u) else None
    if value is None or not math.isfinite(value):
        kind = "no valid value" if value is None or math.isnan(value) else "overloaded"
        return Judged(Verdict.INCONCLUSIVE, None, None, expanded, f"{kind}: {note}" if note else kind)
    value = float(value)
    present = [Side(value, high, "high")] if high is not None else []
    present += [Side(-value, -low, "low")] if low is not None else []
    nearest = min(present, key=lambda side: side.margin)
    in_u = nearest.margin / expanded if expanded else None
    if rule == "guarded" and expanded is None:
        reason = "the uncertainty was not evaluated, so the guarded rule cannot be applied"
        return Judged(Verdict.INCONCLUSIVE, nearest.margin, None, None, reason)
    guard = expanded if rule == "guarded" and expanded is not None else 0.0
    verdict = worst(side.verdict(guard) for side in present)
    reason = _reason(verdict, value, nearest, low, high, guard, unit)
    if rule == "simple" and expanded is None:
        reason += "; uncertainty not evaluated"
    return Judged(verdict, nearest.margin, in_u, expanded, f"{reason}; {note}" if note else reason)


@dataclass(frozen=True, slots=True)
class Side:
    """A value against one upper bound. A lower bound is the same with both negated, so the two mirror
    exactly."""

    value: float
    bound: float
    name: str

    @property
    def margin(self) -> float:
        return self.bound - self.value

    def verdict(self, guard: float) -> Verdict:
        if self.value <= self.bound - guard:
            return Verdict.PASS
        if self.value > self.bound + guard:
            return Verdict.FAIL
        return Verdict.INCONCLUSIVE


def guarded_refused(rule: str, evaluated: bool, where: str) -> Problem | None:
    """Before a run: the problem if `rule` is guarded but the uncertainty behind it is not evaluated."""
    if rule != "guarded" or evaluated:
        return None
    what = "asks for the guarded rule, but no accuracy is stated for what it measures"
    return Problem(where, what, 'state the accuracy in the bench card, or agree on rule = "simple"')


def reading_u(value: float, of_reading: float = 0.0, of_range: float = 0.0, resolution: float = 0.0) -> float:
    """Standard uncertainty of one reading from the instrument's stated accuracy, in the unit of `value`.

    `of_reading` (a fraction) and `of_range` (absolute) add up to the half-width of a rectangular
    distribution, the `resolution` (one digit) is another of half a digit (JCGM 100, 4.3.7 and F.2.2.1). Works
    on arrays as well.
    """
    half_width = abs(value) * of_reading + of_range
    variance: float = half_width * half_width / 3.0 + resolution * resolution / 12.0
    return math.sqrt(variance) if isinstance(variance, float) else variance**0.5


def _sensible(u: float | None, low: float | None, high: float | None, rule: str, k: float) -> None:
    if rule not in RULES:
        raise ValueError(f"{rule!r} is no decision rule; there are {', '.join(RULES)}")
    if low is None and high is None:
        raise ValueError("a check needs a low or a high limit")
    if any(limit is not None and math.isnan(limit) for limit in (low, high)):
        raise ValueError("a limit is not a number")
    if low is not None and high is not None and low > high:
        raise ValueError(f"the low limit {low} is above the high limit {high}")
    if u is not None and u < 0:
        raise ValueError(f"a standard uncertainty cannot be negative: {u}")
    if not (math.isfinite(k) and k > 0):
        raise ValueError(f"the coverage factor must be a positive number: {k}")


def _reason(
    verdict: Verdict,
    value: float,
    nearest: Side,
    low: float | None,
    high: float | None,
    guard: float,
    unit: str,
) -> str:
    bound = high if nearest.name == "high" else low
    assert bound is not None
    told = [value, bound, low or 0.0, high or 0.0, guard]
    texts = dict(zip(told, alike(told, unit), strict=True)) if unit else {n: f"{n:.6g}" for n in told}

    def text(number: float) -> str:
        return texts[number]

    if low is not None and high is not None and verdict is Verdict.PASS:
        said = f"{text(value)} lies between {text(low)} and {text(high)}"
    elif nearest.margin >= 0:
        said = f"{text(value)} is not {'above' if nearest.name == 'high' else 'below'} {text(bound)}"
    else:
        said = f"{text(value)} is {'above' if nearest.name == 'high' else 'below'} {text(bound)}"
    if not guard:
        return said
    if verdict is Verdict.INCONCLUSIVE:
        if low is not None and high is not None and high - low < 2 * guard:
            return f"{said}, but U = {text(guard)} is wider than the limits allow for"
        return f"{said}, but by less than U = {text(guard)}"
    return f"{said}, by U = {text(guard)} or more"
