"""The link to an emulator in this process: no lock, no copy, the same bytes as on the wire."""

from typing import Protocol

from benchrunner.bench.links.base import Link, NoReplyError, block_of
from benchrunner.cards.checksum import opened, sealed
from benchrunner.cards.driver import LinkPart


class Emulated(Protocol):
    """What a simulated instrument offers to this link (see benchrunner.sim.emulators)."""

    delay: float  # s, from the last query to its reply

    def receive(self, data: bytes) -> bytes:
        """Feed bytes, get the replies to all complete messages."""


class EmulatedRegisters(Protocol):
    """A simulated Modbus instrument."""

    delay: float  # s, from the last query to its reply

    def read_registers(self, unit: int, address: int, count: int) -> list[int]:
        """Holding registers; raises for an address that it does not have."""

    def write_registers(self, unit: int, address: int, values: list[int]) -> None:
        """Write holding registers; raises for what it does not take."""


class MemoryLink(Link):
    """Hands a message to the emulator and takes its reply; an emulator that stays silent counts as a time-out."""

    def __init__(self, name: str, emulator: Emulated, ends: bytes, timeout: float = 1.0) -> None:
        super().__init__(name, "memory", timeout)
        self._emulator = emulator
        self._receive = emulator.receive
        self._ends, self._cut = ends, -len(ends)
        self._asked = self._raw = self._reply = b""  # the last exchange, its reply with and without its ends

    def _open(self) -> None: ...

    def _close(self) -> None: ...

    def query(self, message: bytes) -> bytes:
        """As `Link.query`; the hot path of a run in memory, so without the lock that no second thread needs."""
        if not self._is_open and not self._proving:
            self.open()
        try:
            reply = self._receive(message)
        except Exception as error:  # an emulator told to drop its link raises
            raise self._failed(message, error) from error
        in_time = self._emulator.delay <= self.timeout
        if reply == self._raw and message is self._asked and in_time and not self._misses:
            return self._reply  # the same exchange again, as most are
        if not reply or not reply.endswith(self._ends):
            raise self._failed(message, NoReplyError("no whole reply" if reply else "no reply", reply))
        if not in_time:
            raise self._failed(message, NoReplyError("no reply in time"))
        if self._misses and not self._proving:
            self._misses = 0
        self._asked, self._raw = message, reply
        self._reply = reply = reply[: self._cut] if self._cut else reply
        self.last.append((message, reply))
        return reply

    def _write(self, message: bytes) -> None:
        if self._receive(message):
            raise ValueError("a reply came to a command that has none")

    def _query_block(self, message: bytes) -> bytes:
        return block_of(self._receive(message))


class MemoryLine(MemoryLink):
    """The same for a serial line whose lines carry a checksum."""

    def __init__(self, name: str, emulator: Emulated, part: LinkPart, timeout: float = 1.0) -> None:
        super().__init__(name, emulator, part.read_ends.encode(), timeout)
        self._kind, self._mark, self._write_ends = (
            part.checksum,
            part.checksum_mark.encode(),
            part.write_ends.encode(),
        )

    def query(self, message: bytes) -> bytes:
        """As `Link.query`."""
        body = message[: len(message) - len(self._write_ends)]
        line = super().query(sealed(self._kind, self._mark, body) + self._write_ends)
        try:
            return opened(self._kind, self._mark, line)
        except ValueError as error:
            raise self._failed(message, NoReplyError(str(error), line)) from error

    def _write(self, message: bytes) -> None:
        body = message[: len(message) - len(self._write_ends)]
        super()._write(sealed(self._kind, self._mark, body) + self._write_ends)


class MemoryRegisters(Link):
    """The same for a Modbus instrument."""

    def __init__(self, name: str, emulator: EmulatedRegisters, unit: int = 1, timeout: float = 1.0) -> None:
        super().__init__(name, "memory", timeout)
        self._emulator, self._unit = emulator, unit

    def _open(self) -> None: ...

    def _close(self) -> None: ...

    def read_registers(self, address: int, count: int) -> list[int]:
        """As `Link.read_registers`, without the lock that no second thread needs."""
        if not self._is_open and not self._proving:
            self.open()
        return self._counted_registers(address, count)

    def _read_registers(self, address: int, count: int) -> list[int]:
        registers = self._emulator.read_registers(self._unit, address, count)
        if self._emulator.delay > self.timeout:
            raise NoReplyError("no reply in time")
        return registers

    def _write_registers(self, address: int, values: list[int]) -> None:
        self._emulator.write_registers(self._unit, address, values)
        if self._emulator.delay > self.timeout:
            raise NoReplyError("no reply in time")
