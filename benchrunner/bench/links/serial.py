"""Links over a serial line (pyserial): a port of this machine, a pseudo-terminal, or a device server (`socket://`).

The port is opened for this program alone, its time-out is set once (changing it reconfigures the port on some
systems), and what stands in its buffer is thrown away before each query. After a failure the line must have been
quiet before it is asked again, so that a late answer cannot pass for the next one.
"""

import contextlib
import sys
import time
from typing import Any

from benchrunner.bench.links.base import LONGEST_REPLY, Link, NoReplyError
from benchrunner.bench.links.quiet import settle
from benchrunner.cards.checksum import opened, sealed
from benchrunner.cards.driver import LinkPart

QUIET = 0.05  # s without a byte before a line counts as quiet
PARITY = {"none": "N", "even": "E", "odd": "O"}


class SerialLink(Link):
    """One serial line. `address`: `serial:/dev/ttyUSB0`, `serial:COM3`, or `socket://host:port`."""

    def __init__(self, name: str, address: str, part: LinkPart, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        self._part = part
        self._ends = part.read_ends.encode() or b"\n"
        self._cut = -len(self._ends)
        self._write_ends = part.write_ends.encode()
        self._checksum, self._mark = part.checksum, part.checksum_mark.encode()
        self._port: Any = None

    def _open(self) -> None:
        import serial

        part = self._part
        settings: dict[str, Any] = {
            "baudrate": part.baud,
            "bytesize": part.data_bits,
            "parity": PARITY[part.parity],
            "stopbits": part.stop_bits,
            "timeout": self.timeout,
            "write_timeout": self.timeout,
        }
        if self.address.startswith("serial:"):
            if sys.platform != "win32":  # there a port is always one program's alone
                settings["exclusive"] = True
            self._port = serial.Serial(self.address.removeprefix("serial:"), **settings)
        else:
            self._port = serial.serial_for_url(self.address, **settings)
        if self.failures:
            settle(self._port, QUIET)
        else:
            self._port.reset_input_buffer()

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _query(self, message: bytes) -> bytes:
        port = self._port
        if port.in_waiting:
            port.reset_input_buffer()
        self._send(port, message)
        # what has come is taken at once: pyserial's own reading to an end asks for one byte at a time
        reply = port.read(1)
        end = 0.0
        ends, cut = self._ends, self._cut
        while reply:
            place = reply.find(ends)
            if place >= 0:
                if place != len(reply) + cut:
                    raise NoReplyError("more than one line came where one was asked for", reply)
                break
            if len(reply) > LONGEST_REPLY:
                raise NoReplyError("the reply has no end", reply)
            if end and time.monotonic() > end:
                raise NoReplyError("no whole reply in time", reply)
            end = end or time.monotonic() + self.timeout
            part = port.read(min(port.in_waiting, LONGEST_REPLY) or 1)
            if not part:
                break
            reply += part
        if not reply.endswith(ends):
            raise NoReplyError("no whole reply", bytes(reply))
        line = bytes(reply[:cut])
        return line if self._checksum == "none" else self._opened(line)

    def _write(self, message: bytes) -> None:
        self._send(self._port, message)
        with contextlib.suppress(AttributeError):  # device servers have nothing to flush
            self._port.flush()

    def _send(self, port: Any, message: bytes) -> None:
        if self._checksum != "none":
            body = message[: len(message) - len(self._write_ends)]
            message = sealed(self._checksum, self._mark, body) + self._write_ends
        sent = port.write(message)
        if sent is not None and sent != len(message):
            raise NoReplyError(f"only {sent} of {len(message)} bytes could be sent")

    def _opened(self, line: bytes) -> bytes:
        try:
            return opened(self._checksum, self._mark, line)
        except ValueError as error:
            raise NoReplyError(str(error), line) from error
