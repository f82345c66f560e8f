"""The window over a served bench, ten times real time: a whole run with its missed polls, a lost link, a killed engine."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_rig import Screen
from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.record.opened import Record

PATIENCE = 120.0  # s; only so that a hang ends


class Bench:
    """`benchrunner serve` in a process of its own."""

    def __init__(self) -> None:
        self.base = free_base(60)
        command = [
            sys.executable,
            "-m",
            "benchrunner",
            "serve",
            "loopback",
            "--speed",
            "10",
            "--port-base",
            str(self.base),
        ]
        self.process = subprocess.Popen(
            [*command, "--start", "battery.soc=97.5 %"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.startswith("ready"):
                break
        assert self.process.poll() is None

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    served = Bench()
    yield served
    served.end()


@pytest.fixture
def started(screen: Screen, bench: Bench) -> Screen:
    """A window in which a load rejection has begun on the served bench."""
    page = screen.ready().window.prepare
    row = next(
        k for k in range(page.benches.count()) if str(page.benches.itemData(k)).endswith("loopback.toml")
    )
    page.benches.setCurrentIndex(row)
    screen.until(lambda: not page.is_working and page.setup.ports.isEnabled(), what="the preview")
    page.setup.ports.setText(str(bench.base))
    page.speed.setEditText("10")
    screen.let(0.5)
    screen.ready()
    assert page.start.isEnabled(), page.why_not.text()
    page.start.click()
    screen.until(
        lambda: screen.window.run.current is not None and screen.window.run.current.index >= 1,
        PATIENCE,
        "step 2",
    )
    return screen


def test_a_link_that_is_lost_is_named_and_the_alarm_says_what_to_do(started: Screen, bench: Bench) -> None:
    window = started.window
    bench.end()
    started.until(lambda: window.run.state == "making safe", PATIENCE, "making safe")
    started.until(lambda: window.notice.isVisible(), PATIENCE, "the alarm")
    started.until(lambda: window.run.ended is not None, PATIENCE, "the end")
    started.let(0.2)
    ended = window.run.ended or {}
    assert (ended["exit"], ended["safe"]) == (5, "not confirmed")
    assert window.notice.text.text().startswith("ALARM") and "hardware" in window.notice.text.text()
    says = window.run_page.outcome.says.text()
    assert "Isolate the sources by hand" in says
    named = [
        name
        for name in read_bench(data.find("loopback", "resources", "benches")).card.instruments
        if name in says
    ]
    assert named, says  # the instrument that was missed first, whichever it was
    assert window.run.missed and "none" not in window.run_page.polling.text()
    assert f"{window.run.planned_checks} not judged" in window.run_page.ledger.head.text()
    assert Record.open(ended["record"]).header["finished"] is False


def test_an_engine_that_is_killed_leaves_it_to_its_watchdog_and_the_window_says_so(started: Screen) -> None:
    window = started.window
    assert window.link is not None
    window.link._session._process.kill()
    started.until(lambda: window.notice.isVisible(), PATIENCE, "the watchdog's word")
    assert "WATCHDOG" in window.notice.text.text()
    started.until(lambda: window.run.ended is not None, PATIENCE, "the end")
    started.let(0.2)
    ended = window.run.ended or {}
    assert (ended["exit"], ended["ended_by"], ended["safe"]) == (4, "watchdog", "confirmed"), ended
    outcome = window.run_page.outcome
    assert "watchdog made the bench safe" in outcome.says.text()
    assert f"benchrunner recover {ended['journal']}" in outcome.record.text()
    assert not outcome.report.isEnabled()
