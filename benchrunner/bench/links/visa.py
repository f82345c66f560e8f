"""Links through VISA (PyVISA): VXI-11, HiSLIP, USB, GPIB and serial resources, and TCP sockets of another library.

What this module guards against, each of it measured: opening a refused port reports success (so nothing counts as
open before the identity query was answered); a time-out leaves the late answer in the queue (so the session is closed
at once and opened anew); errors come as many kinds of exception (so all are caught); closing one resource manager
closes every session (so there is one for each library, here, and it stays).

A SOCKET or serial resource brings a stream of bytes in which the line's end ends a reply. On every other resource the
bus itself marks the end of a message (END; IEEE 488.2, 8.3), which then ends the reply whatever its last bytes are.
"""

import contextlib
import logging
import os
import select
import socket
import sys
import threading
import time
from typing import Any

from benchrunner.bench.links.base import LARGEST_BLOCK, LONGEST_REPLY, Link, NoReplyError, block_of
from benchrunner.cards.driver import LinkPart
from benchrunner.errors import LinkError

PURE = "@py"  # PyVISA's name for its backend in pure Python
SLOWEST = 100_000  # bytes/s that a block must come with
CHUNK = 65_536
STREAM_AT_ONCE = 128  # bytes of one reading of a stream
QUIET = 0.05  # s without a byte before a serial resource counts as quiet
LONGEST_NOISE = 2.0  # s

_managers: dict[str, Any] = {}
_manager_lock = threading.Lock()


def manager(library: str = PURE) -> Any:
    """The one resource manager of a VISA library in this process; a new one where other code in it has closed it."""
    with _manager_lock:
        found = _managers.get(library)
        if found is None or not _open(found):
            import pyvisa

            # each refused opening would print its traceback; what happened comes to the user as a LinkError
            logging.getLogger("pyvisa").setLevel(logging.CRITICAL)
            found = _managers[library] = pyvisa.ResourceManager(library)
        return found


def _open(candidate: Any) -> bool:
    from pyvisa.errors import InvalidSession

    try:
        return candidate.session is not None
    except InvalidSession:
        return False


class VisaLink(Link):
    """One VISA resource. Messages carry their own ends; `part.read_ends` ends each reply of a stream.

    `library`: "@py", or the path of an installed VISA library.
    """

    def __init__(
        self, name: str, address: str, part: LinkPart, timeout: float = 1.0, library: str = PURE
    ) -> None:
        super().__init__(name, address, timeout)
        self._part, self._library = part, library
        self._ends = part.read_ends.encode()
        upper = address.upper()
        self._is_serial = upper.startswith("ASRL")
        self._is_stream = self._is_serial or upper.endswith("::SOCKET")
        self._slowest, self._at_once = float(SLOWEST), CHUNK
        if (
            self._is_serial
        ):  # what was read is lost where a reading of many bytes lasts longer than its time-out
            self._slowest = min(self._slowest, part.baud / 12.0)
            self._at_once = max(1, min(CHUNK, int(part.baud / 10.0 * timeout / 2.0)))
        self._broken = False
        self._resource: Any = None
        self._socket: Any = None
        self._session: Any = None

    def _open(self) -> None:
        import pyvisa

        milliseconds = max(1, round(self.timeout * 1000))
        self._broken = False
        found = manager(self._library)
        resource = found.open_resource(self.address, open_timeout=milliseconds)
        try:
            resource.timeout = milliseconds
            resource.read_termination = (self._ends.decode() or None) if self._is_stream else None
            resource.write_termination = ""  # the messages carry their own
            if self.address.upper().endswith("::SOCKET"):
                # else what came before a time-out is lost, and nobody could say what it was
                resource.set_visa_attribute(pyvisa.constants.ResourceAttribute.suppress_end_enabled, False)
            if self._is_serial:
                self._set_up_line(resource)
        except Exception:
            with contextlib.suppress(Exception):
                resource.close()
            raise
        self._resource = resource
        # the pure backend lets one see the socket below; another library does not
        sessions = getattr(found.visalib, "sessions", None)
        session = sessions.get(resource.session) if isinstance(sessions, dict) else None
        interface = getattr(session, "interface", None)
        self._socket = interface if isinstance(interface, socket.socket) else None
        if self._socket is not None:
            # a command followed by a query would otherwise wait for the delayed acknowledgement, some 40 ms
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._session = session

    def _failed(self, message: bytes, error: Exception) -> LinkError:
        self._broken = True
        return super()._failed(message, error)

    def _set_up_line(self, resource: Any) -> None:
        from pyvisa.constants import Parity, StopBits

        part = self._part
        resource.baud_rate = part.baud
        resource.data_bits = part.data_bits
        resource.parity = {"none": Parity.none, "even": Parity.even, "odd": Parity.odd}[part.parity]
        resource.stop_bits = StopBits.one if part.stop_bits == 1 else StopBits.two
        self._take_line(resource)
        if self.failures:  # a late answer on the line must not pass for the next one
            since = time.monotonic()
            end = since + LONGEST_NOISE
            while time.monotonic() - since < QUIET:
                if resource.bytes_in_buffer:
                    resource.visalib.read(resource.session, resource.bytes_in_buffer)
                    since = time.monotonic()
                if time.monotonic() > end:
                    raise NoReplyError("the line does not fall quiet")
                time.sleep(QUIET / 10)

    @staticmethod
    def _take_line(resource: Any) -> None:
        """This program's alone: the pure backend opens a port that another program has. A library does this itself."""
        sessions = getattr(resource.visalib, "sessions", None)
        session = sessions.get(resource.session) if isinstance(sessions, dict) else None
        port: Any = getattr(session, "interface", None)
        if sys.platform != "win32" and hasattr(port, "exclusive"):
            port.exclusive = True

    def _close(self) -> None:
        resource, self._resource = self._resource, None
        interface, session = self._socket, self._session
        self._socket = self._session = None
        try:
            if self._broken and isinstance(
                inner := getattr(getattr(session, "interface", None), "sock", None), socket.socket
            ):
                inner.close()  # VXI-11: a polite farewell to an instrument that is gone would take five seconds
                manager(self._library).visalib.sessions.pop(resource.session, None)
            elif resource is not None:
                resource.close()
        finally:
            if isinstance(interface, socket.socket):
                interface.close()  # a session that fails to close would keep it

    def _query(self, message: bytes) -> bytes:
        began = time.monotonic()
        self._write(message)
        if self._is_stream:
            return self._read()
        got = self._without_ends(self._message(LONGEST_REPLY))
        if time.monotonic() - began > self.timeout:  # some libraries wait longer than they were told
            raise NoReplyError("no reply in time", got)
        return got

    def _write(self, message: bytes) -> None:
        if self._is_stream:
            self._in_step()
        self._resource.write_raw(message)

    def _read(self) -> bytes:
        import pyvisa
        from pyvisa.constants import StatusCode

        got = b""
        end = time.monotonic() + self.timeout
        self._wait()
        resource, at_once = self._resource, min(STREAM_AT_ONCE, self._at_once)
        try:
            with resource.ignore_warning(
                StatusCode.success_device_not_present, StatusCode.success_max_count_read
            ):
                while not (got.endswith(self._ends) if self._ends else got):
                    # a library waits its time-out for each byte of a reading, so a reading is kept short
                    got += resource.visalib.read(resource.session, at_once)[0]
                    if len(got) > LONGEST_REPLY:
                        raise NoReplyError("the reply has no end", got)
                    if time.monotonic() > end:
                        raise NoReplyError("no whole reply in time", got)
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole reply ({error.abbreviation})", got) from error
        return got[: -len(self._ends)] if self._ends else got

    def _message(self, most: int) -> bytes:
        """One message as the bus ends it, of at most `most` bytes."""
        import pyvisa
        from pyvisa.constants import StatusCode

        resource, parts, size = self._resource, [], 0
        end = time.monotonic() + self.timeout + most / SLOWEST
        try:
            with resource.ignore_warning(
                StatusCode.success_device_not_present, StatusCode.success_max_count_read
            ):
                while True:
                    part, status = resource.visalib.read(resource.session, CHUNK)
                    parts.append(bytes(part))
                    size += len(part)
                    if status != StatusCode.success_max_count_read:
                        break
                    if size > most or time.monotonic() > end:
                        raise NoReplyError("the reply has no end", b"".join(parts)[:60])
        except pyvisa.errors.VisaIOError as error:
            raise NoReplyError(f"no whole reply ({error.abbreviation})", b"".join(parts)[:60]) from error
        got = b"".join(parts)
        if not got:
            raise NoReplyError("an empty reply")
        return got

    def _without_ends(self, got: bytes) -> bytes:
        if self._ends and got.endswith(self._ends):
            got = got[: -len(self._ends)]
        if self._ends and self._ends in got:
            raise NoReplyError("more than one line came where one was asked for", got)
        return got

    def _query_block(self, message: bytes) -> bytes:
        # line ends inside the data are data: the head says how long it is
        import pyvisa

        self._write(message)
        if not self._is_stream:
            whole = self._message(LARGEST_BLOCK)
            data = block_of(whole)
            rest = whole[2 + int(whole[1:2]) + len(data) :]
            if rest not in (b"", self._ends, b"\n"):
                raise NoReplyError("the block does not end where it should", rest[:60])
            return data
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
        """Exactly so many bytes, whatever they are; in the time-out and a second for each SLOWEST bytes (serial: as its baud)."""
        end = time.monotonic() + self.timeout + count / self._slowest
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
                part, _ = resource.visalib.read(resource.session, min(missing, self._at_once))
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
        if self._is_serial:
            if self._resource.bytes_in_buffer:
                raise NoReplyError("bytes came that nothing had asked for")
            return
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
