"""The run's state from the engine's events: a real run, and what goes wrong in others."""

import math
from typing import Any

import pytest

from benchrunner.app.model.run import RunState

Event = dict[str, Any]


def fed(events: list[Event]) -> RunState:
    run = RunState()
    for event in events:
        run.feed(event)
    return run


def test_a_real_run_is_shown_as_it_went(real_run: list[Event]) -> None:
    run = fed(real_run)
    assert run.simulated
    assert run.state == "ended"
    assert [step.phase for step in run.steps] == ["done"] * len(run.steps)
    for before, after in zip(run.steps, run.steps[1:], strict=False):
        assert before.started is not None and before.ended is not None and after.started is not None
        assert before.started <= before.ended <= after.started
    told = [event["data"]["id"] for event in real_run if event["kind"] == "check"]
    assert [check["id"] for check in run.checks] == told
    assert run.count("pass") == len(told)
    assert run.safe and all(order.phase == "confirmed" for order in run.safe)
    assert run.safe_since is not None and run.safe_since >= run.steps[-1].ended  # type: ignore[operator]
    names = {channel["name"] for channel in run.prepared["channels"]}
    assert set(run.traces) <= names
    assert {
        "bus.frequency",
        "battery.voltage",
        "battery.current",
        "battery.soc",
        "pv.power",
        "load.power",
    } <= set(run.traces)
    check = next(c for c in run.checks if c["id"] == "frequency-peak")
    judged = next(step for step in run.steps if step.id == "drop")
    assert judged.started is not None and judged.ended is not None
    peak = float(run.traces["bus.frequency"].part(judged.started, judged.ended).max())
    assert peak == pytest.approx(check["value"], abs=0.01)


def test_values_that_no_longer_come_are_not_shown(real_run: list[Event]) -> None:
    run = fed([e for e in real_run if e["kind"] in ("prepared", "readings") and e["at"] < 100])
    assert not math.isnan(run.value("bus.voltage"))
    run.feed({"at": run.at + 60.0, "kind": "state", "data": {"state": "running", "cause": ""}})
    assert math.isnan(run.value("bus.voltage"))
    assert math.isnan(run.value("no.such"))


def test_a_question_stands_until_the_run_goes_on() -> None:
    run = fed([{"at": 1.0, "kind": "ask", "data": {"id": "q", "text": "Ready?", "choices": ["yes"]}}])
    assert run.question is not None and run.question["text"] == "Ready?"
    run.feed({"at": 2.0, "kind": "state", "data": {"state": "running", "cause": "answered"}})
    assert run.question is None


def test_an_end_in_the_middle_closes_the_open_step(real_run: list[Event]) -> None:
    begun = [e for e in real_run if e["at"] < 100 and e["kind"] != "ended"]
    run = fed(begun)
    current = run.current
    assert current is not None
    run.feed(
        {"at": 0.0, "kind": "ended", "data": {"exit": 5, "ended_by": "the engine ended", "finished": False}}
    )
    assert current.phase == "stopped"
    assert current.ended == run.at
    assert run.current is None


def test_unknown_kinds_and_foreign_steps_are_passed_over() -> None:
    run = fed(
        [
            {"at": 1.0, "kind": "weather", "data": {}},
            {"at": 2.0, "kind": "step", "data": {"index": 9, "phase": "started"}},
        ]
    )
    assert run.at == 2.0 and not run.steps


def test_a_missed_safe_order_and_a_guard_are_written_down() -> None:
    run = fed(
        [
            {"at": 5.0, "kind": "guard", "data": {"id": "g", "text": "battery.voltage 59 V above 58.4 V"}},
            {"at": 5.0, "kind": "state", "data": {"state": "making safe", "cause": "guard crossed"}},
            {
                "at": 5.1,
                "kind": "safe",
                "data": {"id": "pv", "says": "Open the PV AC contactor", "phase": "sent", "text": ""},
            },
            {
                "at": 8.1,
                "kind": "safe",
                "data": {
                    "id": "pv",
                    "says": "Open the PV AC contactor",
                    "phase": "missed",
                    "text": "reads 3",
                },
            },
        ]
    )
    assert [(order.id, order.phase) for order in run.safe] == [("pv", "missed")]
    levels = [note.level for note in run.notes]
    assert "guard" in levels and "error" in levels


def test_only_so_many_notes_are_held_and_each_is_told_once() -> None:
    run = RunState()
    for k in range(700):
        run.feed({"at": float(k), "kind": "note", "data": {"text": str(k)}})
    assert len(run.notes) == 500
    assert [note.text for note in run.notes_since(698)] == ["698", "699"]
    assert run.notes_since(700) == []
