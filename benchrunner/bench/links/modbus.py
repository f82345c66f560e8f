"""Links over Modbus, TCP and RTU. The only module that knows pymodbus (3.16), whose minor versions change their interface.

Errors come two ways there: a reply that says so and an exception; both end in one. Its `connect` only says that there is no
connection, so sockets and ports are opened here and given to it: why one could not be opened is what a person needs.

On an RTU line several units share one port, so the port is opened once for all of them and asked by one at a time.
Its replies carry no number: after a failure the line must have been quiet before anybody asks again, or a late reply
would pass for the next one.
"""

import logging
import socket
import threading
from typing import Any

from benchrunner.bench.links.base import DeviceRefusedError, Link, NoReplyError
from benchrunner.bench.links.quiet import settle
from benchrunner.cards.driver import LinkPart

PORT = 502
QUIET = 0.05  # s; a frame ends after 3.5 characters of silence, 36 ms at 1200 baud (Modbus over Serial Line, 2.5.1.1)


def modbus_link(name: str, address: str, part: LinkPart, timeout: float) -> Link:
    """The link to `modbus://host:port/unit` or `rtu:DEVICE/unit`, not yet open."""
    if address.startswith("rtu:"):
        return ModbusRtuLink(name, address, part, timeout)
    return ModbusLink(name, address, timeout)


class _Registers(Link):
    """What both kinds do with a client of pymodbus."""

    _unit: int
    _client: Any

    def _read_registers(self, address: int, count: int) -> list[int]:
        reply = self._client.read_holding_registers(address, count=count, device_id=self._unit)
        _accept(reply)
        return list(reply.registers)

    def _write_registers(self, address: int, values: list[int]) -> None:
        _accept(self._client.write_registers(address, values, device_id=self._unit))


def _accept(reply: Any) -> None:
    if reply.isError():
        code = getattr(reply, "exception_code", None)
        raise DeviceRefusedError(code) if code is not None else NoReplyError(f"no answer: {reply}")


class ModbusLink(_Registers):
    """One unit behind one Modbus TCP address: `modbus://host:port/unit`."""

    def __init__(self, name: str, address: str, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        place, _, unit = address.removeprefix("modbus://").rpartition("/")
        host, _, port = place.rpartition(":")
        self._host, self._port = (host, int(port)) if host and port.isdigit() else (place, PORT)
        self._unit = int(unit)
        self._client: Any = None

    def _open(self) -> None:
        from pymodbus.client import ModbusTcpClient

        # each failure would dump its recent frames into the log
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        client = ModbusTcpClient(self._host, port=self._port, timeout=self.timeout, retries=0)
        client.socket = socket.create_connection((self._host.strip("[]"), self._port), timeout=self.timeout)
        self._client = client

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()


class _Line:
    """One RTU line of this process, for as long as a link uses it."""

    def __init__(self, device: str, part: LinkPart, timeout: float) -> None:
        self.lock = threading.RLock()
        self.users = 0
        self.settings = (part.baud, part.data_bits, part.parity, part.stop_bits)
        self.noisy = False
        self._device, self._timeout = device, timeout
        self.client: Any = None

    def open(self) -> None:
        import serial
        from pymodbus import FramerType
        from pymodbus.client import ModbusSerialClient

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        baud, bits, parity, stops = self.settings
        client = ModbusSerialClient(
            self._device, framer=FramerType.RTU, baudrate=baud, bytesize=bits, parity=parity[0].upper(),
            stopbits=stops, timeout=self._timeout, retries=0,
        )  # fmt: skip
        port = serial.serial_for_url(
            self._device, baudrate=baud, bytesize=bits, parity=parity[0].upper(), stopbits=stops,
            timeout=self._timeout, write_timeout=self._timeout, exclusive=True,
        )  # fmt: skip
        port.inter_byte_timeout = client.inter_byte_timeout
        client.socket = port
        self.client = client

    def close(self) -> None:
        client, self.client = self.client, None
        if client is not None:
            client.close()


_lines: dict[str, _Line] = {}
_lines_lock = threading.Lock()


class ModbusRtuLink(_Registers):
    """One unit on an RTU line: `rtu:/dev/ttyUSB0/3`, `rtu:COM4/3`."""

    def __init__(self, name: str, address: str, part: LinkPart, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        device, _, unit = address.removeprefix("rtu:").rpartition("/")
        self._device, self._unit, self._part = device, int(unit), part
        self._line: _Line | None = None

    @property
    def _client(self) -> Any:
        return self._line.client if self._line is not None else None

    def _open(self) -> None:
        with _lines_lock:
            line = _lines.setdefault(self._device, _Line(self._device, self._part, self.timeout))
            part = self._part
            if line.settings != (part.baud, part.data_bits, part.parity, part.stop_bits):
                raise NoReplyError("another unit on this line has other line settings")
            line.users += 1
            self._line = line
        with line.lock:
            if line.client is None:
                line.open()

    def _close(self) -> None:
        line, self._line = self._line, None
        if line is None:
            return
        with _lines_lock:
            line.users -= 1
            if line.users == 0:
                _lines.pop(self._device, None)
        if line.users == 0:
            with line.lock:
                line.close()

    def _read_registers(self, address: int, count: int) -> list[int]:
        found: list[int] = self._in_turn(lambda: _Registers._read_registers(self, address, count))
        return found

    def _write_registers(self, address: int, values: list[int]) -> None:
        self._in_turn(lambda: _Registers._write_registers(self, address, values))

    def _in_turn(self, exchange: Any) -> Any:
        line = self._line
        if line is None:
            raise NoReplyError("the link is not open")
        with line.lock:
            if line.client is None:
                line.open()
            if line.noisy:
                settle(line.client.socket, QUIET)
                line.noisy = False
            try:
                return exchange()
            except Exception as error:
                line.noisy = True
                if not isinstance(
                    error, NoReplyError
                ):  # the port itself may be gone: opened anew by the next
                    line.close()
                raise
