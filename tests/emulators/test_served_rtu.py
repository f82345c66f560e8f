"""Modbus RTU served on a pseudo-terminal: pymodbus as the client, and frames that are broken or meant for nobody."""

import os
import select
import sys
from collections.abc import Iterator

import pytest
from free_ports import free_base
from pymodbus.client import ModbusSerialClient

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.served import Server

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")
# CRC examples: function 3 of unit 17 as printed in the Modbus Protocol Reference Guide (PI-MBUS-300), and one that is
# commonly quoted for unit 1 (common practice)
FRAMES = ("11 03 00 6B 00 03 76 87", "01 03 00 00 00 0A C5 CD")


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str]]:
    """The shipped bench with both inverters on one RTU line, units 1 and 2."""
    folder = tmp_path_factory.mktemp("rtu")
    text = data.find("simulated", "resources", "benches").read_text(encoding="utf-8")
    for unit, name in enumerate(("battery_inverter", "pv_inverter"), 1):
        head, rest = text.split(f"[instruments.{name}]", 1)
        rest = rest.replace('address = "memory"', f'address = "rtu:{folder / "line"}/{unit}"', 1)
        text = f"{head}[instruments.{name}]{rest}"
    card = folder / "bench.toml"
    card.write_text(text, encoding="utf-8")
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(read_bench(card), pairing, port_base=free_base(60), lockstep=True) as server:
        yield server, str(folder / "line")


@pytest.fixture
def client(line: tuple[Server, str]) -> Iterator[ModbusSerialClient]:
    one = ModbusSerialClient(line[1], baudrate=9600, timeout=1.0, retries=0)
    assert one.connect()
    yield one
    one.close()


def test_each_unit_answers_for_itself(client: ModbusSerialClient) -> None:
    """Model 1 begins with its ID and length (SunSpec), and DA is the unit's own number."""
    for unit in (1, 2):
        reply = client.read_holding_registers(40000, count=70, device_id=unit)
        assert reply.registers[:4] == [0x5375, 0x6E53, 1, 66]
        assert reply.registers[68] == unit


def test_what_cannot_be_read_is_refused_with_its_code(client: ModbusSerialClient) -> None:
    """Exception 2: no such register; 3: too many at once; 1: no such function (Modbus Application Protocol, 7)."""
    assert client.read_holding_registers(10, count=2, device_id=1).exception_code == 2
    assert client.read_coils(0, count=8, device_id=1).exception_code == 1


def exchange(device: str, frame: bytes, patience: float = 0.4) -> bytes:
    end = os.open(device, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(end, frame)
        found = b""
        while select.select([end], [], [], patience)[0]:
            found += os.read(end, 512)
        return found
    finally:
        os.close(end)


@pytest.mark.parametrize("frame", FRAMES)
def test_the_check_of_a_frame_is_the_published_one(frame: str) -> None:
    from benchrunner.sim.served.rtu import crc

    whole = bytes.fromhex(frame)
    assert crc(whole[:-2]) == whole[-2:]


def test_a_broken_frame_and_one_for_nobody_are_not_answered(line: tuple[Server, str]) -> None:
    from benchrunner.sim.served.rtu import crc

    good = bytes.fromhex("01 03 9C 40 00 02")
    assert len(exchange(line[1], good + crc(good))) == 9
    assert exchange(line[1], good + b"\0\0") == b""
    other = b"\x07" + good[1:]
    assert exchange(line[1], other + crc(other)) == b""
    assert exchange(line[1], (good + crc(good))[:5]) == b""
    assert len(exchange(line[1], good + crc(good))) == 9  # the half frame before is forgotten
