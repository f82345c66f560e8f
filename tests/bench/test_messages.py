"""VXI-11 and HiSLIP through PyVISA on pyvisa-py, against servers written from the specifications."""

import gc
import time
from collections.abc import Callable

import pytest
from conftest import bench_of, instrument_text
from message_servers import HislipServer, MessageServer, Vxi11Server

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.wire import connect
from benchrunner.errors import LinkError

IDENTITY = b"Highmoor Training Laboratory,Meter,7,1.0\n"
VALUES = (230.1, 1.5, 345.0, 345.2, 10.0, 0.999, 50.01)
Served = Callable[[Callable[[bytes], bytes | None]], MessageServer]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)


@pytest.fixture(params=[Vxi11Server, HislipServer])
def served(request: pytest.FixtureRequest) -> Served:
    return request.param  # type: ignore[no-any-return]


def meter(server: MessageServer) -> Instrument:
    device = "inst0" if isinstance(server, Vxi11Server) else f"hislip0,{server.port}"
    host = f"127.0.0.1,{server.port}" if isinstance(server, Vxi11Server) else "127.0.0.1"
    text = instrument_text("meter", "bus", "ac_meter", "ac-meter-scpi", f"TCPIP0::{host}::{device}::INSTR")
    return connect(bench_of(text))["meter"]


def usual(line: bytes) -> bytes:
    values = ",".join(map(str, VALUES)).encode() + b"\n"
    return {b"*IDN?": IDENTITY, b"SYSTem:ERRor?": b'0,"No error"\n', b"FETCh?": values}.get(line, b"")


def test_reads_a_meter(served: Served) -> None:
    with served(lambda message: usual(message.strip())) as server:
        instrument = meter(server)
        instrument.open()
        assert instrument.poll() == VALUES
        assert instrument.identity is not None and instrument.identity.serial == "7"
        instrument.close()


def test_the_bus_ends_a_reply_even_without_a_line_end(served: Served) -> None:
    """END comes with the last byte (IEEE 488.2, 8.3): some instruments send no newline then."""
    with served(lambda message: usual(message.strip()).rstrip(b"\n")) as server:
        instrument = meter(server)
        instrument.open()
        assert instrument.poll() == VALUES
        instrument.close()


def test_a_long_block_comes_whole(served: Served) -> None:
    data = bytes(range(256)) * 40  # line ends are among them
    block = b"#5%d" % len(data) + data + b"\n"
    with served(lambda m: block if m.strip() == b"DATA?" else usual(m.strip())) as server:
        instrument = meter(server)
        instrument.open()
        assert instrument.link.query_block(b"DATA?\n") == data
        assert instrument.poll() == VALUES
        instrument.close()


@pytest.mark.parametrize("reply", [b"#15abc\n", b"#0abc\n", b"#9999999999abc\n", b"abc\n"])
def test_a_bad_block_is_an_error(served: Served, reply: bytes) -> None:
    with served(lambda m: reply if m.strip() == b"DATA?" else usual(m.strip())) as server:
        instrument = meter(server)
        instrument.open()
        with pytest.raises(LinkError):
            instrument.link.query_block(b"DATA?\n")
        assert instrument.poll() == VALUES
        instrument.close()


def test_late_answer_is_never_taken_for_the_next(served: Served) -> None:
    state = {"late": True}

    def answer(message: bytes) -> bytes:
        if message.strip() == b"FETCh?" and state.pop("late", None):
            time.sleep(0.5)
            return b"1,1,1,1,1,1,1\n"
        return usual(message.strip())

    with served(answer) as server:
        instrument = meter(server)
        instrument.open()
        connections = server.connections
        with pytest.raises(LinkError):
            instrument.poll()
        assert instrument.poll() == VALUES
        assert server.connections > connections
        instrument.close()


@pytest.mark.parametrize("reply", [None, b"", b"1,2\n", b"\xff\xfe\n", b"1,1,1,1,1,1,1\n2,2,2,2,2,2,2\n"])
def test_no_reply_hang_up_and_garbage_are_errors(served: Served, reply: bytes | None) -> None:
    state = {"bad": False}
    with served(lambda m: reply if state["bad"] and m.strip() == b"FETCh?" else usual(m.strip())) as server:
        instrument = meter(server)
        instrument.open()
        state["bad"] = True
        with pytest.raises(LinkError):
            instrument.poll()
        state["bad"] = False
        assert instrument.poll() == VALUES
        instrument.close()


@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # pyvisa-py leaves its socket open
def test_refused_is_an_error_at_opening(served: Served) -> None:
    with served(lambda message: b"") as server:
        instrument = meter(server)
    with pytest.raises(LinkError):
        instrument.open()
    del instrument
    gc.collect()  # here, and not in the next test
