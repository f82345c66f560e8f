"""The other end of the event stream: starts the engine's process and talks to it without ever blocking.

The engine is `python -m benchrunner.engine`: request and wishes go in as JSON lines on its standard input, events come
out as JSON lines on its standard output. When its input ends, whoever asked for the run is gone: the engine makes safe.
"""

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

from benchrunner.engine.request import RunRequest

EventDict = dict[str, Any]
# s; the time-outs of a safe order one after the other (some 40 s on our benches), its rounds (60 s), closing links that
# hang, sealing. Ending an engine that still makes safe would leave the bench as it is.
PATIENCE = 300.0


class Session:
    """One run in its own process."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self._process = process
        self._events: queue.SimpleQueue[EventDict | None] = queue.SimpleQueue()
        self.ended: dict[str, Any] | None = None  # the data of the `ended` event, once it came
        self.said: list[str] = []  # what the engine wrote to its error output, last 200 lines
        self._prepared = False
        self._out = ""  # below which folder the run's own lies
        self._through = threading.Event()  # the event stream has ended: engine and watchdog are both gone
        for name, target in (("engine events", self._read), ("engine errors", self._read_errors)):
            threading.Thread(target=target, name=name, daemon=True).start()

    @classmethod
    def start(cls, request: RunRequest) -> "Session":
        """Start the engine and hand it the request."""
        flags = 0
        if sys.platform == "win32":
            # a group of its own: Ctrl-C cannot be ignored by one process alone there; elsewhere the engine ignores it
            flags = subprocess.CREATE_NEW_PROCESS_GROUP
        process = subprocess.Popen(
            [sys.executable, "-m", "benchrunner.engine"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            bufsize=1,
            creationflags=flags,
            start_new_session=sys.platform != "win32",
            env={**os.environ, "PYTHONPATH": _import_path()},
        )
        session = cls(process)
        session._out = request.out
        session._write(request.to_line())
        return session

    @property
    def pid(self) -> int:
        """The engine's process number."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether the engine still runs, or the watchdog that goes on in its place."""
        return self._process.poll() is None or not self._through.is_set()

    def send(self, wish: dict[str, str]) -> None:
        """`{"wish": "stop" | "pause" | "resume", "why": ...}` or `{"answer": text, "to": step}`.

        With `to`, the id of the `ask` event, an answer that comes late is not taken for the next question.
        """
        self._write(json.dumps(wish))

    def poll(self) -> list[EventDict]:
        """The events since the last call; never waits. A last event `lost` says that the engine ended without a word."""
        found: list[EventDict] = []
        while not self._events.empty():
            event = self._events.get()
            found.append(event if event is not None else self._lost())
        return [event for event in found if event]

    def events(self) -> Iterator[EventDict]:
        """The events as they come, until the engine is through."""
        while True:
            event = self._events.get()
            if event is None:
                last = self._lost()
                if last:
                    yield last
                return
            yield event

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the engine's end; its exit code. Raises `subprocess.TimeoutExpired`."""
        return self._process.wait(timeout)

    def close(self, patience: float = PATIENCE) -> None:
        """Hang up: the engine makes safe and seals. Waits `patience` seconds for it, then ends it; then for its watchdog."""
        if self._process.stdin and not self._process.stdin.closed:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        try:
            self._process.wait(patience)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._through.wait(patience)

    def _write(self, line: str) -> None:
        try:
            assert self._process.stdin is not None
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        except (OSError, ValueError):
            pass  # the engine is gone; its reader says so

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            try:
                event = json.loads(line)
            except ValueError:
                continue
            if not isinstance(event, dict):  # what an engine that was killed left of a line may be a number
                continue
            if event.get("kind") == "prepared":
                self._prepared = True
            elif event.get("kind") == "ended":
                self.ended = event["data"]
            self._events.put(event)
        self._process.stdout.close()
        self._events.put(None)
        self._through.set()

    def _read_errors(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self.said = [*self.said[-199:], line.rstrip("\n")]
        self._process.stderr.close()

    def _lost(self) -> EventDict:
        """The event that stands for an engine that ended without saying how; empty if it did say."""
        if self.ended is not None:
            return {}
        deadline = time.monotonic() + 1.0
        while self._process.poll() is None and time.monotonic() < deadline:
            time.sleep(0.01)
        if self._prepared:
            code, safe = 5, "not confirmed"
            text = (
                f"the engine ended without closing the run (exit {self._process.poll()}). The bench may still be energised: "
                "make it safe by hand, then seal what was recorded with `benchrunner recover` and the run's folder "
                f"in {self._out or 'the output folder'}."
            )
        else:
            code, safe = 2, "not needed"
            text = "the engine did not start, nothing was switched on: " + (
                " | ".join(self.said[-3:]) or "it said nothing"
            )
        self.ended = {
            "exit": code,
            "verdict": "not judged",
            "ended_by": text,
            "finished": False,
            "safe": safe,
            "record": "",
        }
        return {"at": 0.0, "kind": "ended", "data": self.ended}


def _import_path() -> str:
    """So that the child finds this package also when it runs from the source tree."""
    from pathlib import Path

    root = str(Path(__file__).resolve().parents[2])
    rest = os.environ.get("PYTHONPATH", "")
    return root + (os.pathsep + rest if rest else "")
