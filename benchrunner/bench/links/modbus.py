"""Links over Modbus TCP. The only module that knows pymodbus (3.16), whose minor versions change their interface.

Errors come three ways there: a reply that says so, an exception, and `connect` returning False; all end in one.
"""

import logging
from typing import Any

from benchrunner.bench.links.base import Link, NoReplyError

PORT = 502


class ModbusLink(Link):
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
        self._client = ModbusTcpClient(self._host, port=self._port, timeout=self.timeout, retries=0)
        if not self._client.connect():
            raise NoReplyError("the connection was refused or did not come about")

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _read_registers(self, address: int, count: int) -> list[int]:
        reply = self._client.read_holding_registers(address, count=count, device_id=self._unit)
        if reply.isError():
            code = getattr(reply, "exception_code", None)
            raise NoReplyError(f"Modbus exception {code}" if code is not None else f"no answer: {reply}")
        return list(reply.registers)
