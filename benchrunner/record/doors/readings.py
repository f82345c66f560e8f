"""A record's readings as exports need them: channel by channel, with unit and step, never all at once in memory.

`time` is bench seconds from the start of the run; `step` the step that was going on (empty before, between and after);
where an instrument gave no valid reading (missing, overloaded) the value is NaN, and empty where the format has that.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from fnmatch import fnmatchcase
from typing import Any

import numpy as np
import numpy.typing as npt

from benchrunner.errors import Problem, Refused
from benchrunner.record.compare.traces import stretches
from benchrunner.record.imported import imported
from benchrunner.record.opened import Record

Floats = npt.NDArray[np.float64]
_RISKY = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Step:
    """A step that was begun: its number in the order of time (from 1), id, title, begin and end in bench seconds."""

    number: int
    id: str
    title: str
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Table:
    """Channels that came in the same replies: one time for all values of a row."""

    source: str
    times: Floats
    channels: dict[str, Floats]


class Readings:
    """The readings of `record`, of the `wanted` channels (all where empty; `*` stands for anything). Raises `Refused`."""

    def __init__(self, record: Record, wanted: Sequence[str] = ()) -> None:
        self.record = record
        read = list(dict.fromkeys(name for source in record.plan.sources for name in source.channels))
        self.channels = _chosen(read, wanted)
        self.units = {name: _unit(record, name) for name in self.channels}
        titles = {step.id: step.title for step in record.plan.order.steps}
        begun = sorted(stretches(record).items(), key=lambda item: item[1].start)
        self.steps = [
            Step(number, name, titles.get(name, ""), s.start, s.end)
            for number, (name, s) in enumerate(begun, 1)
        ]

    def each(self) -> Iterator[tuple[str, Floats, Floats]]:
        """Channel, times, values."""
        for name in self.channels:
            yield name, *self.record.channel(name)

    def tables(self) -> Iterator[Table]:
        """What one instrument said, row by row; one table in memory at a time."""
        left = set(self.channels)
        for source in self.record.plan.sources:
            groups: list[Table] = []
            for name in source.channels:
                if name not in left:
                    continue
                left.discard(name)
                times, values = self.record.channel(name)
                home = next((g for g in groups if np.array_equal(g.times, times)), None)
                if home is None:
                    home = Table(source.name, times, {})
                    groups.append(home)
                home.channels[name] = values
            yield from groups

    def step_numbers(self, times: Floats) -> npt.NDArray[np.int32]:
        """For each time the number of its step, 0 where none was going on. A step's last moment belongs to the next."""
        if not self.steps:
            return np.zeros(len(times), np.int32)
        starts = np.array([step.start for step in self.steps])
        ends = np.array([step.end for step in self.steps])
        index = np.searchsorted(starts, times, side="right") - 1
        inside = (index >= 0) & (times < ends[np.maximum(index, 0)])
        return np.where(inside, index + 1, 0).astype(np.int32)

    def about(self) -> list[tuple[str, str]]:
        """What the record is, as lines for a file's head."""
        header = self.record.header
        facts = [
            ("record", self.record.path.name),
            ("procedure", header["procedure"]["title"]),
            ("pairing", header["pairing"]["title"]),
            ("bench", header["bench"]["title"]),
            ("started", header["started"]),
            ("verdict", self.record.verdict),
            ("time", "seconds on the bench's clock from the start of the run; values in SI units"),
        ]
        if self.record.simulated:
            facts.append(("simulated", "SIMULATED BENCH: not evidence about any real equipment"))
        if imported(header) is not None:
            facts.append(("imported", "imported, not measured by us"))
        if said := changed(self.record):
            facts.append(("changed", said))
        return [(name, line(text)) for name, text in facts]


def changed(record: Record) -> str:
    """What is said of a record that is not as it was sealed; empty where it is."""
    findings = record.verify(allow_unsigned=True).findings
    return f"DOES NOT VERIFY, so this may not be what was sealed: {findings[0]}" if findings else ""


def line(text: Any) -> str:
    """Text in one line and without what no file format carries."""
    return "".join(c if c.isprintable() else " " for c in str(text))[:500]


def harmless(text: str) -> str:
    """Text that no spreadsheet takes for a formula: with an apostrophe before what it would calculate."""
    return f"'{line(text)}" if text.startswith(_RISKY) else line(text)


def _unit(record: Record, name: str) -> str:
    return record.plan.channels[name].unit if name in record.plan.channels else ""


def _chosen(read: list[str], wanted: Sequence[str]) -> list[str]:
    if not wanted:
        return read
    problems, chosen = [], set()
    for pattern in wanted:
        fits = [name for name in read if fnmatchcase(name, re.sub(r"[\[\]?]", "", pattern))]
        if not fits:
            near = get_close_matches(pattern, read, 3)
            mend = f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(read[:20])}"
            problems.append(Problem(f"--channels {pattern[:60]}", "is no channel of this record", mend))
        chosen.update(fits)
    if problems:
        raise Refused(problems)
    return [name for name in read if name in chosen]
