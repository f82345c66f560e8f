"""How long an instrument has been on, as far as this program knows, and how long its driver card says it warms up.

An instrument is taken to be on since it first answered, for as long as it was seen again and again with no more than
`UNSEEN` between. What happens meanwhile nobody sees: a short loss of supply is not noticed here. Kept in the user's state
folder beside the bench's checks before power. A simulated instrument needs no warming up.
"""

import json
import os
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from benchrunner.bench.prechecks import history_path
from benchrunner.cards.bench import Bench

UNSEEN = 600.0  # s without an answer after which it counts as newly switched on
LARGEST_FILE = 100_000  # bytes


@dataclass(frozen=True)
class Warming:
    """One instrument: `needs` and `on_for` in s."""

    instrument: str
    needs: float
    on_for: float

    @property
    def left(self) -> float:
        """How long it still has to warm up, s."""
        return max(0.0, self.needs - self.on_for)

    @property
    def says(self) -> str:
        """In one line, as the record keeps it."""
        return (
            f"{self.instrument}: on for {minutes(self.on_for)} as far as is known, where its driver card asks for "
            f"{minutes(self.needs)} of warming up: its accuracy may not hold"
        )


def minutes(seconds: float) -> str:
    """A time for people."""
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def warm_ups(bench: Bench) -> dict[str, float]:
    """What each instrument of a real bench asks for, s; only those that ask for any."""
    if bench.simulated:
        return {}
    return {
        name: bench.drivers[name].warm_up
        for name in bench.card.instruments
        if bench.drivers[name].warm_up > 0.0
    }


def look(
    bench: Bench,
    identities: Iterable[Mapping[str, Any]],
    port_base: int | None = None,
    now: float | None = None,
) -> list[Warming]:
    """The instruments that warm up, with how long each has been on; that they answered now is kept.

    `identities`: rows as the record lists them. `now`: seconds of the epoch. A file that cannot be read or kept counts as
    nothing known, so the whole time is waited for.
    """
    needs = warm_ups(bench)
    if not needs:
        return []
    now = time.time() if now is None else now
    known = _read(bench, port_base)
    found: list[Warming] = []
    kept: dict[str, tuple[float, float]] = {}
    for row in identities:
        if row["name"] not in needs:
            continue
        key = f"{row['address']} {row['identity']}"
        since, last = known.get(key, (now, now))
        if not since <= last <= now <= last + UNSEEN:
            since = now
        kept[key] = (since, now)
        found.append(Warming(row["name"], needs[row["name"]], now - since))
    _keep(bench, port_base, kept)
    return found


def _read(bench: Bench, port_base: int | None) -> dict[str, tuple[float, float]]:
    try:
        path = _path(bench, port_base)
        if path.stat().st_size > LARGEST_FILE:
            return {}
        rows = json.loads(path.read_text(encoding="utf-8"))
        return {str(key): (float(since), float(last)) for key, (since, last) in rows.items()}
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        return {}


def _keep(bench: Bench, port_base: int | None, rows: dict[str, tuple[float, float]]) -> None:
    path = _path(bench, port_base)
    beside = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(json.dumps(rows), encoding="utf-8")
        os.replace(beside, path)
    except OSError:
        return


def _path(bench: Bench, port_base: int | None) -> Any:
    return history_path(bench, port_base).with_suffix(".on-since.json")
