"""Makes the host that a bench card asks for: in memory, in lockstep over the wire, or live."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal, Protocol

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links.base import Link
from benchrunner.bench.links.memory import MemoryLine, MemoryLink, MemoryRegisters
from benchrunner.bench.virtual import VirtualHost
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Input, Order
from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.cards.pairing import PairingCard

Speed = float | Literal["max"] | None


class Host(Protocol):
    """The bench as the engine sees it."""

    instruments: dict[str, Instrument]

    @property
    def now(self) -> float:
        """Bench time, s."""

    def open(self) -> None:
        """Open every link and prove every identity. Raises `Refused`."""

    def identify(self) -> list[dict[str, Any]]:
        """The instruments as the record lists them."""

    def submit(self, order: Order) -> None:
        """Carry out an order; its outcome comes as an input."""

    def next(self, until: float) -> Input | None:
        """The next input at or before bench time `until`, or None."""

    def close(self) -> None:
        """Close every link."""


def build_host(
    bench: Bench,
    pairing: "PairingCard | None" = None,
    speed: Speed = "max",
    seed: int = 1,
    start: Mapping[str, float] | None = None,
    port_base: int | None = None,
) -> Host:
    """The host for a run.

    A bench in memory gets its plant and emulators here (`pairing`, `seed`, `start`: channel -> value). A simulated
    bench on the wire runs in lockstep where speed is "max", else live at that rate. A real bench runs live.
    """
    if bench.in_memory:
        return memory_host(bench, pairing, _rate(speed), seed, start)
    if any(part.address == "memory" for part in bench.card.instruments.values()):
        mixed = Problem(
            str(bench.document.path), "mixes instruments in memory and on the wire", "use one or the other"
        )
        raise Refused(mixed)
    from benchrunner.bench.wire import live_host, lockstep_host  # not needed by a bench in memory

    if bench.simulated and speed in ("max", None):
        return lockstep_host(bench, seed, plant_start(start or {}), port_base)
    return live_host(bench, live_rate(bench, speed), port_base)


def live_rate(bench: Bench, speed: Speed) -> float:
    """How many bench seconds pass in a second of a live run; 1 for a real bench, and wherever time is simulated."""
    rate = _rate(speed)
    return rate if rate is not None and bench.simulated and not bench.in_memory else 1.0


def _rate(speed: Speed) -> float | None:
    return None if speed is None or speed == "max" else float(speed)


def memory_host(
    bench: Bench,
    pairing: "PairingCard | None",
    speed: float | None = None,
    seed: int = 1,
    start: Mapping[str, float] | None = None,
) -> VirtualHost:
    """A bench of emulators on a plant in this process. Raises `Refused` where the pairing cannot be simulated."""
    if pairing is None:
        raise Refused(
            Problem(str(bench.document.path), "is simulated and needs a pairing", "give --pairing CARD")
        )
    from benchrunner.sim.emulators import build
    from benchrunner.sim.plant import Plant

    plant = Plant(pairing, seed=seed, start=plant_start(start or {}))
    emulators = build(bench, plant, seed)
    instruments = {name: memory_instrument(bench, name, emulator) for name, emulator in emulators.items()}
    return VirtualHost(instruments, PlantMover(plant), speed)


def plant_start(start: Mapping[str, float]) -> dict[str, float]:
    """The start state as the plant takes it, from channels (`battery.soc`)."""
    return {
        name.removeprefix("battery."): value for name, value in start.items() if name.startswith("battery.")
    }


def memory_instrument(bench: Bench, name: str, emulator: Any) -> Instrument:
    """One instrument on a link in memory."""
    driver = bench.drivers[name]
    timeout = bench.card.instruments[name].timeout or driver.link.timeout
    link: Link
    if driver.link.kind == "modbus":
        link = MemoryRegisters(name, emulator, timeout=timeout)
    elif driver.link.checksum != "none":
        link = MemoryLine(name, emulator, driver.link, timeout)
    else:
        link = MemoryLink(name, emulator, driver.link.read_ends.encode(), timeout)
    return Instrument(bench, name, link)


class PlantMover:
    """Moves a plant in this process."""

    def __init__(self, plant: Any) -> None:
        self.plant = plant
        self.advance = plant.advance

    def close(self) -> None:
        """Nothing to let go of."""
