"""When the program itself fails in mid-run: the bench is made safe all the same, and the exit code says so."""

import io
import itertools
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchrunner.core.messages import Order
from benchrunner.core.runner import Runner
from benchrunner.engine import whole
from benchrunner.engine.process import run_request
from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

ROOT = Path(__file__).resolve().parents[2]
Wish = dict[str, str]


class Hands:
    """The operator's wishes, by number of the look."""

    def __init__(self, wishes: dict[int, list[Wish]] | None = None) -> None:
        self._wishes, self._look = wishes or {}, itertools.count()

    def take(self) -> list[Wish]:
        return self._wishes.get(next(self._look), [])


class Trial:
    """One run in this process, with its host in reach."""

    def __init__(self, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.out, self.hosts = out, []
        build = whole.build_host

        def keep(*args: Any, **more: Any) -> Any:
            self.hosts.append(build(*args, **more))
            return self.hosts[-1]

        monkeypatch.setattr(whole, "build_host", keep)

    def run(
        self, procedure: str = "load-rejection", hands: Hands | None = None, **more: Any
    ) -> dict[str, Any]:
        text = io.StringIO()
        stream = EventStream(text)
        ended = run_request(RunRequest(procedure, out=str(self.out), **more), stream, hands or Hands())
        stream.close()
        self.events = [json.loads(line) for line in text.getvalue().splitlines()]
        return ended

    def position(self, tap: str) -> float:
        return float(self.hosts[-1]._mover.plant.value(tap))


@pytest.fixture
def trial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Trial:
    return Trial(tmp_path, monkeypatch)


def failing(number: int, error: Exception, honest: Callable[..., Any]) -> Callable[..., Any]:
    """`honest`, until its call `number` raises, and each call after that."""
    calls = itertools.count()

    def call(*args: Any, **more: Any) -> Any:
        if next(calls) >= number:
            raise error
        return honest(*args, **more)

    return call


def assert_dead(trial: Trial) -> None:
    for tap in ("relays.pv_contactor", "relays.inverter_enable", "relays.battery_contactor", "grid.closed"):
        assert trial.position(tap) == 0.0, tap
    assert trial.position("bus.voltage") < 50.0


@pytest.mark.parametrize(
    ("entry", "number"),
    [("feed", 300), ("feed", 1000), ("feed", 1800), ("keep", 500), ("keep", 2000), ("uneventful", 2000)],
)
def test_a_core_that_raises_still_ends_in_a_safe_bench(
    entry: str, number: int, trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = getattr(Runner, entry)
    monkeypatch.setattr(Runner, entry, failing(number, ZeroDivisionError("by design"), honest))
    ended = trial.run()
    monkeypatch.undo()
    assert (ended["exit"], ended["safe"], ended["finished"]) == (4, "confirmed", False)
    assert "ZeroDivisionError" in ended["reason"]
    assert_dead(trial)
    record = Record.open(ended["record"])
    assert (record.header["finished"], record.header["exit"]) == (False, 4)
    assert verify(ended["record"], allow_unsigned=True).ok
    again = record.rejudge()
    assert again.ok, again.says


def test_a_journal_that_raises_something_else_than_its_own_error(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Journal, "input", failing(4000, OverflowError("by design"), Journal.input))
    ended = trial.run()
    assert (ended["exit"], ended["safe"]) == (4, "confirmed")
    assert_dead(trial)


def test_an_event_that_cannot_be_sent(trial: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(EventStream, "emit", failing(12, ValueError("by design"), EventStream.emit))
    ended = trial.run()
    assert (ended["exit"], ended["safe"]) == (4, "confirmed")
    assert_dead(trial)


def test_a_core_that_raises_while_nothing_was_switched_on(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Runner, "feed", failing(5, ZeroDivisionError("by design"), Runner.feed))
    ended = trial.run()
    assert (ended["exit"], ended["safe"], ended["finished"]) == (4, "not needed", False)


def test_safe_orders_that_cannot_be_given_end_in_five(trial: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchrunner.bench.virtual import VirtualHost

    honest = VirtualHost.submit

    def deaf(self: VirtualHost, order: Order) -> None:
        if getattr(order, "safety", False):
            raise OSError("no route")
        honest(self, order)

    monkeypatch.setattr(VirtualHost, "submit", deaf)
    monkeypatch.setattr(Runner, "feed", failing(4000, ZeroDivisionError("by design"), Runner.feed))
    ended = trial.run()
    assert (ended["exit"], ended["safe"]) == (5, "not confirmed")
    assert any("COULD NOT BE CONFIRMED" in str(event["data"].get("text")) for event in trial.events)


@pytest.mark.parametrize("error", [RuntimeError("by design"), ValueError("by design"), MemoryError()])
def test_a_record_that_cannot_be_sealed_keeps_the_journal(
    error: Exception, trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(whole, "seal", broken)
    ended = trial.run()
    assert (ended["exit"], ended["safe"], ended["record"]) == (4, "confirmed", "")
    assert Path(ended["journal"]).is_file()
    assert any("recover" in str(event["data"].get("text")) for event in trial.events)


ASKING = """
format = 1
title = "Two questions"
purpose = "To see which answer belongs to which question."
basis = ["common practice"]
cautions = ["Hazardous voltage."]

[roles]
bus = "ac_meter"

[[steps]]
id = "first"
title = "First"
ask = { text = "Is the enclosure closed?", choices = ["yes", "no"] }
at_most = "20 s"
if_not = "stop"

[[steps]]
id = "second"
title = "Second"
ask = { text = "Is the emergency stop proved?", choices = ["yes", "no"] }
at_most = "20 s"
if_not = "stop"
"""


def test_an_answer_to_one_question_is_not_taken_for_the_next(trial: Trial, tmp_path: Path) -> None:
    """A second press on the same button comes when the next question is open already."""
    path = tmp_path / "asking.toml"
    path.write_text(ASKING)
    twice = [{"answer": "yes", "to": "first"}, {"answer": "yes", "to": "first"}]
    ended = trial.run(str(path), Hands({5: twice}), attended=True, speed=20.0)
    assert (ended["exit"], ended["ended_by"]) == (4, "step"), ended
    assert "second" in ended["reason"]
    assert any("too late" in str(event["data"].get("text")) for event in trial.events)
    ended = trial.run(
        str(path), Hands({5: twice, 40: [{"answer": "yes", "to": "second"}]}), attended=True, speed=20.0
    )
    assert ended["exit"] == 0, ended
    answers = [item for _, item in Record.open(ended["record"]).inputs() if type(item).__name__ == "Answer"]
    assert [item.text for item in answers] == [
        "yes",
        "yes",
    ]  # both on record; the one that came too late is not


def test_a_prepared_answer_that_does_not_fit_is_given_once(trial: Trial, tmp_path: Path) -> None:
    path = tmp_path / "asking.toml"
    path.write_text(ASKING)
    ended = trial.run(str(path), answers={"first": "perhaps", "second": "yes"}, speed=10.0)
    assert ended["exit"] == 4
    answers = [item for _, item in Record.open(ended["record"]).inputs() if type(item).__name__ == "Answer"]
    assert len(answers) == 1


@pytest.mark.parametrize("answers", [{}, {"first": "yes"}])
def test_a_question_that_nobody_can_answer_is_refused_beforehand(
    trial: Trial, tmp_path: Path, answers: dict[str, str]
) -> None:
    path = tmp_path / "asking.toml"
    path.write_text(ASKING)
    ended = trial.run(str(path), answers=answers)
    assert ended["exit"] == 2 and ended["safe"] == "not needed"
    assert "second" in ended["problems"][-1]["where"] and "--answers" in ended["problems"][-1]["mend"]
    assert len(ended["problems"]) == 2 - len(answers)


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
@pytest.mark.parametrize(
    ("typed", "code"), [("yes\nyes\n", 4), ("\x04", 4), ("no way\n", 4), ("answer both", 0)]
)
def test_questions_on_the_command_line(typed: str, code: int, tmp_path: Path) -> None:
    """Two lines at once answer one question only; the end of the input is a stop; a misfit is asked again."""
    import os
    import pty

    path = tmp_path / "asking.toml"
    path.write_text(ASKING)
    outside, inside = pty.openpty()
    command = [sys.executable, "-m", "benchrunner", "run", str(path), "--speed", "10", "--out", str(tmp_path)]
    process = subprocess.Popen(
        command, stdin=inside, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    os.close(inside)
    assert process.stdout is not None
    said = ""
    while "enclosure closed?" not in said:
        said += process.stdout.read(1)
    os.write(outside, b"yes\n" if typed == "answer both" else typed.encode())
    if typed == "answer both":
        while "stop proved?" not in said:
            said += process.stdout.read(1)
        os.write(outside, b"yes\n")
    out, error = process.communicate(timeout=60)
    os.close(outside)
    assert process.returncode == code, said + out + error
    assert "Traceback" not in error
    if typed == "no way\n":
        assert "choose one of" in out


@pytest.mark.skipif(sys.platform == "win32", reason="sessions and these signals are POSIX")
def test_the_terminal_cannot_stop_or_kill_the_engine(start: Callable[..., Any]) -> None:
    import os
    import signal

    run = start(speed=20.0)
    run.step("energise")
    assert os.getsid(run.session.pid) != os.getsid(0)
    for name in ("SIGHUP", "SIGQUIT", "SIGTSTP", "SIGINT"):
        os.kill(run.session.pid, getattr(signal, name))
    run.step("pv-back")
    os.kill(run.session.pid, signal.SIGTERM)  # asked to end: it makes safe first
    ended = run.end()
    assert (ended["exit"], ended["safe"], ended["ended_by"]) == (4, "confirmed", "operator")


def test_a_disk_that_hangs_in_mid_run_makes_safe(trial: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    import threading
    import time

    from benchrunner.record import journal

    monkeypatch.setattr(journal, "STUCK", 0.3)
    back, honest = threading.Event(), journal.os.fsync

    def hang(number: int) -> None:
        """The disk takes nothing more from the journal's own thread once the run is on its way."""
        host = trial.hosts[-1] if trial.hosts else None
        if threading.current_thread().name != "journal" or host is None or host.now < 1.0:
            honest(number)
            return
        back.wait(30.0)

    build = whole.build_host

    def paced(*args: Any, **more: Any) -> Any:
        """What had to be compiled first must not make the run catch up: it keeps pace from its first moments on."""
        host = build(*args, **more)
        begun = host._pass

        def keep_pace(until: float) -> None:
            host._wall = max(host._wall, time.monotonic() - (until / host.speed + 0.05))
            begun(until)

        host._pass = keep_pace
        return host

    monkeypatch.setattr(whole, "build_host", paced)
    monkeypatch.setattr(journal.os, "fsync", hang)
    others = set(threading.enumerate())
    ended = trial.run(speed=20.0)
    back.set()
    for thread in [one for one in set(threading.enumerate()) - others if one.name == "journal"]:
        thread.join(5.0)
    assert (ended["exit"], ended["safe"], ended["ended_by"]) == (4, "confirmed", "fault")
    assert "disk has taken nothing" in ended["reason"]
    assert_dead(trial)


def test_a_journal_that_fails_while_making_safe_is_no_pass(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All checks had passed by then, but the record cannot show the end of the run."""
    event, write, full = Journal.event, Journal._write_frame, []

    def watch(self: Journal, item: Any) -> None:
        if item.kind == "state" and item.data["state"] == "making safe":
            full.append(True)
        event(self, item)

    def refuse(self: Journal, payload: bytes) -> bool:
        if full:
            self._fail(OSError(28, "No space left on device"))
            return False
        return write(self, payload)

    monkeypatch.setattr(Journal, "event", watch)
    monkeypatch.setattr(Journal, "_write_frame", refuse)
    ended = trial.run()
    assert full
    assert (ended["exit"], ended["finished"], ended["safe"]) == (4, False, "confirmed")
    assert_dead(trial)
    assert Record.open(ended["record"]).header["finished"] is False
