"""Joins the guards of the cards with those of a procedure, which may add and tighten, never loosen."""

from collections.abc import Iterable

from benchrunner.errors import Problem, Refused
from benchrunner.procedure.running import PlannedGuard


def merge_guards(
    cards: Iterable[PlannedGuard], procedure: Iterable[PlannedGuard]
) -> tuple[PlannedGuard, ...]:
    """The guards of a run. A procedure's guard with the id of a card's takes its place; another is added.

    Raises `Refused` with every guard that would loosen one of the cards': a bound farther out or missing, a longer
    delay, or, for an added one, both bound and delay no nearer than a card's on the same channel.
    """
    merged = {guard.id: guard for guard in cards}
    given = dict(merged)
    problems: list[Problem] = []
    for guard in procedure:
        old = given.get(guard.id)
        if old is not None:
            problems += _loosened(guard, old)
        else:
            problems += [problem for other in given.values() for problem in _useless(guard, other)]
        merged[guard.id] = guard
    if problems:
        raise Refused(problems)
    return tuple(merged.values())


def _loosened(new: PlannedGuard, old: PlannedGuard) -> list[Problem]:
    where = f"guard {new.id!r} of the procedure"
    if new.channel != old.channel:
        return [
            Problem(
                where,
                f"takes the id of the {old.origin}'s guard on {old.channel} for {new.channel}",
                "give it an id of its own",
            )
        ]
    problems = []
    if old.high is not None and (new.high is None or new.high > old.high):
        problems.append(
            Problem(
                where,
                f"would raise the high bound of the {old.origin} ({_text(old.high, old)}) to {_text(new.high, new)}",
                "a procedure may only tighten",
            )
        )
    if old.low is not None and (new.low is None or new.low < old.low):
        problems.append(
            Problem(
                where,
                f"would lower the low bound of the {old.origin} ({_text(old.low, old)}) to {_text(new.low, new)}",
                "a procedure may only tighten",
            )
        )
    if new.delay > old.delay:
        problems.append(
            Problem(
                where,
                f"would lengthen the delay of the {old.origin} ({old.delay:g} s) to {new.delay:g} s",
                "a procedure may only tighten",
            )
        )
    return problems


def _useless(new: PlannedGuard, other: PlannedGuard) -> list[Problem]:
    """A guard looser than a card's on the same channel would suggest a bound that does not hold."""
    if new.channel != other.channel or new.delay < other.delay:
        return []
    looser_high = new.high is not None and other.high is not None and new.high > other.high
    looser_low = new.low is not None and other.low is not None and new.low < other.low
    bound, old = (new.high, other.high) if looser_high else (new.low, other.low)
    if not (looser_high or looser_low):
        return []
    return [
        Problem(
            f"guard {new.id!r} of the procedure",
            f"({_text(bound, new)}) is looser than {other.id!r} of the {other.origin} ({_text(old, other)})",
            "a procedure may only tighten; give a nearer bound or remove it",
        )
    ]


def _text(bound: float | None, guard: PlannedGuard) -> str:
    return "nothing" if bound is None else f"{bound:.6g} {guard.unit}"
