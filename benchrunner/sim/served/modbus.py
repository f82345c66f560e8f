"""The SunSpec devices over Modbus TCP, served by pymodbus. The one module here that knows pymodbus (>=3.16, <3.17)."""

import asyncio
import logging
from typing import TYPE_CHECKING, Any

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.pdu import ExceptionResponse
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from benchrunner.sim.emulators.sunspec import RegistersRefusedError
from benchrunner.sim.served.lines import reset

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server

READ_HOLDING = 3
WRITES = (6, 16)  # one register, several
ADDRESSES = 65536


class RegisterServer:
    """One Modbus TCP port with one or more devices, by unit number."""

    def __init__(self, server: "Server", host: str, port: int, units: dict[int, str]) -> None:
        self._server, self.host, self.port, self.units = server, host, port, units
        self._modbus: _Modbus | None = None

    async def start(self) -> None:
        """Listen. Raises `OSError` where the port is taken."""
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # it writes every client's mistake to stderr
        devices = [
            SimDevice(id=unit, simdata=[_all_registers()], action=self._action(unit)) for unit in self.units
        ]
        self._modbus = _Modbus(self, devices, (self.host, self.port))
        try:
            await self._modbus.serve_forever(background=True)
        except RuntimeError as error:
            raise OSError(str(error)) from error

    async def stop(self) -> None:
        """Close the port and every connection."""
        if self._modbus is not None:
            for connection in list(self._modbus.connections):
                connection.close()
            shut: Any = self._modbus.shutdown  # untyped in pymodbus
            await shut()
            self._modbus = None

    def _action(self, unit: int) -> Any:
        async def act(
            code: int, start: int, address: int, count: int, registers: list[int], values: Any
        ) -> ExcCodes | None:
            """Put the device's registers of this moment where pymodbus reads them, or write into the device."""
            if (values is None and code != READ_HOLDING) or (values is not None and code not in WRITES):
                return ExcCodes.ILLEGAL_FUNCTION
            try:
                if values is not None:
                    self._server.write_registers(self.units[unit], unit, address, list(values))
                    return None
                found = self._server.read_registers(self.units[unit], unit, address, count)
            except RegistersRefusedError as error:
                return ExcCodes(error.code)
            registers[address - start : address - start + count] = found
            return None

        return act

    def fate(self, unit: int) -> tuple[float, bool, bool]:
        """Of the exchange just done: wall seconds to wait, whether it is not answered, whether the link is dropped."""
        return self._server.fate(self.units[unit]) if unit in self.units else (0.0, False, False)

    def down(self) -> bool:
        """Whether every device behind the port is rebooting or unplugged."""
        return all(self._server.is_down(name) for name in self.units.values())


class _Modbus(ModbusTcpServer):
    """pymodbus's server with our request handler."""

    def __init__(self, owner: RegisterServer, devices: list[SimDevice], address: tuple[str, int]) -> None:
        super().__init__(devices, framer=FramerType.SOCKET, address=address)
        self.owner = owner
        self.connections: set[_Handler] = set()

    def callback_new_connection(self) -> "_Handler":
        return _Handler(self)


class _Handler(ServerRequestHandler):
    """As pymodbus's, but a reply may come late, or never, and then belongs to its own request still."""

    server: _Modbus

    def __init__(self, owner: _Modbus) -> None:
        make: Any = super().__init__  # untyped in pymodbus
        make(owner, None, None, None)

    def callback_connected(self) -> None:
        super().callback_connected()
        self.server.connections.add(self)
        if self.server.owner.down() and isinstance(self.transport, asyncio.Transport):
            reset(self.transport)

    def callback_disconnected(self, exc: Exception | None) -> None:
        self.server.connections.discard(self)
        super().callback_disconnected(exc)

    async def handle_request(self) -> None:
        request, address = self.last_pdu, self.last_addr
        if not request:
            return
        unit = request.dev_id
        fate = (0.0, False, False)
        if unit in self.server.owner.units:
            try:
                context: Any = self.server.context
                response = await request.datastore_update(context, unit)
            except TimeoutError:
                response = None
            except (
                Exception
            ):  # what a hostile request can bring about is the client's trouble, not the server's
                response = ExceptionResponse(request.function_code, ExcCodes.DEVICE_FAILURE)
            fate = self.server.owner.fate(unit)
        else:
            response = ExceptionResponse(request.function_code, ExcCodes.GATEWAY_NO_RESPONSE)
        wait, silent, dropped = fate
        if wait > 0:
            await asyncio.sleep(wait)
        if dropped:
            if self.server.owner.down() and isinstance(self.transport, asyncio.Transport):
                reset(self.transport)
            self.close()
        elif response is not None and not silent:
            response.transaction_id, response.dev_id = request.transaction_id, unit
            send: Any = self.server_send
            send(response, address)


def _all_registers() -> SimData:
    return SimData(0, values=0, count=ADDRESSES, datatype=DataType.REGISTERS)
