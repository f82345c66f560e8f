"""Decision rules (ILAC-G8:09/2019), verdict precedence and conformance probability (JCGM 106:2012)."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.judge import Verdict, conformance_probability, guarded_refused, judge, worst

ROWS = json.loads((Path(__file__).parents[1] / "vectors/uncertainty/uncertainty.json").read_text("utf-8"))
VECTORS: dict[str, Any] = {row["id"]: row for row in ROWS}


def test_ilac_g8_upper_limit() -> None:
    """Binary rules of the source; our guarded rule splits its "fail" where the non-binary one is
    conditional."""
    given = VECTORS["UN-20"]["input"]
    for y, row in zip(given["y"], VECTORS["UN-20"]["expected"], strict=True):
        assert judge(y, given["U"] / 2, None, given["TL"], "simple").verdict == row["simple"]
        guarded = judge(y, given["U"] / 2, None, given["TL"], "guarded").verdict
        assert (guarded is Verdict.PASS) == (row["guard"] == "pass")
        assert (guarded is Verdict.INCONCLUSIVE) == row["nonbinary"].startswith("conditional")
        assert (guarded is Verdict.FAIL) == (row["nonbinary"] == "fail")


def test_false_accept_at_the_guarded_limit() -> None:
    for k, percent in zip((2.0, 1.96), VECTORS["UN-21"]["expected"], strict=True):
        assert 100 * (1 - conformance_probability(10.0 - k, 1.0, None, 10.0)) == pytest.approx(
            percent, abs=1e-3
        )


@pytest.mark.parametrize(
    ("value", "low", "high", "simple", "guarded"),
    [
        (9.5, None, 10.0, "pass", "pass"),  # exactly the guard band away
        (9.51, None, 10.0, "pass", "inconclusive"),
        (10.0, None, 10.0, "pass", "inconclusive"),
        (10.5, None, 10.0, "fail", "inconclusive"),
        (10.51, None, 10.0, "fail", "fail"),
        (10.5, 10.0, None, "pass", "pass"),
        (10.49, 10.0, None, "pass", "inconclusive"),
        (9.5, 10.0, None, "fail", "inconclusive"),
        (9.49, 10.0, None, "fail", "fail"),
        (10.0, 9.0, 11.0, "pass", "pass"),
        (10.8, 9.0, 11.0, "pass", "inconclusive"),
        (11.6, 9.0, 11.0, "fail", "fail"),
        (8.4, 9.0, 11.0, "fail", "fail"),
        (10.0, 9.9, 10.1, "pass", "inconclusive"),  # U wider than the limits allow for
        (10.0, 10.0, 10.0, "pass", "inconclusive"),
    ],
)
def test_rules(value: float, low: float | None, high: float | None, simple: str, guarded: str) -> None:
    assert judge(value, 0.25, low, high, "simple").verdict == simple
    assert judge(value, 0.25, low, high, "guarded").verdict == guarded


def test_margin_in_the_unit_and_in_multiples_of_u() -> None:
    got = judge(57.1, 0.072, None, 58.4, "guarded", unit="V")
    assert got.margin == pytest.approx(1.3)
    assert got.expanded == pytest.approx(0.144)
    assert got.margin_in_u == pytest.approx(1.3 / 0.144)
    assert "57.10 V" in got.reason
    outside = judge(8.0, 0.5, 9.0, 12.0, "simple")
    assert outside.margin == -1.0
    assert outside.margin_in_u == -1.0


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_no_value_never_passes(value: float | None, rule: str) -> None:
    for low, high in ((None, 10.0), (-10.0, None), (-math.inf, math.inf)):
        got = judge(value, 0.1, low, high, rule, note="the channel was stale")
        assert got.verdict is Verdict.INCONCLUSIVE
        assert got.margin is None
        assert "stale" in got.reason


def test_guarded_without_uncertainty_never_passes() -> None:
    for u, evaluated in ((0.1, False), (None, True), (math.nan, True), (math.inf, True)):
        got = judge(5.0, u, None, 10.0, "guarded", evaluated=evaluated)
        assert got.verdict is Verdict.INCONCLUSIVE
        assert got.expanded is None
        assert judge(50.0, u, None, 10.0, "guarded", evaluated=evaluated).verdict is Verdict.INCONCLUSIVE
        simple = judge(5.0, u, None, 10.0, "simple", evaluated=evaluated)
        assert simple.verdict is Verdict.PASS
        assert simple.expanded is None
        assert simple.margin_in_u is None
        assert "not evaluated" in simple.reason


def test_guarded_is_refused_before_the_run() -> None:
    assert guarded_refused("guarded", True, "x") is None
    assert guarded_refused("simple", False, "x") is None
    problem = guarded_refused("guarded", False, "drop.battery-peak")
    assert problem is not None
    assert problem.where == "drop.battery-peak"


@pytest.mark.parametrize(
    ("u", "low", "high", "rule", "k"),
    [
        (0.1, None, None, "simple", 2.0), (0.1, 2.0, 1.0, "simple", 2.0), (0.1, None, math.nan, "simple",
        2.0),
        (-0.1, None, 1.0, "simple", 2.0), (0.1, None, 1.0, "strict", 2.0), (0.1, None, 1.0, "guarded", 0.0),
        (0.1, None, 1.0, "guarded", math.nan),
    ],
)  # fmt: skip
def test_refuses_nonsense(u: float, low: float | None, high: float | None, rule: str, k: float) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        judge(0.5, u, low, high, rule, k)


finite = st.floats(min_value=-1e6, max_value=1e6, allow_nan=False)
positive = st.floats(min_value=0, max_value=1e5, allow_nan=False)


@given(finite, positive, finite, st.sampled_from(["simple", "guarded"]), st.sampled_from([1.0, 2.0, 2.17]))
def test_a_low_limit_mirrors_a_high_one(value: float, u: float, limit: float, rule: str, k: float) -> None:
    above, below = judge(value, u, None, limit, rule, k), judge(-value, u, -limit, None, rule, k)
    assert above.verdict is below.verdict
    assert above.margin == below.margin
    assert above.margin_in_u == below.margin_in_u


@given(finite, positive, finite, finite)
def test_guarded_is_never_laxer_than_simple(value: float, u: float, a: float, b: float) -> None:
    low, high = min(a, b), max(a, b)
    simple, guarded = judge(value, u, low, high, "simple"), judge(value, u, low, high, "guarded")
    if guarded.verdict is Verdict.PASS:
        assert simple.verdict is Verdict.PASS
    if guarded.verdict is Verdict.FAIL:
        assert simple.verdict is Verdict.FAIL
    assert guarded.margin is not None
    assert (guarded.margin >= 0) == (simple.verdict is Verdict.PASS)


@given(finite, positive, finite, finite)
def test_two_limits_are_as_strict_as_the_stricter(value: float, u: float, a: float, b: float) -> None:
    low, high = min(a, b), max(a, b)
    both = judge(value, u, low, high, "guarded").verdict
    assert both is worst(judge(value, u, *one, "guarded").verdict for one in ((low, None), (None, high)))


def test_worst() -> None:
    assert worst(["pass", "fail", "inconclusive"]) is Verdict.FAIL
    assert worst(["pass", "inconclusive", "not judged"]) is Verdict.INCONCLUSIVE
    assert worst(["pass", "not judged"]) is Verdict.NOT_JUDGED
    assert worst(["pass", "not applicable"]) is Verdict.PASS
    assert worst(["not applicable"]) is Verdict.NOT_APPLICABLE
    assert worst([]) is Verdict.NOT_JUDGED
    with pytest.raises(ValueError, match=r"\w"):
        worst(["good"])


def test_required_conformance_probabilities() -> None:
    for p, z in zip(VECTORS["UN-14"]["input"]["pc"], VECTORS["UN-14"]["expected"], strict=True):
        assert conformance_probability(-z, 1.0, None, 0.0) == pytest.approx(p, abs=5e-4)


def test_conformance_examples_of_jcgm_106() -> None:
    given = VECTORS["UN-15"]["input"]
    got = conformance_probability(given["y"], given["u"], None, given["TU"])
    assert got == pytest.approx(VECTORS["UN-15"]["expected"], abs=5e-4)
    given = VECTORS["UN-16"]["input"]
    got = conformance_probability(given["y"], given["u"], given["TL"], given["TU"])
    assert got == pytest.approx(VECTORS["UN-16"]["expected"], abs=5e-4)


@given(
    st.floats(min_value=-30, max_value=30),
    st.floats(min_value=0.1, max_value=5),
    st.floats(min_value=-20, max_value=20),
    st.floats(min_value=-20, max_value=20),
)
def test_conformance_probability_agrees_with_scipy(value: float, u: float, a: float, b: float) -> None:
    """Reference: scipy.stats.norm, from the tail that keeps its digits."""
    from scipy import stats

    low, high = min(a, b), max(a, b)
    lower, upper = (low - value) / u, (high - value) / u
    if lower > 0:
        expected = stats.norm.sf(lower) - stats.norm.sf(upper)
    else:
        expected = stats.norm.cdf(upper) - stats.norm.cdf(lower)
    assert conformance_probability(value, u, low, high) == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_conformance_probability_at_the_edges() -> None:
    assert conformance_probability(5.0, 0.0, 0.0, 5.0) == 1.0
    assert conformance_probability(5.1, 0.0, 0.0, 5.0) == 0.0
    assert conformance_probability(5.0, 1.0) == 1.0
    assert math.isnan(conformance_probability(math.nan, 1.0, 0.0, 1.0))
    assert math.isnan(conformance_probability(0.0, math.nan, 0.0, 1.0))
    with pytest.raises(ValueError, match="negative"):
        conformance_probability(0.0, -1.0, 0.0, 1.0)
    with pytest.raises(ValueError, match="above"):
        conformance_probability(0.0, 1.0, 1.0, 0.0)
    assert conformance_probability(0.0, 1.0, 30.0, None) == pytest.approx(
        4.906713927148187e-198, rel=1e-6, abs=0
    )
