"""The engine's process: prepares, runs, seals, and says how it went on its event stream.

Started as `python -m benchrunner.engine` by `client.Session`. The first line of its standard input is the request, the
lines after it are wishes. The end of that input means that nobody is at the controls any more: it counts as a stop.
"""

import contextlib
import os
import queue
import signal
import sys
import threading
from dataclasses import asdict
from typing import IO, Any

from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream
from benchrunner.errors import LinkError, Problem, Refused


class StandardInput:
    """Wishes as they come in on a text stream, read by a thread."""

    def __init__(self, source: IO[str]) -> None:
        self._wishes: queue.SimpleQueue[dict[str, str]] = queue.SimpleQueue()
        self._source = source
        threading.Thread(target=self._read, name="wishes", daemon=True).start()

    def take(self) -> list[dict[str, str]]:
        """What came since the last call."""
        found = []
        while not self._wishes.empty():
            found.append(self._wishes.get())
        return found

    def stop(self, why: str) -> None:
        """A stop that comes from this process itself."""
        self._wishes.put({"wish": "stop", "why": why})

    def _read(self) -> None:
        import json

        with contextlib.suppress(OSError, ValueError):
            for line in self._source:
                try:
                    wish = json.loads(line)
                except json.JSONDecodeError:
                    continue
                if isinstance(wish, dict):
                    self._wishes.put({str(key): str(value) for key, value in wish.items()})
        self.stop("whoever watched this run is gone (window or terminal closed)")


def main() -> int:
    """Run one request from standard input. The exit code is the run's."""
    events = _private_output()
    for name in (
        "SIGINT",
        "SIGHUP",
        "SIGQUIT",
        "SIGTSTP",
    ):  # the terminal's keys and its end reach us through whoever started us
        with contextlib.suppress(ValueError, OSError, AttributeError):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    line = sys.stdin.readline()
    stream = EventStream(events)
    try:
        request = RunRequest.from_line(line)
    except (ValueError, TypeError) as error:
        stream.send(
            0.0,
            "ended",
            _refused(
                [Problem("request", f"cannot be read: {error}", "start runs through `benchrunner run`")]
            ),
        )
        stream.close()
        return 2
    wishes = StandardInput(sys.stdin)
    with contextlib.suppress(ValueError, OSError, AttributeError):
        signal.signal(signal.SIGTERM, lambda *_: wishes.stop("the engine was asked to end (SIGTERM)"))
    ended = run_request(request, stream, wishes)
    stream.send(float(ended.get("at", 0.0)), "ended", ended)
    stream.close()
    return int(ended["exit"])


def run_request(request: RunRequest, stream: EventStream, wishes: Any) -> dict[str, Any]:
    """Prepare and run; the data of the `ended` event. Never raises for what a bench or a person can do wrong."""
    from benchrunner.engine.prepare import prepare
    from benchrunner.engine.whole import whole_run

    try:
        return whole_run(prepare(request), stream, wishes)
    except Refused as refusal:
        return _refused(refusal.problems)
    except LinkError as error:
        return _refused([error.problem])


def _refused(problems: Any) -> dict[str, Any]:
    return {
        "exit": 2, "verdict": "not judged", "ended_by": "refused", "finished": False, "safe": "not needed", "record": "",
        "problems": [asdict(problem) for problem in problems],
    }  # fmt: skip


def _private_output() -> IO[str]:
    """The event stream, on a descriptor of its own: whatever a library prints goes to the error output instead."""
    events = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8", newline="\n")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return events
