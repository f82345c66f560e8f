"""The course: bars that follow one another, pins that count."""

import itertools
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from benchrunner.app.model.course import bar_at, bars, expected_end, pins
from benchrunner.app.model.run import RunState, StepState


def test_a_real_run_grows_along_its_course(real_run: list[dict[str, Any]]) -> None:
    run = RunState()
    seen: set[str] = set()
    for event in real_run:
        run.feed(event)
        course = bars(run.steps, run.at, over=run.ended is not None)
        seen |= {bar.look for bar in course}
        for before, after in itertools.pairwise(course):
            assert before.start <= before.end <= before.planned <= after.start + 1e-9
    assert {"done", "current", "coming"} <= seen
    assert [bar.look for bar in bars(run.steps, run.at, over=True)] == ["done"] * len(run.steps)


@given(st.lists(st.floats(0.0, 1e4), max_size=12), st.floats(0.0, 1e4))
def test_coming_steps_stand_at_their_expected_length(lengths: list[float], now: float) -> None:
    steps = [StepState(k, str(k), str(k), expected=length) for k, length in enumerate(lengths)]
    course = bars(steps, now)
    assert len(course) == len(lengths)
    assert abs(expected_end(course) - (now + sum(lengths) if lengths else 0.0)) < 1e-6


def test_a_step_that_takes_longer_than_expected_pushes_the_others() -> None:
    steps = [
        StepState(0, "a", "A", expected=10.0, started=0.0, phase="waiting"),
        StepState(1, "b", "B", expected=5.0),
    ]
    course = bars(steps, 30.0)
    assert (course[0].end, course[0].planned) == (30.0, 30.0)
    assert course[1].start == 30.0
    assert bar_at(course, 32.0) is course[1]
    assert bar_at(course, 99.0) is None


def test_pins_count_by_verdict_and_gather_what_is_close() -> None:
    checks = [
        {"at": 10.0, "verdict": "pass"},
        {"at": 10.0, "verdict": "fail"},
        {"at": 10.5, "verdict": "pass"},
        {"at": 40.0, "verdict": "inconclusive"},
    ]
    assert [pin.counts for pin in pins(checks, 1.0)] == [(("fail", 1), ("pass", 2)), (("inconclusive", 1),)]
    assert len(pins(checks)) == 3
