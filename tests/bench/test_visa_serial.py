"""Serial resource strings (`ASRL...::INSTR`) through PyVISA and its pure backend, on a pseudo-terminal."""

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from conftest import bench_of, instrument_text

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.links.visa import VisaLink
from benchrunner.bench.wire import connect
from benchrunner.cards.driver import LinkPart
from benchrunner.errors import LinkError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")


class Line:
    """A meter at the far end of a pseudo-terminal."""

    def __init__(self) -> None:
        import pty
        import tty

        self.ours, self.theirs = pty.openpty()
        tty.setraw(self.theirs)
        self.path = os.ttyname(self.theirs)
        self.count, self.delay, self.told = 0, 0.0, [0.0]
        self.answer: Callable[[bytes], bytes] = self.usual
        self.pieces, self.between = 0, 0.0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def usual(self, line: bytes) -> bytes:
        if line == b"*IDN?":
            return b"Highmoor Training Laboratory,Meter,7,1.0\n"
        if line == b"SYSTem:ERRor?":
            return b'0,"No error"\n'
        if line == b"FETCh?":
            self.count += 1
            if self.delay:
                delay, self.delay = self.delay, 0.0
                time.sleep(delay)
            return f"{self.count},1.5,345.0,345.2,10.0,0.999,50.01\n".encode()
        return b""

    def say(self, data: bytes) -> None:
        size = self.pieces or len(data) or 1
        for start in range(0, len(data), size):
            os.write(self.ours, data[start : start + size])
            time.sleep(self.between)

    def unplug(self) -> None:
        os.close(self.theirs)
        os.close(self.ours)
        self.ours = self.theirs = -1

    def stop(self) -> None:
        if self.ours >= 0:
            self.unplug()
        self._thread.join(2)

    def _serve(self) -> None:
        got = b""
        while True:
            try:
                part = os.read(self.ours, 1024)
            except OSError:
                return
            if not part:
                return
            got += part
            while b"\n" in got:
                line, _, got = got.partition(b"\n")
                try:
                    self.say(self.answer(line.strip()))
                except OSError:
                    return


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Iterator[Line]:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    found = Line()
    yield found
    found.stop()


def meter(path: str) -> Instrument:
    text = instrument_text("meter", "bus", "ac_meter", "ac-meter-scpi", f"ASRL{path}::INSTR")
    instrument = connect(bench_of(text))["meter"]
    assert isinstance(instrument.link, VisaLink)
    return instrument


def test_reads_a_meter(line: Line) -> None:
    instrument = meter(line.path)
    instrument.open()
    assert instrument.identity is not None and instrument.identity.serial == "7"
    assert [instrument.poll()[0] for _ in range(3)] == [1.0, 2.0, 3.0]
    line.pieces, line.between = 5, 0.005
    assert instrument.poll() == (4.0, 1.5, 345.0, 345.2, 10.0, 0.999, 50.01)
    instrument.close()


@pytest.mark.parametrize("late", [0.4, 0.9])
def test_a_late_answer_is_never_taken_for_the_next(line: Line, late: float) -> None:
    instrument = meter(line.path)
    instrument.open()
    assert instrument.poll()[0] == 1.0
    line.delay = late  # longer than the time-out of 0.3 s
    values = []
    for _ in range(12):
        try:
            values.append((instrument.poll()[0], float(line.count)))
        except LinkError:
            time.sleep(0.1)
    assert len(values) >= 3 and all(value == asked for value, asked in values), values
    instrument.close()


def test_bytes_that_nobody_asked_for_break_the_link(line: Line) -> None:
    instrument = meter(line.path)
    instrument.open()
    line.say(b"99,0,0,0,0,0,0\n")
    time.sleep(0.05)
    with pytest.raises(LinkError, match="nothing had asked for"):
        instrument.poll()
    assert instrument.poll()[0] == 1.0
    instrument.close()


def test_a_line_is_one_program_alone(line: Line) -> None:
    """The pure backend opens a port that another program has: replies would go to either of them."""
    first, second = meter(line.path), meter(line.path)
    first.open()
    with pytest.raises(LinkError, match="cannot be opened") as caught:
        second.open()
    assert "in use by another program" in caught.value.problem.what
    assert "close the other program" in caught.value.problem.mend
    assert first.poll()[0] == 1.0
    first.close()
    second.open()
    assert second.poll()[0] == 2.0
    second.close()


def test_a_port_that_is_not_there_is_named() -> None:
    with pytest.raises(LinkError) as caught:
        meter("/dev/no-such-port").open()
    assert "ASRL/dev/no-such-port::INSTR" in caught.value.problem.where


def test_a_pulled_cable_is_an_error_and_no_hang(line: Line) -> None:
    instrument = meter(line.path)
    instrument.open()
    instrument.poll()
    line.unplug()
    for _ in range(2):
        with pytest.raises(LinkError):
            instrument.poll()
    instrument.close()


def test_a_block_may_take_as_long_as_its_bytes_last_on_the_line(line: Line) -> None:
    """1,500 bytes at 9,600 baud last 1.6 s, far longer than the time-out; line ends inside are data."""
    data = bytes(range(256)) * 6
    line.answer = lambda asked: b"#4%d" % len(data) + data + b"\n"
    line.pieces, line.between = 96, 0.1  # as 9,600 baud bring them
    link = VisaLink("scope", f"ASRL{line.path}::INSTR", LinkPart(kind="visa", baud=9600), 0.3)
    link.open()
    assert link.query_block(b"TRACe?\n") == data
    link.close()
