"""The table of checks and the progress of a run, as a person reads them."""

import io

import pytest

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


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines as they are before they are wrapped."""
    monkeypatch.setenv("COLUMNS", "300")


def said(checks: list[dict]) -> str:
    sink = io.StringIO()
    words.table(checks, sink)
    return sink.getvalue()


def test_one_row_says_value_limit_uncertainty_margin_and_verdict() -> None:
    row = said([CHECK]).splitlines()[1]
    for part in (
        "drop/battery-peak",
        "54.75 V",
        "at most 58.4 V",
        "0.14 V",
        "+3.65 V",
        "+26.3 U",
        "[+] pass",
    ):
        assert part in row
    assert row.isascii()


def test_all_numbers_of_a_row_are_in_one_unit() -> None:
    energy = {
        **CHECK,
        "value": 40350.0,
        "unit": "J",
        "high": 403200.0,
        "uncertainty": 339.3,
        "margin": 362850.0,
    }
    row = said([energy]).splitlines()[1]
    assert "11.208 Wh" in row and "at most 112 Wh" in row and "0.094 Wh" in row and "+100.792 Wh" in row
    charged = {
        **CHECK,
        "of": "battery.soc",
        "value": 0.993,
        "unit": "1",
        "high": None,
        "low": 0.95,
        "uncertainty": 0.01156,
        "margin": 0.043,
    }
    row = said([charged]).splitlines()[1]
    assert "99.3 %" in row and "at least 95 %" in row and "1.2 % points" in row and "+4.3 % points" in row
    short = {**charged, "verdict": "fail", "reason": "0.44 is below 0.47, by U = 0.0116 or more"}
    assert "44 % is below 47 %, by U = 1.16 percentage points or more" in said([short])
    phase = {
        **CHECK,
        "value": 0.01628,
        "unit": "rad",
        "high": 0.34906585,
        "uncertainty": 0.0238,
        "margin": 0.3328,
    }
    row = said([phase]).splitlines()[1]
    assert "0.9 deg" in row and "at most 20 deg" in row  # pi / 9 rad


def test_verdicts_differ_by_shape_and_word() -> None:
    assert len(set(words.MARKS.values())) == len(words.MARKS)
    for verdict, mark in words.MARKS.items():
        assert f"{mark} {verdict}" in said([{**CHECK, "verdict": verdict}])


def test_missing_values_and_unevaluated_uncertainty_says_so() -> None:
    row = said(
        [{**CHECK, "value": None, "margin": None, "uncertainty": None, "verdict": "inconclusive"}]
    ).splitlines()[1]
    assert "no value" in row
    assert "not evaluated" in said([{**CHECK, "uncertainty": None}])


def test_a_shared_reason_is_said_once() -> None:
    many = [
        {**CHECK, "id": f"c{k}", "verdict": "not judged", "reason": "the run ended before"} for k in range(9)
    ]
    assert said(many).count("the run ended before") == 1
    assert "9 checks: the run ended before" in said(many)


def test_limits_with_two_bounds_and_with_none() -> None:
    assert "1 V to 2 V" in said([{**CHECK, "low": 1.0, "high": 2.0}])
    assert "at least 1 V" in said([{**CHECK, "low": 1.0, "high": None}])
    assert "no limit" in said([{**CHECK, "low": None, "high": None}])


def test_a_step_begins_with_its_title_its_caution_and_once_with_what_it_shows() -> None:
    sink = io.StringIO()
    progress = words.Progress(sink)
    steps = [
        {
            "id": f"outage[{k}]/lose",
            "title": "Open the grid switch",
            "says": "Watch the wave.",
            "cautions": ["The grid is lost now."],
        }
        for k in (1, 2)
    ]
    progress.show(
        {
            "at": 0.0,
            "kind": "prepared",
            "data": {"steps": steps, "simulated": True, "purpose": "It must hold."},
        }
    )
    for index in (0, 1):
        progress.show(
            {
                "at": 1.0,
                "kind": "step",
                "data": {"index": index, "id": steps[index]["id"], "phase": "started"},
            }
        )
    text = sink.getvalue()
    assert "It must hold." in text
    assert "(2/2) outage[2]/lose: Open the grid switch" in text
    assert text.count("caution: The grid is lost now.") == 2
    assert text.count("Watch the wave.") == 1


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


def test_how_a_run_ended_fits_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    sink = io.StringIO()
    reason = (
        "Bus frequency outside what the battery inverter may make in this test: bus.frequency is 52.601 Hz"
    )
    words.outcome(
        {
            "verdict": "fail",
            "finished": False,
            "reason": reason,
            "safe": "not confirmed",
            "safe_text": "x " * 60,
        },
        [],
        sink,
    )
    assert max(map(len, sink.getvalue().splitlines())) <= 80
    said = " ".join(sink.getvalue().split())
    assert f"verdict: fail - the run did not finish: {reason} bench: x x" in said
    assert "ALARM: the safe state could NOT be confirmed. Isolate the sources by hand" in said


def test_a_refused_run_is_told_without_a_list_of_what_did_not_happen() -> None:
    sink = io.StringIO()
    progress = words.Progress(sink)
    for k in range(5):
        skipped = {"index": k, "id": f"s{k}", "phase": "skipped", "text": "the run was refused"}
        progress.show({"at": 1.0, "kind": "step", "data": skipped})
        progress.show({"at": 1.0, "kind": "check", "data": {**CHECK, "verdict": "not judged", "value": None}})
    assert sink.getvalue().count("the run was refused") == 1
    assert "battery-peak" not in sink.getvalue()
    assert len(progress.checks) == 5


def test_a_run_says_within_how_long_its_guards_act() -> None:
    sink = io.StringIO()
    guards = [{"acts_within": 0.4}, {"acts_within": 2.31}]
    words.Progress(sink).show({"kind": "prepared", "at": 0.0, "data": {"guards": guards, "steps": []}})
    said = " ".join(sink.getvalue().split())
    assert "2 guards, the slowest acts within 2.3 s of its crossing" in said
    assert "protecting people and equipment is the hardware's task" in said


def test_a_missed_poll_is_said_when_it_happens_and_once_for_each_count() -> None:
    sink = io.StringIO()
    progress = words.Progress(sink)
    for at, missed in (
        (2.0, {"bus_meter": 1}),
        (3.0, {"bus_meter": 1, "load": 2}),
        (4.0, {"bus_meter": 3, "load": 2}),
    ):
        progress.show({"at": at, "kind": "polling", "data": {"missed": missed}})
    lines = [line.split(" s ", 1)[1].strip() for line in sink.getvalue().splitlines()]
    assert lines == ["bus_meter: 1 missed poll", "load: 2 missed polls", "bus_meter: 3 missed polls"]
