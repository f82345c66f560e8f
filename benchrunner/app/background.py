"""Work that would make the window wait: done by one thread, answers fetched by the window's timer.

The thread knows no Qt. Only the newest of several questions with the same name is worked on.
"""

import queue
import threading
from collections.abc import Callable
from typing import Any


class Background:
    """Runs functions one after the other, away from the window."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._newest: dict[str, int] = {}
        self._work: queue.Queue[tuple[str, int, Callable[[], Any]] | None] = queue.Queue()
        self._done: queue.SimpleQueue[tuple[str, Any, BaseException | None]] = queue.SimpleQueue()
        self._count = 0
        self._thread: threading.Thread | None = None

    def ask(self, name: str, function: Callable[[], Any]) -> None:
        """Have `function` called; its answer comes from `answers` under `name`."""
        with self._lock:
            self._count += 1
            self._newest[name] = self._count
            number = self._count
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="window work", daemon=True)
            self._thread.start()
        self._work.put((name, number, function))

    def answers(self) -> list[tuple[str, Any, BaseException | None]]:
        """What is ready: name, answer, error. Answers to questions that were asked anew since are left out."""
        found = []
        while not self._done.empty():
            found.append(self._done.get())
        return found

    def close(self) -> None:
        """No more work."""
        self._work.put(None)

    def _run(self) -> None:
        while (item := self._work.get()) is not None:
            name, number, function = item
            if self._old(name, number):
                continue
            try:
                answer, error = function(), None
            except Exception as caught:  # shown by the window
                answer, error = None, caught
            if not self._old(name, number):
                self._done.put((name, answer, error))

    def _old(self, name: str, number: int) -> bool:
        with self._lock:
            return self._newest.get(name) != number
