"""Polls per second through our driver stack, beside bare PyVISA, pyserial and pymodbus on the same emulators.

`python tests/speed/links.py [ROUNDS]`. The simulated instruments run in a process of their own (eight AC meters on TCP,
eight relay boards on pseudo-terminals, eight inverters on Modbus TCP, none with a latency), and the two sides take turns
of half a second, so that a busy machine slows both alike; a ratio is the median over the rounds. Ours is `Instrument.poll`:
link, time-out, check that the answer is in step, decoding to SI; each reply is decoded although most repeat, and as at the
period of 100 ms that benches use, every fiftieth poll of a text instrument first asks who it is. Bare is the
library's query and nothing else, its reply not even parsed. With eight instruments each has a thread of its own, on both
sides. Last, what a run costs beyond the exchange: the live host with its threads, stamps and queue, and the journal.
Closes with one JSON line of ratios (ours over bare; 1 is equal, more is faster).
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from benchrunner.bench.instrument import Instrument  # noqa: E402
from benchrunner.bench.live import LiveHost  # noqa: E402
from benchrunner.bench.wire import connect  # noqa: E402
from benchrunner.cards import reading  # noqa: E402
from benchrunner.cards.bench import Bench, fit_bench  # noqa: E402
from benchrunner.core.messages import Readings  # noqa: E402

PORTS = 48410
EIGHT = 8
TURN = 0.5  # s of one side
RUN = 3.0  # s of the live host
Poll = Callable[[], Any]


def card(folder: str, period: str = "100 ms") -> Bench:
    """Eight instruments of each kind of link, without latency."""
    text = f'format = 1\ntitle = "throughput"\nsimulated = true\n[served]\nport_base = {PORTS}\n'
    for n in range(EIGHT):
        for name, role, klass, driver, address in (
            (f"meter{n}", f"bus{n}", "ac_meter", "ac-meter-scpi", f"TCPIP0::127.0.0.1::{{port+{1 + n}}}::SOCKET"),
            (f"relays{n}", f"relays{n}", "relay_board", "relay-board-ascii", f"serial:{folder}/relays{n}"),
            (f"pv{n}", f"pv{n}_inverter", "inverter", "inverter-sunspec", f"modbus://127.0.0.1:{{port+{20 + n}}}/1"),
        ):  # fmt: skip
            text += (
                f'[instruments.{name}]\nrole = "{role}"\nclass = "{klass}"\ndriver = "{driver}"\n'
                f'address = "{address}"\nperiod = "{period}"\nsimulated = {{ latency = "0 s" }}\n'
            )
            if klass == "ac_meter":
                channels = {q: f"bus.{q}" for q in ("voltage", "frequency")} if n == 0 else {}
                text += "".join(f'channels.{q} = "{c}"\n' for q, c in channels.items())
    return fit_bench(reading.parse(text.encode(), "throughput.toml"))


def serve(folder: str) -> None:
    """The other process: the emulators on a plant, until standard input ends."""
    from benchrunner import data
    from benchrunner.cards.pairing import read_pairing
    from benchrunner.sim.served import Server

    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(card(folder), pairing):
        print("ready", flush=True)
        sys.stdin.readline()


def counted(poll: Poll, until: float) -> int:
    """How many polls fit until then."""
    count = 0
    while time.perf_counter() < until:
        for _ in range(10):
            poll()
        count += 10
    return count


def rate(polls: list[Poll]) -> float:
    """Polls per second of all together, each in a thread of its own."""
    began = time.perf_counter()
    if len(polls) == 1:
        return counted(polls[0], began + TURN) / (time.perf_counter() - began)
    counts = [0] * len(polls)

    def work(n: int) -> None:
        counts[n] = counted(polls[n], began + TURN)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(len(polls))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (time.perf_counter() - began)


def ours(instrument: Instrument) -> Poll:
    """One poll of our driver stack, whose reply is decoded even where it repeats."""

    def poll() -> None:
        instrument._previous = None
        instrument.poll()

    return poll


class Bare:
    """The library alone. `open` gives a poll for each of the first `count` instruments."""

    def __init__(self, bench: Bench, kind: str) -> None:
        self.kind = kind
        self.names = [n for n in bench.card.instruments if n.startswith(kind)]
        self.addresses = [bench.card.instruments[n].at(PORTS) for n in self.names]
        self.opened: list[Any] = []

    def open(self, count: int) -> list[Poll]:
        return [getattr(self, self.kind)(address) for address in self.addresses[:count]]

    def close(self) -> None:
        for one in self.opened:
            one.close()
        self.opened.clear()

    def meter(self, address: str) -> Poll:
        import pyvisa

        found: Any = pyvisa.ResourceManager("@py").open_resource(address)
        found.read_termination = found.write_termination = "\n"
        self.opened.append(found)
        return lambda: found.query("FETCh?")

    def relays(self, address: str) -> Poll:
        import serial

        port = serial.Serial(address.removeprefix("serial:"), 115200, timeout=1)
        self.opened.append(port)

        def poll() -> None:
            port.write(b"R*?\r\n")
            port.read_until(b"\r\n")

        return poll

    def pv(self, address: str) -> Poll:
        from pymodbus.client import ModbusTcpClient

        port = int(address.rpartition(":")[2].partition("/")[0])
        client = ModbusTcpClient("127.0.0.1", port=port, timeout=1, retries=0)
        client.connect()
        self.opened.append(client)
        # the two blocks that the driver card reads: of model 701 and of model 714
        blocks = ((40000 + 2 + 68 + 4, 113), (40000 + 2 + 68 + 155 + 16, 16))

        def poll() -> None:
            for start, count in blocks:
                client.read_holding_registers(start, count=count, device_id=1)

        return poll


def compare(bench: Bench, kind: str, count: int, rounds: int) -> tuple[float, float, float]:
    """Polls per second of ours and of the library, and the median ratio."""
    bare = Bare(bench, kind)
    mine, theirs = [], []
    for n in range(rounds + 1):
        instruments = list(connect(bench, PORTS, bare.names[:count]).values())
        for instrument in instruments:
            instrument.open()
        here = rate([ours(one) for one in instruments])
        for instrument in instruments:
            instrument.close()
        there = rate(bare.open(count))
        bare.close()
        if n:  # the first round warms up
            mine.append(here)
            theirs.append(there)
    ratio = statistics.median(a / b for a, b in zip(mine, theirs, strict=True))
    return statistics.median(mine), statistics.median(theirs), ratio


def exchange(bench: Bench) -> tuple[float, float]:
    """Wall and processor time of a bare PyVISA poll and of our link's query alone, s."""
    bare = Bare(bench, "meter")
    (poll,) = bare.open(1)
    wall = 1.0 / rate([poll])
    bare.close()
    (instrument,) = connect(bench, PORTS, ["meter0"]).values()
    instrument.open()
    message = instrument.message("FETCh?")
    began, count = time.process_time(), 3000
    for _ in range(count):
        instrument.link.query(message)
    cpu = (time.process_time() - began) / count
    instrument.close()
    return wall, cpu


def run_cost(bench: Bench, folder: str) -> tuple[float, int]:
    """Processor time of one poll from link to journal in a live run, s, and how many polls there were."""
    from sides import prepared_run

    from benchrunner.engine.whole import _facts
    from benchrunner.record.journal import Journal

    names = [f"meter{n}" for n in range(EIGHT)]
    host = LiveHost(connect(bench, PORTS, names))
    host.open()
    journal = Journal.create(Path(folder) / "run", _facts(prepared_run(1), host.identify()))
    number = 0
    host.next(0.2)
    began = time.process_time()
    until = host.now + RUN
    while host.now < until:
        item = host.next(until)
        if isinstance(item, Readings):
            journal.input(number, item)
            number += 1
    cpu = time.process_time() - began
    journal.close()
    host.close()
    return cpu / number, number


def main(rounds: int) -> int:
    """Server in its own process, every comparison, the run's own cost, one JSON line."""
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(
            [sys.executable, __file__, "serve", folder],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert server.stdin is not None and server.stdout is not None
        try:
            if server.stdout.readline().strip() != "ready":
                raise SystemExit("the emulators were not served")
            bench = card(folder)
            ratios: dict[str, float] = {}
            kinds = {"meter": "pyvisa", "relays": "pyserial", "pv": "pymodbus"}
            if os.name == "nt":
                del kinds["relays"]  # no pseudo-terminals there
            print(f"{'':<10} {'instruments':>11} {'ours, 1/s':>12} {'bare, 1/s':>12} {'ratio':>8}")
            for kind, library in kinds.items():
                for count in (1, EIGHT):
                    mine, theirs, ratio = compare(bench, kind, count, rounds)
                    ratios[f"{library}_{count}"] = round(ratio, 3)
                    print(
                        f"{library:<10} {count:>11} {mine:>12.0f} {theirs:>12.0f} {ratio:>8.2f}", flush=True
                    )
            wall, alone = exchange(bench)
            whole, polls = run_cost(card(folder, "10 ms"), folder)
            own = whole - alone
            print(f"a run's own cost, link to journal: {own * 1e6:.0f} us of processor time a poll of seven values "
                  f"({polls} polls of eight meters every 10 ms); a bare PyVISA poll takes {wall * 1e6:.0f} us")  # fmt: skip
            share = own / 0.1
            print(f"that is {100 * share:.3f} % of a poll period of 100 ms")
            ratios["own_cost_us"] = round(own * 1e6, 1)
            ratios["own_cost_of_bare_poll"] = round(own / wall, 3)
            ratios["own_cost_of_100_ms_period"] = round(share, 6)
        finally:
            server.stdin.close()
            server.wait(20)
    print(json.dumps(ratios))
    return 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["serve"]:
        serve(sys.argv[2])
    else:
        raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 5))
