"""A wrong port, host or name: the message names host and port and says where to look, on every kind of link."""

import socket

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.find import looking
from benchrunner.bench.links.opening import link_for
from benchrunner.bench.links.unreachable import unreachable
from benchrunner.cards.bench import read_bench
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


def test_what_is_no_matter_of_a_port_is_left_as_it_was() -> None:
    assert unreachable("serial:/dev/ttyUSB0", ConnectionRefusedError()) is None
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
