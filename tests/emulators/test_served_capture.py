"""A capture takes long to compute; meanwhile every other instrument of the served bench answers."""

import socket
import threading
from collections.abc import Iterator

import numpy as np
import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.emulators import scope
from benchrunner.sim.served import Server
from benchrunner.sim.wave import waveform

PATIENCE = 30.0  # s: only against a hang
SETTINGS = "REC:RATE 20000;BEF 0.2;:REC:SPAN 0.5;:INP1:STAT ON;:INP2:STAT ON;:TRIG:SOUR INP1;CHAN 3;:INIT\n"


class Line:
    """One client of one instrument."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
        self._file = self._socket.makefile("rwb", buffering=0)

    def send(self, text: str) -> None:
        self._file.write(text.encode())

    def reply(self) -> str:
        return self._file.readline().decode().strip()

    def ask(self, text: str) -> str:
        self.send(text + "\n")
        return self.reply()

    def close(self) -> None:
        self._file.close()
        self._socket.close()


@pytest.fixture
def server() -> Iterator[Server]:
    bench = read_bench(data.find("simulated", "resources", "benches"))
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    start = {"relays.pv_contactor": 0.0, "load.power": 500.0, "grid.closed": 0.0}
    with Server(bench, pairing, port_base=free_base(60), lockstep=True, start=start) as one:
        yield one


def port(server: Server, name: str) -> int:
    return next(place.port for place in server.places if place.name == name)


def triggered(server: Server) -> Line:
    """The recorder, whose trigger has come and whose span is over, not yet asked for its state."""
    recorder = Line(port(server, "scope"))
    server.call(lambda: server.plant.advance(30.0))
    recorder.send(SETTINGS)
    assert recorder.ask("TRIG:STAT?") == "WAIT"
    assert recorder.ask("SYST:ERR?").startswith(("0", "+0"))

    def step() -> None:
        server.plant.advance(31.0)
        server.plant.set("load.power", 4000.0)
        server.plant.advance(33.0)

    server.call(step)
    return recorder


def test_another_instrument_is_answered_while_a_capture_is_computed(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder, meter = triggered(server), Line(port(server, "bus_meter"))
    begun, go_on = threading.Event(), threading.Event()
    run = scope._Job.run

    def held(job: scope._Job) -> None:
        begun.set()
        assert go_on.wait(PATIENCE)
        run(job)

    monkeypatch.setattr(scope._Job, "run", held)
    answers: list[str] = []
    recorder.send("TRIG:STAT?\n")
    assert begun.wait(PATIENCE)
    recorder.send("*IDN?\n")  # behind the first on the same line: answered after it, in order
    try:
        answers.append(meter.ask("*IDN?"))
    finally:
        go_on.set()
    answers += [recorder.reply(), recorder.reply()]
    assert "AC meter" in answers[0]
    assert answers[1] == "DONE"
    assert "recorder" in answers[2]
    recorder.close()
    meter.close()


def test_the_capture_is_the_one_that_the_plant_had_when_it_was_due(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plant goes on while the capture is computed; its samples are those of a plant that stood still."""
    recorder = triggered(server)
    begun, go_on = threading.Event(), threading.Event()
    run = scope._Job.run
    kept: list[scope._Job] = []

    def held(job: scope._Job) -> None:
        begun.set()
        assert go_on.wait(PATIENCE)
        run(job)
        kept.append(job)

    monkeypatch.setattr(scope._Job, "run", held)
    recorder.send("TRIG:STAT?\n")
    assert begun.wait(PATIENCE)

    def further() -> np.ndarray:
        emulator = server.emulators["scope"]
        job = emulator._job  # type: ignore[attr-defined]
        names = tuple(emulator.inputs[n] for n in (1, 2))  # type: ignore[attr-defined]
        still, _ = waveform(server.plant, names, job.first / 20_000.0, 20_000.0, 14_001)
        server.plant.set("load.power", 100.0)
        server.plant.advance(60.0)  # the ring holds 20 s: what the capture is of is gone
        return still

    still = server.call(further)
    go_on.set()
    assert recorder.reply() == "DONE"
    samples = kept[0].samples
    assert samples is not None
    count = min(samples.shape[1], still.shape[1])
    assert count > 13_900
    np.testing.assert_array_equal(samples[:, :count], still[:, :count])
    recorder.close()


def test_the_long_kernel_lets_other_threads_go_on() -> None:
    """In a thread of its own it would hold up the server all the same if it kept the interpreter's lock."""
    from benchrunner.sim.wave import kernel

    assert kernel.run.targetoptions["nogil"] is True
