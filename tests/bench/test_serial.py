"""pyserial on a pseudo-terminal and through a device server (`socket://`)."""

import os
import sys
import threading
import time
from collections.abc import Iterator

import pytest
from conftest import bench_of, instrument_text
from servers import LineServer

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.links import serial as serial_link
from benchrunner.bench.wire import connect
from benchrunner.errors import LinkError


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)


class Board:
    """The relay board's language, kept apart from the emulator's."""

    def __init__(self) -> None:
        self.state = [1, 0, 1]
        self.delay = 0.0

    def __call__(self, line: bytes, _: int) -> bytes:
        text = line.decode()
        if self.delay:
            delay, self.delay = self.delay, 0.0
            time.sleep(delay)
        if text == "N?":
            return b"Highmoor,Board,1,1\r\n"
        if text == "R*?":
            return (",".join(map(str, self.state)) + "\r\n").encode()
        if text.startswith("R"):
            return f"{self.state[int(text[1]) - 1]}\r\n".encode()
        if text.startswith("W"):
            self.state[int(text[1]) - 1] = int(text[3])
            return b"OK\r\n"
        return b"? what\r\n"


def board(address: str) -> Instrument:
    return connect(
        bench_of(instrument_text("relays", "relays", "relay_board", "relay-board-ascii", address))
    )["relays"]


def use(instrument: Instrument, state: Board) -> None:
    instrument.open()
    assert instrument.poll() == (1.0, 0.0, 1.0)
    instrument.send("pv_contactor", 0.0)
    assert instrument.read_back("pv_contactor") == 0.0
    assert state.state == [0, 0, 1]
    assert instrument.followed("pv_contactor", 0.0, 0.0)
    assert not instrument.followed("pv_contactor", 0.0, 1.0)


def test_device_server() -> None:
    state = Board()
    with LineServer(state) as server:
        instrument = board(f"socket://127.0.0.1:{server.port}")
        use(instrument, state)
        instrument.close()


def test_late_answer_is_never_taken_for_the_next() -> None:
    state = Board()
    with LineServer(state) as server:
        instrument = board(f"socket://127.0.0.1:{server.port}")
        instrument.open()
        state.delay = 0.5
        with pytest.raises(LinkError, match="no whole reply"):
            instrument.poll()
        state.state = [0, 0, 0]
        assert instrument.poll() == (0.0, 0.0, 0.0)
        instrument.close()


def test_refused_device_server() -> None:
    with LineServer(Board()) as server:
        port = server.port
    with pytest.raises(LinkError):
        board(f"socket://127.0.0.1:{port}").open()


def test_missing_port_names_it() -> None:
    with pytest.raises(LinkError) as caught:
        board("serial:/dev/no-such-port").open()
    assert "no-such-port" in caught.value.problem.where


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")
class TestPseudoTerminal:
    """The same over a pty, as a served bench on this machine may offer it."""

    @pytest.fixture
    def line(self) -> Iterator[tuple[str, Board, list[int]]]:
        import pty
        import tty

        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        state, ends = Board(), [ours]

        def serve() -> None:
            got = b""
            while True:
                try:
                    part = os.read(ours, 1024)
                except OSError:
                    return
                if not part:
                    return
                got += part
                while b"\n" in got:
                    text, _, got = got.partition(b"\n")
                    try:
                        os.write(ours, state(text.strip(), 0))
                    except OSError:
                        return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield os.ttyname(theirs), state, ends
        os.close(theirs)
        if ends:
            os.close(ours)
        thread.join(2)

    def test_reads_and_sets(self, line: tuple[str, Board, list[int]]) -> None:
        instrument = board(f"serial:{line[0]}")
        use(instrument, line[1])
        instrument.close()

    def test_late_answer_on_the_same_line(
        self, line: tuple[str, Board, list[int]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A port that is closed and opened again still brings the late answer: the line must fall quiet first."""
        monkeypatch.setattr(serial_link, "QUIET", 0.3)
        instrument = board(f"serial:{line[0]}")
        instrument.open()
        line[1].delay = 0.35  # comes just after the time-out of 0.3 s
        with pytest.raises(LinkError):
            instrument.poll()
        line[1].state = [0, 0, 0]
        assert instrument.poll() == (0.0, 0.0, 0.0)
        instrument.close()

    def test_a_second_program_cannot_open_it(self, line: tuple[str, Board, list[int]]) -> None:
        first, second = board(f"serial:{line[0]}"), board(f"serial:{line[0]}")
        first.open()
        with pytest.raises(LinkError):
            second.open()
        first.close()
