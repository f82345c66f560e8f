"""The engine's side of the watchdog: starts it, feeds it from the run's own loop, and disarms it at the end.

`Watched` stands between loop and bench: each time the loop comes back for its next input, it has turned once, and only
that feeds the watchdog. A watchdog that is gone, or no longer answers, is a fatal fault: the engine makes safe itself.
"""

import contextlib
import hashlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Fault, Input, Order
from benchrunner.engine.watchdog.arming import BEATS, LEAST_LIMIT, Arming
from benchrunner.errors import Problem, Refused

READY_WITHIN = 30.0  # s; it loads what links need, on a machine that may be busy
LEAVE_WITHIN = 5.0  # s
MOST_UNANSWERED = 64  # beats; a pipe holds more than that many times over, so writing never blocks
MEND = "end what keeps the machine busy and try again; `python -m benchrunner.engine.watchdog` must be able to start"


def digests(bench: Bench) -> dict[str, str]:
    """Digests of a bench card and its driver cards."""
    documents = {"": bench.document, **bench.driver_documents}
    return {name: hashlib.sha256(document.raw).hexdigest() for name, document in sorted(documents.items())}


class Watchdog:
    """The watchdog of one run. `start` returns at once, `wait_ready` before anything is switched on."""

    def __init__(self, process: "subprocess.Popen[str]", limit: float) -> None:
        self._process = process
        self.limit = limit
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._number = self._answered = 0
        self._beat_at = -float("inf")
        self._waiting_since: float | None = None
        self._said = ""
        self._on = False
        threading.Thread(target=self._read, name="watchdog", daemon=True).start()

    @classmethod
    def start(cls, events: Any = None, descriptors: Sequence[int] = (), limit: float = 3.0) -> "Watchdog":
        """Start the process. `events`: the run's event stream, which it goes on with once the engine is gone;
        `descriptors`: of locks that it holds as well. Raises `OSError`."""
        from benchrunner.engine.client import _import_path

        windows = sys.platform == "win32"
        process = subprocess.Popen(
            [sys.executable, "-m", "benchrunner.engine.watchdog"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL if events is None else events,
            text=True,
            encoding="utf-8",
            errors="replace",
            bufsize=1,
            pass_fds=() if windows else tuple(descriptors),
            creationflags=subprocess.CREATE_NEW_PROCESS_GROUP if windows else 0,  # type: ignore[attr-defined]
            start_new_session=not windows,
            env={**os.environ, "PYTHONPATH": _import_path()},
        )
        return cls(process, limit)

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    def arm(self, arming: Arming) -> None:
        """Tell it what it watches."""
        self._write(arming.to_line())

    def wait_ready(self) -> None:
        """Wait until it says that it could act. Raises `Refused`."""
        try:
            said = self._answers.get(timeout=READY_WITHIN)
        except queue.Empty:
            said = f"no nothing was heard of it for {READY_WITHIN:g} s"
        if said != "ready":
            raise Refused(Problem("watchdog", f"is not ready: {said.removeprefix('no ')}", MEND))

    def on(self, at: float, folder: str) -> None:
        """From now on something may be switched on; the run's journal lies in `folder`."""
        self._on = True
        self._write(f"on {at!r} {json.dumps(folder)}")

    def beat(self, at: float) -> str:
        """The loop has turned. Why the watchdog can no longer be relied on, or nothing."""
        now = time.monotonic()
        if now - self._beat_at < self.limit / BEATS or not self._on:
            return ""
        self._beat_at = now
        if self._said or self._process.poll() is not None:
            return self._said or f"the watchdog has ended (exit {self._process.poll()})"
        if self._number > self._answered:
            self._waiting_since = self._waiting_since or now
            if now - self._waiting_since > 2 * self.limit or self._number - self._answered > MOST_UNANSWERED:
                return f"the watchdog has not answered for {now - self._waiting_since:.1f} s"
        else:
            self._waiting_since = None
        self._number += 1
        self._write(f"beat {self._number} {at!r}")
        return ""

    def off(self) -> None:
        """The run has ended and the bench is as safe as it gets: disarm. Never raises, waits a few seconds at most."""
        self._on = False
        self._write("off")
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(LEAVE_WITHIN)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _write(self, line: str) -> None:
        try:
            assert self._process.stdin is not None
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        except (OSError, ValueError):
            self._said = self._said or "the watchdog has hung up"

    def _read(self) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(OSError, ValueError):
            for line in self._process.stdout:
                word, _, rest = line.strip().partition(" ")
                if word == "beat" and rest.isdigit():
                    self._answered = max(self._answered, int(rest))
                else:
                    self._answers.put(line.strip())
        self._answers.put("no it ended at once")


class Host(Protocol):
    """The bench as the loop sees it."""

    @property
    def now(self) -> float: ...
    def submit(self, order: Order) -> None: ...
    def next(self, until: float) -> Input | None: ...


class Watched:
    """A bench whose every turn of the loop feeds what watches over it."""

    def __init__(self, host: Host, feeders: Sequence[Callable[[float], str]]) -> None:
        self._host = host
        self._feeders = list(feeders)
        self.submit = host.submit
        if (missed := getattr(host, "missed_polls", None)) is not None:
            self.missed_polls = missed  # counted on the run page while the run goes on

    @property
    def now(self) -> float:
        """As the bench's own."""
        return self._host.now

    def next(self, until: float) -> Input | None:
        """As the bench's own; feeds first. A watchdog that fails is a fatal fault, told once."""
        for feeder in tuple(self._feeders):
            failed = feeder(self._host.now)
            if failed:
                self._feeders.remove(feeder)
                return Fault(
                    self._host.now,
                    -1,
                    f"{failed}: nobody would make the bench safe if this program failed",
                    True,
                )
        return self._host.next(until)


def limit_of(bench: Bench, rate: float, tick: float) -> float:
    """For how long the engine may stand still, s of wall time: the card's limit, but several turns of its loop."""
    return max(bench.card.watchdog.limit, LEAST_LIMIT, BEATS * tick / rate)
