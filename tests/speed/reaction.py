"""From a reading that crosses a guard on the wire to the first safe order on the wire, over TCP, with the window open.

`python tests/speed/reaction.py [EVENTS]`. Three processes: instruments on TCP sockets, which take the times; the engine's
own loop with real PyVISA links, journal, event stream and an armed watchdog, run again for each event; and the window
(offscreen unless QT_QPA_PLATFORM says otherwise), which draws every event. An event: the contactor is on, the battery
meter's next reply at a random time crosses the guard (no delay); time counts from the moment that reply is handed to the
network until the order to open the contactor has come. The poll period is not in it: the reply has been asked for.
Wanted: 99th percentile below 20 ms. Closes with one JSON line.
"""

import asyncio
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
CARDS = Path(__file__).resolve().parent / "cards"
WANTED = 0.020  # s
SOUND, CROSSED = "53.2", "58.1"  # V
EDGES = (1, 2, 3, 5, 7, 10, 15, 20, 30, 50, 100)  # ms


# -- the instruments --------------------------------------------------------------------------------------------------


class Bench:
    """What the instruments share: the contactor, and when the next reading crosses."""

    def __init__(self) -> None:
        self.closed = False
        self.cross_at = float("inf")
        self.crossed = 0.0  # when the reply that crosses was handed to the network; 0: it was not yet
        self.times: list[float] = []
        self.random = random.Random(4)
        self.count = 0

    def answer(self, name: str, line: str) -> str:
        self.count += 1
        last = f"{self.count % 10}"  # so that no display stands still
        if line == "*IDN?" or line == "N?":
            return f"Highmoor Training Laboratory,Simulated {name},T-1,1.0"
        if line.startswith("SYST"):
            return '0,"No error"'
        if line.startswith("FETC"):
            if name != "battery meter":
                return f"230.0{last},4.0,900.0,50.0{last},910.0,10.0,0.99"
            volts = SOUND
            if self.closed and time.perf_counter() >= self.cross_at:
                volts = CROSSED
            return f"{volts}{last},{20.0 if self.closed else 0.0},{1000.0 if self.closed else 0.0}"
        if line == "R*?":
            return f"{int(self.closed)},0,0"
        if line in ("R1?", "R2?", "R3?"):
            return f"{int(self.closed and line == 'R1?')}"
        if line.startswith("W1="):
            self.switch(line == "W1=1")
        if line.startswith("W"):
            return "OK"
        return "? unknown"

    def switch(self, closed: bool) -> None:
        now = time.perf_counter()
        if not closed and self.crossed:
            self.times.append(now - self.crossed)
        self.closed, self.crossed = closed, 0.0
        self.cross_at = now + self.random.uniform(0.05, 0.2) if closed else float("inf")


class Line(asyncio.Protocol):
    """One connection to one instrument."""

    def __init__(self, bench: Bench, name: str, ends: str) -> None:
        self.bench, self.name, self.ends, self.got = bench, name, ends, b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        *lines, self.got = (self.got + data).split(b"\n")
        for line in lines:
            text = line.decode("ascii", "replace").strip()
            if not text.endswith("?") and not text.startswith("W"):
                continue
            reply = self.bench.answer(self.name, text)
            if reply.startswith(CROSSED) and not self.bench.crossed:
                self.bench.crossed = time.perf_counter()
            self.transport.write(reply.encode("ascii") + self.ends.encode("ascii"))


async def instruments(base: int) -> None:
    """Serve until the input ends; then print the times."""
    loop = asyncio.get_running_loop()
    bench = Bench()
    names = {1: "battery meter", 2: "bus meter", 3: "PV meter", 4: "grid meter", 5: "relay board"}
    for offset, name in names.items():
        ends = "\r\n" if offset == 5 else "\n"
        await loop.create_server(lambda n=name, e=ends: Line(bench, n, e), "127.0.0.1", base + offset)  # type: ignore[misc]
    print("ready", flush=True)
    await loop.run_in_executor(None, sys.stdin.read)
    print(json.dumps(bench.times), flush=True)


# -- the engine -------------------------------------------------------------------------------------------------------


def engine(events: int, base: int, folder: Path) -> int:
    """The engine's loop, `events` times, on one event stream whose time goes on."""
    from benchrunner.bench.wire import live_host
    from benchrunner.core.messages import Event
    from benchrunner.core.runner import Runner
    from benchrunner.engine import loop
    from benchrunner.engine.prepare import prepare
    from benchrunner.engine.process import StandardInput, _private_output
    from benchrunner.engine.request import RunRequest
    from benchrunner.engine.stream import EventStream, LiveReadings
    from benchrunner.engine.watchdog.arming import Arming
    from benchrunner.engine.watchdog.keeper import Watchdog, Watched, digests
    from benchrunner.engine.whole import _facts, prepared_event
    from benchrunner.record.journal import Journal

    class Onward(EventStream):
        """Times go on from one run to the next, as the charts expect."""

        offset = 0.0

        def send(self, at: float, kind: str, data: dict[str, Any]) -> None:
            if kind == "readings":
                moved = {
                    name: {**points, "times": [t + self.offset for t in points["times"]]}
                    for name, points in data["channels"].items()
                }
                data = {"channels": moved}
            super().send(at + self.offset, kind, data)

    stream = Onward(_private_output())
    request = RunRequest(
        str(CARDS / "reaction.toml"), bench=str(CARDS / "reaction-bench.toml"), speed=1.0, port_base=base,
        out=str(folder), live=True,
    )  # fmt: skip
    prepared = prepare(request)
    watchdog = Watchdog.start(stream.descriptor)
    bench = str(prepared.bench.document.path)
    watchdog.arm(Arming(os.getpid(), bench, digests(prepared.bench), base, limit=10.0))
    watchdog.wait_ready()
    watchdog.limit = 10.0
    watchdog.on(0.0, str(folder))
    wishes = StandardInput(sys.stdin)
    ended: dict[str, int] = {}
    for number in range(events):
        host = live_host(prepared.bench, 1.0, base)
        host.open()
        here = folder / str(number)
        journal = Journal.create(here, _facts(prepared, host.identify()))
        runner = Runner(prepared.plan)
        stream.emit(prepared_event(prepared, ""))
        live = LiveReadings(stream, [source.channels for source in prepared.plan.sources])
        failed = loop.run(runner, Watched(host, [watchdog.beat]), journal, stream, wishes, live)
        journal.close()
        host.close()
        shutil.rmtree(here, ignore_errors=True)
        how = f"{runner.ended_by} {runner.exit_code}" if failed is None else failed.reason
        ended[how] = ended.get(how, 0) + 1
        stream.offset += host.now
    watchdog.off()
    data = {
        "exit": 4,
        "verdict": "not judged",
        "ended_by": json.dumps(ended),
        "finished": False,
        "safe": "confirmed",
    }
    stream.emit(Event(0.0, "ended", data))
    stream.close()
    return 0


# -- the window -------------------------------------------------------------------------------------------------------


def window(events: int, base: int, folder: Path) -> tuple[dict[str, Any], int]:
    """The window on the engine's event stream, until it ends; what the engine said last, and how often was drawn."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from PySide6.QtCore import QTimer

    from benchrunner.app.link import EngineLink
    from benchrunner.app.main import make_application
    from benchrunner.app.model.run import RunState
    from benchrunner.app.theme import Themes
    from benchrunner.app.window import Window
    from benchrunner.engine.client import Session

    application = make_application()
    shown = Window(Themes(application, ""))
    shown.show()
    process = subprocess.Popen(
        [sys.executable, __file__, "engine", str(events), str(base), str(folder)], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, bufsize=1,
    )  # fmt: skip
    session = Session(process)
    shown.run = RunState()
    shown.run_page.set_run(shown.run)
    shown.link = EngineLink(session)
    shown.show_page("run")
    drawn = 0

    def look() -> None:
        nonlocal drawn
        if shown.isVisible() and shown.pages.currentWidget() is shown.run_page:
            shown.grab()  # offscreen too: everything is really painted
            drawn += 1
        if shown.run.ended is not None or not session.alive:
            application.quit()

    timer = QTimer()
    timer.timeout.connect(look)
    timer.start(500)
    application.exec()
    session.close(20.0)
    if session.ended is None or "{" not in str(session.ended.get("ended_by")):
        raise SystemExit(f"the engine failed: {session.ended} {session.said[-10:]}")
    return dict(session.ended), drawn


# -- together ---------------------------------------------------------------------------------------------------------


def show(times: list[float]) -> dict[str, float]:
    """The histogram and the figures, in ms."""
    milliseconds = sorted(1000 * t for t in times)
    low = 0.0
    for edge in (*EDGES, float("inf")):
        count = sum(low <= t < edge for t in milliseconds)
        name = f"{low:4.0f} to {edge:4.0f} ms" if edge < float("inf") else f"over {low:7.0f} ms"
        print(f"  {name}  {count:5}  {'#' * round(60 * count / len(milliseconds))}")
        low = edge
    return {
        "median_ms": statistics.median(milliseconds),
        "p90_ms": percentile(milliseconds, 0.90),
        "p99_ms": percentile(milliseconds, 0.99),
        "largest_ms": milliseconds[-1],
    }


def percentile(ordered: list[float], share: float) -> float:
    """The smallest value that at least this share of all do not exceed."""
    return ordered[max(0, -(-len(ordered) * share // 1).__int__() - 1)]


def main(events: int) -> int:
    """All three processes; the histogram and one JSON line."""
    from benchrunner.sim.served.free import free_base

    base = free_base()
    served = subprocess.Popen(
        [sys.executable, __file__, "instruments", str(base)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert served.stdout is not None
    assert served.stdout.readline() == "ready\n"
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        ended, drawn = window(events, base, Path(folder))
    seconds = time.monotonic() - began
    out, _ = served.communicate("")
    times = json.loads(out)
    ways = json.loads(ended["ended_by"])
    if len(times) != events or sum(ways.values()) != events or any(way.split()[-1] != "4" for way in ways):
        raise SystemExit(f"{len(times)} of {events} events were seen; the runs ended: {ended['ended_by']}")
    print(
        f"from the crossing reading to the first safe order, {events} events in {seconds:.0f} s, window drawn {drawn} times"
    )
    figures = show(times)
    print(
        f"median {figures['median_ms']:.2f} ms, 99th percentile {figures['p99_ms']:.2f} ms, largest {figures['largest_ms']:.2f} ms "
        f"(wanted: 99th percentile below {1000 * WANTED:.0f} ms)"
    )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else -1.0
    rounded = {name: round(value, 3) for name, value in figures.items()}
    print(json.dumps({"benchmark": "reaction", "events": events, **rounded, "wanted_p99_ms": 1000 * WANTED,
                      "ended": ways, "window_drawn": drawn, "load_average": round(load, 2), "processors": os.cpu_count()}))  # fmt: skip
    return 0 if figures["p99_ms"] < 1000 * WANTED else 1


if __name__ == "__main__":
    part = sys.argv[1] if len(sys.argv) > 1 else "1000"
    if part == "instruments":
        asyncio.run(instruments(int(sys.argv[2])))
    elif part == "engine":
        sys.exit(engine(int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])))
    else:
        sys.exit(main(int(part)))
