"""What every link is: one place for time-outs, for what happens after a failure, and for the lock.

After any failure a link closes itself. A reply that comes late would otherwise answer the next query, and a record
would hold a plausible wrong number. The next exchange opens the link again, and `proof` (the identity query) must
hold before anything else is asked. Nothing is retried by the link: whoever asked decides that.
"""

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable

from benchrunner.bench.links.unreachable import unreachable
from benchrunner.errors import LinkError

LONGEST_REPLY = 65_536  # bytes of one text reply; more is garbage
LARGEST_BLOCK = 64_000_000  # bytes of one block of waveform data
KEPT_EXCHANGES = 8
REOPEN_AFTER = (
    1.0  # s between attempts to reopen a link that failed twice, so that it cannot stall the others
)
LONGEST_REST = 9  # exchanges


class Link:
    """Base of all links. Subclasses give `_open`, `_close` and the raw exchanges; one thread at a time uses it."""

    def __init__(self, name: str, address: str, timeout: float) -> None:
        self.name, self.address, self.timeout = name, address, timeout
        self.last: deque[tuple[bytes, bytes]] = deque(maxlen=KEPT_EXCHANGES)
        self.proof: Callable[[], None] | None = None
        self.failures = 0
        self._lock = threading.RLock()
        self._is_open = False
        self._proving = False
        self.by_count = False  # in simulated time: a dead link rests for some exchanges, not for wall time
        self._not_before = 0.0
        self._resting = 0  # exchanges still to be left out
        self._misses = 0  # failures since the last good exchange

    # -- for instruments

    def open(self) -> None:
        """Open the link and prove that the right instrument answers. Raises `LinkError`."""
        with self._lock:
            if self._is_open:
                return
            if self._resting > 0:
                self._resting -= 1
                raise self.error("open", f"is down; tried again after {self._resting} more exchanges")
            wait = self._not_before - time.monotonic()
            if wait > 0:
                raise self.error("open", f"is down; the next attempt is in {wait:.1f} s")
            try:
                self._open()
                self._is_open = True
                if self.proof is not None:
                    self._proving = True
                    self.proof()
            except LinkError:
                self._down()
                raise
            except Exception as error:  # a library may raise anything at opening, even a bare Exception
                self._down()
                what, mend = unreachable(self.address, error) or (_words(error), "")
                raise self.error("open", f"cannot be opened: {what}", mend) from error
            finally:
                self._proving = False

    def query(self, message: bytes) -> bytes:
        """Send a whole message (with its ends) and return the reply without them. Raises `LinkError`."""
        with self._lock:
            self._ready()
            try:
                reply = self._query(message)
            except Exception as error:
                raise self._failed(message, error) from error
            self._good(message, reply)
            return reply

    def write(self, message: bytes) -> None:
        """Send a whole message that has no reply. Raises `LinkError`."""
        with self._lock:
            self._ready()
            try:
                self._write(message)
            except Exception as error:
                raise self._failed(message, error) from error
            self.last.append((message, b""))

    def query_block(self, message: bytes) -> bytes:
        """Send a query and return the bytes of its definite-length block (IEEE 488.2, 8.7.9). Raises `LinkError`."""
        with self._lock:
            self._ready()
            try:
                block = self._query_block(message)
            except Exception as error:
                raise self._failed(message, error) from error
            self._good(message, b"a block of %d bytes" % len(block))
            return block

    def read_registers(self, address: int, count: int) -> list[int]:
        """Holding registers (Modbus function 3), read at once. Raises `LinkError`."""
        with self._lock:
            self._ready()
            return self._counted_registers(address, count)

    def _counted_registers(self, address: int, count: int) -> list[int]:
        """What was read of an open link, as many as were asked for."""
        try:
            registers = self._read_registers(address, count)
            if len(registers) != count:
                raise ValueError(f"{len(registers)} registers came instead of {count}")
        except Exception as error:
            raise self._failed(f"registers {address}..{address + count - 1}".encode(), error) from error
        if self._misses and not self._proving:
            self._misses = 0
        return registers

    def registers_there(self, address: int, count: int) -> list[int] | None:
        """As `read_registers`, but None where the device answers that it has none there. Raises `LinkError`."""
        with self._lock:
            self._ready()
            try:
                return self._read_registers(address, count)
            except Exception as error:
                if isinstance(getattr(error, "code", None), int):  # a whole answer, so the link stays in step
                    return None
                raise self._failed(f"registers {address}..{address + count - 1}".encode(), error) from error

    def write_registers(self, address: int, values: list[int]) -> None:
        """Write holding registers (Modbus function 16), at once. Raises `LinkError`."""
        with self._lock:
            self._ready()
            try:
                self._write_registers(address, values)
            except Exception as error:
                asked = f"writing registers {address}..{address + len(values) - 1}"
                raise self._failed(asked.encode(), error) from error

    def close(self) -> None:
        """Close the link; it may be opened again."""
        with self._lock:
            self._shut()

    def hurry(self) -> None:
        """The next exchange opens a dead link at once; for orders that make the bench safe."""
        self._not_before = 0.0
        self._resting = 0

    @property
    def is_open(self) -> bool:
        """Whether the last exchange left the link usable."""
        return self._is_open

    def error(self, asked: str, what: str, mend: str = "") -> LinkError:
        """A `LinkError` that names this instrument, its address and the exchange."""
        mend = (
            mend
            or "check the cable, the address, and that it is switched on and not in use by another program"
        )
        return LinkError(f"{self.name} at {self.address}", f"{what} (asked: {asked})", mend)

    # -- inside

    def _ready(self) -> None:
        if not self._is_open and not self._proving:
            self.open()

    def _good(self, message: bytes, reply: bytes) -> None:
        self.last.append((message, reply))
        if not self._proving:
            self._misses = 0

    def _failed(self, message: bytes, error: Exception) -> LinkError:
        self.failures += 1
        got = getattr(error, "received", b"")
        self._down()
        if isinstance(error, LinkError):
            return error
        asked = message.decode("ascii", "replace").strip()
        what = f"{_words(error)}; time-out {self.timeout:g} s, {len(got)} bytes had come"
        if got:
            what += f": {got[:60]!r}"
        if self.last:
            before, reply = self.last[-1]
            what += f"; before it {before.strip()!r} was answered with {reply[:40]!r}"
        return self.error(asked, what + "; the link was closed and will be proved again before its next use")

    def _down(self) -> None:
        self._shut()
        self._misses += 1
        if self.by_count:
            self._resting = min(self._misses - 1, LONGEST_REST)
            return
        self._not_before = time.monotonic() + (REOPEN_AFTER if self._misses > 1 else 0.0)

    def _shut(self) -> None:
        self._is_open = False
        with contextlib.suppress(Exception):  # closing a broken link may raise anything
            self._close()

    # -- for subclasses

    def _open(self) -> None:
        raise NotImplementedError

    def _close(self) -> None:
        raise NotImplementedError

    def _query(self, message: bytes) -> bytes:
        raise NotImplementedError(f"{type(self).__name__} carries no text")

    def _write(self, message: bytes) -> None:
        raise NotImplementedError(f"{type(self).__name__} carries no text")

    def _query_block(self, message: bytes) -> bytes:
        raise NotImplementedError(f"{type(self).__name__} carries no blocks")

    def _read_registers(self, address: int, count: int) -> list[int]:
        raise NotImplementedError(f"{type(self).__name__} carries no registers")

    def _write_registers(self, address: int, values: list[int]) -> None:
        raise NotImplementedError(f"{type(self).__name__} writes no registers")


class NoReplyError(Exception):
    """No whole reply came in time; `received` holds what had come."""

    def __init__(self, what: str, received: bytes = b"") -> None:
        self.received = received
        super().__init__(what)


class DeviceRefusedError(NoReplyError):
    """The device answered that it will not; `code` as in the Modbus Application Protocol V1.1b3, chapter 7."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


def block_of(reply: bytes) -> bytes:
    """The data in a definite-length block `#<n><length><data>`. Raises `ValueError` for anything else."""
    if len(reply) < 3 or reply[:1] != b"#" or not reply[1:2].isdigit() or reply[1:2] == b"0":
        raise ValueError(f"the reply is no definite-length block: {reply[:20]!r}")
    digits = int(reply[1:2])
    head = reply[2 : 2 + digits]
    if len(head) != digits or not head.isdigit() or int(head) > LARGEST_BLOCK:
        raise ValueError(f"the block's length makes no sense: {reply[:12]!r}")
    data = reply[2 + digits : 2 + digits + int(head)]
    if len(data) != int(head):
        raise ValueError(f"the block is short: {len(data)} of {int(head)} bytes")
    return data


def _words(error: Exception) -> str:
    text = str(error).strip().splitlines()
    if isinstance(error, (NoReplyError, LinkError)) and text:
        return text[0][:300]
    return f"{type(error).__name__}: {text[0][:200]}" if text else type(error).__name__
