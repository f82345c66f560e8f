"""What the window says: checks, times, where a run stands, how it ended."""

from typing import Any

import pytest

from benchrunner.app.model import texts
from benchrunner.app.model.run import RunState
from benchrunner.judge import judge


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0:00"), (59.9, "0:59"), (60, "1:00"), (3599, "59:59"), (3600, "1:00:00"), (-4, "0:00")],
)
def test_clock(seconds: float, said: str) -> None:
    assert texts.clock(seconds) == said


def test_every_check_of_a_real_run_has_value_limit_and_margin(real_run: list[dict[str, Any]]) -> None:
    for event in real_run:
        if event["kind"] == "check":
            check = {**event["data"], "at": event["at"]}
            title, value, margin = texts.check_lines(check)
            assert title and ("at most" in value or "at least" in value or " to " in value)
            assert margin.startswith("margin ")
            names = [name for name, _ in texts.check_details(check)]
            assert {"Verdict", "Value", "Limit", "Rule", "Margin"} <= set(names)
            if check["uncertainty"] is None:
                assert "not evaluated" in margin


def test_the_reason_of_a_percentage_is_in_per_cent_as_the_figures_beside_it() -> None:
    judged = judge(0.44, 0.0058, 0.47, 0.53, "guarded", unit="1")
    check = {"id": "soc", "unit": "1", "of": "battery.soc", "measure": "last", "reason": judged.reason}
    assert dict(texts.check_details(check))["Reason"] == texts.reason(check)
    assert texts.reason(check).startswith("44 % is below 47 %")


def test_where_a_run_stands(real_run: list[dict[str, Any]]) -> None:
    run = RunState()
    assert texts.step_line(run) == texts.NO_RUN
    waiting = next(
        e
        for e in real_run
        if e["kind"] == "step" and e["data"]["phase"] == "waiting" and e["data"]["index"] == 3
    )
    for event in real_run:
        if event["at"] <= waiting["at"]:
            run.feed(event)
    assert texts.step_line(run).startswith(f"Step 4 of {len(run.steps)}")
    assert "of at most" in texts.wait_line(run)
    assert texts.tally(run) == f"none yet of {run.planned_checks}"


ENDED = {
    "exit": 0,
    "verdict": "pass",
    "finished": True,
    "safe": "confirmed",
    "safe_text": "Sources off.",
    "reason": "it came to its end",
    "simulated": True,
}


def test_the_end_in_words() -> None:
    verdict, headline, sentences = texts.outcome(ENDED)
    assert (verdict, headline) == ("pass", "Pass")
    assert "Sources off." in sentences and any("not evidence" in s for s in sentences)


def test_a_run_that_did_not_finish_is_no_pass() -> None:
    verdict, headline, sentences = texts.outcome(
        {**ENDED, "exit": 4, "finished": False, "reason": "guard battery-voltage crossed"}
    )
    assert verdict == "not judged" and headline == "Did not finish"
    assert any("Guard battery-voltage crossed" in s for s in sentences)


def test_an_unconfirmed_safe_state_comes_first_and_loud() -> None:
    verdict, headline, sentences = texts.outcome(
        {**ENDED, "exit": 5, "finished": False, "safe": "not confirmed"}
    )
    assert verdict == "fail" and "NOT CONFIRMED" in headline
    assert "live" in sentences[0] and "prove dead" in sentences[0]
    assert "Sources off." not in sentences


def test_an_engine_that_was_lost_says_what_it_can() -> None:
    _, headline, sentences = texts.outcome(
        {
            "exit": 5,
            "verdict": "not judged",
            "ended_by": "the engine ended without closing the run",
            "finished": False,
            "safe": "not confirmed",
        }
    )
    assert "NOT CONFIRMED" in headline and any("engine ended" in s for s in sentences)


def test_failed_checks_are_named() -> None:
    checks = [
        {"id": "a", "verdict": "fail"},
        {"id": "reached", "step": "drop", "verdict": "fail"},
        {"id": "b", "verdict": "pass"},
    ]
    _, _, sentences = texts.outcome({**ENDED, "exit": 1, "verdict": "fail"}, checks)
    assert "2 of 3 checks failed: a, drop/reached." in sentences


def test_a_range_says_its_unit_once() -> None:
    assert texts.span("300 W/m²", "1200 W/m²") == "300 … 1200 W/m²"
    assert texts.span("500 W", "6 kW") == "500 W … 6 kW"
    assert texts.span("1", "20") == "1 … 20"


def test_a_pause_says_how_long_it_may_last() -> None:
    run = RunState()
    run.feed({"at": 100.0, "kind": "state", "data": {"state": "paused", "cause": "pause"}})
    run.feed({"at": 142.0, "kind": "note", "data": {"text": "still here", "level": "info"}})
    assert "0:42 of at most 10:00" in texts.wait_line(run)
    run.feed({"at": 150.0, "kind": "state", "data": {"state": "running", "cause": "resumed"}})
    assert run.paused_since is None and texts.wait_line(run) == ""


def test_a_margin_beyond_what_is_counted_has_no_equals_sign() -> None:
    assert texts._in_u("+3.6 U") == " = +3.6 U"
    assert texts._in_u("> +100 U") == ", > +100 U"


def test_where_no_check_was_judged_it_says_so() -> None:
    ended = ENDED | {"exit": 4, "verdict": "not judged", "finished": False}
    assert texts.outcome(ended)[2][0] == "No check was judged."
