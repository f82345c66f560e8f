"""The steps that both runs went through, each with its time in either run: what the traces are laid over each other by."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchrunner.procedure.running import Condition, PlannedStep
from benchrunner.record.compare.rows import number
from benchrunner.record.opened import Record

MOST_STEPS = 60
MOST_CHANNELS = 4
ALWAYS = ("bus.frequency", "battery.voltage")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Begin and end of a step in bench seconds."""

    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Aligned:
    """One step in both runs, and the channels that it is about which both have."""

    id: str
    title: str
    now: Stretch
    before: Stretch
    channels: tuple[str, ...]


def aligned(
    record: Record, baseline: Record, moved: Mapping[str, Sequence[str]] | None = None
) -> list[Aligned]:
    """Steps by their ids, in the record's order; at most 60. `moved`: step -> the channels of its checks that moved, which
    are shown before all others.
    """
    now, before = stretches(record), stretches(baseline)
    steps = {step.id: step for step in record.plan.order.steps}
    both = set(_read(record)) & set(_read(baseline))
    return [
        Aligned(
            name,
            steps[name].title,
            stretch,
            before[name],
            _channels(steps[name], both, (moved or {}).get(name, ())),
        )
        for name, stretch in now.items()
        if name in before and name in steps
    ][:MOST_STEPS]


def stretches(record: Record) -> dict[str, Stretch]:
    """Every step that was begun, with its begin and end: where it has none of its own, that is the next step's begin or
    the run's last moment.
    """
    begun: dict[str, float] = {}
    ended: dict[str, float] = {}
    for event in record.events:
        data = event.get("data")
        if event.get("kind") != "step" or not isinstance(data, dict):
            continue
        name, phase, at = str(data.get("id")), data.get("phase"), float(event.get("at") or 0.0)
        if phase == "started":
            begun.setdefault(name, at)
        elif phase in ("done", "failed", "skipped") and name in begun:
            ended.setdefault(name, at)
    last = number(record.header.get("duration")) or 0.0
    later = sorted(begun.values())
    return {
        name: Stretch(start, max(ended.get(name) or next((t for t in later if t > start), last), start))
        for name, start in begun.items()
    }


def _read(record: Record) -> list[str]:
    return [name for source in record.plan.sources for name in source.channels]


def _channels(step: PlannedStep, there: set[str], moved: Sequence[str]) -> tuple[str, ...]:
    wanted = [*moved, *(check.of for check in step.checks)]
    wanted += [*_named(step.until), *_named(step.requires), *ALWAYS, *(order.setting for order in step.do)]
    return tuple([name for name in dict.fromkeys(wanted) if name in there][:MOST_CHANNELS])


def _named(condition: Condition | None) -> list[str]:
    if condition is None:
        return []
    return [condition.channel, *(name for part in condition.parts for name in _named(part))]
