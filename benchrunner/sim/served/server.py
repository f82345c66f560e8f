"""The served bench: one thread with one event loop owns the plant, the emulators and every wire.

So no two exchanges overlap, and an answer always belongs to a plant that stands still. In real time the plant is
brought to the present before each exchange; in lockstep only the control port moves it.
"""

import asyncio
import errno
import socket
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.errors import Problem, Refused
from benchrunner.sim import array
from benchrunner.sim.emulators import build
from benchrunner.sim.emulators.base import Emulator
from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.served.clock import BenchClock
from benchrunner.sim.served.control import ControlConnection
from benchrunner.sim.served.lines import LineConnection
from benchrunner.sim.served.places import HOST, Place, places, pty_folder

if TYPE_CHECKING:
    from benchrunner.cards.bench import Bench

TICK = 0.05  # s of wall time between moves of the plant when nobody asks
SPEND = 0.02  # s of wall time that one such move may take
STOP_WITHIN = 5.0  # s
PlantMaker = Callable[[int, dict[str, float]], Any]  # (seed, start) -> plant
_START_NAMES = {"battery.soc": "soc"}


class Server:
    """Serves a bench's simulated instruments on loopback until stopped; a context manager.

    `speed`: plant seconds per second, or `lockstep`. `plant_from(seed, start)` makes the plant (default: the
    simulated pairing). Raises `Refused` for a card that cannot be served or a port in use, naming each.
    """

    def __init__(
        self, bench: "Bench", pairing: Any = None, *, port_base: int | None = None, speed: float = 1.0,
        lockstep: bool = False, seed: int = 1, start: dict[str, float] | None = None, plant_from: PlantMaker | None = None,
    ) -> None:  # fmt: skip
        if not lockstep and not 0 < speed <= 1000:
            raise Refused(Problem("speed", f"{speed:g} is no speed", "give a factor from above 0 to 1000"))
        self.bench, self.seed = bench, seed
        self.begin_in = _for_plant(start or {})
        self._plant_from = plant_from or _pairing_plant(pairing)
        self.clock = BenchClock(0.0 if lockstep else speed)
        self.lockstep = lockstep
        self.controls: set[ControlConnection] = set()
        self.failure: BaseException | None = None
        self.lines: set[LineConnection] = set()
        self._stops: list[Callable[[], Any]] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self.devices: dict[str, Path] = {}
        self.places: list[Place] = []
        self._warm()
        self.prepare()
        kinds = {name: emulator.link for name, emulator in self.emulators.items()}
        self.places, self.control_port = places(bench, kinds, port_base)
        for place in self.places:
            self._unit(place)

    # -- the bench

    def prepare(self, start: dict[str, float] | None = None, seed: int | None = None) -> None:
        """The bench anew at time 0: another state to begin in, or another seed."""
        begin_in = self.begin_in if start is None else _for_plant(start)
        seed = self.seed if seed is None else seed
        plant = self._plant_from(
            seed, dict(begin_in)
        )  # refuses a state that cannot be; then nothing has changed
        self.emulators: dict[str, Emulator] = build(self.bench, plant, seed)
        self.plant, self.begin_in, self.seed = plant, begin_in, seed
        for place in self.places:
            self._unit(place)
        self.clock.restart(float(self.plant.now))

    def _warm(self) -> None:
        """Compile and load what is compiled and loaded at first use now: on a machine that never did, that takes longer than time-outs."""
        array.load()
        plant = self._plant_from(self.seed, dict(self.begin_in))
        plant.advance(1.0)
        for emulator in build(self.bench, plant, self.seed).values():
            emulator.receive(b"FETCh?\n")
            if emulator.meter is not None:
                emulator.meter.values()
        if hasattr(plant, "snapshot_at"):  # the simulated pairing; a test's own plant may have no waveforms
            from benchrunner.sim.wave import waveform

            waveform(plant, ("bus.voltage",), 0.2, 20_000.0, 10_000)

    def preparation(self, name: str) -> Callable[[], None] | None:
        """What an instrument has to compute before it can answer, if that takes long: for another thread."""
        self.clock.bring(self.plant)
        return self.emulators[name].preparation()

    def exchange(self, name: str, data: bytes, reader: LineReader | None) -> tuple[bytes, float, bool]:
        """Give an instrument what arrived: its reply, the wall seconds to hold it back, whether the link drops."""
        self.clock.bring(self.plant)
        emulator = self.emulators[name]
        reply = emulator.receive(data, reader)
        return reply, self.clock.wait(emulator.latency, emulator.delay), emulator.dropped

    def read_registers(self, name: str, unit: int, address: int, count: int) -> list[int]:
        """Registers of a Modbus instrument. Raises as the emulator does."""
        self.clock.bring(self.plant)
        emulator: Any = self.emulators[name]
        found: list[int] = emulator.read_registers(unit, address, count)
        return found

    def write_registers(self, name: str, unit: int, address: int, values: list[int]) -> None:
        """Write registers of a Modbus instrument. Raises as the emulator does."""
        self.clock.bring(self.plant)
        emulator: Any = self.emulators[name]
        emulator.write_registers(unit, address, values)

    def fate(self, name: str) -> tuple[float, bool, bool]:
        """Of a Modbus instrument's last exchange: wall seconds to wait, unanswered, dropped."""
        emulator = self.emulators[name]
        return self.clock.wait(emulator.latency, emulator.delay), False, emulator.dropped

    def is_down(self, name: str) -> bool:
        """Whether an instrument is rebooting or unplugged: nobody is let in."""
        emulator = self.emulators[name]
        if not emulator.faults.armed:
            return False
        self.clock.bring(self.plant)
        return emulator.faults.down(self.plant.now)

    def drop_lines(self, name: str, asked: LineConnection) -> None:
        """Close the connection that asked; where the instrument is down, every one to it, with a TCP reset."""
        if not self.is_down(name):
            asked.abort()
            return
        for line in [line for line in self.lines if line.name == name]:
            line.reset()

    def fault(self, name: str, kind: str, **how: float) -> None:
        """Tell an instrument to misbehave (or, kind `clear`, to behave). Raises `Refused`, `TypeError`."""
        if name not in self.emulators:
            known = ", ".join(self.emulators)
            raise Refused(Problem("fault", f"there is no instrument {name!r}", f"there are: {known}"))
        faults = self.emulators[name].faults
        if kind == "clear":
            faults.clear()
            return
        known_numbers = {"count": int, "at": float, "seconds": float, "keep": int}
        strange = set(how) - set(known_numbers)
        if strange:
            raise Refused(
                Problem("fault", f"{sorted(strange)[0]!r} is unknown", "known: count, at, seconds, keep")
            )
        faults.add(kind, **{key: known_numbers[key](value) for key, value in how.items()})

    def describe(self) -> list[str]:
        """One line for each instrument: name, class, and how to reach it; then the control port."""
        lines = [
            f"{place.name:<18} {self.bench.card.instruments[place.name].klass:<16} {self.address(place)}"
            for place in self.places
        ]
        if self.lockstep:
            lines.append(f"{'control':<18} {'lockstep':<16} socket://{HOST}:{self.control_port}")
        return lines

    def address(self, place: Place) -> str:
        """How a client reaches an instrument."""
        if place.link == "modbus":
            return f"modbus://{HOST}:{place.port}/{place.unit}"
        if place.link == "rtu":
            return f"rtu:{place.device}/{place.unit}"
        if place.link == "pty":
            device = self.devices.get(place.name, place.device)
            return f"ASRL{device}::INSTR" if self.emulators[place.name].link == "visa" else f"serial:{device}"
        if self.emulators[place.name].link == "serial":
            device = f"  serial:{self.devices[place.name]}" if place.name in self.devices else ""
            return f"socket://{HOST}:{place.port}{device}"
        return f"TCPIP0::{HOST}::{place.port}::SOCKET"

    # -- life

    def start(self) -> "Server":
        """Open every port; returns when all answer. Raises `Refused` with every port that is in use."""
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), name="served bench", daemon=True)
        self._thread.start()
        ready.wait()
        if self.failure is not None:
            self._thread.join(STOP_WITHIN)
            raise self.failure
        return self

    def stop(self) -> None:
        """Close everything; may be called twice."""
        loop, thread = self._loop, self._thread
        if loop is not None and thread is not None and thread.is_alive():
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._over.set)
            thread.join(STOP_WITHIN)
        self._thread = None

    def __enter__(self) -> "Server":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def call(self, job: Callable[[], Any]) -> Any:
        """Run `job` in the server's thread and return what it returns, for tests and tools in this process."""
        assert self._loop is not None, "the server is not running"

        async def run() -> Any:
            return job()

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(STOP_WITHIN)

    def _run(self, ready: threading.Event) -> None:
        try:
            asyncio.run(self._serve(ready))
        except BaseException as error:
            self.failure = error
        finally:
            ready.set()

    async def _serve(self, ready: threading.Event) -> None:
        self._loop = asyncio.get_running_loop()
        self._over = asyncio.Event()
        ticking: asyncio.Task[None] | None = None
        try:
            await self._open_all()
            self.clock.restart(float(self.plant.now))
            if not self.lockstep:
                ticking = self._loop.create_task(self._tick())
            ready.set()
            await self._over.wait()
        finally:
            if ticking is not None:
                ticking.cancel()
            # a client that is being let in while its listener closes would be left hanging (asyncio of Python 3.11)
            await asyncio.sleep(0.005)
            for stop in reversed(self._stops):
                result = stop()
                if isinstance(result, Awaitable):
                    with suppress(Exception):
                        await result
            connections: list[LineConnection | ControlConnection] = [*self.lines, *self.controls]
            for connection in connections:
                connection.abort()
            await asyncio.sleep(0.002)  # closing takes a turn of the loop

    async def _tick(self) -> None:
        """Keep the plant at the present while nobody asks, in short moves, so that nobody waits long."""
        try:
            while True:
                began = time.monotonic()
                while self.clock.bring(self.plant) > 0 and time.monotonic() - began < SPEND:
                    pass
                for emulator in self.emulators.values():
                    emulator.pass_time()
                await asyncio.sleep(TICK)
        except Exception as error:  # a plant that cannot go on must not look like one that stands still
            self.failure = error
            self._over.set()

    # -- opening

    async def _open_all(self) -> None:
        problems: list[Problem] = []
        jobs: list[tuple[str, int, Coroutine[Any, Any, None]]] = []
        if self.lockstep:
            jobs.append(
                (
                    "the control port",
                    self.control_port,
                    self._listen(self.control_port, lambda: ControlConnection(self)),
                )
            )
        registers: dict[int, dict[int, str]] = {}
        for place in self.places:
            if place.link == "modbus":
                registers.setdefault(place.port, {})[place.unit] = place.name
            elif place.link == "tcp":
                jobs.append(
                    (
                        place.name,
                        place.port,
                        self._listen(place.port, partial(LineConnection, self, place.name)),
                    )
                )
        for port, units in registers.items():
            jobs.append((", ".join(units.values()), port, self._listen_registers(port, units)))
        for name, port, job in jobs:
            try:
                await job
            except OSError as error:
                in_use = error.errno in (errno.EADDRINUSE, errno.EACCES, None)
                what = "is in use by another program" if in_use else f"cannot be opened: {error.strerror}"
                mend = "end that program, or choose other ports with --port-base"
                problems.append(Problem(f"{HOST}:{port} ({name})", what, mend))
        self._open_rtu(problems)
        for place in self.places:
            line = place.link == "pty" or self.emulators[place.name].link == "serial"
            if line and sys.platform != "win32":
                self._open_pty(place, problems)
            elif place.link == "pty":
                where = f"{place.name} at {place.device}"
                problems.append(
                    Problem(where, "there are no pseudo-terminals here", "use a socket:// address")
                )
        if problems:
            raise Refused(problems)

    async def _listen(self, port: int, factory: Callable[[], asyncio.Protocol]) -> None:
        assert self._loop is not None
        listener = await self._loop.create_server(factory, HOST, port)
        self._stops.append(listener.close)

    async def _listen_registers(self, port: int, units: dict[int, str]) -> None:
        from benchrunner.sim.served.modbus import RegisterServer

        with socket.socket() as probe:  # pymodbus only logs why it cannot listen
            if sys.platform != "win32":
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((HOST, port))
        server = RegisterServer(self, HOST, port, units)
        await server.start()
        self._stops.append(server.stop)

    def _unit(self, place: Place) -> None:
        if place.link in ("modbus", "rtu"):
            emulator: Any = self.emulators[place.name]
            emulator.be_unit(place.unit)

    def _open_rtu(self, problems: list[Problem]) -> None:
        lines: dict[str, dict[int, str]] = {}
        for place in self.places:
            if place.link == "rtu":
                lines.setdefault(place.device, {})[place.unit] = place.name
        for device, units in lines.items():
            where = f"{', '.join(units.values())} at {device}"
            if sys.platform == "win32":
                problems.append(
                    Problem(where, "there are no pseudo-terminals here", "use a modbus:// address")
                )
                continue
            from benchrunner.sim.served.rtu import RtuLine

            try:
                line = RtuLine(self, Path(device), units)
                line.start()
            except OSError as error:
                what = f"cannot be made: {error.strerror or error}"
                problems.append(Problem(where, what, "choose another path, or a modbus:// address"))
                continue
            self._stops.append(line.stop)

    def _open_pty(self, place: Place, problems: list[Problem]) -> None:
        from benchrunner.sim.served.ptys import PtyLine

        try:
            named = (
                Path(place.device)
                if "/" in place.device
                else pty_folder() / (place.device or f"{self.control_port}-{place.name}")
            )
            line = PtyLine(self, place.name, named)
            line.start()
        except OSError as error:
            if place.link == "pty":
                what = f"cannot be made: {error.strerror or error}"
                problems.append(
                    Problem(
                        f"{place.name} at {place.device}", what, "choose another path, or a socket:// address"
                    )
                )
            return
        self.devices[place.name] = line.link
        self._stops.append(line.stop)


def _for_plant(start: dict[str, float]) -> dict[str, float]:
    """A start state with channels' names as the plant names it."""
    return {_START_NAMES.get(name, name): value for name, value in start.items()}


def _pairing_plant(pairing: Any) -> PlantMaker:
    def make(seed: int, start: dict[str, float]) -> Any:
        from benchrunner.sim.plant import Plant

        return Plant(pairing, seed=seed, start=start)

    return make
