"""The two sides of tests/speed/run.py, each in a process of its own: the program, and a loop written by hand.

`python tests/speed/sides.py program|bare HOURS FOLDER`. Both stop after every ten minutes of bench time until
a line comes on standard input, so that the sides take turns and a busy machine slows both alike. Each closes with
one JSON line.
"""

import csv
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchrunner.bench.hosts import memory_host, plant_start
from benchrunner.core.runner import Runner
from benchrunner.engine import loop
from benchrunner.engine.prepare import Prepared, prepare
from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream
from benchrunner.engine.whole import _facts
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal

HERE = Path(__file__).resolve().parent
TURN = 600.0  # s of bench time between two stops
SEED = 1


def prepared_run(hours: int) -> Prepared:
    """The procedure and the bench card beside this file, read and checked."""
    return prepare(
        RunRequest(
            str(HERE / "cards" / "eight-hour-charge.toml"),
            bench=str(HERE / "cards" / "bench.toml"),
            settings={"hours": str(hours)},
            seed=SEED,
        )
    )


def memory_now() -> float:
    """Resident memory, MB; 0 where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, IndexError):
        return 0.0


def memory_peak() -> float:
    """The most resident memory so far, MB; 0 where the system does not say."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


class Turns:
    """Stops at the end of each turn until a line comes, and leaves that wait out of the time spent."""

    def __init__(self) -> None:
        self.due = TURN
        self.waited = 0.0
        self.memory: list[float] = []
        self.began = self.cpu = 0.0

    def begin(self) -> None:
        """The first turn; everything before it is setting up."""
        print("ready", flush=True)
        sys.stdin.readline()
        self.began, self.cpu = time.perf_counter(), time.process_time()

    def reached(self, now: float) -> None:
        """Called now and then with the bench time."""
        if now >= self.due:
            stopped = time.perf_counter()
            self.memory.append(memory_now())
            print("turn", flush=True)
            sys.stdin.readline()
            self.due = now + TURN
            self.waited += time.perf_counter() - stopped

    def spent(self) -> tuple[float, float]:
        """Wall and processor time since the beginning, s."""
        return time.perf_counter() - self.began - self.waited, time.process_time() - self.cpu


class Wishes:
    """An operator who wants nothing; the loop looks for wishes often enough to take turns here."""

    def __init__(self, turns: Turns) -> None:
        self.turns = turns
        self.now: Callable[[], float] = lambda: 0.0

    def take(self) -> list[dict[str, str]]:
        self.turns.reached(self.now())
        return []


def program(hours: int, folder: Path) -> dict[str, Any]:
    """The engine's own loop, with core, journal and event stream, as `benchrunner run` has them."""
    prepared = prepared_run(hours)
    host = memory_host(prepared.bench, prepared.pairing, None, SEED, prepared.start)
    runner = Runner(prepared.plan)
    host.open()
    identities = host.identify()
    journal = Journal.create(folder / "program", _facts(prepared, identities))
    turns, samples = Turns(), Samples()
    wishes = Wishes(turns)
    wishes.now = lambda: host.now
    with open(os.devnull, "w", encoding="utf-8") as sink:
        stream = EventStream(sink)
        turns.begin()
        own = time.thread_time()
        with samples:
            loop.run(runner, host, journal, stream, wishes)
        own = time.thread_time() - own
        journal.close()
        wall, cpu = turns.spent()
        stream.close()
    seconds = host.now
    host.close()
    peak = memory_peak()
    began, cpu_began = time.perf_counter(), time.process_time()
    seal(journal.path, folder / "program.bench", None)
    return {
        "seconds": seconds, "wall": wall, "cpu": cpu, "other_threads": cpu - own,
        "seal_wall": time.perf_counter() - began, "seal_cpu": time.process_time() - cpu_began,
        "exit": runner.exit_code, "reason": runner.reason, "verdict": runner.verdict, "inputs": journal._inputs,
        "memory": turns.memory, "peak": peak, "seal_peak": memory_peak(),
        "journal_mb": journal.path.stat().st_size / 1e6,
        "record_mb": (folder / "program.bench").stat().st_size / 1e6,
        "shares": samples.shares(), "digests": Record.open(folder / "program.bench").header["digests"],
    }  # fmt: skip


def bare(hours: int, folder: Path) -> dict[str, Any]:
    """A loop as one writes it by hand for one bench: the same emulators, replies parsed, guards compared, a CSV file.

    It sets the bench up as the procedure's first step does, polls what the bench card polls, holds each guarded value
    against the same bounds with the same delays (a poll that brought none counts as crossed), keeps the highest values
    that the procedure's checks look at, and hands its file to the disk once a second. It has no conditions, no
    read-back, no uncertainty, no time of each reading, no record.
    """
    from benchrunner.sim.emulators import build
    from benchrunner.sim.plant import Plant

    prepared = prepared_run(hours)
    plant = Plant(prepared.pairing, seed=SEED, start=plant_start(prepared.start))
    emulators = build(prepared.bench, plant, SEED)
    plant.advance(5.0)  # until every meter has shown something
    for name, command in (
        ("load", "POWer 0"), ("load", "INPut OFF"), ("grid_switch", "ROUTe:OPEN (@1)"), ("pv_source", "TEMPerature 25"),
        ("pv_source", "IRRadiance 230"), ("pv_source", "OUTPut ON"),
    ):  # fmt: skip
        emulators[name].receive(command.encode() + b"\n")
    bounds: dict[str, tuple[float, float, int]] = {}
    for guard in prepared.plan.guards:
        low, high, polls = bounds.get(guard.channel, (-1e30, 1e30, 0))
        bounds[guard.channel] = (
            max(low, -1e30 if guard.low is None else guard.low),
            min(high, 1e30 if guard.high is None else guard.high),
            max(polls, round(guard.delay * 10)),
        )
    bounds["interlock.closed"] = (0.999, 1.001, 0)
    # instrument, query, which numbers of its reply
    meters = {
        "load": (b"FETCh?\n", (2,)), "pv_source": (b"FETCh?\n", (2,)), "grid_switch": (b"ROUTe:CLOSe:STATe? (@1)\n", (0,)),
        "bus_meter": (b"FETCh?\n", (0, 1, 2, 6)), "pv_meter": (b"FETCh?\n", (0, 1, 2, 6)),
        "grid_meter": (b"FETCh?\n", (0, 2, 6)), "battery_meter": (b"FETCh?\n", (0, 1, 2)),
        "relays": (b"R*?\r\n", (0, 1, 2)), "interlock": (b"I?\r\n", (0,)),
    }  # fmt: skip
    channels = {source.name: source.channels for source in prepared.plan.sources}
    polled = []
    for name, (query, places) in meters.items():
        guards = [(k, c, *bounds[c]) for k, c in enumerate(channels[name]) if c in bounds]
        polled.append((emulators[name].receive, query, places, guards))
    monitor = emulators["battery_monitor"].read_registers
    first = 40000 + 2 + 68
    monitor_guards = [(k, c, *bounds[c]) for k, c in enumerate(channels["battery_monitor"]) if c in bounds]
    crossed = dict.fromkeys(bounds, 0)
    names = [c for name in (*meters, "battery_monitor") for c in channels[name]]
    watched = [names.index(c) for c in ("battery.voltage", "battery.current", "bus.frequency")]
    highest = [-1e30] * len(watched)
    turns = Turns()
    end = round((hours * 3600.0 + 120.0) * 10)
    samples = Samples()
    with open(folder / "bare.csv", "w", newline="", encoding="ascii") as file, samples:
        writer = csv.writer(file)
        writer.writerow(["t", *names])
        turns.begin()
        kept = time.monotonic()
        for n in range(51, end):
            t = n * 0.1
            plant.advance(t)
            row = [t]
            for receive, query, places, guards in polled:
                numbers = [float(part) for part in receive(query).decode("ascii").split(",")]
                values = [numbers[k] for k in places]
                for k, channel, low, high, polls in guards:
                    if low <= values[k] <= high:
                        crossed[channel] = 0
                    else:
                        crossed[channel] += 1
                        if crossed[channel] > polls:
                            raise SystemExit(f"{channel} at {t:g} s: {values[k]:g}")
                row += values
            raw = monitor(1, first, 66)
            cell, percent = 10.0 ** (raw[60] - 65536), 10.0 ** (raw[56] - 65536)
            values = [raw[11] * percent / 100.0, raw[37] * cell, raw[40] * cell]
            for k, channel, low, high, polls in monitor_guards:
                if low <= values[k] <= high:
                    crossed[channel] = 0
                else:
                    crossed[channel] += 1
                    if crossed[channel] > polls:
                        raise SystemExit(f"{channel} at {t:g} s: {values[k]:g}")
            row += values
            writer.writerow(row)
            for k, place in enumerate(watched):
                if row[place + 1] > highest[k]:
                    highest[k] = row[place + 1]
            if time.monotonic() - kept >= 1.0:
                file.flush()
                os.fsync(file.fileno())
                kept = time.monotonic()
            if n % 100 == 0:
                turns.reached(t)
    wall, cpu = turns.spent()
    return {
        "seconds": end * 0.1, "wall": wall, "cpu": cpu, "memory": turns.memory, "peak": memory_peak(),
        "csv_mb": (folder / "bare.csv").stat().st_size / 1e6, "highest": highest, "shares": samples.shares(),
    }  # fmt: skip


class Samples:
    """Looks two hundred times in each second of processor time at what the program is doing (where the system can)."""

    PARTS = (  # innermost first: what a frame of such a file is part of
        ("/benchrunner/sim/emulators/", "emulators"),
        ("/benchrunner/sim/", "plant"),
        ("/benchrunner/bench/virtual", "host"),
        ("/benchrunner/bench/", "wire"),
        ("/benchrunner/core/", "core"),
        ("/benchrunner/procedure/", "core"),
        ("/benchrunner/measure/", "core"),
        ("/benchrunner/judge/", "core"),
        ("/benchrunner/record/", "journal"),
        ("/benchrunner/engine/", "loop"),
        ("/tests/speed/", "loop"),
    )
    EVERY = 0.005  # s

    def __init__(self) -> None:
        self.counted: dict[str, int] = {}
        self._known: dict[str, str] = {}

    def __enter__(self) -> "Samples":
        if hasattr(signal, "setitimer"):
            signal.signal(signal.SIGPROF, self._look)
            signal.setitimer(signal.ITIMER_PROF, self.EVERY, self.EVERY)
        return self

    def __exit__(self, *_: object) -> None:
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_PROF, 0.0)

    def _look(self, _: int, frame: FrameType | None) -> None:
        while frame is not None:
            part = self._part(frame.f_code.co_filename)
            if part:
                if part == "plant" and frame.f_code.co_name not in ("advance", "_run", "_gather"):
                    part = "emulators"  # reading the plant is the instruments' work, moving it is the plant's
                self.counted[part] = self.counted.get(part, 0) + 1
                return
            frame = frame.f_back

    def _part(self, file: str) -> str:
        found = self._known.get(file)
        if found is None:
            path = file.replace(os.sep, "/")
            found = next((part for place, part in self.PARTS if place in path), "")
            self._known[file] = found
        return found

    def shares(self) -> dict[str, float]:
        """What part of the samples fell where."""
        every = sum(self.counted.values())
        return {part: count / every for part, count in sorted(self.counted.items())} if every else {}


def main() -> int:
    """One side, as named on the command line."""
    side, hours, folder = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3])
    found = bare(hours, folder) if side == "bare" else program(hours, folder)
    print(json.dumps(found), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
