"""Links through VISA (PyVISA on pyvisa-py): TCP sockets, VXI-11, HiSLIP, USB, serial resources.

What this module guards against, each of it measured: opening a refused port reports success (so nothing counts as
open before the identity query was answered); a time-out leaves the late answer in the queue (so the session is closed
at once and opened anew); errors come as many kinds of exception (so all are caught); closing one resource manager
closes every session (so there is one, here, and it stays).
"""

import contextlib
import select
import socket
import threading
from typing import Any

from benchrunner.bench.links.base import LARGEST_BLOCK, LONGEST_REPLY, Link, NoReplyError, block_of

_manager: Any = None
_manager_lock = threading.Lock()


def manager() -> Any:
    """The one resource manager of this process."""
    global _manager
    with _manager_lock:
        if _manager is None:
            import pyvisa

            _manager = pyvisa.ResourceManager("@py")
        return _manager


class VisaLink(Link):
    """One VISA resource. `write_ends` is part of each message; `read_ends` ends each reply."""

    def __init__(self, name: str, address: str, read_ends: bytes, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        self._ends = read_ends
        self._resource: Any = None
        self._socket: Any = None

    def _open(self) -> None:
        milliseconds = max(1, round(self.timeout * 1000))
        resource = manager().open_resource(self.address, open_timeout=milliseconds)
        try:
            resource.timeout = milliseconds
            resource.read_termination = self._ends.decode() or None
            resource.write_termination = ""  # the messages carry their own
        except Exception:
            with contextlib.suppress(Exception):
                resource.close()
            raise
        self._resource = resource
        session = manager().visalib.sessions.get(resource.session)
        interface = getattr(session, "interface", None)
        self._socket = interface if hasattr(interface, "fileno") else None
        if isinstance(interface, socket.socket):
            # a command followed by a query would otherwise wait for the delayed acknowledgement, some 40 ms
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._session = session

    def _close(self) -> None:
        resource, self._resource, self._socket, self._session = self._resource, None, None, None
        if resource is not None:
            resource.close()

    def _query(self, message: bytes) -> bytes:
        self._write(message)
        return self._read()

    def _write(self, message: bytes) -> None:
        if self._unasked():
            raise NoReplyError("bytes came that nothing had asked for")
        self._resource.write_raw(message)

    def _read(self) -> bytes:
        got = b""
        import pyvisa

        try:
            while not got.endswith(self._ends) if self._ends else not got:
                got += self._resource.read_raw(LONGEST_REPLY)
                if len(got) > LONGEST_REPLY:
                    raise NoReplyError("the reply has no end", got)
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole reply ({error.abbreviation})", got) from error
        return got[: -len(self._ends)] if self._ends else got

    def _query_block(self, message: bytes) -> bytes:
        # line ends inside the data are data: the head says how long it is
        self._write(message)
        got = b""
        import pyvisa

        try:
            got = self._some(2)
            digits = int(got[1:2]) if got[:1] == b"#" and got[1:2].isdigit() else 0
            if not digits:
                return block_of(got)  # raises, saying what came
            got += self._some(digits)
            length = int(got[2:])
            if length > LARGEST_BLOCK:
                return block_of(got)
            data = self._some(length)
            ends = self._some(len(self._ends)) if self._ends else b""
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole block ({error.abbreviation})", got) from error
        if ends != self._ends:
            raise NoReplyError("the block does not end where it should", ends)
        return data

    def _some(self, count: int) -> bytes:
        return (
            bytes(self._resource.read_bytes(count, chunk_size=65536, break_on_termchar=False))
            if count
            else b""
        )

    def _unasked(self) -> bool:
        """Whether something waits although nothing was asked: then question and answer are out of step."""
        if getattr(self._session, "_pending_buffer", b""):
            return True
        if self._socket is None:
            return False
        try:
            return bool(select.select([self._socket], [], [], 0)[0])
        except (OSError, ValueError):
            return True
