"""Links through VISA (PyVISA on pyvisa-py): TCP sockets, VXI-11, HiSLIP, USB, serial resources.

What this module guards against, each of it measured: opening a refused port reports success (so nothing counts as
open before the identity query was answered); a time-out leaves the late answer in the queue (so the session is closed
at once and opened anew); errors come as many kinds of exception (so all are caught); closing one resource manager
closes every session (so there is one, here, and it stays).
"""

import contextlib
import os
import select
import socket
import threading
import time
from typing import Any

from benchrunner.bench.links.base import LARGEST_BLOCK, LONGEST_REPLY, Link, NoReplyError

SLOWEST = 100_000  # bytes/s that a block must come with
CHUNK = 65_536

_manager: Any = None
_manager_lock = threading.Lock()


def manager() -> Any:
    """The one resource manager of this process; a new one where other code in it has closed it."""
    global _manager
    with _manager_lock:
        if _manager is None or not _open(_manager):
            import pyvisa

            _manager = pyvisa.ResourceManager("@py")
        return _manager


def _open(candidate: Any) -> bool:
    from pyvisa.errors import InvalidSession

    try:
        return candidate.session is not None
    except InvalidSession:
        return False


class VisaLink(Link):
    """One VISA resource. `write_ends` is part of each message; `read_ends` ends each reply."""

    def __init__(self, name: str, address: str, read_ends: bytes, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        self._ends = read_ends
        self._resource: Any = None
        self._socket: Any = None

    def _open(self) -> None:
        import pyvisa

        milliseconds = max(1, round(self.timeout * 1000))
        resource = manager().open_resource(self.address, open_timeout=milliseconds)
        try:
            resource.timeout = milliseconds
            resource.read_termination = self._ends.decode() or None
            resource.write_termination = ""  # the messages carry their own
            if self.address.upper().endswith("::SOCKET"):
                # else what came before a time-out is lost, and nobody could say what it was
                resource.set_visa_attribute(pyvisa.constants.ResourceAttribute.suppress_end_enabled, False)
        except Exception:
            with contextlib.suppress(Exception):
                resource.close()
            raise
        self._resource = resource
        session = manager().visalib.sessions.get(resource.session)
        interface = getattr(session, "interface", None)
        self._socket = interface if isinstance(interface, socket.socket) else None
        if isinstance(interface, socket.socket):
            # a command followed by a query would otherwise wait for the delayed acknowledgement, some 40 ms
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._session = session

    def _close(self) -> None:
        resource, self._resource = self._resource, None
        interface, self._socket, self._session = self._socket, None, None
        try:
            if resource is not None:
                resource.close()
        finally:
            if isinstance(interface, socket.socket):
                interface.close()  # a session that fails to close would keep it

    def _query(self, message: bytes) -> bytes:
        self._write(message)
        return self._read()

    def _write(self, message: bytes) -> None:
        self._in_step()
        self._resource.write_raw(message)

    def _read(self) -> bytes:
        import pyvisa

        got = b""
        end = time.monotonic() + self.timeout
        self._wait()
        try:
            while not (got.endswith(self._ends) if self._ends else got):
                got += self._resource.read_raw(LONGEST_REPLY)
                if len(got) > LONGEST_REPLY:
                    raise NoReplyError("the reply has no end", got)
                if time.monotonic() > end and not got.endswith(self._ends):
                    raise NoReplyError("no whole reply in time", got)
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole reply ({error.abbreviation})", got) from error
        return got[: -len(self._ends)] if self._ends else got

    def _query_block(self, message: bytes) -> bytes:
        # line ends inside the data are data: the head says how long it is
        import pyvisa

        self._write(message)
        got = b""
        try:
            got = self._some(2)
            if got[:1] != b"#" or not got[1:2].isdigit() or got == b"#0":
                raise NoReplyError("the reply is no definite-length block", got)
            head = self._some(int(got[1:2]))
            got += head
            if not head.isdigit() or int(head) > LARGEST_BLOCK:
                raise NoReplyError("the block's length makes no sense", got)
            data = self._some(int(head))
            ends = self._some(len(self._ends))
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole block ({error.abbreviation})", got) from error
        if ends != self._ends:
            raise NoReplyError("the block does not end where it should", ends)
        return data

    def _some(self, count: int) -> bytes:
        """Exactly so many bytes, whatever they are; in the time-out and a second for each SLOWEST bytes."""
        end = time.monotonic() + self.timeout + count / SLOWEST
        parts: list[bytes] = []
        missing = count
        resource = self._resource
        from pyvisa.constants import StatusCode

        with resource.ignore_warning(
            StatusCode.success_device_not_present, StatusCode.success_max_count_read
        ):
            while missing:
                if time.monotonic() > end:
                    raise NoReplyError(f"{missing} of {count} bytes are missing", b"".join(parts)[-60:])
                part, _ = resource.visalib.read(resource.session, min(missing, CHUNK))
                parts.append(part)
                missing -= len(part)
        return b"".join(parts)

    def _wait(self) -> None:
        """Wait for the reply's first byte; a closed connection is told at once, and not by the time-out."""
        if self._socket is None:
            return
        if not select.select([self._socket], [], [], self.timeout)[0]:
            raise NoReplyError("no reply")
        if not self._socket.recv(1, socket.MSG_PEEK):
            raise NoReplyError("the instrument closed the connection")

    def _in_step(self) -> None:
        """Raise where something waits although nothing was asked, or where the connection is gone."""
        waits = bool(getattr(self._session, "_pending_buffer", b""))
        if not waits and self._socket is not None and select.select([self._socket], [], [], 0)[0]:
            failed = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if failed:
                raise OSError(failed, os.strerror(failed))
            if not self._socket.recv(1, socket.MSG_PEEK):
                raise NoReplyError("the instrument closed the connection")
            waits = True
        if waits:
            raise NoReplyError("bytes came that nothing had asked for")
