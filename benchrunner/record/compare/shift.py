"""Is a shift real? One check's values now against its values before, in the direction of its limit (pure).

What is judged is the *margin*: the distance to the nearer limit, positive on the good side; both sides are held against
the limits of the record, so that a moved limit shows as a change of the inputs and not of the equipment. With means `x`
(n values) and `y` (m values) before, standard uncertainties u, and a false alarm rate `a` for one direction:

- by uncertainty:     T_U = z(1 - a) * sqrt(u_x^2 + u_y^2)
- by repeatability:   T_r = t(1 - a, n + m - 2) * s * sqrt(1/n + 1/m),  s pooled over both
- by what scatters within a run, where a step is repeated in it: T_w, as T_r, with the values within the runs

The first is JCGM 100:2008, 5.1.2, for two results taken as independent. Two results of one and the same calibrated meter
are not: its systematic part is common to both and cancels in a difference (5.2.2, the mixed term is negative), so T_U is
then too large, which hides small changes and never invents one. The second is Student's two-sample test; for one value
now it is the prediction interval for one more observation. Common practice.

What repeats a result is the run: values within one share its day, its warmth and what its meters were wrong by, and scatter
less than runs do (nested groups: ISO 5725-3). They go into one mean a run. Where enough runs were repeated (n + m of 3 or
more) and the instruments are the same, T_r decides, but never below two digits of the meter, or, for what is no plain
reading of a meter (times, rates, energies), below T_U. With other instruments both count, in quadrature. Where no run was
repeated T_U decides, with T_w in quadrature, and scatter from run to run is not in it: what is no plain reading (the time
until a battery is full) hangs on where a run began, and is then not told from chance. What hangs on the point of the wave at
which a stimulus falls is spread about several values, as no normal distribution is: it takes `ENOUGH` earlier values, of runs or
within them. Of n values taken alike the newest is the furthest out once in n (distribution-free, as in ISO 16269-6).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

NO_CHANGE, IMPROVED, WORSE, CANNOT_TELL = "no change", "improved", "worse", "cannot tell"
FALSE_ALARM = 0.05
ENOUGH = 19  # earlier values, beyond all of which the next one lies once in twenty


@dataclass(frozen=True, slots=True)
class Shift:
    """One check's comparison. Numbers in the check's SI unit; None where there is none.

    `needed`: how far the margin must move to count as real; `expanded`: U of the shift with k = 2, as if independent;
    `spread`: pooled standard deviation, of runs where any were repeated, else within runs; `repeated`: how many values went
    into it; `by`: what decided.
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
    """One side of a comparison: a value of each run, the largest standard uncertainty, its verdict.

    `within`: for each run the values of which its own is the mean, or with `extreme` (of both sides) the largest or least.
    """

    values: tuple[float, ...]
    u: float | None
    verdict: str
    within: tuple[tuple[float, ...], ...] = ()

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
    derived: bool = False,
    extreme: bool = False,
) -> Shift:
    """Compare one check.

    `alarm`: how often no change at all may be called worse; `digit`: the meter's resolution, 0 where the value is no
    plain reading; `at_random`: the value hangs on the point of the wave; `derived`: it is a time, a rate, an energy;
    `extreme`: a run's value is an extreme of those within it (the extreme of n scatters no more than one of them).
    """
    if not now.values or not before.values:
        return _without(now, before)
    value, reference = now.mean, before.mean
    margin, reference_margin = _margin(value, low, high), _margin(reference, low, high)
    known = now.u is not None and before.u is not None
    u = math.hypot(now.u or 0.0, before.u or 0.0) if known else None
    by_uncertainty = normal(1 - alarm) * u if u is not None else None
    spread, freedom, repeated = _pooled((now.values, before.values), digit)
    inner, inner_freedom, inner_repeated = _pooled((*now.within, *before.within), digit)
    by_repeats = by_inner = None
    if freedom:
        by_repeats = student(1 - alarm, freedom) * spread * _share(len(now.values), len(before.values))
    elif inner_freedom:
        spread, repeated = inner, inner_repeated
        share = (
            math.sqrt(2.0)
            if extreme
            else _share(*(sum(map(len, s.within)) or len(s.values) for s in (now, before)))
        )
        by_inner = student(1 - alarm, inner_freedom) * inner * share
    needed, by = _needed(by_uncertainty, by_repeats, by_inner, same_instruments, digit)
    numbers = {
        "value": value, "reference": reference, "shift": value - reference, "margin": margin,
        "reference_margin": reference_margin, "needed": needed, "expanded": 2 * u if u is not None else None,
        "margin_shift": margin - reference_margin if margin is not None and reference_margin is not None else None,
        "spread": spread if freedom or inner_freedom else None, "repeated": repeated, "by": by,
    }  # fmt: skip
    doubt = ""
    if at_random:
        doubt = _at_random(max(len(before.values), sum(map(len, before.within))))
    elif derived and not freedom:
        doubt = "how it scatters from run to run is not in that: give --repeats"
    verdict, reason = _verdict(now, before, numbers, doubt)
    return Shift(verdict, reason, **numbers)  # type: ignore[arg-type]


def _at_random(earlier: int) -> str:
    if earlier == 1:
        return "it hangs on the point of the wave: give --repeats"
    if earlier < ENOUGH:
        return f"it hangs on the point of the wave, and there are {earlier} earlier values of the {ENOUGH} that it takes"
    return ""


def _needed(
    by_uncertainty: float | None,
    by_repeats: float | None,
    by_inner: float | None,
    same_instruments: bool,
    digit: float,
) -> tuple[float | None, str]:
    if by_uncertainty is None and (by_repeats is None or not same_instruments):
        return None, ""
    if by_repeats is None:
        if by_inner is None:
            return by_uncertainty, "uncertainty"
        return math.hypot(by_uncertainty or 0.0, by_inner), "uncertainty and scatter within the run"
    if not same_instruments:
        return math.hypot(by_uncertainty or 0.0, by_repeats), "uncertainty and repeatability"
    least = 2 * digit if digit > 0 else by_uncertainty or 0.0
    return (by_repeats, "repeatability") if by_repeats >= least else (
        least, "two digits of the meter" if digit > 0 else "uncertainty"
    )  # fmt: skip


def _verdict(
    now: Side, before: Side, numbers: dict[str, float | str | int | None], doubt: str
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
    if doubt and beyond:
        return CANNOT_TELL, f"beyond what is needed ({numbers['by']}), but {doubt}"
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


def _share(now: int, before: int) -> float:
    return math.sqrt(1 / now + 1 / before)


def _pooled(groups: Sequence[Sequence[float]], digit: float) -> tuple[float, int, int]:
    """Pooled standard deviation, degrees of freedom, number of values.

    With what the last digit hides (JCGM 100:2008, F.2.2.1): two readings that happen to agree do not scatter by nothing.
    """
    squares, freedom, count = 0.0, 0, 0
    for values in groups:
        mean = math.fsum(values) / len(values) if values else 0.0
        squares += math.fsum((v - mean) ** 2 for v in values)
        freedom += max(len(values) - 1, 0)
        count += len(values)
    deviation = math.sqrt(squares / freedom + digit**2 / 12) if freedom else 0.0
    return deviation, freedom, count


def normal(share: float) -> float:
    """The quantile of the normal distribution."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(share)


def student(share: float, freedom: int) -> float:
    """The quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, share))
