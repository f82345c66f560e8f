"""Budgets against the worked examples of JCGM 100:2008 and closed forms (tests/vectors/uncertainty)."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.judge import Budget, Input, coverage_factor, reading_u, type_a, type_b

ROWS = json.loads((Path(__file__).parents[1] / "vectors/uncertainty/uncertainty.json").read_text("utf-8"))
VECTORS: dict[str, Any] = {row["id"]: row for row in ROWS}


def end_gauge() -> Budget:
    """JCGM 100, H.1: l = ls + d - ls (dalpha theta + alpha_s dtheta); lengths in nm."""
    given = VECTORS["UN-01"]["input"]
    (ls, u_ls, nu_ls), ls_m = given["ls_nm"], given["ls_nm"][0]
    _, u_d0, nu_d0 = given["d0_nm"]
    _, u_d1, nu_d1 = given["d1_nm"]
    _, u_d2, nu_d2 = given["d2_nm"]
    u_theta = math.hypot(given["theta_mean_C"][1], type_b(0.5, "arcsine"))
    return Budget(
        [
            Input(ls, u_ls, 1.0, nu_ls, "ls"),
            Input(given["d0_nm"][0], u_d0, 1.0, nu_d0, "d0"),
            Input(0.0, u_d1, 1.0, nu_d1, "d1"),
            Input(0.0, u_d2, 1.0, nu_d2, "d2"),
            Input(0.0, type_b(1e-6), 0.1 * ls_m, 50.0, "dalpha"),
            Input(0.0, type_b(0.05), -11.5e-6 * ls_m, 2.0, "dtheta"),
            Input(11.5e-6, type_b(2e-6), 0.0, math.inf, "alpha_s"),
            Input(-0.1, u_theta, 0.0, math.inf, "theta"),
        ]
    )


def test_gum_h1_end_gauge() -> None:
    budget, expected = end_gauge(), VECTORS["UN-01"]["expected"]
    assert budget.value / 1e6 == pytest.approx(expected["l_mm"], abs=1e-9)
    assert budget.combined_uncertainty == pytest.approx(31.66, abs=0.005)
    assert budget.combined_uncertainty**2 == pytest.approx(expected["uc2_nm2"], abs=1)
    # H.1.6 works with nu(d) = 25.6 of the difference's own three parts and rounded contributions: 16.7
    assert budget.effective_degrees_of_freedom == pytest.approx(expected["nu_eff"], abs=0.2)
    assert math.floor(budget.effective_degrees_of_freedom) == expected["nu_trunc"]
    assert coverage_factor(expected["nu_eff"], 0.99) == pytest.approx(expected["k99"], abs=0.005)
    assert budget.expanded(0.99) == pytest.approx(expected["U99_nm"], abs=1.0)  # 93 from u_c rounded to 32


def test_gum_h1_contributions() -> None:
    shares = {name: part for name, _, _, _, part, _ in end_gauge().rows()}
    expected = VECTORS["UN-02"]["expected"]
    assert shares["ls"] == pytest.approx(expected["ls"], abs=0.1)
    assert math.hypot(shares["d0"], shares["d1"], shares["d2"]) == pytest.approx(expected["d"], abs=0.1)
    assert shares["dalpha"] == pytest.approx(expected["dalpha"], abs=0.1)
    assert shares["dtheta"] == pytest.approx(expected["dtheta"], abs=0.1)
    assert shares["alpha_s"] == shares["theta"] == 0


def test_gum_h1_terms_of_higher_order() -> None:
    budget = Budget.of_model(
        lambda ls, d, dalpha, theta, alpha_s, dtheta: ls + d - ls * (dalpha * theta + alpha_s * dtheta),
        [
            (50000623.0, 25.0), (215.0, 9.7), (0.0, type_b(1e-6)), (-0.1, math.hypot(0.2, type_b(0.5,
            "arcsine"))),
            (11.5e-6, type_b(2e-6)), (0.0, type_b(0.05)),
        ],
        higher_order=True,
    )  # fmt: skip
    assert budget.combined_uncertainty == pytest.approx(VECTORS["UN-03"]["expected"], abs=0.5)


def test_gum_h2_resistance_with_correlated_inputs() -> None:
    given, expected = VECTORS["UN-04"]["input"], VECTORS["UN-04"]["expected"]
    series = [given["V"], [i / 1000 for i in given["I_mA"]], given["phi_rad"]]
    inputs = [type_a(readings) for readings in series]
    assert inputs[0].value == pytest.approx(expected["V"][0], abs=5e-4)
    assert inputs[0].standard_uncertainty == pytest.approx(expected["V"][1], abs=5e-5)
    assert inputs[1].standard_uncertainty * 1000 == pytest.approx(expected["I_mA"][1], abs=5e-5)
    assert inputs[2].standard_uncertainty == pytest.approx(expected["phi"][1], abs=5e-6)

    def r(a: list[float], b: list[float]) -> float:
        ma, mb = sum(a) / len(a), sum(b) / len(b)
        top = sum((x - ma) * (y - mb) for x, y in zip(a, b, strict=True))
        return top / math.sqrt(sum((x - ma) ** 2 for x in a) * sum((y - mb) ** 2 for y in b))

    correlations = {
        (0, 1): r(series[0], series[1]),
        (0, 2): r(series[0], series[2]),
        (2, 1): r(series[1], series[2]),
    }
    budget = Budget.of_model(lambda v, i, phi: v / i * math.cos(phi), inputs, correlations)
    assert budget.value == pytest.approx(VECTORS["UN-05"]["expected"]["R_exact"], abs=5e-4)
    assert budget.combined_uncertainty == pytest.approx(VECTORS["UN-05"]["expected"]["u_exact"], abs=5e-4)


def test_welch_satterthwaite_example() -> None:
    given, expected = VECTORS["UN-07"]["input"], VECTORS["UN-07"]["expected"]
    budget = Budget(
        [Input(1.0, u, 1.0, nu) for u, nu in zip(given["u"], given["nu"], strict=True)], probability=0.95
    )
    assert budget.combined_uncertainty == pytest.approx(expected["uc_pct"], abs=5e-3)
    assert budget.effective_degrees_of_freedom == pytest.approx(expected["nu_eff"], abs=0.1)
    assert budget.coverage_factor == pytest.approx(expected["t95"], abs=5e-3)


def test_coverage_factors_of_table_g2() -> None:
    for (nu, p), k in zip(VECTORS["UN-08"]["input"]["cases"], VECTORS["UN-08"]["expected"], strict=True):
        assert coverage_factor(math.inf if nu == "inf" else nu, p) == pytest.approx(k, abs=5e-3)


def test_coverage_factor_agrees_with_scipy_stats() -> None:
    from scipy import stats

    for nu in (1, 2, 7, 100):
        assert coverage_factor(nu, 0.95) == pytest.approx(stats.t.ppf(0.975, nu), rel=1e-9)
    assert coverage_factor(9.94, 0.95) == pytest.approx(stats.t.ppf(0.975, 9), rel=1e-9)
    assert coverage_factor(0.4, 0.95) == pytest.approx(stats.t.ppf(0.975, 1), rel=1e-9)


def test_divisors() -> None:
    expected = VECTORS["UN-09"]["expected"]
    assert type_b(1.0) == pytest.approx(expected["rect"], abs=1e-6)
    assert type_b(1.0, "triangular") == pytest.approx(expected["tri"], abs=1e-6)
    assert type_b(1.0, "arcsine") == pytest.approx(expected["arcsine"], abs=1e-6)
    assert reading_u(0.0, resolution=1.0) == pytest.approx(expected["resolution_full_step"], abs=1e-6)


def test_reading_from_a_meter_specification() -> None:
    assert reading_u(120.0, 0.001, 0.0005 * 300) == pytest.approx(VECTORS["UN-10"]["expected"]["u"], abs=1e-6)
    assert reading_u(-120.0, 0.001, 0.15) == reading_u(120.0, 0.001, 0.15)
    assert math.isnan(reading_u(math.nan, 0.001))


def test_reading_u_takes_arrays() -> None:
    import numpy as np

    values = np.array([-3.0, 0.0, 230.0, np.nan])
    got = reading_u(values, 0.001, 0.1, 0.01)  # type: ignore[arg-type]
    assert list(got)[:3] == [reading_u(float(v), 0.001, 0.1, 0.01) for v in values[:3]]  # type: ignore[call-overload]


def test_power_of_three_independent_inputs() -> None:
    given, expected = VECTORS["UN-11"]["input"], VECTORS["UN-11"]["expected"]
    phi, u_phi = (math.radians(x) for x in given["phi_deg"])
    budget = Budget.of_model(lambda v, i, p: v * i * math.cos(p), [given["V"], given["I"], (phi, u_phi)])
    assert budget.value == pytest.approx(expected["P"], rel=1e-5)
    assert budget.combined_uncertainty == pytest.approx(expected["u"], rel=1e-5)
    assert budget.expanded_uncertainty == pytest.approx(expected["U_k2"], rel=1e-5)


def test_efficiency_with_and_without_correlation() -> None:
    given, expected = VECTORS["UN-12"]["input"], VECTORS["UN-12"]["expected"]
    for r, u in zip(given["r"], expected["u"], strict=True):
        budget = Budget.of_model(lambda out, into: out / into, [given["Pout"], given["Pin"]], {(0, 1): r})
        assert budget.value == pytest.approx(expected["eta"], rel=1e-9)
        assert budget.combined_uncertainty == pytest.approx(u, rel=1e-4)


numbers = st.floats(min_value=-1e3, max_value=1e3, allow_nan=False)
some_inputs = st.lists(
    st.tuples(numbers, st.floats(min_value=1e-3, max_value=10), numbers), min_size=1, max_size=6
)


@given(some_inputs, st.floats(min_value=1e-2, max_value=1e2))
def test_a_budget_is_linear(rows: list[tuple[float, float, float]], factor: float) -> None:
    """Scaling every sensitivity scales value and uncertainty; degrees of freedom stay."""
    one = Budget([Input(v, u, c, 7.0) for v, u, c in rows])
    many = Budget([Input(v, u, factor * c, 7.0) for v, u, c in rows])
    assert many.value == pytest.approx(factor * one.value, rel=1e-9, abs=1e-6)
    assert many.combined_uncertainty == pytest.approx(factor * one.combined_uncertainty, rel=1e-9, abs=1e-12)
    if one.combined_uncertainty > 1e-9:
        assert many.effective_degrees_of_freedom == pytest.approx(one.effective_degrees_of_freedom, rel=1e-6)


@given(some_inputs)
def test_combined_lies_between_the_largest_and_the_sum(rows: list[tuple[float, float, float]]) -> None:
    budget = Budget(rows)
    parts = [abs(c) * u for _, u, c in rows]
    assert max(parts) * (1 - 1e-9) <= budget.combined_uncertainty <= sum(parts) * (1 + 1e-9) + 1e-300


@pytest.mark.parametrize(
    "bad",
    [
        [], [(1.0, -1.0)], [(math.nan, 1.0)], [(1.0, math.inf)], [(1.0, 1.0, math.nan)], [(1.0, 1.0, 1.0,
        0.0)],
        [(1.0, 1.0, 1.0, math.nan)],
    ],
)  # fmt: skip
def test_refuses_what_is_no_budget(bad: list[Any]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        Budget(bad)


def test_refuses_bad_correlations_and_levels() -> None:
    for correlations in ({(0, 0): 0.5}, {(0, 2): 0.5}, {(0, 1): 1.5}):
        with pytest.raises(ValueError, match=r"\w"):
            Budget([(1.0, 1.0), (2.0, 1.0)], correlations)
    with pytest.raises(ValueError, match="confidence"):
        Budget([(1.0, 1.0)], probability=1.0)
    with pytest.raises(ValueError, match="positive"):
        coverage_factor(0.0)


def test_full_negative_correlation_cancels() -> None:
    assert Budget([(1.0, 0.3), (2.0, 0.3)], {(1, 0): -1.0}).combined_uncertainty == pytest.approx(0, abs=1e-9)
    assert Budget([(1.0, 0.3, 1.0, 5.0)]).expanded_uncertainty > 2 * 0.3
    assert Budget([(1.0, 0.0, 1.0, 5.0)]).effective_degrees_of_freedom == math.inf
