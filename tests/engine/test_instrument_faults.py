"""A seeded sample of the matrix fault x instrument x time; the whole of it is in tests/long/test_fault_matrix.py."""

import random
from pathlib import Path
from typing import Any

import pytest
from fault_matrix import (
    CARD,
    MOMENTS,
    Case,
    assert_dead,
    assert_rule,
    every_case,
    honest_checks,
    run_card,
    said,
)

WHERE = {"before": "", "energising": "energise", "with PV": "sun", "load drop": "drop", "at rest": "rest"}
CASES = random.Random(20).sample(every_case(), 16)


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    return honest_checks(run_card(CARD, tmp_path_factory.mktemp("honest")))


def test_the_moments_are_what_they_are_called(tmp_path: Path) -> None:
    """The procedure may be changed; then the faults would come at other moments than the table says."""
    outcome = run_card(CARD, tmp_path)
    begun = [
        (e["at"], e["data"]["id"])
        for e in outcome.events
        if e["kind"] == "step" and e["data"]["phase"] == "started"
    ]
    safe = next(
        e["at"] for e in outcome.events if e["kind"] == "state" and e["data"]["state"] == "making safe"
    )
    for at, name in MOMENTS.items():
        if name == "making safe":
            assert safe < at < safe + 3.0
        else:  # just before the drop is close enough to it
            assert next((step for since, step in reversed(begun) if since <= at + 0.5), "") == WHERE[name]


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_fault_never_becomes_a_pass_and_never_hides_a_live_bench(
    case: Case, honest: dict[str, dict[str, Any]], tmp_path: Path
) -> None:
    assert_rule(case, run_card(case.card(), tmp_path), honest, thorough=True)


@pytest.mark.parametrize("at", [100.0, 200.0])
def test_welded_contactors_end_in_the_alarm(at: float, tmp_path: Path) -> None:
    outcome = run_card(Case("relays", "welded", at).card(), tmp_path)
    assert (outcome.ended["exit"], outcome.ended["safe"]) == (5, "not confirmed")
    alarm = said(outcome, "alarm")[-1]
    assert "COULD NOT BE CONFIRMED" in alarm
    assert "PV AC contactor" in alarm  # no current flows through it any more, and yet it is closed
    assert outcome.truth["relays.pv_contactor"] == 1.0
    assert outcome.truth["pv.current"] == 0.0


def test_a_frozen_meter_does_not_pass(honest: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    """It unfreezes before the bench is made safe, so nothing but the readings themselves can tell."""
    outcome = run_card(Case("battery_monitor", "stuck", 100.0).card(), tmp_path)
    assert outcome.ended["exit"] == 4
    assert "battery_monitor" in outcome.ended["reason"]
    assert any("frozen" in text for text in said(outcome, "warning"))


def test_a_short_fault_is_recovered_from_and_recorded(
    honest: dict[str, dict[str, Any]], tmp_path: Path
) -> None:
    case = Case("grid_meter", "drop", 60.0, 3)
    outcome = run_card(case.card(), tmp_path)
    assert outcome.ended["exit"] == 0
    assert_rule(case, outcome, honest, thorough=True)
    assert any("answers again" in text for text in said(outcome, "warning"))
    assert_dead(outcome)


def test_the_same_fault_twice_gives_the_same_run(tmp_path: Path) -> None:
    digests = []
    for number in (1, 2):
        outcome = run_card(Case("bus_meter", "drop", 60.0, 2).card(), tmp_path / str(number))
        assert outcome.record is not None
        digests.append(outcome.record.header["digests"])
    assert digests[0] == digests[1]
