"""Modbus RTU over a pseudo-terminal, against a server written from Modbus over Serial Line V1.02; and register writes."""

import os
import struct
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress

import pytest
from conftest import bench_of, instrument_text
from test_modbus import sunspec

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.links import modbus as modbus_module
from benchrunner.bench.wire import connect
from benchrunner.cards.checksum import crc16
from benchrunner.errors import LinkError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")


class RtuLine:
    """Some units on one line: functions 3 and 16. Frames end with CRC-16, low byte first (6.2.2)."""

    def __init__(self, units: dict[int, dict[int, int]]) -> None:
        import pty
        import tty

        self.units = units
        self.late: list[float] = []  # s, for the next replies
        self.spoiled = self.silent = False
        self.asked: list[int] = []
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.device = os.ttyname(self._theirs)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        got = b""
        while True:
            try:
                part = os.read(self._ours, 512)
            except OSError:
                return
            got += part
            while len(got) >= 8:
                size = 8 if got[1] == 3 else 9 + got[6]
                if len(got) < size:
                    break
                frame, got = got[:size], got[size:]
                if crc16(frame[:-2]).to_bytes(2, "little") == frame[-2:]:
                    self._answer(frame)

    def _answer(self, frame: bytes) -> None:
        unit, function, address, count = struct.unpack(">BBHH", frame[:6])
        self.asked.append(unit)
        registers = self.units.get(unit)
        if registers is None or self.silent:
            return
        places = range(address, address + count)
        if any(place not in registers for place in places):
            body = bytes([unit, function | 0x80, 2])
        elif function == 3:
            values = [registers[place] for place in places]
            body = struct.pack(f">BBB{count}H", unit, 3, 2 * count, *values)
        else:
            for place, value in zip(places, struct.unpack(f">{count}H", frame[7:-2]), strict=True):
                registers[place] = value
            body = frame[:6]
        check = crc16(body) ^ (1 if self.spoiled else 0)
        if self.late:
            time.sleep(self.late.pop(0))
        with suppress(OSError):
            os.write(self._ours, body + check.to_bytes(2, "little"))

    def close(self) -> None:
        for end in (self._theirs, self._ours):
            with suppress(OSError):
                os.close(end)


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Iterator[RtuLine]:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    made = RtuLine({1: sunspec(), 7: sunspec(a10=1234)})
    yield made
    made.close()


def inverters(line: RtuLine, *units: int) -> list[Instrument]:
    text = "".join(
        instrument_text(f"pv{n}", f"pv{n}_inverter", "inverter", "inverter-sunspec", f"rtu:{line.device}/{n}")
        for n in units
    )
    return list(connect(bench_of(text)).values())


def test_two_units_share_one_line(line: RtuLine) -> None:
    first, second = inverters(line, 1, 7)
    first.open()
    second.open()
    assert first.poll()[1] == -2503.0
    assert second.poll()[1] == 1234.0
    first.close()
    assert second.poll()[1] == 1234.0, "the line stays open for the other"
    second.close()
    assert not modbus_module._lines


def test_two_threads_never_mix_their_answers(line: RtuLine) -> None:
    found: dict[str, set[float]] = {}

    def read(instrument: Instrument) -> None:
        instrument.open()
        found[instrument.name] = {instrument.poll()[1] for _ in range(15)}
        instrument.close()

    threads = [threading.Thread(target=read, args=(one,)) for one in inverters(line, 1, 7)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert found == {"pv1": {-2503.0}, "pv7": {1234.0}}


def test_late_answer_of_one_unit_is_never_taken_for_another(
    line: RtuLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An RTU reply carries no number: what comes late must have passed before anybody asks again."""
    monkeypatch.setattr(modbus_module, "QUIET", 0.3)
    first, second = inverters(line, 1, 7)
    first.open()
    second.open()
    line.late = [0.45]  # past the time-out of 0.3 s
    with pytest.raises(LinkError):
        first.poll()
    assert second.poll()[1] == 1234.0
    assert first.poll()[1] == -2503.0
    first.close()
    second.close()


@pytest.mark.parametrize("fault", ["silent", "spoiled"])
def test_faults_are_link_errors(line: RtuLine, fault: str) -> None:
    (instrument,) = inverters(line, 1)
    instrument.open()
    setattr(line, fault, True)
    with pytest.raises(LinkError):
        instrument.poll()
    setattr(line, fault, False)
    assert instrument.poll()[1] == -2503.0
    instrument.close()


def test_missing_port_and_silent_unit(line: RtuLine) -> None:
    (instrument,) = inverters(line, 9)
    with pytest.raises(LinkError):
        instrument.open()
    text = instrument_text("pv", "pv_inverter", "inverter", "inverter-sunspec", "rtu:/dev/no-such-port/1")
    with pytest.raises(LinkError):
        connect(bench_of(text))["pv"].open()


def test_registers_are_written(line: RtuLine) -> None:
    (instrument,) = inverters(line, 1)
    instrument.open()
    instrument.link.write_registers(40010, [1, 2, 65535])
    assert instrument.link.read_registers(40010, 3) == [1, 2, 65535]
    with pytest.raises(LinkError, match="exception 2"):
        instrument.link.write_registers(5, [1])
    instrument.close()


def test_a_setting_goes_to_its_register_and_is_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Model 123 of an older inverter: WMaxLimPct with its scale factor, WMaxLim_Ena and Conn as switches."""
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    common = [1, 66, *([0x4100] * 64), 1, 0]
    ac, controls = [103, 50, *([0] * 50)], [123, 24, *([0] * 24)]
    controls[23] = 0xFFFE  # WMaxLimPct_SF: -2
    registers = [0x5375, 0x6E53, *common, *ac, *controls, 0xFFFF, 0]
    held = {40000 + k: value for k, value in enumerate(registers)}
    line = RtuLine({1: held})
    text = instrument_text("pv", "pv_inverter", "inverter", "inverter-sunspec-103", f"rtu:{line.device}/1")
    (one,) = connect(bench_of(text)).values()
    one.open()
    one.send("power_limit", 0.55)
    assert held[40000 + 2 + 68 + 52 + 5] == 5500  # 55 % in hundredths
    assert one.read_back("power_limit") == pytest.approx(0.55)
    assert one.followed("power_limit", 0.55, one.read_back("power_limit"))
    one.send("limited", 1.0)
    assert held[40000 + 2 + 68 + 52 + 9] == 1 and one.read_back("limited") == 1.0
    with pytest.raises(LinkError, match="out of range"):
        one.send("power_limit", 1.2)
    held[40000 + 2 + 68 + 52 + 23] = 0x8000  # no scale factor: nobody can tell what to write
    with pytest.raises(LinkError, match="scale factor"):
        one.send("power_limit", 0.5)
    one.close()
    line.close()
