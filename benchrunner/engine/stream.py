"""The engine's end of the event stream: one JSON object a line, never blocking the run.

A slow or stuck reader loses batches of readings (the journal has them all); everything else waits for it in memory.
"""

import json
import math
import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import IO, Any

from benchrunner.core.messages import Event, Readings

_MOST_WAITING = 200  # lines queued before batches of readings are dropped
_PERIOD = 0.04  # s of wall time between batches of readings, 25 a second
_MISSED_PERIOD = 1.0  # s of wall time between counts of missed polls
_MOST_POINTS = 24  # per channel and batch; above, the extremes of its parts stand for the rest


def jsonable(value: Any) -> Any:
    """The value as strict JSON knows it: NaN and infinities become null, tuples lists, numpy numbers plain ones."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (str, int, bool)) or value is None:
        return value
    if isinstance(value, dict):
        return {str(key): jsonable(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [jsonable(inner) for inner in value]
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    return str(value)


class EventStream:
    """Writes events to `sink` from a thread of its own; `close` waits until all are out (or `patience` is over)."""

    def __init__(self, sink: IO[str]) -> None:
        self._sink = sink
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._thread = threading.Thread(target=self._write, name="events", daemon=True)
        self._thread.start()
        self.broken = False

    @property
    def descriptor(self) -> int | None:
        """The sink's descriptor, for a process that goes on with it; None where it has none."""
        try:
            return self._sink.fileno()
        except (OSError, ValueError, AttributeError):
            return None

    def emit(self, event: Event) -> None:
        """Queue one event."""
        self.send(event.at, event.kind, event.data)

    def send(self, at: float, kind: str, data: dict[str, Any]) -> None:
        """Queue one event from its parts."""
        if kind == "readings" and self._lines.qsize() > _MOST_WAITING:
            return
        self._lines.put(json.dumps({"at": at, "kind": kind, "data": jsonable(data)}, allow_nan=False))

    def close(self, patience: float = 5.0) -> None:
        """Write what is queued and stop."""
        self._lines.put(None)
        self._thread.join(patience)

    def _write(self) -> None:
        while (line := self._lines.get()) is not None:
            if self.broken:
                continue
            try:
                self._sink.write(line + "\n")
                if self._lines.empty():
                    self._sink.flush()
            except (OSError, ValueError):
                self.broken = True  # nobody listens any more; the run itself notices through its wishes
        try:
            self._sink.flush()
        except (OSError, ValueError):
            self.broken = True


class LiveReadings:
    """Gathers readings and sends them in small batches, at most 25 a second of wall time."""

    def __init__(self, stream: EventStream, channels: list[tuple[str, ...]]) -> None:
        self._stream, self._channels = stream, channels
        self._waiting: list[Readings] = []
        self._due = time.monotonic()

    def add(self, item: Readings) -> None:
        """Keep one reply for the next batch."""
        self._waiting.append(item)
        if len(self._waiting) & 31 == 0 or time.monotonic() >= self._due:
            self.flush()

    def add_all(self, items: Sequence[Readings]) -> None:
        """Keep some replies for the next batch."""
        self._waiting += items
        if time.monotonic() >= self._due:
            self.flush()

    def flush(self, force: bool = False) -> None:
        """Send the batch if it is due."""
        now = time.monotonic()
        if not self._waiting or (now < self._due and not force):
            return
        self._due = now + _PERIOD
        points: dict[str, tuple[list[float], list[float]]] = {}
        for item in self._waiting:
            for name, value in zip(self._channels[item.source], item.values, strict=False):
                times, values = points.setdefault(name, ([], []))
                times.append(item.at)
                values.append(value)
        last = self._waiting[-1].arrived
        self._waiting.clear()
        data = {
            name: dict(zip(("times", "values"), _thin(times, values), strict=True))
            for name, (times, values) in points.items()
        }
        self._stream.send(last, "readings", {"channels": data})


class MissedPolls:
    """Sends how many polls each instrument has missed as soon as one is, at most once a second of wall time.

    `count`: name -> polls of the run so far that were not made or brought no reading, of instruments that missed any.
    """

    def __init__(self, stream: EventStream, count: Callable[[], dict[str, int]]) -> None:
        self._stream, self._count = stream, count
        self._sent: dict[str, int] = {}
        self._due = -math.inf

    def look(self, at: float, force: bool = False) -> None:
        """Send the counts where they have changed; `at`: bench time, s."""
        now = time.monotonic()
        if now < self._due and not force:
            return
        counts = self._count()
        if counts != self._sent:
            self._due = now + _MISSED_PERIOD
            self._sent = counts
            self._stream.send(at, "polling", {"missed": counts})


def _thin(times: list[float], values: list[float]) -> tuple[list[float], list[float]]:
    """Lowest and highest of each part of a long batch, in order of time: its shape stays, and no spike is hidden."""
    count = len(values)
    if count <= _MOST_POINTS:
        return times, values
    parts = _MOST_POINTS // 2
    keep = {0, count - 1}
    for part in range(parts):
        span = range(part * count // parts, (part + 1) * count // parts)
        good = [k for k in span if values[k] == values[k]]
        keep |= {min(good, key=values.__getitem__), max(good, key=values.__getitem__)} if good else {span[0]}
    chosen = sorted(keep)
    return [times[k] for k in chosen], [values[k] for k in chosen]
