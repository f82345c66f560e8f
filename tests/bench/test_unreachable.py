"""A wrong port, host or name: the message names host and port and says where to look, on every kind of link."""

import contextlib
import errno
import os
import socket
import sys
from pathlib import Path

import pytest
import serial
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.find import looking
from benchrunner.bench.links.modbus import modbus_link
from benchrunner.bench.links.opening import link_for
from benchrunner.bench.links.unreachable import unreachable
from benchrunner.cards.bench import read_bench
from benchrunner.cards.driver import LinkPart
from benchrunner.cli.main import main
from benchrunner.errors import LinkError

LOOPBACK = data.find("loopback", "resources", "benches")


@pytest.fixture(scope="module")
def base() -> int:
    return free_base()


@pytest.mark.parametrize(("name", "further"), [("load", 1), ("relays", 10), ("pv_inverter", 14)])
def test_a_port_where_nobody_listens_is_named(name: str, further: int, base: int) -> None:
    link = link_for(read_bench(LOOPBACK), name, base)
    with pytest.raises(LinkError) as caught:
        link.open()
    problem = caught.value.problem
    assert f"port {base + further} of 127.0.0.1" in problem.what
    assert "Errno" not in problem.what and "Error" not in problem.what
    assert f"is {base + further} its port" in problem.mend and "manual" in problem.mend
    assert ("--modbus" if name == "pv_inverter" else "--range") in problem.mend


@pytest.mark.parametrize(
    ("address", "error", "what", "mend"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", TimeoutError("timed out"), "192.0.2.7 did not answer", "firewall"),
        ("socket://192.0.2.7:5025", OSError("Could not open port: timed out"), "at port 5025", "firewall"),
        ("TCPIP0::lab::5025::SOCKET", socket.gaierror(-2, "Name or service not known"), "lab is not known", "IP"),
        ("TCPIP0::lab::5025::SOCKET", socket.gaierror(11001, "getaddrinfo failed"), "lab is not known", "IP"),
        ("TCPIP0::192.0.2.7::5025::SOCKET", OSError(113, "No route to host"), "no way leads", "cable"),
        ("socket://192.0.2.7:5025", OSError("[WinError 10061] the target machine actively refused it"),
         "nothing listens at port 5025 of 192.0.2.7", "is 5025 its port"),
    ],
)  # fmt: skip
def test_why_nobody_was_reached(address: str, error: Exception, what: str, mend: str) -> None:
    told = unreachable(address, error)
    assert told is not None and what in told[0] and mend in told[1]


def modbus_told(address: str) -> str:
    """What opening a Modbus link on a real socket or port says."""
    kind = "rtu" if address.startswith("rtu:") else "tcp"
    link = modbus_link("inverter", address, LinkPart(kind="modbus"), 0.5)
    with pytest.raises(LinkError) as caught:
        link.open()
    assert not link.is_open, kind
    said = str(caught.value)
    assert "Errno" not in said and "Error" not in said and "Exception" not in said
    return said


def test_each_reason_why_no_modbus_server_was_reached_is_told_apart(base: int) -> None:
    """On real sockets: nobody listens, no such name (RFC 6761, 6.4: `.invalid` is never one), and one that drops a connection."""
    closed = modbus_told(f"modbus://127.0.0.1:{base + 40}/1")
    assert f"nothing listens at port {base + 40} of 127.0.0.1 (the connection was refused)" in closed
    assert "benchrunner find --modbus 127.0.0.1:FIRST-LAST" in closed
    unknown = modbus_told("modbus://no-such-host.invalid:1502/1")
    assert "the host name no-such-host.invalid is not known (port 1502)" in unknown
    assert "check the name, or write its IP address" in unknown
    impossible = modbus_told(
        "modbus://no..such.host:1502/1"
    )  # no name at all: refused before anybody is asked
    assert "the host name no..such.host is not known" in impossible
    assert len({closed, unknown, impossible}) == 3


@pytest.mark.skipif(
    sys.platform != "linux", reason="how a full queue of connections answers is the system's own"
)
def test_a_modbus_server_that_answers_no_connection_is_no_refusal() -> None:
    with socket.socket() as full:  # listens, takes nobody, and its queue is full: further ones get no answer
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        port = full.getsockname()[1]
        waiting = []
        for _ in range(8):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(("127.0.0.1", port))
            waiting.append(one)
        try:
            with contextlib.suppress(TimeoutError):
                socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
                pytest.skip("this system answers although the queue is full")
            said = modbus_told(f"modbus://127.0.0.1:{port}/1")
        finally:
            for one in waiting:
                one.close()
    assert f"127.0.0.1 did not answer in time at port {port}" in said and "firewall" in said


def test_no_way_to_a_host_is_told_whatever_language_the_system_speaks() -> None:
    for number in (errno.EHOSTUNREACH, errno.ENETUNREACH, 10065):
        told = unreachable("modbus://192.0.2.7/1", OSError(number, "kein Weg"))
        assert told is not None and "no way leads to 192.0.2.7 (port 502)" in told[0] and "cable" in told[1]
    for number, what in (
        (errno.ECONNREFUSED, "nothing listens"),
        (errno.ETIMEDOUT, "did not answer in time"),
    ):
        told = unreachable("modbus://192.0.2.7/1", OSError(number, "etwas"))
        assert told is not None and what in told[0]


@pytest.mark.skipif(sys.platform == "win32", reason="a device file")
def test_why_a_serial_port_of_modbus_units_cannot_be_opened(tmp_path: Path, base: int) -> None:
    missing = modbus_told(f"rtu:{tmp_path}/ttyUSB7/3")
    assert f"there is no serial port {tmp_path}/ttyUSB7" in missing and "benchrunner find" in missing
    served = modbus_told(f"rtu:socket://127.0.0.1:{base + 41}/3")  # units behind a device server
    assert f"nothing listens at port {base + 41} of 127.0.0.1" in served
    told = unreachable("rtu:/dev/ttyUSB7/3", PermissionError(errno.EACCES, "Permission denied"))
    assert told is not None and "this user may not open" in told[0] and "group" in told[1]
    for text, what in (  # as pyserial says it on Windows, without a number
        ("could not open port 'COM9': FileNotFoundError(2, 'x', None, 2)", "there is no serial port com9"),
        ("could not open port 'COM9': PermissionError(13, 'x', None, 5)", "in use by another program"),
    ):
        told = unreachable("rtu:COM9/3", serial.SerialException(text))
        assert told is not None and what in told[0]
    master, slave = os.openpty()
    try:
        with serial.Serial(os.ttyname(slave), exclusive=True):
            held = modbus_told(f"rtu:{os.ttyname(slave)}/3")
    finally:
        os.close(master)
        os.close(slave)
    assert "is in use by another program" in held and "close the other program" in held


def test_what_is_no_matter_of_a_port_is_left_as_it_was() -> None:
    assert unreachable("serial:/dev/ttyUSB0", ConnectionRefusedError()) is None
    assert unreachable("memory", ConnectionRefusedError()) is None
    assert unreachable("GPIB0::7::INSTR", FileNotFoundError(errno.ENOENT, "odd")) is None
    assert unreachable("TCPIP0::192.0.2.7::5025::SOCKET", ValueError("odd")) is None


def test_find_names_each_range_and_server_where_nobody_listens(
    base: int, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", base + 30)):  # listens, and says nothing: told apart
        ranges = (f"127.0.0.1:{base + 20}-{base + 22}", f"127.0.0.1:{base + 29}-{base + 30}")
        where = looking.Where(ranges, (f"127.0.0.1:{base + 23}/1",), visa=False, patience=0.1)
        found = [answer.problem for answer in looking.look(where) if answer.problem]
    told = [str(problem) for problem in found]
    assert len(told) == 3
    assert f"nothing listens at ports {base + 20} to {base + 22} of 127.0.0.1" in told[1]
    assert f"nothing listens at port {base + 23} of 127.0.0.1" in told[2] and "--modbus" in told[2]
    assert "listens, and answers neither" in told[0]
    assert main(["find", "--no-visa", "--range", f"127.0.0.1:{base + 20}"]) == 3
    said = capsys.readouterr().err
    assert f"nothing listens at port {base + 20} of 127.0.0.1" in said and "manual" in said


def test_find_bench_says_at_which_port_nobody_listens(base: int, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["find", "--bench", str(LOOPBACK), "--port-base", str(base)])
    said = capsys.readouterr().err
    assert code == 3 and f"load at TCPIP0::127.0.0.1::{base + 1}::SOCKET: missing" in said
    assert f"nothing listens at port {base + 1} of 127.0.0.1" in said
