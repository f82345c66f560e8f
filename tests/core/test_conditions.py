"""Conditions against a plain re-reading of their definition, and what never counts as evidence."""

import math

import pytest
from core_rig import NAN, above, settled
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.core.conditions import Watch
from benchrunner.procedure.running import Condition

STALE = 0.35


def watch(condition: Condition, begin: float = 0.0) -> Watch:
    return Watch(condition, begin, lambda channel: STALE)


def feed(one: Watch, readings: list[tuple[float, float]]) -> bool:
    for at, value in readings:
        one.leaves[0].reading(at, value, 0.0)
    return one.holds(readings[-1][0]) if readings else False


def unbroken(readings: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The last stretch without a gap and without a reading that is none."""
    stretch: list[tuple[float, float]] = []
    for at, value in readings:
        if not math.isfinite(value):
            stretch = []
            continue
        if stretch and at - stretch[-1][0] > STALE:
            stretch = []
        stretch.append((at, value))
    return stretch


values = st.one_of(st.sampled_from([0.0, 1.0, 2.0, 3.0]), st.just(NAN))
series = st.lists(st.tuples(st.sampled_from([0.1, 0.2, 0.5]), values), max_size=40).map(
    lambda steps: [
        (round(sum(gap for gap, _ in steps[: i + 1]), 6), value) for i, (_, value) in enumerate(steps)
    ]
)


@settings(deadline=None)
@given(series, st.sampled_from([0.0, 0.3, 1.0]), st.sampled_from([0.0, 0.5, 1.0]))
def test_settled_is_its_definition(readings, hold, within) -> None:  # type: ignore[no-untyped-def]
    held = feed(watch(settled("x", within, hold)), readings)
    stretch = unbroken(readings) if readings and math.isfinite(readings[-1][1]) else []
    wanted = False
    if len(stretch) > 1 and stretch[-1][0] - stretch[0][0] >= hold - 1e-6:
        old = [i for i, (at, _) in enumerate(stretch) if at <= stretch[-1][0] - hold + 1e-6]
        inside = [value for _, value in stretch[old[-1] :]]
        wanted = max(inside) - min(inside) <= 2.0 * within
    assert held is wanted


@settings(deadline=None)
@given(series, st.sampled_from([0.0, 0.3, 1.0]))
def test_above_is_its_definition(readings, hold) -> None:  # type: ignore[no-untyped-def]
    held = feed(watch(above("x", 2.0, hold)), readings)
    stretch: list[float] = []
    for at, value in readings:
        if not value >= 2.0:
            stretch = []
            continue
        if stretch and at - stretch[-1] > STALE:
            stretch = []
        stretch.append(at)
    assert held is (bool(stretch) and stretch[-1] - stretch[0] >= hold - 1e-6)


@pytest.mark.parametrize("value", [NAN, math.inf, -math.inf])
@pytest.mark.parametrize("condition", [
    Condition("above", "", "x", low=-1e9), Condition("below", "", "x", high=1e9),
    Condition("between", "", "x", low=-1e9, high=1e9), Condition("settled", "", "x", within=1e9), Condition("is", "", "x", low=0.0, within=1e9),
])  # fmt: skip
def test_what_is_no_number_satisfies_nothing(condition: Condition, value: float) -> None:
    assert not feed(watch(condition), [(0.1 * n, value) for n in range(1, 50)])


def test_a_reading_begun_before_the_orders_is_no_evidence() -> None:
    one = watch(above("x", 1.0), begin=10.0)
    one.leaves[0].reading(10.05, 5.0, 0.1)
    assert not one.holds(10.05)
    one.leaves[0].reading(10.15, 5.0, 0.1)
    assert one.holds(10.15)


def test_old_evidence_goes_stale() -> None:
    one = watch(above("x", 1.0))
    one.leaves[0].reading(1.0, 5.0, 0.0)
    assert one.holds(1.3)
    assert not one.holds(1.4)


def test_all_needs_every_part_fresh() -> None:
    both = Watch(Condition("all", "", parts=(above("x", 1.0), above("y", 1.0))), 0.0, lambda name: STALE)
    both.leaves[0].reading(1.0, 5.0, 0.0)
    both.leaves[1].reading(1.5, 5.0, 0.0)
    assert not both.holds(1.5)
    both.leaves[0].reading(1.6, 5.0, 0.0)
    assert both.holds(1.6)
