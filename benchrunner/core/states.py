"""The legal moves of a run and of one step, as tables. Every change of state goes through them; an illegal one raises.

`benchrunner.core.diagram` draws these same tables, so that the picture can't drift away from the program.
"""

from enum import StrEnum
from typing import Final


class IllegalMove(RuntimeError):  # noqa: N818 - it names the deed
    """The program tried a move that the table does not know: a fault of the program, never of the bench."""


class State(StrEnum):
    """Where a run stands."""

    READY = "ready"
    STARTING = "starting"
    RUNNING = "running"
    WAITING = "waiting for the operator"
    PAUSED = "paused"
    MAKING_SAFE = "making safe"
    ENDED = "ended"


class Cause(StrEnum):
    """Why a run moves."""

    START = "start"
    FOUND_READY = "bench found as the procedure needs it"
    REFUSED = "bench not as the procedure needs it"
    ASKED = "question to the operator"
    ANSWERED = "answered, or no longer needed"
    PAUSE = "operator's pause, between steps"
    RESUME = "operator resumes"
    PROCEDURE = "last step done"
    NOTHING_SET = "last step done, nothing was ever set"
    STEP = "a step that must succeed did not"
    GUARD = "guard crossed or stale, or interlock open"
    FAULT = "fault"
    OPERATOR = "operator's stop, or pause too long"
    SAFE = "safe state confirmed, or given up loudly"


MOVES: Final[dict[tuple[State, Cause], State]] = {
    (State.READY, Cause.START): State.STARTING,
    (State.READY, Cause.OPERATOR): State.ENDED,
    (State.READY, Cause.REFUSED): State.ENDED,
    (State.STARTING, Cause.FOUND_READY): State.RUNNING,
    (State.STARTING, Cause.REFUSED): State.ENDED,
    (State.STARTING, Cause.OPERATOR): State.ENDED,
    (State.RUNNING, Cause.ASKED): State.WAITING,
    (State.RUNNING, Cause.PAUSE): State.PAUSED,
    (State.RUNNING, Cause.NOTHING_SET): State.ENDED,
    (State.WAITING, Cause.ANSWERED): State.RUNNING,
    (State.PAUSED, Cause.RESUME): State.RUNNING,
    (State.RUNNING, Cause.PROCEDURE): State.MAKING_SAFE,
    (State.RUNNING, Cause.STEP): State.MAKING_SAFE,
    (State.RUNNING, Cause.GUARD): State.MAKING_SAFE,
    (State.RUNNING, Cause.FAULT): State.MAKING_SAFE,
    (State.RUNNING, Cause.OPERATOR): State.MAKING_SAFE,
    (State.WAITING, Cause.STEP): State.MAKING_SAFE,
    (State.WAITING, Cause.GUARD): State.MAKING_SAFE,
    (State.WAITING, Cause.FAULT): State.MAKING_SAFE,
    (State.WAITING, Cause.OPERATOR): State.MAKING_SAFE,
    (State.PAUSED, Cause.GUARD): State.MAKING_SAFE,
    (State.PAUSED, Cause.FAULT): State.MAKING_SAFE,
    (State.PAUSED, Cause.OPERATOR): State.MAKING_SAFE,
    (State.MAKING_SAFE, Cause.SAFE): State.ENDED,
}


class Phase(StrEnum):
    """Where one step stands."""

    NEW = "not begun"
    REQUIRES = "looking at what it requires"
    ARMING = "arming the capture"
    DELAY = "random delay"
    ORDERS = "orders, each confirmed"
    UNTIL = "going on until"
    CAPTURE = "waiting for the capture"
    JUDGING = "judging"
    DONE = "done"
    STOPPED = "stopped: make safe"


class StepCause(StrEnum):
    """Why a step moves."""

    REQUIRES = "it requires something"
    CAPTURE = "it captures"
    REPEATS = "it belongs to repeats"
    ORDERS = "go"
    CONFIRMED = "all orders confirmed"
    HOLDS = "its condition holds"
    TOO_LONG = "longer than at most, if_not = fail"
    CAPTURE_IN = "capture in, none wanted, or given up"
    JUDGED = "checks judged"
    STOP = "refused, failed, or too long with if_not = stop"


STEP_MOVES: Final[dict[tuple[Phase, StepCause], Phase]] = {
    (Phase.NEW, StepCause.REQUIRES): Phase.REQUIRES,
    (Phase.NEW, StepCause.CAPTURE): Phase.ARMING,
    (Phase.NEW, StepCause.REPEATS): Phase.DELAY,
    (Phase.NEW, StepCause.ORDERS): Phase.ORDERS,
    (Phase.REQUIRES, StepCause.CAPTURE): Phase.ARMING,
    (Phase.REQUIRES, StepCause.REPEATS): Phase.DELAY,
    (Phase.REQUIRES, StepCause.ORDERS): Phase.ORDERS,
    (Phase.REQUIRES, StepCause.STOP): Phase.STOPPED,
    (Phase.ARMING, StepCause.REPEATS): Phase.DELAY,
    (Phase.ARMING, StepCause.ORDERS): Phase.ORDERS,
    (Phase.ARMING, StepCause.STOP): Phase.STOPPED,
    (Phase.DELAY, StepCause.ORDERS): Phase.ORDERS,
    (Phase.ORDERS, StepCause.CONFIRMED): Phase.UNTIL,
    (Phase.ORDERS, StepCause.STOP): Phase.STOPPED,
    (Phase.UNTIL, StepCause.HOLDS): Phase.CAPTURE,
    (Phase.UNTIL, StepCause.TOO_LONG): Phase.CAPTURE,
    (Phase.UNTIL, StepCause.STOP): Phase.STOPPED,
    (Phase.CAPTURE, StepCause.CAPTURE_IN): Phase.JUDGING,
    (Phase.JUDGING, StepCause.JUDGED): Phase.DONE,
}


def move(state: State, cause: Cause) -> State:
    """The state after `cause`. Raises `IllegalMove` where the table has none."""
    try:
        return MOVES[state, cause]
    except KeyError:
        raise IllegalMove(f"a run that is {state.value!r} can't move on {cause.value!r}") from None


def step_move(phase: Phase, cause: StepCause) -> Phase:
    """The phase after `cause`. Raises `IllegalMove` where the table has none."""
    try:
        return STEP_MOVES[phase, cause]
    except KeyError:
        raise IllegalMove(f"a step that is {phase.value!r} can't move on {cause.value!r}") from None
