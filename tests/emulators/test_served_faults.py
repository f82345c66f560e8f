"""Instruments that reboot or are unplugged, over TCP, a pseudo-terminal and Modbus: through our own links."""

import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.errors import LinkError
from benchrunner.sim.served import Server

WIRES = [
    "load",  # TCP
    "battery_monitor",  # Modbus
    pytest.param("relays", marks=pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")),
]  # fmt: skip
Rig = tuple[Server, dict[str, Instrument]]


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    text = data.find("loopback", "resources", "benches").read_text(encoding="utf-8")
    if sys.platform != "win32":
        text = text.replace("socket://127.0.0.1:{port+10}", f"serial:{tmp_path / 'relays'}")
    card = tmp_path / "bench.toml"
    card.write_text(text, encoding="utf-8")
    bench: Bench = read_bench(card)
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(bench, pairing, port_base=free_base(), lockstep=True) as server:
        base_port = server.control_port
        of = connect(bench, base_port, ["load", "battery_monitor", "relays"])
        yield server, of
        for one in of.values():
            one.close()


def to(server: Server, until: float) -> None:
    server.call(lambda: server.plant.advance(until))


def comes_back(one: Instrument) -> tuple[float, ...]:
    """The first reading that comes, of some attempts: a pseudo-terminal is looked after every 50 ms."""
    for _ in range(100):
        try:
            return one.poll()
        except LinkError:
            time.sleep(0.02)
    raise AssertionError("it does not come back")


@pytest.mark.parametrize("name", WIRES)
@pytest.mark.parametrize("kind", ["reboot", "unplugged"])
def test_down_for_a_time_and_back(name: str, kind: str, rig: Rig) -> None:
    server, of = rig
    one = of[name]
    one.open()
    to(server, 1.0)
    one.poll()
    server.call(lambda: server.fault(name, kind, seconds=4.0, at=1.0))
    for _ in range(3):  # nobody is let in either
        with pytest.raises(LinkError):
            one.poll()
    to(server, 4.9)
    with pytest.raises(LinkError):
        one.poll()
    to(server, 5.1)
    assert len(comes_back(one)) == len(one.channels)
    if name == "relays":  # a board without its supply lets its contactors go; a pulled cable does not
        values = dict(zip(one.channels, one.poll(), strict=True))
        assert values["relays.battery_contactor"] == (0.0 if kind == "reboot" else 1.0)


def test_unplugged_ends_in_a_tcp_reset(rig: Rig) -> None:
    server, _ = rig
    place = next(p for p in server.places if p.name == "load")
    with socket.create_connection(("127.0.0.1", place.port), timeout=5) as one:
        one.sendall(b"*IDN?\n")
        assert one.recv(200)
        server.call(lambda: server.fault("load", "unplugged"))
        one.sendall(b"*IDN?\n")
        with pytest.raises(ConnectionResetError):
            one.recv(200)


def test_every_link_to_a_rebooting_instrument_is_reset_and_nobody_is_let_in(rig: Rig) -> None:
    server, _ = rig
    where = ("127.0.0.1", next(p.port for p in server.places if p.name == "load"))
    with (
        socket.create_connection(where, timeout=5) as idle,
        socket.create_connection(where, timeout=5) as one,
    ):
        for line in (idle, one):
            line.sendall(b"*IDN?\n")
            assert line.recv(200)
        server.call(lambda: server.fault("load", "reboot"))
        one.sendall(b"*IDN?\n")
        for line in (one, idle):
            with pytest.raises(ConnectionResetError):
                line.recv(200)
        with pytest.raises(ConnectionError):
            ask_for_long(where)


def ask_for_long(where: tuple[str, int]) -> None:
    """A reset may come at connecting, sending or receiving, as the system sees it first."""
    with socket.create_connection(where, timeout=5) as late:
        for _ in range(100):
            late.sendall(b"*IDN?\n")
            assert not late.recv(200)
