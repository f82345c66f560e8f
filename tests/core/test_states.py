"""The tables of moves: sound, guarded, and drawn as they are."""

import subprocess
import sys
import xml.etree.ElementTree as ElementTree

import pytest
from core_rig import elapsed, plan

from benchrunner.core import diagram
from benchrunner.core.runner import Runner
from benchrunner.core.states import (
    MOVES,
    STEP_MOVES,
    Cause,
    IllegalMove,
    Phase,
    State,
    StepCause,
    move,
    step_move,
)
from benchrunner.data import folder
from benchrunner.procedure.running import PlannedStep


def reachable(table, first):  # type: ignore[no-untyped-def]
    found = {first}
    while more := {after for (before, _), after in table.items() if before in found} - found:
        found |= more
    return found


def test_every_state_is_reached_and_every_way_leads_to_the_end() -> None:
    assert reachable(MOVES, State.READY) == set(State)
    assert reachable(STEP_MOVES, Phase.NEW) == set(Phase)
    for state in State:
        assert State.ENDED in reachable(MOVES, state)
    for phase in Phase:
        assert {Phase.DONE, Phase.STOPPED} & reachable(STEP_MOVES, phase)


def test_whatever_is_live_can_be_made_safe() -> None:
    for state in (State.RUNNING, State.WAITING, State.PAUSED):
        for cause in (Cause.GUARD, Cause.FAULT, Cause.OPERATOR):
            assert move(state, cause) is State.MAKING_SAFE
    assert {after for (before, _), after in MOVES.items() if before is State.MAKING_SAFE} == {State.ENDED}


@pytest.mark.parametrize("state", list(State))
def test_an_illegal_move_raises(state: State) -> None:
    for cause in Cause:
        if (state, cause) not in MOVES:
            with pytest.raises(IllegalMove, match="can't move"):
                move(state, cause)


def test_an_illegal_step_move_raises() -> None:
    with pytest.raises(IllegalMove):
        step_move(Phase.NEW, StepCause.JUDGED)
    with pytest.raises(IllegalMove):
        step_move(Phase.DONE, StepCause.ORDERS)


def test_a_run_starts_once() -> None:
    runner = Runner(plan(PlannedStep("x", "X", until=elapsed(1.0))))
    runner.start()
    with pytest.raises(IllegalMove):
        runner.start()


@pytest.mark.parametrize("name", ["run", "step"])
def test_the_pictures_show_every_move(name: str) -> None:
    table = diagram.TABLES[name]
    words = diagram.text(table)
    assert words.count("->") == len(table)
    mermaid = diagram.mermaid(table)
    pairs = {(before.name, after.name) for (before, _), after in table.items()}
    assert {
        tuple(line.split(":")[0].split(" --> "))
        for line in map(str.strip, mermaid.splitlines())
        if " --> " in line and "[*]" not in line
    } == pairs
    picture = ElementTree.fromstring(diagram.svg(table, name))
    said = " ".join("".join(part.itertext()) for part in picture.iter("{http://www.w3.org/2000/svg}text"))
    for (before, cause), after in table.items():
        assert str(before) in said
        assert str(cause) in said
        assert str(after) in said
    assert (
        len(list(picture.iter("{http://www.w3.org/2000/svg}path"))) == len(pairs) + 1
    )  # and the arrow's tip


@pytest.mark.parametrize("name", ["run", "step"])
def test_the_drawn_files_are_up_to_date(name: str) -> None:
    """Made by `python -m benchrunner.core.diagram svg run|step`."""
    drawn = (folder("resources") / "diagrams" / f"states-of-a-{name}.svg").read_text(encoding="utf-8")
    assert drawn == diagram.svg(diagram.TABLES[name], f"States of a {name}")


def test_the_diagram_is_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchrunner.core.diagram", "mermaid", "step"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith("stateDiagram-v2")
    wrong = subprocess.run(
        [sys.executable, "-m", "benchrunner.core.diagram", "picture"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert wrong.returncode == 2
