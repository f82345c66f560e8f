"""The watchdog relay: fed by the run's own loop over the wire, and open when nobody feeds it, whatever else has failed."""

import itertools
import os
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

import pytest
from test_watchdog import Trial, gone, run_command, trial  # noqa: F401 - the fixture

from benchrunner.bench.hosts import memory_instrument
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import read_bench
from benchrunner.record.opened import Record
from benchrunner.sim.emulators import make
from benchrunner.sim.emulators.options import from_bench

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX"),
]
BEFORE = "# ---------------------------------------------------------------- the inverters' own values"
RELAY = f"""
[instruments.chain]
role = "chain"
class = "watchdog_relay"
driver = "watchdog-relay"
address = "socket://127.0.0.1:{{port+20}}"
period = "300 ms"
simulated = {{ time = 8.0 }}

{BEFORE}"""
TOP = 'watchdog = { limit = "2 s", relay_time = "8 s" }'
Make = Callable[..., Trial]


def with_relay(trial: Make, more: str = "", relay: str = RELAY, speed: float = 4.0) -> Trial:  # noqa: F811
    return trial(speed=speed, top=TOP.replace(" }", f"{more} }}"), swap={BEFORE: relay})


class Clock:
    """A plant that is nothing but time and contacts."""

    def __init__(self) -> None:
        self.now = 0.0
        self.sets: list[tuple[float, str, float]] = []

    def set(self, name: str, value: float) -> None:
        self.sets.append((self.now, name, value))


def test_the_simulated_relay_opens_by_itself_and_takes_the_contactor_with_it(trial: Make) -> None:  # noqa: F811
    one = with_relay(trial)
    bench = read_bench(one.path)
    plant: Any = Clock()
    emulator = make(plant, "chain", from_bench(bench, "chain"))
    instrument = memory_instrument(bench, "chain", emulator)
    instrument.open()
    assert instrument.channels == ("chain.closed", "chain.time_left")
    assert instrument.poll() == (0.0, 0.0)  # nothing closes by itself
    instrument.send("fed", 1.0)
    plant.now = 7.9
    assert instrument.poll() == pytest.approx((1.0, 0.1))
    instrument.send("fed", 1.0)
    plant.now = 15.8
    emulator.pass_time()
    assert plant.sets == []
    plant.now = 16.0  # 8.1 s after it was fed
    emulator.pass_time()
    assert plant.sets == [(16.0, "relays.pv_contactor", 0.0)]
    assert instrument.poll() == (0.0, 0.0)
    instrument.send("fed", 1.0)
    assert instrument.poll() == (1.0, 8.0)
    assert len(plant.sets) == 1  # feeding it switches nothing on
    instrument.send("fed", 0.0)
    assert instrument.poll() == (0.0, 0.0)


def test_the_loop_feeds_it_at_a_quarter_of_its_time_and_lets_it_open_at_the_end(trial: Make) -> None:  # noqa: F811
    one = with_relay(trial).begin()
    time.sleep(4.0)  # 16 s of the bench's clock, twice its time
    feeds = [at for at, name, text in one.server.heard if (name, text) == ("chain", "F=1")]
    gaps = [4.0 * (later - earlier) for earlier, later in itertools.pairwise(feeds)]
    assert len(gaps) > 5
    assert max(gaps) < 8.0 / 3
    assert one.server.plant_value("relays.pv_contactor") == 1.0
    one.session.send({"wish": "stop", "why": "enough"})
    ended = one.end()
    assert (ended["exit"], ended["safe"]) == (4, "confirmed")
    assert Record.open(ended["record"]).header["safe"]["state"] == "confirmed"
    fed = len([1 for _, name, text in one.server.heard if (name, text) == ("chain", "F=1")])
    time.sleep(2.5)
    assert len([1 for _, name, text in one.server.heard if (name, text) == ("chain", "F=1")]) == fed
    assert one.server.call(lambda: one.server.emulators["chain"].line("F?")) == "0"


def test_with_engine_and_watchdog_both_gone_the_relay_still_opens_the_contactor(trial: Make) -> None:  # noqa: F811
    """What a process on the same computer cannot do: here both are stopped at once, as by a computer that hangs."""
    one = with_relay(trial).begin()
    watchdog = one.watchdog
    os.kill(watchdog, signal.SIGSTOP)
    one.hit(signal.SIGSTOP)
    deadline = time.monotonic() + 10.0
    while one.server.plant_value("relays.pv_contactor") > 0.5 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert one.server.plant_value("relays.pv_contactor") == 0.0
    assert time.monotonic() - one.since < 8.0 / 4.0 + 1.5
    assert one.settings() == []  # no order of the program's did it
    os.kill(watchdog, signal.SIGCONT)
    one.end()
    assert gone(watchdog)


def test_it_is_proved_before_the_run_where_the_card_asks(trial: Make) -> None:  # noqa: F811
    one = with_relay(trial, ", prove_relay = true").begin(live=False)
    opened = [text for _, name, text in one.server.heard if name == "chain" and text in ("F=1", "F?")]
    assert opened[:2] == ["F=1", "F?"]
    waits = [at for at, name, text in one.server.heard if (name, text) == ("chain", "F?")]
    assert 4.0 * (waits[1] - waits[0]) > 8.0  # left alone for longer than its time, and looked at then
    one.session.send({"wish": "stop", "why": "enough"})
    assert one.end()["exit"] == 4


def test_a_relay_that_does_not_open_protects_nothing_and_is_refused(trial: Make) -> None:  # noqa: F811
    one = with_relay(trial, ", prove_relay = true", RELAY.replace("time = 8.0", "time = 800.0"))
    refused = run_command(one)
    assert refused.returncode == 2
    assert "does not open when it is not fed: it protects nothing" in refused.stderr
    assert not list((one.folder / "runs").glob("*"))
    assert connect(read_bench(one.path), one.base, ["chain"])["chain"].where in refused.stderr
