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
from benchrunner.cards.driver import LinkPart

QUIET = 0.05  # s without a byte before a line counts as quiet
LONGEST_NOISE = 2.0  # s; a line that never falls quiet is refused


class SerialLink(Link):
    """One serial line. `address`: `serial:/dev/ttyUSB0`, `serial:COM3`, or `socket://host:port`."""

    def __init__(self, name: str, address: str, part: LinkPart, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        self._part = part
        self._ends = part.read_ends.encode() or b"\n"
        self._port: Any = None

    def _open(self) -> None:
        import serial

        part = self._part
        settings: dict[str, Any] = {
            "baudrate": part.baud,
            "bytesize": part.data_bits,
            "parity": {"none": "N", "even": "E", "odd": "O"}[part.parity],
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
        self._settle()

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _settle(self) -> None:
        """Wait until nothing comes any more, and throw it away; only needed after a failure."""
        if not self.failures:
            self._port.reset_input_buffer()
            return
        end = time.monotonic() + LONGEST_NOISE
        quiet_since = time.monotonic()
        while time.monotonic() - quiet_since < QUIET:
            if self._port.in_waiting:
                self._port.reset_input_buffer()
                quiet_since = time.monotonic()
            if time.monotonic() > end:
                raise NoReplyError("the line does not fall quiet")
            time.sleep(QUIET / 10)

    def _query(self, message: bytes) -> bytes:
        self._port.reset_input_buffer()
        self._write(message)
        reply = self._port.read_until(self._ends, LONGEST_REPLY)
        if not reply.endswith(self._ends):
            raise NoReplyError("no whole reply", bytes(reply))
        return bytes(reply[: -len(self._ends)])

    def _write(self, message: bytes) -> None:
        sent = self._port.write(message)
        if sent is not None and sent != len(message):
            raise NoReplyError(f"only {sent} of {len(message)} bytes could be sent")
        with contextlib.suppress(AttributeError):  # device servers have nothing to flush
            self._port.flush()
