"""Judges a run again: its recorded inputs through a fresh runner, and what differs from the checks on record.

With the same program version on the same platform the checks are identical; elsewhere the verdicts are, with values
within 1e-9 (relative to the larger of 1 and the value), and every difference beyond is listed (design, section 3).
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchrunner.core.judging import Check
from benchrunner.core.messages import Input
from benchrunner.core.plan import RunPlan
from benchrunner.core.runner import Runner

TOLERANCE = 1e-9
NUMBERS = ("value", "low", "high", "uncertainty", "k", "margin", "margin_in_u")
WORDS = ("verdict", "measure", "of", "unit", "rule")


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that came out otherwise. `on_record` or `again` is None where the check is missing on that side."""

    check: str  # "step/id"
    key: str
    on_record: object
    again: object

    def __str__(self) -> str:
        return f"{self.check}: {self.key} is {self.on_record!r} on record, {self.again!r} judged again"


def replay(plan: RunPlan, inputs: Iterable[Input], start: float = 0.0) -> Runner:
    """A fresh runner after all recorded inputs, in their sequence. `start`: the bench time at which the run began."""
    runner = Runner(plan)
    runner.start(start)
    for item in inputs:
        runner.feed(item)
    return runner


def rejudge(plan: RunPlan, inputs: Iterable[Input], start: float = 0.0) -> list[Check]:
    """The checks of a run, judged again from its recorded inputs. Raises `Refused` for a plan that does not fit."""
    return replay(plan, inputs, start).checks


def differences(
    on_record: Sequence[Check], again: Sequence[Check], tolerance: float = TOLERANCE
) -> list[Difference]:
    """What differs between the checks on record and the same judged again; empty where nothing does."""
    left, right = _by_name(on_record), _by_name(again)
    found = [Difference(name, "check", "judged", None) for name in left if name not in right]
    found += [Difference(name, "check", None, "judged") for name in right if name not in left]
    for name in left:
        if name not in right:
            continue
        one, other = left[name], right[name]
        found += [
            Difference(name, key, one.get(key), other.get(key))
            for key in WORDS
            if one.get(key) != other.get(key)
        ]
        for key in NUMBERS:
            if not _close(one.get(key), other.get(key), tolerance):
                found.append(Difference(name, key, one.get(key), other.get(key)))
    return found


def _by_name(checks: Sequence[Check]) -> dict[str, Check]:
    seen: Counter[str] = Counter()
    named: dict[str, Check] = {}
    for check in checks:
        name = f"{check['step']}/{check['id']}"
        seen[name] += 1
        named[name if seen[name] == 1 else f"{name} ({seen[name]})"] = check
    return named


def _close(one: object, other: object, tolerance: float) -> bool:
    if not isinstance(one, int | float) or not isinstance(other, int | float):
        return one is other or one == other
    if one == other or (math.isnan(one) and math.isnan(other)):
        return True
    return abs(one - other) <= tolerance * max(1.0, abs(one), abs(other))
