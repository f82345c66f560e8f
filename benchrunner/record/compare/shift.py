"""Is a shift real? One check's values now against its values before, in the direction of its limit (pure).

What is judged is the *margin*: the distance to the nearer limit, positive on the good side; both sides are held against
the limits of the record, so that a moved limit shows as a change of the inputs and not of the equipment. With means `x`
(n values) and `y` (m values) before, standard uncertainties u, and a false alarm rate `a` for one direction:

- by uncertainty:     T_U = z(1 - a) * sqrt(u_x^2 + u_y^2)
- by repeatability:   T_r = t(1 - a, n + m - 2) * s * sqrt(1/n + 1/m),  s pooled over both

The first is JCGM 100:2008, 5.1.2, for two results taken as independent. Two results of one and the same calibrated meter
are not: its systematic part is common to both and cancels in a difference (5.2.2, the mixed term is negative), so T_U is
then too large, which hides small changes and never invents one. The second is Student's two-sample test; for one value
now it is the prediction interval for one more observation. Common practice.

Where enough was repeated (n + m of 3 or more) and the instruments are the same, T_r decides, but never below two digits
of the meter, or, for what is no plain reading of a meter (times, rates, energies), below T_U. With other instruments
both count, in quadrature. Where nothing was repeated T_U decides, and scatter from run to run is not in it; what hangs
on the point of the wave at which a stimulus falls can then not be told from chance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

NO_CHANGE, IMPROVED, WORSE, CANNOT_TELL = "no change", "improved", "worse", "cannot tell"
FALSE_ALARM = 0.05


@dataclass(frozen=True, slots=True)
class Shift:
    """One check's comparison. Numbers in the check's SI unit; None where there is none.

    `needed`: how far the margin must move to count as real; `expanded`: U of the shift with k = 2, as if independent;
    `spread`: pooled standard deviation of repeats; `repeated`: how many values went into it; `by`: what decided.
    """

    verdict: str
    reason: str
    value: float | None = None
    reference: float | None = None
    shift: float | None = None
    margin: float | None = None
    reference_margin: float | None = None
    margin_shift: float | None = None
    needed: float | None = None
    expanded: float | None = None
    spread: float | None = None
    repeated: int = 0
    by: str = ""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a comparison: its values (the repeats of it, or one), the largest standard uncertainty, its verdict."""

    values: tuple[float, ...]
    u: float | None
    verdict: str

    @property
    def mean(self) -> float:
        return math.fsum(self.values) / len(self.values)


def judge_shift(
    now: Side,
    before: Side,
    low: float | None,
    high: float | None,
    *,
    alarm: float = FALSE_ALARM,
    same_instruments: bool = False,
    digit: float = 0.0,
    at_random: bool = False,
    scatter: tuple[Sequence[float], ...] | None = None,
) -> Shift:
    """Compare one check.

    `alarm`: how often no change at all may be called worse; `digit`: the meter's resolution, 0 where the value is no
    plain reading; `at_random`: the value hangs on the point of the wave; `scatter`: where the values are extremes over
    repeats, the repeats themselves (the extreme of n scatters no more than one of them).
    """
    if not now.values or not before.values:
        return _without(now, before)
    value, reference = now.mean, before.mean
    margin, reference_margin = _margin(value, low, high), _margin(reference, low, high)
    known = now.u is not None and before.u is not None
    u = math.hypot(now.u or 0.0, before.u or 0.0) if known else None
    by_uncertainty = normal(1 - alarm) * u if u is not None else None
    groups = scatter if scatter is not None else (now.values, before.values)
    spread, freedom, repeated = _pooled(groups)
    by_repeats = None
    if freedom >= 1:
        share = 2.0 if scatter is not None else 1 / len(now.values) + 1 / len(before.values)
        by_repeats = student(1 - alarm, freedom) * spread * math.sqrt(share)
    needed, by = _needed(by_uncertainty, by_repeats, same_instruments, digit)
    numbers = {
        "value": value, "reference": reference, "shift": value - reference, "margin": margin,
        "reference_margin": reference_margin, "needed": needed, "expanded": 2 * u if u is not None else None,
        "margin_shift": margin - reference_margin if margin is not None and reference_margin is not None else None,
        "spread": spread if freedom >= 1 else None, "repeated": repeated, "by": by,
    }  # fmt: skip
    verdict, reason = _verdict(now, before, numbers, at_random and by_repeats is None)
    return Shift(verdict, reason, **numbers)  # type: ignore[arg-type]


def _needed(
    by_uncertainty: float | None, by_repeats: float | None, same_instruments: bool, digit: float
) -> tuple[float | None, str]:
    if by_repeats is None:
        return by_uncertainty, "uncertainty" if by_uncertainty is not None else ""
    if not same_instruments:
        if by_uncertainty is None:
            return None, ""
        return math.hypot(by_uncertainty, by_repeats), "uncertainty and repeatability"
    least = 2 * digit if digit > 0 else by_uncertainty or 0.0
    return (by_repeats, "repeatability") if by_repeats >= least else (
        least, "two digits of the meter" if digit > 0 else "uncertainty"
    )  # fmt: skip


def _verdict(
    now: Side, before: Side, numbers: dict[str, float | str | int | None], one_shot: bool
) -> tuple[str, str]:
    shift, needed, moved = numbers["shift"], numbers["needed"], numbers["margin_shift"]
    assert isinstance(shift, float)
    fell = before.verdict == "pass" and now.verdict == "fail"
    if not isinstance(needed, float):
        if fell:
            return WORSE, "the verdict went from pass to fail"
        if shift == 0.0 and now.verdict == before.verdict:
            return NO_CHANGE, "the same value"
        return CANNOT_TELL, "no uncertainty was evaluated and nothing was repeated to judge the shift by"
    beyond = abs(shift) > needed
    if fell:
        return WORSE, "the verdict went from pass to fail" + (
            "" if beyond else ", though the shift by itself lies within what is not told from chance"
        )
    if one_shot and beyond:
        return CANNOT_TELL, (
            "beyond the uncertainty, but taken once each, and it hangs on the point of the wave: give --repeats"
        )
    if not isinstance(moved, float):
        if beyond:
            return CANNOT_TELL, "the value moved, and no limit says which way is better"
        return NO_CHANGE, f"within what is needed to be real ({numbers['by']})"
    if moved < -needed:
        return WORSE, f"the margin shrank by more than is needed to be real ({numbers['by']})"
    if moved > needed:
        return IMPROVED, f"the margin grew by more than is needed to be real ({numbers['by']})"
    if beyond:
        return NO_CHANGE, "the value moved, but stays as far from its limits as before"
    risen = (
        "; the verdict went from fail to pass within it"
        if before.verdict == "fail" and now.verdict == "pass"
        else ""
    )
    return NO_CHANGE, f"within what is needed to be real ({numbers['by']}){risen}"


def _without(now: Side, before: Side) -> Shift:
    """Where one side has no value."""
    value = now.mean if now.values else None
    reference = before.mean if before.values else None
    if before.verdict == "pass" and now.verdict == "fail":
        return Shift(WORSE, "the verdict went from pass to fail", value, reference)
    if now.verdict == before.verdict == "not applicable":
        return Shift(NO_CHANGE, "does not apply in either")
    if before.verdict == "fail" and now.verdict == "pass":
        return Shift(IMPROVED, "the verdict went from fail to pass", value, reference)
    if now.verdict == before.verdict == "fail":
        return Shift(
            CANNOT_TELL, "fails in both, and without a value there is nothing to compare", value, reference
        )
    side = (
        "either"
        if not now.values and not before.values
        else "the record"
        if not now.values
        else "the baseline"
    )
    words = (
        f"{before.verdict} before, {now.verdict} now"
        if now.verdict != before.verdict
        else f"{now.verdict} in both"
    )
    return Shift(CANNOT_TELL, f"no value in {side} ({words})", value, reference)


def _margin(value: float, low: float | None, high: float | None) -> float | None:
    sides = ([high - value] if high is not None else []) + ([value - low] if low is not None else [])
    return min(sides, default=None)


def _pooled(groups: Sequence[Sequence[float]]) -> tuple[float, int, int]:
    """Pooled standard deviation, degrees of freedom, number of values."""
    squares, freedom, count = 0.0, 0, 0
    for values in groups:
        mean = math.fsum(values) / len(values) if values else 0.0
        squares += math.fsum((v - mean) ** 2 for v in values)
        freedom += max(len(values) - 1, 0)
        count += len(values)
    return (math.sqrt(squares / freedom) if freedom else 0.0), freedom, count


def normal(share: float) -> float:
    """The quantile of the normal distribution."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(share)


def student(share: float, freedom: int) -> float:
    """The quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, share))
