"""The table of checks and the progress of a run, as a person reads them."""

import io

from benchrunner.cli import words

CHECK = {
    "step": "drop",
    "id": "battery-peak",
    "value": 54.75,
    "unit": "V",
    "low": None,
    "high": 58.4,
    "uncertainty": 0.139,
    "margin": 3.65,
    "verdict": "pass",
    "reason": "",
}


def said(checks: list[dict]) -> str:
    sink = io.StringIO()
    words.table(checks, sink)
    return sink.getvalue()


def test_one_row_says_value_limit_uncertainty_margin_and_verdict() -> None:
    row = said([CHECK]).splitlines()[1]
    for part in ("drop/battery-peak", "54.75 V", "<= 58.40 V", "139.0 mV", "3.650 V = 26.3 U", "[+] pass"):
        assert part in row


def test_verdicts_differ_by_shape_and_word() -> None:
    assert len(set(words.MARKS.values())) == len(words.MARKS)
    for verdict, mark in words.MARKS.items():
        assert f"{mark} {verdict}" in said([{**CHECK, "verdict": verdict}])


def test_missing_values_are_dashes_and_unevaluated_uncertainty_says_so() -> None:
    row = said(
        [{**CHECK, "value": None, "margin": None, "uncertainty": None, "verdict": "inconclusive"}]
    ).splitlines()[1]
    assert " - " in row
    assert "not evaluated" in row


def test_a_shared_reason_is_said_once() -> None:
    many = [
        {**CHECK, "id": f"c{k}", "verdict": "not judged", "reason": "the run ended before"} for k in range(9)
    ]
    assert said(many).count("the run ended before") == 1
    assert "9 checks: the run ended before" in said(many)


def test_limits_with_two_bounds() -> None:
    assert words.limit({"low": 1.0, "high": 2.0, "unit": "V"}) == "1.000 V .. 2.000 V"
    assert words.limit({"low": 1.0, "high": None, "unit": "V"}) == ">= 1.000 V"
    assert words.limit({"low": None, "high": None, "unit": "V"}) == "-"


def test_outcome_says_loudly_that_safe_is_not_confirmed_and_that_the_bench_is_simulated() -> None:
    sink = io.StringIO()
    words.outcome(
        {"verdict": "fail", "finished": False, "reason": "guard", "safe": "not confirmed", "simulated": True},
        [],
        sink,
    )
    assert "ALARM" in sink.getvalue()
    assert "SIMULATED BENCH" in sink.getvalue()
    assert "did not finish: guard" in sink.getvalue()
