"""One address, one instrument: addresses written differently that point at one place, and a card on which two do."""

from pathlib import Path

import pytest

from benchrunner.cards import reading
from benchrunner.cards.bench import fit_bench
from benchrunner.cards.places import place, same
from benchrunner.errors import Refused

ROOT = Path(__file__).parents[2]
LOOPBACK = (ROOT / "resources/benches/loopback.toml").read_text(encoding="utf-8")
ONE = [
    ("TCPIP0::192.0.2.7::5025::SOCKET", "TCPIP::192.0.2.7::5025::socket"),
    ("TCPIP0::meter.lab::5025::SOCKET", "socket://Meter.Lab:5025"),
    ("TCPIP0::localhost::5025::SOCKET", "socket://127.0.0.1:5025"),
    ("TCPIP0::192.0.2.7::502::SOCKET", "modbus://192.0.2.7:502/1"),
    ("modbus://192.0.2.7:502/1", "modbus://192.0.2.7/01"),
    ("serial:/dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
    ("serial:COM3", "ASRL3::INSTR"),
    ("serial:com3", "ASRLCOM3::INSTR"),
    ("serial:/dev/ttyUSB0", "rtu:/dev/ttyUSB0/3"),
    ("rtu:COM4/3", "rtu:com4/3"),
    ("TCPIP0::192.0.2.7::inst0::INSTR", "TCPIP::192.0.2.7::INSTR"),
    ("GPIB0::7::INSTR", "GPIB::7"),
    ("USB0::0x1AB1::0x0588::SN1::INSTR", "USB0::6833::1416::sn1::0::INSTR"),
]
TWO = [
    ("modbus://192.0.2.7:502/1", "modbus://192.0.2.7:502/2"),
    ("modbus://192.0.2.7:502/1", "modbus://192.0.2.8:502/1"),
    ("rtu:/dev/ttyUSB0/1", "rtu:/dev/ttyUSB0/2"),
    ("TCPIP0::192.0.2.7::5025::SOCKET", "TCPIP0::192.0.2.7::5026::SOCKET"),
    ("serial:/dev/ttyUSB0", "serial:/dev/ttyUSB1"),
    ("TCPIP0::192.0.2.7::inst0::INSTR", "TCPIP0::192.0.2.7::hislip0::INSTR"),
    ("GPIB0::7::INSTR", "GPIB1::7::INSTR"),
    ("GPIB0::7::INSTR", "GPIB0::7::1::INSTR"),
    ("USB0::1::2::SN1::INSTR", "USB0::1::2::SN2::INSTR"),
]


def one_place(first: str, second: str) -> bool:
    places = place(first), place(second)
    assert places[0] is not None and places[1] is not None
    assert same(*places) == same(*reversed(places))
    return same(*places)


@pytest.mark.parametrize(("first", "second"), ONE)
def test_one_place_written_in_two_ways(first: str, second: str) -> None:
    assert one_place(first, second)


@pytest.mark.parametrize(("first", "second"), TWO)
def test_two_places(first: str, second: str) -> None:
    assert not one_place(first, second)


def test_memory_is_no_place() -> None:
    assert place("memory") is None


def problems(text: str) -> list[str]:
    try:
        fit_bench(reading.parse(text.encode(), "bench.toml"))
    except Refused as refused:
        return [str(problem) for problem in refused.problems]
    return []


def line_of_address(text: str, name: str) -> int:
    rows = text.splitlines()
    begin = next(n for n, row in enumerate(rows) if row.startswith(f"[instruments.{name}]"))
    return next(n for n in range(begin, len(rows)) if rows[n].startswith("address")) + 1


@pytest.mark.parametrize(
    ("was", "now", "first", "second"),
    [
        ("TCPIP0::127.0.0.1::{port+4}::SOCKET", "TCPIP0::127.0.0.1::{port+2}::SOCKET", "bus_meter", "pv_meter"),
        ("TCPIP0::127.0.0.1::{port+4}::SOCKET", "TCPIP0::localhost::27302::SOCKET", "bus_meter", "pv_meter"),
        ("modbus://127.0.0.1:{port+14}/1", "modbus://127.0.0.1:{port+13}/1", "battery_inverter", "pv_inverter"),
    ],
)  # fmt: skip
def test_two_instruments_at_one_address_are_refused(was: str, now: str, first: str, second: str) -> None:
    assert problems(LOOPBACK) == []
    text = LOOPBACK.replace(was, now)
    found = problems(text)
    assert len(found) == 1
    where = f"bench.toml:{line_of_address(text, second)}: instruments.{second}.address: "
    assert found[0].startswith(where)
    assert f"{second} is at the address of {first}" in found[0] and "find" in found[0]


def test_two_units_of_one_modbus_server_are_two_instruments() -> None:
    assert problems(LOOPBACK.replace("{port+14}/1", "{port+13}/2")) == []
