"""A procedure may add and tighten guards, never loosen them."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrunner.errors import Refused
from benchrunner.procedure.guards import merge_guards
from benchrunner.procedure.running import PlannedGuard

CARD = PlannedGuard("battery-voltage", "battery.voltage", 44.0, 58.4, "V", 0.2, "too high", "pairing card")
OWN = replace(CARD, origin="procedure")


def test_a_nearer_bound_takes_the_place() -> None:
    nearer = replace(OWN, low=45.0, high=57.0, delay=0.1)
    assert merge_guards([CARD], [nearer]) == (nearer,)


def test_the_same_again_is_no_loosening() -> None:
    assert merge_guards([CARD], [OWN]) == (OWN,)


def test_another_is_added() -> None:
    other = replace(OWN, id="hot", channel="battery.temperature", low=None, high=323.0, unit="K")
    assert merge_guards([CARD], [other]) == (CARD, other)


def test_a_quicker_outer_guard_may_be_added() -> None:
    outer = replace(OWN, id="outer", high=60.0, low=None, delay=0.0)
    assert merge_guards([CARD], [outer]) == (CARD, outer)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"high": 59.0}, "raise the high bound of the pairing card"),
        ({"high": None}, "raise the high bound"),
        ({"low": 43.0}, "lower the low bound"),
        ({"low": None}, "lower the low bound"),
        ({"delay": 0.3}, "lengthen the delay"),
        ({"channel": "bus.voltage"}, "takes the id"),
        ({"id": "mine", "high": 59.0}, "looser than 'battery-voltage'"),
        ({"id": "mine", "low": 40.0, "delay": 1.0}, "looser than 'battery-voltage'"),
    ],
)
def test_loosening_is_refused(change: dict[str, object], what: str) -> None:
    with pytest.raises(Refused, match=what):
        merge_guards([CARD], [replace(OWN, **change)])  # type: ignore[arg-type]


def test_every_loosening_is_told() -> None:
    with pytest.raises(Refused) as caught:
        merge_guards(
            [CARD], [replace(OWN, low=1.0, high=99.0, delay=9.0), replace(OWN, id="mine", high=70.0)]
        )
    assert len(caught.value.problems) == 4


volts = st.floats(min_value=0.0, max_value=100.0)


@given(volts, volts, st.floats(min_value=0.0, max_value=1.0), st.sampled_from(["battery-voltage", "mine"]))
def test_whatever_is_accepted_acts_wherever_the_card_would(
    low: float, high: float, delay: float, name: str
) -> None:
    """For any steady value beyond the card's bound, some guard of the merged set acts no later than the card's."""
    try:
        merged = merge_guards([CARD], [replace(OWN, id=name, low=low, high=high, delay=delay)])
    except Refused:
        return
    for value in (43.9, 58.5, 0.0, 1000.0):
        delays = [
            g.delay
            for g in merged
            if (g.high is not None and value > g.high) or (g.low is not None and value < g.low)
        ]
        assert delays
        assert min(delays) <= CARD.delay
