"""Owns orders that come at a time of the plant's own: what an instrument carries out by itself after it was triggered."""

import heapq
import math
from collections.abc import Iterator

MOST = 20_000  # orders that may wait


class Agenda:
    """Orders by their time; who entered them (`owner`) may take them back. `first`: when the next one is due, s."""

    def __init__(self) -> None:
        self.first = math.inf
        self._number = 0
        self._waiting: list[tuple[float, int, str, str, float]] = []

    def add(self, owner: str, at: float, name: str, value: float) -> None:
        """Enter an order for the plant's time `at`, s. Raises `ValueError` where too many wait."""
        if len(self._waiting) >= MOST:
            raise ValueError(f"more than {MOST} orders wait")
        self._number += 1
        heapq.heappush(self._waiting, (at, self._number, owner, name, value))
        self.first = self._waiting[0][0]

    def waits(self, owner: str) -> bool:
        """Whether anything of `owner` is still to come."""
        return any(entry[2] == owner for entry in self._waiting)

    def drop(self, owner: str) -> bool:
        """Take back all that `owner` entered; whether any was still to come."""
        kept = [entry for entry in self._waiting if entry[2] != owner]
        found = len(kept) < len(self._waiting)
        heapq.heapify(kept)
        self._waiting = kept
        self.first = kept[0][0] if kept else math.inf
        return found

    def due(self, until: float) -> Iterator[tuple[float, str, float]]:
        """Take off, one by one, what is due at or before `until`: time, setting, value."""
        while self.first <= until:
            at, _, _, name, value = heapq.heappop(self._waiting)
            self.first = self._waiting[0][0] if self._waiting else math.inf
            yield at, name, value
