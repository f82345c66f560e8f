"""What the engine tells its watchdog before the run, and the lines that go between them.

Engine to watchdog: the arming as one JSON line; then `on <bench s> <folder as JSON>` once something may be switched on, `beat <n> <bench
s>` from each turn of its loop (a few a second), `off` at the end of a run. Watchdog to engine: `ready` or `no <why>`,
and `beat <n>` for each beat.
"""

import json
from dataclasses import asdict, dataclass, field

LEAST_LIMIT = 0.5  # s; below that a busy machine would trip it
BEATS = 8  # within the limit


@dataclass(frozen=True)
class Arming:
    """Which bench, how to reach it, and for how long the engine may stand still (`limit`, s of wall time)."""

    pid: int
    bench: str  # the card's file
    digests: dict[str, str] = field(
        default_factory=dict
    )  # of the card and its driver cards, as the engine read them
    port_base: int | None = None
    rate: float = 1.0  # bench seconds in a second
    limit: float = 3.0
    rounds: float = 60.0
    tick: float = 0.1
    simulated: bool = False
    other_serials: bool = False  # passed by name for this run

    def to_line(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self))

    @classmethod
    def from_line(cls, line: str) -> "Arming":
        """The arming in such a line. Raises `ValueError` or `TypeError` for anything else."""
        return cls(**json.loads(line))
