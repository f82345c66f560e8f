"""The course: the running order drawn to time scale, with the checks pinned where they were judged."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchrunner.app.model.run import VERDICTS, StepState


@dataclass(frozen=True, slots=True)
class Bar:
    """One step on the time axis, from `start` to `end`; the current one goes on to `planned` as expected."""

    step: StepState
    start: float
    end: float
    planned: float
    look: str  # "done", "failed", "skipped", "stopped", "current", "coming"


@dataclass(frozen=True, slots=True)
class Pin:
    """Checks judged at one moment, counted by verdict (only those that occur)."""

    at: float
    counts: tuple[tuple[str, int], ...]


def bars(steps: Sequence[StepState], now: float, over: bool = False) -> list[Bar]:
    """The bars of all steps. Coming ones follow one another at their expected length; after the end they are left out."""
    found: list[Bar] = []
    edge = 0.0
    for step in steps:
        if step.started is not None:
            if step.ended is not None:
                look = step.phase if step.phase in ("failed", "skipped", "stopped") else "done"
                found.append(Bar(step, step.started, step.ended, step.ended, look))
                edge = max(edge, step.ended)
            else:
                planned = max(now, step.started + step.expected)
                found.append(Bar(step, step.started, max(now, step.started), planned, "current"))
                edge = max(edge, planned)
        elif step.phase == "skipped":
            found.append(Bar(step, edge, edge, edge, "skipped"))
        elif not over:
            start = max(edge, now)
            edge = start + step.expected
            found.append(Bar(step, start, edge, edge, "coming"))
    return found


def expected_end(course: Sequence[Bar]) -> float:
    """Where the course ends as things stand, s."""
    return max((bar.planned for bar in course), default=0.0)


def pins(checks: Sequence[dict[str, Any]], together: float = 0.0) -> list[Pin]:
    """Checks in order of time; those no further apart than `together` seconds share a pin."""
    groups: list[tuple[float, dict[str, int]]] = []
    for check in sorted(checks, key=lambda c: float(c.get("at", 0.0))):
        at = float(check.get("at", 0.0))
        if not groups or at - groups[-1][0] > together:
            groups.append((at, {}))
        counts = groups[-1][1]
        verdict = str(check.get("verdict", "not judged"))
        counts[verdict] = counts.get(verdict, 0) + 1
    order = ("fail", "inconclusive", "pass", "not judged", "not applicable")
    assert set(order) == set(VERDICTS)
    return [
        Pin(at, tuple((verdict, counts[verdict]) for verdict in order if verdict in counts))
        for at, counts in groups
    ]


def bar_at(course: Sequence[Bar], time: float) -> Bar | None:
    """The bar under a moment."""
    return next((bar for bar in reversed(course) if bar.start <= time <= bar.planned), None)
