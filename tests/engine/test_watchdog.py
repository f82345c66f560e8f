"""The watchdog on a served bench in real time: engines that are killed, stopped or stuck, over TCP and a pseudo-terminal.

What became of the bench is read back from its emulators and its plant, not from what the watchdog says of itself.
"""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from watched_bench import HOLD, ROOT, SAFE_ORDER, Remembering, card, served

from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest
from benchrunner.record.account import account_says, read_account
from benchrunner.record.opened import Record
from benchrunner.record.recover import recover

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals and pseudo-terminals of POSIX"),
]
PATIENCE = 60.0  # s for a run to end
FAST = 4.0  # bench seconds in a second
LIMIT = 'watchdog = { limit = "2 s" }'
OFF = ("relays.pv_contactor", "relays.inverter_enable", "relays.battery_contactor", "grid.closed")
# An engine that gets stuck for good once a file is there, in its own loop and holding the interpreter.
STUCK = """
import os, sys
from benchrunner.bench.live import LiveHost
from benchrunner.engine.process import main
before = LiveHost.next
def next(self, until):
    while os.path.exists({flag!r}):
        pass
    return before(self, until)
LiveHost.next = next
sys.exit(main())
"""


class Trial:
    """One run on a served bench, brought into the middle of its second step."""

    def __init__(self, folder: Path, server: Remembering, base: int, path: Path, speed: float = FAST) -> None:
        self.folder, self.server, self.base, self.path = folder, server, base, path
        (folder / "hold.toml").write_text(HOLD, encoding="utf-8")
        self.request = RunRequest(
            str(folder / "hold.toml"), bench=str(path), speed=speed, port_base=base, out=str(folder / "runs")
        )
        self.session: Any = None
        self.events: list[dict[str, Any]] = []
        self.since = 0.0

    def begin(self, session: Session | None = None, *, live: bool = True) -> "Trial":
        self.session = session or Session.start(self.request)
        for event in self.session.events():
            self.events.append(event)
            if event["kind"] == "step" and event["data"]["id"] == ("hold" if live else "load"):
                break
        assert self.session.ended is None, (self.session.ended, self.events[-5:], self.session.said)
        if not live:
            return self
        assert self.server.plant_value("relays.pv_contactor") == 1.0
        assert self.server.setting("pv_source.on") == 1.0  # the sources are on, or there is nothing to save
        assert self.server.plant_value("load.power") > 500.0
        self.since = time.monotonic()
        return self

    def hit(self, signal_: signal.Signals) -> None:
        os.kill(self.session.pid, signal_)

    def end(self) -> dict[str, Any]:
        late = threading.Timer(
            PATIENCE, self.hit, (signal.SIGKILL,)
        )  # so that what never ends fails, and ends
        late.start()
        self.events += list(self.session.events())
        late.cancel()
        self.session.close(30.0)
        return dict(self.session.ended)

    @property
    def run_folder(self) -> Path:
        (found,) = (path for path in (self.folder / "runs").iterdir() if path.is_dir())
        return found

    @property
    def watchdog(self) -> int:
        text = next(
            e["data"]["text"] for e in self.events if "a watchdog (process" in str(e["data"].get("text"))
        )
        return int(text.split("process ")[1].split(")")[0])

    def settings(self) -> list[tuple[str, str]]:
        return self.server.told(self.since)

    def assert_off_in_order(self) -> None:
        assert [one for one in self.settings() if one in SAFE_ORDER] == SAFE_ORDER
        for tap in OFF:
            assert self.server.plant_value(tap) == 0.0, tap
        assert self.server.setting("pv_source.on") == 0.0
        assert self.server.plant_value("bus.voltage") < 50.0


def gone(pid: int, within: float = 5.0) -> bool:
    """Whether a process has ended (a zombie that nobody waits for has)."""
    deadline = time.monotonic() + within
    while time.monotonic() < deadline:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":
            return True
        time.sleep(0.02)
    return False


@pytest.fixture
def trial(tmp_path: Path) -> Iterator[Callable[..., Trial]]:
    with contextlib.ExitStack() as stack:

        def make(speed: float = FAST, swap: dict[str, str] | None = None, top: str = LIMIT) -> Trial:
            path = card(tmp_path, top, swap)
            server, base = served(path, speed=speed)
            stack.enter_context(server)
            made = Trial(tmp_path, server, base, path, speed)
            stack.callback(lambda: made.session is not None and made.session.close(20.0))
            return made

        yield make


def test_a_killed_engine_leaves_a_bench_that_is_made_safe_in_order(trial: Callable[..., Trial]) -> None:
    one = trial().begin()
    one.hit(signal.SIGKILL)
    ended = one.end()
    one.assert_off_in_order()
    first = next(
        at for at, name, text in one.server.heard if at > one.since and (name, text) == SAFE_ORDER[0]
    )
    assert first - one.since < 2.0
    assert (ended["exit"], ended["safe"], ended["ended_by"]) == (4, "confirmed", "watchdog")
    assert "killed, or crashed" in ended["reason"]
    assert ended["journal"] == str(one.run_folder)
    account = read_account(one.run_folder)
    assert (account[0]["what"], account[-1]["what"], account[-1]["safe"]) == ("acting", "ended", "confirmed")
    assert [line["id"] for line in account if line.get("phase") == "confirmed"] == [
        "pv-contactor", "pv-source", "inverter-standby", "grid-open", "load-off", "battery-contactor",
    ]  # fmt: skip
    assert "end state: safe, confirmed" in account_says(one.run_folder)[-1]
    written = (one.run_folder / "watchdog.jsonl").read_bytes()
    recovered = recover(one.run_folder)  # and what was measured until then is kept, with the account
    assert any("end state: safe, confirmed" in line for line in recovered.says)
    assert not any("NOT known" in line for line in recovered.says)
    record = Record.open(recovered.record)
    assert record.header["finished"] is False
    assert record.verify(allow_unsigned=True).ok
    with zipfile.ZipFile(recovered.record) as members:
        assert members.read("attached/watchdog.jsonl") == written
    assert gone(one.watchdog)


def test_a_stopped_engine_is_ended_and_its_exclusive_line_comes_free(
    trial: Callable[..., Trial], tmp_path: Path
) -> None:
    """The relay board on a pseudo-terminal: pyserial opens it for one process alone."""
    line = tmp_path / "relays.line"
    one = trial(swap={'"socket://127.0.0.1:{port+10}"': f'"serial:{line}"'}).begin()
    one.hit(signal.SIGSTOP)
    ended = one.end()
    one.assert_off_in_order()
    assert (ended["exit"], ended["safe"]) == (4, "confirmed")
    assert "stood still for more than 2 s" in ended["reason"]
    assert gone(one.session.pid)  # and so cannot wake up and switch anything
    with contextlib.suppress(ProcessLookupError):
        one.hit(signal.SIGCONT)
    settings = one.settings()
    time.sleep(0.5)
    assert one.settings() == settings


def test_an_engine_in_a_busy_loop_is_ended(trial: Callable[..., Trial], tmp_path: Path) -> None:
    flag = tmp_path / "stuck"
    one = trial()
    process = subprocess.Popen(
        [sys.executable, "-c", STUCK.format(flag=str(flag))], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, bufsize=1, start_new_session=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    session = Session(process)
    session._write(one.request.to_line())
    one.begin(session)
    flag.touch()
    ended = one.end()
    one.assert_off_in_order()
    assert (ended["exit"], ended["safe"]) == (4, "confirmed")
    assert "stood still" in ended["reason"]
    assert process.returncode == -signal.SIGKILL


def test_with_a_dead_link_it_goes_on_with_the_rest_and_says_what_is_not_confirmed(
    trial: Callable[..., Trial],
) -> None:
    one = trial(speed=20.0)
    one.begin()
    one.server.call(lambda: one.server.fault("relays", "silent"))
    one.hit(signal.SIGKILL)
    ended = one.end()
    assert (ended["exit"], ended["safe"]) == (5, "not confirmed")
    # the PV source off stands for the contactor that cannot be told; the inverter cannot be told either, and holds the bus
    assert "(inverter-standby, load-off, battery-contactor)" in ended["reason"]
    told = one.settings()
    assert (
        "pv_source",
        "OUTPut OFF",
    ) in told  # which also is the fallback of the contactor that cannot be told
    assert ("grid_switch", "ROUTe:OPEN (@1)") in told
    assert ("load", "INPut OFF") in told
    assert one.server.plant_value("grid.closed") == 0.0
    rounds = [line for line in read_account(one.run_folder) if "trying again (round" in str(line.get("text"))]
    assert len(rounds) >= 5
    assert any("THE SAFE STATE COULD NOT BE CONFIRMED" in str(e["data"].get("text")) for e in one.events)


def test_a_run_that_ends_by_itself_disarms_it(trial: Callable[..., Trial]) -> None:
    one = trial().begin()
    watchdog = one.watchdog
    one.session.send({"wish": "stop", "why": "enough"})
    ended = one.end()
    assert (ended["exit"], ended["ended_by"], ended["safe"]) == (4, "operator", "confirmed")
    assert ended["record"]
    assert not [e for e in one.events if "WATCHDOG" in str(e["data"].get("text"))]
    assert not list(one.folder.glob("runs/*/watchdog.jsonl"))
    assert gone(watchdog)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_watchdog_that_dies_or_hangs_ends_the_run_safely(
    trial: Callable[..., Trial], how: signal.Signals
) -> None:
    one = trial().begin()
    os.kill(one.watchdog, how)
    ended = one.end()
    one.assert_off_in_order()
    assert (ended["exit"], ended["ended_by"], ended["safe"]) == (4, "fault", "confirmed")
    assert "watchdog has" in ended["reason"]
    assert Record.open(ended["record"]).header["safe"]["state"] == "confirmed"
    assert gone(one.watchdog)


def command(one: Trial) -> list[str]:
    request = one.request
    return [
        sys.executable, "-m", "benchrunner", "run", request.procedure, "--bench", request.bench, "--speed", str(request.speed),
        "--port-base", str(one.base), "--out", request.out,
    ]  # fmt: skip


def wait_for_hold(process: "subprocess.Popen[str]") -> list[str]:
    lines = []
    assert process.stdout is not None
    for line in process.stdout:
        lines.append(line)
        if "hold: Hold" in line:
            return lines
    raise AssertionError("".join(lines))


def engine_of(pid: int) -> int:
    """The engine that a command started."""
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(path.read_text().rpartition(")")[2].split()[1]) == pid:
                return int(path.parent.name)
    raise AssertionError("the command has no engine")


def test_the_command_line_says_what_the_watchdog_did_and_ends_with_its_exit_code(
    trial: Callable[..., Trial],
) -> None:
    one = trial()
    process = subprocess.Popen(
        command(one), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    wait_for_hold(process)
    one.since = time.monotonic()
    os.kill(engine_of(process.pid), signal.SIGKILL)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 4, rest
    one.assert_off_in_order()
    assert "WATCHDOG: the engine ended in the middle of the run" in rest
    assert "the watchdog made the bench safe" in rest
    assert "NOT proved dead" in rest
    assert "benchrunner recover" in rest


def in_a_session_of_its_own(one: Trial) -> "subprocess.Popen[str]":
    """The command, as a terminal starts it: a group of processes that can be signalled as one."""
    return subprocess.Popen(
        command(one), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )  # fmt: skip


def test_ctrl_c_to_the_whole_group_is_an_operators_stop(trial: Callable[..., Trial]) -> None:
    one = trial()
    process = in_a_session_of_its_own(one)
    wait_for_hold(process)
    one.since = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 4, rest
    one.assert_off_in_order()
    assert "Ctrl-C" in rest
    assert "WATCHDOG" not in rest


def test_with_the_terminal_and_the_engine_gone_the_watchdog_still_acts(trial: Callable[..., Trial]) -> None:
    one = trial()
    process = in_a_session_of_its_own(one)
    wait_for_hold(process)
    one.since = time.monotonic()
    engine = engine_of(process.pid)
    watchdog = engine_of(engine)
    for pid in (process.pid, engine):
        os.kill(pid, signal.SIGKILL)
    assert process.stdout is not None
    process.stdout.close()
    process.wait()
    assert gone(watchdog, 30.0)
    one.assert_off_in_order()
    assert read_account(one.run_folder)[-1]["safe"] == "confirmed"


def run_command(one: Trial, *more: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [*command(one), *more], cwd=ROOT, capture_output=True, text=True, timeout=90, check=False
    )


def test_a_trip_locks_the_bench_until_a_named_person_releases_it(trial: Callable[..., Trial]) -> None:
    one = trial(top=f"{LIMIT}\nlock_after_trip = true").begin()
    one.server.call(lambda: one.server.plant.set("interlock.closed", 0.0))
    ended = one.end()
    assert (ended["exit"], ended["ended_by"], ended["locked"]) == (4, "interlock", True)
    one.server.call(lambda: one.server.plant.set("interlock.closed", 1.0))
    refused = run_command(one)
    assert refused.returncode == 2
    assert "is locked after" in refused.stderr
    assert ended["record"] in refused.stderr
    assert f"benchrunner release {one.path} --port-base {one.base} --by NAME" in refused.stderr
    release = [sys.executable, "-m", "benchrunner", "release", str(one.path), "--port-base", str(one.base)]
    nobody = subprocess.run(release, cwd=ROOT, capture_output=True, text=True, check=False)
    assert nobody.returncode == 2
    assert "a named person" in nobody.stderr
    somebody = [*release, "--by", "A. Fell", "--why", "the door was open; closed it"]
    done = subprocess.run(somebody, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    again = Trial(one.folder, one.server, one.base, one.path).begin(live=False)
    again.session.send({"wish": "stop", "why": "enough"})
    header = Record.open(again.end()["record"]).header
    told = [said for said in header["deviations"] if "released by A. Fell" in said]
    assert told
    assert "the door was open; closed it" in told[0]


def test_a_second_engine_on_the_same_instruments_is_refused(trial: Callable[..., Trial]) -> None:
    one = trial().begin()
    settings = one.settings()
    second = run_command(one)
    assert second.returncode == 2
    assert f"process {one.session.pid}" in second.stderr
    assert one.settings() == settings
    one.hit(signal.SIGKILL)  # and while the watchdog makes the bench safe, nobody else gets at it
    time.sleep(0.5)
    third = run_command(one)
    assert third.returncode == 2, third.stdout
    assert "in use by" in third.stderr
    assert one.end()["exit"] == 4
    one.assert_off_in_order()
