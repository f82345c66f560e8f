"""Our RTU link against pymodbus's own RTU server: a pair of pseudo-terminals joined by a wire that only passes bytes on."""

import asyncio
import os
import select
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest
from conftest import bench_of, instrument_text
from test_modbus import sunspec

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links import base
from benchrunner.bench.wire import connect
from benchrunner.errors import LinkError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")


class Wire:
    """Two serial ends; what goes into one comes out of the other. Broken: nothing comes through any more."""

    def __init__(self) -> None:
        import pty
        import tty

        pairs = [pty.openpty() for _ in range(2)]
        self._masters = [ours for ours, _ in pairs]
        self._ends = [theirs for _, theirs in pairs]
        for end in self._ends:
            tty.setraw(end)
        self.ends = [os.ttyname(end) for end in self._ends]
        self.broken = self._over = False
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        while not self._over:
            for ready in select.select(self._masters, [], [], 0.1)[0]:
                with suppress(OSError):
                    data = os.read(ready, 512)
                    if not self.broken:
                        os.write(self._masters[1 - self._masters.index(ready)], data)

    def close(self) -> None:
        self._over = True
        self._thread.join(3)
        for end in (*self._ends, *self._masters):
            with suppress(OSError):
                os.close(end)


class PymodbusRtu:
    """pymodbus's serial server in a thread: two units, each with the registers of a SunSpec inverter."""

    def __init__(self, device: str, units: dict[int, dict[int, int]]) -> None:
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self.failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, args=(device, units), daemon=True)
        self._thread.start()
        assert self._ready.wait(10)
        if self.failure is not None:
            raise self.failure

    def _run(self, device: str, units: dict[int, dict[int, int]]) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._start(device, units))
        except BaseException as error:
            self.failure = error
            self._ready.set()
            return
        self._ready.set()
        self._loop.run_forever()

    async def _start(self, device: str, units: dict[int, dict[int, int]]) -> None:
        from pymodbus import FramerType
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        devices = [
            SimDevice(
                id=unit,
                simdata=[
                    SimData(min(held), values=[held[k] for k in sorted(held)], datatype=DataType.REGISTERS)
                ],
            )
            for unit, held in units.items()
        ]
        self._server = ModbusSerialServer(
            devices, framer=FramerType.RTU, port=device, baudrate=9600, bytesize=8, parity="N", stopbits=1
        )
        await self._server.serve_forever(background=True)

    def close(self) -> None:
        async def stop() -> None:
            await self._server.shutdown()

        asyncio.run_coroutine_threadsafe(stop(), self._loop).result(5)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Iterator[Wire]:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    joined = Wire()
    first, second = sunspec(), sunspec(a10=1234)
    assert sorted(first) == list(range(min(first), min(first) + len(first)))
    server = PymodbusRtu(joined.ends[0], {1: first, 7: second})
    yield joined
    server.close()
    joined.close()


def inverters(wire: Wire, *units: int) -> list[Instrument]:
    text = "".join(
        instrument_text(
            f"pv{n}", f"pv{n}_inverter", "inverter", "inverter-sunspec", f"rtu:{wire.ends[1]}/{n}"
        )
        for n in units
    ).replace('"300 ms"', '"1 s"')
    return list(connect(bench_of(text)).values())


def test_the_chain_of_models_is_walked_and_read(wire: Wire) -> None:
    first, second = inverters(wire, 1, 7)
    first.open()
    second.open()
    for _ in range(5):
        assert first.poll()[1] == -2503.0
        assert second.poll()[1] == 1234.0
    first.close()
    second.close()


def test_registers_are_written_and_read_back(wire: Wire) -> None:
    (one,) = inverters(wire, 7)
    one.open()
    one.link.write_registers(40010, [1, 2, 65535])
    assert one.link.read_registers(40010, 3) == [1, 2, 65535]
    with pytest.raises(LinkError, match="exception 2"):
        one.link.write_registers(5, [1])
    with pytest.raises(LinkError, match="exception 2"):
        one.link.read_registers(5, 1)
    one.close()


def test_a_unit_that_is_not_there_and_a_wire_that_breaks(wire: Wire) -> None:
    first, missing = inverters(wire, 1, 9)
    with pytest.raises(LinkError):
        missing.open()
    first.open()
    wire.broken = True
    with pytest.raises(LinkError):
        first.poll()
    wire.broken = False
    assert first.poll()[1] == -2503.0
    first.close()
