"""The look at the bench before anything is switched on: has every instrument reported, is the bench as the procedure needs it?"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchrunner.core.guards import GuardBoard, SourceState
from benchrunner.core.plan import RunPlan
from benchrunner.core.planning import start_channels
from benchrunner.errors import Problem
from benchrunner.procedure.running import StartCondition
from benchrunner.units import show


@dataclass
class StartLook:
    """What a look found. `waiting`: something has not reported yet; the rest counts once the wait is over."""

    waiting: bool
    problems: list[Problem] = field(default_factory=list)
    not_needed: list[str] = field(default_factory=list)  # silent instruments that nothing depends on


def look_at_start(
    plan: RunPlan, board: GuardBoard, lifelines: Sequence[SourceState], now: float
) -> StartLook:
    """Look at time `now`. `lifelines`: the sources without which the bench could not be made safe."""
    polled = [source for source in board.sources if source.period > 0.0]
    silent = [source for source in polled if now - source.last_at > max(source.limits, default=0.0)]
    needed = start_channels(plan)
    blind = [name for name in needed if board.newest(name, now) is None]
    look = StartLook(waiting=bool(silent or blind))
    for source in silent:
        if source in lifelines or set(source.channels) & set(needed):
            look.problems.append(
                Problem(source.name, "has not answered", "check its cable, address and supply")
            )
        else:
            look.not_needed.append(source.name)
    told = {name for source in silent for name in source.channels}
    look.problems += [
        Problem(name, "no valid reading", _bring_up(name, plan.simulated))
        for name in blind
        if name not in told
    ]
    look.problems += _beyond_a_guard(board, now)
    for start in plan.order.start:
        found = board.newest(start.channel, now)
        if found is not None and not start.low <= found[1] <= start.high:
            look.problems.append(not_at_start(start, found[1], plan.simulated))
    return look


def _bring_up(channel: str, simulated: bool) -> str:
    """A meter shows no frequency where nothing is live, as on the bench that the last run made safe."""
    mend = "check the instrument and its range"
    if channel.endswith(".frequency"):
        mend += "; a dead bus has none, and a run leaves the bench dead: bring it into the start state first"
        if simulated:
            mend += " (stop `benchrunner serve` and start it anew)"
    return mend


def _beyond_a_guard(board: GuardBoard, now: float) -> list[Problem]:
    problems = []
    for guard in board.guards:
        found = board.newest(guard.channel, now)
        if found is None or guard.low <= found[1] <= guard.high:
            continue
        if guard.interlock:
            problems.append(
                Problem(guard.channel, "the interlock is open", "close the chain: door, emergency stop")
            )
        else:
            what = (
                f"{guard.plan.says or guard.plan.id}: {found[1]:.6g} {guard.unit} is beyond the guard already"
            )
            problems.append(Problem(guard.channel, what, "bring it inside before the run"))
    return problems


def not_at_start(start: StartCondition, value: float, simulated: bool) -> Problem:
    """A channel outside the window that the procedure starts from, as a person would say it."""
    percent = start.unit == "1" and start.channel.endswith(".soc")
    now, low, high = (show(number, start.unit, percent=percent) for number in (value, start.low, start.high))
    mend = "prepare the bench to this state, then start again"
    if simulated and percent:
        middle = show((start.low + start.high) / 2, start.unit, percent=percent)
        mend += f'; a served simulated bench begins in it with: benchrunner serve --start {start.channel}="{middle}"'
    return Problem(start.channel, f"is {now}; the procedure starts from {low} to {high}", mend)
