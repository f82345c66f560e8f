"""The watchdog's own process: waits for the engine's beats, and acts when they cease.

Light at start; the libraries that links need load before it says that it is ready, so that nothing has to be found on
the disk when it must act. The terminal's keys and its end do not reach it.
"""

import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from benchrunner.engine.watchdog.arming import BEATS, Arming

if TYPE_CHECKING:
    from benchrunner.engine.watchdog.acting import SafePlan

GONE = "gone"  # instead of a line: the pipe has ended


class _Lines:
    """Lines from the engine, read by a thread: a pipe cannot be waited on with a time limit everywhere."""

    def __init__(self, source: IO[str]) -> None:
        self._source = source
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._read, name="beats", daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in self._source:
                self._lines.put(line.rstrip("\n"))
        self._lines.put(GONE)

    def next(self, wait: float | None) -> str:
        """The next line; empty where none came in time."""
        try:
            return self._lines.get(timeout=wait)
        except queue.Empty:
            return ""


def main() -> int:
    """Watch one run. 0: it ended in good order or never began; 4 and 5 as the run's exit codes; 2: it could not watch."""
    for name in ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGTERM"):
        with contextlib.suppress(ValueError, OSError, AttributeError):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    events = _event_stream()
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8", newline="\n")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    first = sys.stdin.readline()
    lines = _Lines(sys.stdin)
    try:
        arming = Arming.from_line(first)
        plan = _plan(arming)
    except (
        Exception
    ) as error:  # whatever a card or a library does: the engine must hear of it, and refuse to run
        _answer(answers, f"no {type(error).__name__}: {error}".replace("\n", " ")[:500])
        return 2
    from benchrunner.engine.watchdog.ending import Engine

    engine = Engine(arming.pid)
    _answer(answers, "ready")
    watched = _watch(lines, answers, arming.limit, arming.rate)
    if watched is None:
        return 0
    return _act(arming, plan, engine, watched, events)


def _event_stream() -> IO[str]:
    """The run's event stream comes as the error output; whatever is printed to that goes nowhere."""
    events = os.fdopen(os.dup(sys.stderr.fileno()), "w", encoding="utf-8", newline="\n")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())
    return events


def _answer(answers: IO[str], line: str) -> None:
    with contextlib.suppress(OSError, ValueError):
        answers.write(line + "\n")
        answers.flush()


def _plan(arming: Arming) -> "SafePlan":
    from benchrunner.cards.bench import read_bench
    from benchrunner.engine.watchdog.acting import SafePlan
    from benchrunner.engine.watchdog.keeper import digests

    bench = read_bench(Path(arming.bench))
    if digests(bench) != arming.digests:
        raise ValueError(f"{arming.bench} or one of its driver cards has changed since the run was prepared")
    return SafePlan.of(bench, arming.port_base, arming.rate, arming.rounds, arming.tick, arming.other_serials)


@dataclass(frozen=True)
class _Lost:
    """Why the engine counts as lost, the bench time now, and the folder of its run."""

    why: str
    at: float
    folder: str


def _watch(lines: _Lines, answers: IO[str], limit: float, rate: float) -> _Lost | None:
    """Until the run ends (None), or until the engine no longer beats.

    Time counts only as far as this process was awake to see it: on a machine that was asleep or overloaded, an engine
    that could not run either gets its chance to beat first.
    """
    folder: str | None = None  # none: nothing has been switched on yet
    at = silent = 0.0
    beaten = time.monotonic()
    step = limit / BEATS
    while True:
        began = time.monotonic()
        line = lines.next(step)
        silent += min(time.monotonic() - began, 2 * step)
        word, _, rest = line.partition(" ")
        if word == "beat":
            number, _, when = rest.partition(" ")
            at, silent, beaten = _number(when, at), 0.0, time.monotonic()
            _answer(answers, f"beat {number}")
        elif word == "on":
            when, _, where = rest.partition(" ")
            folder, at, silent = str(json.loads(where)), _number(when, at), 0.0
            beaten = time.monotonic()
        elif word == "off":
            return None
        elif word == GONE:
            why = "the engine ended in the middle of the run (killed, or crashed)"
            return None if folder is None else _Lost(why, at + (time.monotonic() - beaten) * rate, folder)
        elif folder is not None and silent >= limit:
            why = f"the engine stood still for more than {limit:g} s"
            return _Lost(why, at + (time.monotonic() - beaten) * rate, folder)


def _number(text: str, otherwise: float) -> float:
    try:
        return float(text)
    except ValueError:
        return otherwise


def _act(arming: Arming, plan: "SafePlan", engine: Any, lost: _Lost, sink: IO[str]) -> int:
    """End what is left of the engine, make the bench safe, and say so on every way there is."""
    from benchrunner.bench.locks import lock
    from benchrunner.core.messages import Event
    from benchrunner.core.safe import END_STATEMENT
    from benchrunner.engine.stream import EventStream
    from benchrunner.engine.watchdog.acting import make_safe
    from benchrunner.record.account import Account

    why, at = lost.why, lost.at
    account = Account(Path(lost.folder))
    account.say("acting", why=why, bench=plan.bench.card.title, engine=arming.pid, at=at)
    ended = engine.end()
    if not ended:
        account.say("engine", text="it could not be ended; the bench is made safe beside it")
    began = time.monotonic()

    with contextlib.suppress(OSError, ValueError):
        sink.write("\n")  # the engine may have been ended in the middle of a line
    stream = EventStream(sink)

    def tell(event: Event) -> None:
        account.say(event.kind, at=round(at + event.at, 3), **event.data)
        stream.send(at + event.at, event.kind, event.data)

    tell(
        Event(
            0.0,
            "note",
            {"text": f"WATCHDOG: {why}; it makes the bench safe over links of its own", "level": "alarm"},
        )
    )
    tell(Event(0.0, "state", {"state": "making safe", "cause": "watchdog"}))
    try:
        sequence = make_safe(plan, tell)
        confirmed, missed = sequence.confirmed, sequence.missed
    except (
        Exception
    ) as error:  # nothing behind this can make the bench safe any more; say so as loudly as can be
        confirmed, missed = False, ("everything",)
        tell(
            Event(
                0.0,
                "note",
                {"text": f"the watchdog failed: {type(error).__name__}: {error}", "level": "alarm"},
            )
        )
    spent = (time.monotonic() - began) * arming.rate
    safe = "confirmed" if confirmed else "not confirmed"
    reason = (
        f"{why}; the watchdog made the bench safe"
        if confirmed
        else (f"{why}; the watchdog could NOT confirm the safe state ({', '.join(missed)})")
    )
    locked = False
    try:
        locked = lock(plan.bench, arming.port_base, reason, lost.folder)
    except Exception as error:
        tell(Event(spent, "note", {"text": f"the bench could not be locked: {error}", "level": "error"}))
    code = 4 if confirmed else 5
    data = {
        "exit": code, "verdict": "not judged", "ended_by": "watchdog", "reason": reason, "finished": False, "safe": safe,
        "safe_text": END_STATEMENT if confirmed else "The safe state could NOT be confirmed.", "simulated": arming.simulated,
        "signed": False, "record": "", "journal": lost.folder, "problems": [], "locked": locked,
    }  # fmt: skip
    account.say(
        "ended", says=reason, safe=safe, missed=list(missed), exit=code, seconds=round(spent / arming.rate, 3)
    )
    account.close()
    stream.send(at + spent, "ended", data)
    stream.close()
    return code
