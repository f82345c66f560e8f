"""What every simulated instrument has: a name, a latency, faults, and bytes in, bytes out."""

from collections.abc import Callable, Iterable
from functools import partial

from benchrunner.errors import Refused
from benchrunner.sim.emulators import draws
from benchrunner.sim.emulators.faults import DOWN, VALUE_KINDS, Fault, Faults
from benchrunner.sim.emulators.lines import LineReader
from benchrunner.sim.emulators.metering import Meter, Plant
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.parameters import ScpiError
from benchrunner.sim.emulators.scpi import Command, ScpiInterpreter


class Emulator:
    """One simulated instrument. `receive` takes bytes as they arrive and returns the replies.

    `latency` is the time from the end of a query to the end of its reply, s; `delay` the same for the last exchange,
    which a fault may have made longer. Whoever serves the instrument waits for it (real time) or reckons with it.
    """

    link = "visa"  # or serial, or modbus: over what it is served
    shown: tuple[str, ...] = ()  # the quantities that it measures, in the order of its reply
    unsigned: tuple[str, ...] = ()  # those of them that cannot be negative: RMS values
    part = ""  # the part of the plant that it belongs to, where its class says that

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        self.plant, self.name, self.options, self.seed = plant, name, options, seed
        self.identity = options.identity(name)
        self.latency = self.delay = options.latency
        self.dropped = False
        self.faults = Faults()
        self.meter = self._meter(seed) if self.shown else None
        self._frozen: dict[str, float] = {}
        self._told: dict[str, float] = {}  # what its contacts report while they are untrue
        self._in_force: dict[str, Fault] = {}
        self._exchanges = 0
        if "fault" in options.own:
            self.faults.add_from_card(options)

    def _meter(self, seed: int) -> Meter:
        return Meter(self.plant, self.name, self.options, seed, self.shown, self.part, self.unsigned)

    def receive(self, data: bytes, reader: LineReader | None = None) -> bytes:
        """Replies to the messages that `data` completes; `reader` holds the connection's half-received line.

        Never raises, whatever arrives. A fault may have dropped the link: then `dropped` is set, and whoever serves
        the instrument closes the connection.
        """
        if self.faults.armed or self._in_force or self.dropped:
            return self._misbehave(data, reader)
        reply = self.answer(data, reader)
        self.faults.remember(reply)
        return reply

    def new_reader(self) -> LineReader:
        """What holds the half-received line of one more connection."""
        return LineReader()

    def answer(self, data: bytes, reader: LineReader | None) -> bytes:
        """The honest reply."""
        raise NotImplementedError

    def press(self, name: str, value: float) -> None:
        """Carry out a setting on the plant, unless a contact is welded."""
        if "untrue" in self._in_force:
            self._told[name] = value
            return
        if "welded" in self._in_force:
            return
        try:
            self.plant.set(name, value)
        except Refused as error:
            raise ScpiError(-222, error.problems[0].what) from error

    def contact(self, tap: str) -> float:
        """The position of a contact, or the one it is stuck at."""
        if "stuck" in self._in_force:
            return self._frozen.setdefault(tap, self.plant.value(tap))
        if "untrue" in self._in_force and tap in self._told:
            return self._told[tap]
        return self.plant.value(tap)

    def reboot(self) -> None:
        """Fault `reboot`: what it forgets when its supply is gone for a moment."""

    def preparation(self) -> Callable[[], None] | None:
        """What takes long and has to be done before the next message is answered: for another thread, or None."""
        return None

    def pass_time(self) -> None:
        """Plant time has passed without a question; what acts by itself does it here."""

    def fill_errors(self) -> None:
        """Fault `errors`; nothing on an instrument without an error queue."""

    def contacts(self) -> tuple[str, ...]:
        """The taps of its contacts."""
        return ()

    def begin_faults(self) -> dict[str, Fault]:
        """Put the faults of this moment in force; those on the wire are the caller's to apply."""
        begun = self.faults.begin(self.plant.now)
        before, self._in_force = self._in_force, self.faults.active(self.plant.now)
        if "reboot" in begun:
            self.reboot()
        # one that was over before anybody asked has closed the links all the same
        self.dropped = bool(begun) or any(kind in self._in_force for kind in DOWN)
        if "stuck" not in self._in_force:
            self._frozen.clear()
        elif "stuck" not in before:
            self._frozen = {tap: self.plant.value(tap) for tap in self.contacts()}
        if self.meter is not None:
            self.meter.force(next((kind for kind in VALUE_KINDS if kind in self._in_force), ""))
        if "errors" in self._in_force:
            self.fill_errors()
        late = self._in_force.get("late")
        self.delay = self.latency + (late.seconds if late else 0.0)
        return self._in_force

    def end_faults(self, answered: bool) -> None:
        """An exchange is over: counted faults come nearer to their end. Only answers count, and dropped links."""
        if answered:
            self.faults.spend(self._in_force)

    def noise(self, count: int) -> bytes:
        """Bytes of no meaning, the same for the same seed."""
        self._exchanges += 1
        return draws.noise_bytes(draws.key(self.seed, self.name, "garbage"), self._exchanges, count)

    def _misbehave(self, data: bytes, reader: LineReader | None) -> bytes:
        faults = self.begin_faults()
        reply = b"" if self.dropped else self.answer(data, reader)
        self.end_faults(self.dropped or bool(reply) or "welded" in faults)
        return self.faults.on_the_wire(reply, faults, self.noise)


class ScpiEmulator(Emulator):
    """An instrument that speaks SCPI; a class adds its commands and what `*RST` does."""

    def __init__(self, plant: Plant, name: str, options: Options, seed: int = 1) -> None:
        super().__init__(plant, name, options, seed)
        depth = int(options.number("error_queue", 10))
        self.scpi = ScpiInterpreter(self.identity, self.commands(), reset=self.reset, queue_depth=depth)

    def commands(self) -> Iterable[Command]:
        """The instrument's own commands; the common and required ones are there already."""
        return ()

    def reset(self) -> None:
        """`*RST`: to the power-on settings."""

    def receive(self, data: bytes, reader: LineReader | None = None) -> bytes:
        """As `Emulator.receive`, on the shortest way."""
        if self.faults.armed or self._in_force or self.dropped:
            return self._misbehave(data, reader)
        reply = self.scpi.receive(data, reader)
        if reply:
            self.faults.remember(reply)
        return reply

    def answer(self, data: bytes, reader: LineReader | None) -> bytes:
        return self.scpi.receive(data, reader)

    def reboot(self) -> None:
        self.reset()
        self.scpi.power_on()

    def fill_errors(self) -> None:
        for _ in range(self.scpi.errors.depth + 1):
            self.scpi.report(-310)


def readings(emulator: Emulator, headers: dict[str, str]) -> list[Command]:
    """`FETCh?` and `READ?` for the whole reply, `MEASure...?` and `FETCh...?` for single quantities."""
    meter = emulator.meter
    assert meter is not None, "only an instrument that shows something has readings"
    commands = [Command("FETCh?", meter.reply), Command("READ?", meter.reply)]
    for quantity, header in headers.items():
        for verb in ("MEASure", "FETCh"):
            commands.append(Command(f"{verb}[:SCALar]{header}?", partial(meter.one, quantity)))
    return commands
