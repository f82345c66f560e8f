"""Modbus RTU on a pseudo-terminal: one line with one or more units. POSIX; elsewhere they are served over Modbus TCP.

Source: Modbus over Serial Line V1.02, 2.5.1 (frames, CRC, silence between frames) and Modbus Application Protocol V1.1b3,
6.3, 6.6, 6.12 and 7 (functions 3, 6 and 16, exception responses). A frame that is broken or for a unit that is not on
the line is not answered.
"""

import time
from pathlib import Path
from typing import TYPE_CHECKING

from benchrunner.sim.emulators.sunspec import RegistersRefusedError
from benchrunner.sim.served.ptys import PtyLine

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server

READ_HOLDING, WRITE_ONE, WRITE_SEVERAL = 3, 6, 16
ILLEGAL_FUNCTION, ILLEGAL_VALUE = 1, 3
LONGEST = 256  # bytes of a frame
SILENCE = 0.05  # s; what comes after it begins a new frame. The least is 3.5 characters, 4 ms at 9600 baud
MOST_WRITTEN = 123  # registers


def crc(data: bytes) -> bytes:
    """The check of a frame, low byte first (Modbus over Serial Line V1.02, 6.2.2)."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


class RtuLine(PtyLine):
    """A serial line with the units on it: number -> instrument."""

    def __init__(self, server: "Server", link: Path, units: dict[int, str]) -> None:
        super().__init__(server, ", ".join(units.values()), link)
        self.units = units
        self._got = b""
        self._last = 0.0

    def _new_reader(self) -> None:
        self._got = b""

    def _down(self) -> bool:
        return all(self._server.is_down(name) for name in self.units.values())

    def _exchange(self, data: bytes) -> tuple[bytes, float, bool]:
        now = time.monotonic()
        if now - self._last > SILENCE:
            self._got = b""
        self._last = now
        self._got += data
        if (frame := self._frame()) is None:
            return b"", 0.0, False
        unit, body = frame[0], frame[1:-2]
        if crc(frame[:-2]) != frame[-2:] or unit not in self.units:
            return b"", 0.0, False
        try:
            reply = self._carry_out(unit, body)
        except RegistersRefusedError as error:
            reply = bytes((body[0] | 0x80, error.code))
        except TimeoutError:
            reply = b""
        wait, silent, dropped = self._server.fate(self.units[unit])
        if dropped or silent or not reply:
            return b"", 0.0, dropped and self._down()
        answer = bytes((unit,)) + reply
        return answer + crc(answer), wait, False

    def _frame(self) -> bytes | None:
        """The request that has come in whole, if one has."""
        got = self._got
        if len(got) < 8:
            return None
        length = (
            8 if got[1] in (READ_HOLDING, WRITE_ONE) else 9 + got[6] if got[1] == WRITE_SEVERAL else len(got)
        )
        if length > LONGEST or len(got) > LONGEST:
            self._got = b""
            return None
        if len(got) < length:
            return None
        self._got = b""  # a client waits for its answer; more than one request at once is no frame
        return got[:length]

    def _carry_out(self, unit: int, body: bytes) -> bytes:
        name, function = self.units[unit], body[0]
        if function not in (READ_HOLDING, WRITE_ONE, WRITE_SEVERAL):
            raise RegistersRefusedError(ILLEGAL_FUNCTION, "no such function")
        address, count = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
        if function == READ_HOLDING:
            found = self._server.read_registers(name, unit, address, count)
            return bytes((function, 2 * count)) + b"".join(one.to_bytes(2, "big") for one in found)
        if function == WRITE_ONE:
            self._server.write_registers(name, unit, address, [count])
            return body
        data = body[6:]
        if not 1 <= count <= MOST_WRITTEN or len(data) != 2 * count or body[5] != 2 * count:
            raise RegistersRefusedError(ILLEGAL_VALUE, "count and data do not fit")
        values = [int.from_bytes(data[k : k + 2], "big") for k in range(0, 2 * count, 2)]
        self._server.write_registers(name, unit, address, values)
        return body[:5]
