"""TCP sockets that misbehave, through our own link and through PyVISA on pyvisa-py: both must tell the same."""

import math
import socket
import time

import pytest
from conftest import bench_of, instrument_text
from servers import LineServer

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.links.base import Link
from benchrunner.bench.links.tcp import SocketLink
from benchrunner.bench.links.visa import VisaLink
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench
from benchrunner.errors import LinkError

GOOD = b"230.1,1.5,345.0,345.2,10.0,0.999,50.01\n"
IDENTITY = b"Highmoor Training Laboratory,Meter,7,1.0\n"


@pytest.fixture(autouse=True, params=["own", "pyvisa"])
def _links(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)

    def link_for(bench: Bench, name: str, port_base: int | None = None) -> Link:
        part, driver = bench.card.instruments[name], bench.drivers[name]
        if request.param == "own":
            return SocketLink(name, part.address, driver.link.read_ends.encode(), part.timeout or 1.0)
        return VisaLink(name, part.address, driver.link, part.timeout or 1.0)

    monkeypatch.setattr("benchrunner.bench.wire.link_for", link_for)


def meter(port: int) -> Instrument:
    address = f"TCPIP0::127.0.0.1::{port}::SOCKET"
    return connect(bench_of(instrument_text("meter", "bus", "ac_meter", "ac-meter-scpi", address)))["meter"]


def test_which_link_an_address_gets() -> None:
    """Plain sockets get our own link, unless the bench card names another VISA library; other resources PyVISA's."""
    from benchrunner.bench.links.opening import link_for

    def kind(address: str, head: str = "") -> str:
        text = head + instrument_text("meter", "bus", "ac_meter", "ac-meter-scpi", address)
        return type(link_for(bench_of(text), "meter")).__name__

    assert kind("TCPIP0::127.0.0.1::5025::SOCKET") == kind("TCPIP::bench-pc.lab::1::SOCKET") == "SocketLink"
    assert kind("TCPIP0::127.0.0.1::5025::SOCKET", 'visa_library = "/usr/lib/libvisa.so"\n') == "VisaLink"
    for address in ("TCPIP0::10.0.0.2::inst0::INSTR", "TCPIP0::10.0.0.2::hislip0,4880::INSTR",
                    "USB0::0x0957::0x1796::S1::INSTR", "GPIB0::7::INSTR", "ASRL/dev/ttyUSB0::INSTR"):  # fmt: skip
        assert kind(address) == "VisaLink"


def usual(line: bytes) -> bytes:
    return {b"*IDN?": IDENTITY, b"SYSTem:ERRor?": b'0,"No error"\n', b"FETCh?": GOOD}.get(line, b"")


def test_reads_a_meter() -> None:
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        assert instrument.poll() == (230.1, 1.5, 345.0, 345.2, 10.0, 0.999, 50.01)
        assert instrument.identity is not None and instrument.identity.serial == "7"
        instrument.close()


def test_refused_port_is_an_error_at_opening() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(LinkError) as caught:
        meter(port).open()
    assert f"127.0.0.1::{port}" in caught.value.problem.where
    assert "refused" in caught.value.problem.what.lower()


def test_wrong_instrument_is_refused() -> None:
    text = instrument_text(
        "meter", "bus", "ac_meter", "ac-meter-scpi", "TCPIP0::127.0.0.1::{}::SOCKET", 'serial = "8"'
    )
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = connect(bench_of(text.replace("{}", str(server.port))))["meter"]
        with pytest.raises(LinkError, match="serial number '7'"):
            instrument.open()
        assert not instrument.link.is_open


def test_late_answer_is_never_taken_for_the_next() -> None:
    """pyvisa-py keeps a late reply for the next query on the same session; ours never sees it."""
    values = iter([1.0, 2.0, 3.0])

    def answer(line: bytes, _: int) -> bytes:
        if line != b"FETCh?":
            return usual(line)
        value = next(values)
        if value == 2.0:
            time.sleep(0.5)  # longer than the time-out
        return f"{value},0,0,0,0,0,0\n".encode()

    with LineServer(answer) as server:
        instrument = meter(server.port)
        instrument.open()
        assert instrument.poll()[0] == 1.0
        with pytest.raises(LinkError) as caught:
            instrument.poll()
        assert "FETCh?" in caught.value.problem.what and "0 bytes" in caught.value.problem.what
        assert instrument.poll()[0] == 3.0
        assert server.connections == 2
        instrument.close()


@pytest.mark.parametrize(
    "reply",
    [b"hello\n", b"1,2,3\n", b"1_0,0,0,0,0,0,0\n", b"\x00\xff\xfe\n", b",,,,,,\n", b"1,2,3,4,5,6,7,8\n"],
)
def test_garbage_is_no_reading(reply: bytes) -> None:
    with LineServer(lambda line, _: reply if line == b"FETCh?" else usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        with pytest.raises(LinkError):
            instrument.poll()
        assert not instrument.link.is_open, "out of step until the identity is proved again"
        instrument.close()


def test_endless_reply_is_cut_off() -> None:
    with LineServer(lambda line, _: b"9" * 200_000 if line == b"FETCh?" else usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        with pytest.raises(LinkError):
            instrument.poll()
        instrument.close()


def test_half_a_line_names_what_came() -> None:
    with LineServer(lambda line, _: b"230.1,1.5" if line == b"FETCh?" else usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        with pytest.raises(LinkError) as caught:
            instrument.poll()
        assert "9 bytes had come" in caught.value.problem.what and "230.1,1.5" in caught.value.problem.what
        instrument.close()


def test_link_closed_in_the_middle_comes_back() -> None:
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        instrument.poll()
        server.drop()
        time.sleep(0.05)
        with pytest.raises(LinkError):
            instrument.poll()
        assert instrument.poll()[0] == 230.1
        instrument.close()


def test_unasked_bytes_break_the_link() -> None:
    """A second line after a reply would shift every later answer by one."""
    with LineServer(
        lambda line, _: GOOD + b"1,1,1,1,1,1,1\n" if line == b"FETCh?" else usual(line)
    ) as server:
        instrument = meter(server.port)
        instrument.open()

        def twice() -> None:
            instrument.poll()  # found at once, or before the next query
            time.sleep(0.05)
            instrument.poll()

        with pytest.raises(LinkError, match=r"nothing had asked for|more than one line"):
            twice()
        assert not instrument.link.is_open
        instrument.close()


def test_bytes_between_two_queries_break_the_link() -> None:
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        instrument.poll()
        server.shout(b"99,0,0,0,0,0,0\n")
        time.sleep(0.05)
        with pytest.raises(LinkError, match="nothing had asked for"):
            instrument.poll()
        assert instrument.poll()[0] == 230.1
        instrument.close()


def test_reply_in_small_pieces_is_one_reply() -> None:
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        server.pieces = 3
        assert instrument.poll() == (230.1, 1.5, 345.0, 345.2, 10.0, 0.999, 50.01)
        instrument.close()


def test_a_reply_that_trickles_ends_with_the_time_out() -> None:
    """A byte now and then keeps no run waiting: the whole reply has one time-out."""
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        server.pieces, server.between = 1, 0.05
        began = time.monotonic()
        with pytest.raises(LinkError):
            instrument.poll()
        assert time.monotonic() - began < 4.0  # PyVISA waits its time-out anew for each byte of one reading
        server.pieces = 0
        instrument.close()


def test_reset_in_the_middle_of_a_reply() -> None:
    with LineServer(lambda line, _: usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        server.reset_after = 5
        with pytest.raises(LinkError):
            instrument.poll()
        server.reset_after = -1
        assert instrument.poll()[0] == 230.1
        instrument.close()


def test_scpi_special_numbers() -> None:
    """9.91E37 is not a number, 9.9E37 an overloaded range (SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5)."""
    reply = b"9.91E37,1.5,-9.9E37,9.9E+37,+9.91E+37,inf,50\n"
    with LineServer(lambda line, _: reply if line == b"FETCh?" else usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        values = instrument.poll()
        assert [math.isnan(v) for v in values] == [True, False, True, True, True, True, False]
        assert instrument.flags == 0b0101100
        instrument.close()


def test_dead_link_is_not_hammered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 60.0)
    with LineServer(lambda line, _: b"" if line == b"FETCh?" else usual(line)) as server:
        instrument = meter(server.port)
        instrument.open()
        for _ in range(2):  # the first failure may be a passing one, so the link is opened again at once
            with pytest.raises(LinkError, match="no reply"):
                instrument.poll()
        assert server.connections == 2
        began = time.monotonic()
        with pytest.raises(LinkError, match="next attempt"):
            instrument.poll()
        assert time.monotonic() - began < 0.05
        assert server.connections == 2
        instrument.link.hurry()
        instrument.link.open()  # a safety order may at once
        instrument.close()


def test_load_is_set_and_read_back() -> None:
    state = {"power": 0.0, "errors": []}

    def answer(line: bytes, _: int) -> bytes:
        if line.startswith(b"POWer "):
            state["power"] = float(line[6:])
            return b""
        if line == b"POWer?":
            return f"{state['power']}\n".encode()
        if line == b"SYSTem:ERRor?" and state["errors"]:
            return state["errors"].pop()  # type: ignore[attr-defined,no-any-return]
        return usual(line)

    with LineServer(answer) as server:
        address = f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
        bench = bench_of(
            instrument_text(
                "load", "load", "ac_load", "ac-load-scpi", address, 'limits = { power = ["0 W", "3 kW"] }'
            )
        )
        load = connect(bench)["load"]
        load.open()
        load.send("power", 1234.5)
        assert load.read_back("power") == 1234.5
        assert load.followed("power", 1234.0, 1234.5)
        assert not load.followed("power", 1200.0, 1234.5)
        with pytest.raises(LinkError, match="out of range"):
            load.send("power", 3001.0)
        state["errors"].append(b'-222,"Data out of range"\n')  # type: ignore[attr-defined]
        with pytest.raises(LinkError, match="-222"):
            load.send("power", 1.0)
        load.close()
