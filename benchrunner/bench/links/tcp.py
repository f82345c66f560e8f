"""Links over a plain TCP socket, for the resource strings `TCPIP::host::port::SOCKET`: our own, since it is several
times quicker than PyVISA's and can tell more of what went wrong.

An exchange is one send and, usually, one receive. Before it the socket must be empty and open: a byte that nobody
asked for would shift every later answer by one. The reply must end where its first line ends, for the same reason.
"""

import re
import select
import socket
import struct
import sys
import time

from benchrunner.bench.links.base import LARGEST_BLOCK, LONGEST_REPLY, Link, NoReplyError

RESOURCE = re.compile(r"^TCPIP\d*::([^:\s]+|\[[0-9A-Fa-f:.]+\])::(\d{1,5})::SOCKET$", re.IGNORECASE)
SLOWEST = 100_000  # bytes/s that a block must come with
AT_ONCE = 4096  # bytes; a reply of more comes in several parts
CHUNK = 65_536
CLOSED = "the instrument closed the connection"


def is_plain_socket(address: str) -> bool:
    """Whether an address is the resource string of a plain TCP socket."""
    return RESOURCE.match(address) is not None


class SocketLink(Link):
    """One TCP connection to one instrument. `read_ends` ends each reply; messages carry their own ends."""

    def __init__(self, name: str, address: str, read_ends: bytes, timeout: float = 1.0) -> None:
        super().__init__(name, address, timeout)
        found = RESOURCE.match(address)
        if found is None:
            raise ValueError(f"{address!r} is no resource string of a TCP socket")
        self._host, self._port = found[1].strip("[]"), int(found[2])
        self._ends, self._cut = read_ends, len(read_ends)
        self._socket: socket.socket | None = None

    def _open(self) -> None:
        connection = socket.create_connection((self._host, self._port), timeout=self.timeout)
        try:
            # a command followed by a query would otherwise wait for the delayed acknowledgement, some 40 ms
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            if sys.platform != "win32":
                # the kernel keeps the time-out: Python's own would ask it twice for each receive
                seconds = int(self.timeout)
                spell = struct.pack("ll", seconds, max(1, int((self.timeout - seconds) * 1e6)))
                connection.settimeout(None)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, spell)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, spell)
        except OSError:
            connection.close()
            raise
        self._socket = connection

    def _close(self) -> None:
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()

    def _query(self, message: bytes) -> bytes:
        self._write(message)
        connection = self._socket
        assert connection is not None
        try:
            got = connection.recv(AT_ONCE)
        except (BlockingIOError, TimeoutError) as error:
            raise NoReplyError("no reply") from error
        cut = self._cut
        if not cut or got.find(self._ends) != len(got) - cut or len(got) < cut:
            got = self._rest(connection, got)
        return got[:-cut] if cut else got

    def _write(self, message: bytes) -> None:
        connection = self._socket
        if connection is None:
            raise NoReplyError("the link is not open")
        self._in_step(connection)
        try:
            if connection.send(message) != len(message):
                raise NoReplyError("the command could not be sent in one go: the instrument takes no more")
        except (BlockingIOError, TimeoutError) as error:
            raise NoReplyError("the command could not be sent: the instrument takes no more") from error

    def _rest(self, connection: socket.socket, got: bytes) -> bytes:
        """The whole reply, where the first receive did not bring just that."""
        end = time.monotonic() + self.timeout
        if not got:
            raise NoReplyError(CLOSED)
        while self._ends:
            place = got.find(self._ends)
            if place == len(got) - self._cut and place >= 0:
                return got
            if place >= 0:
                raise NoReplyError("more than one line came where one was asked for", got)
            if len(got) > LONGEST_REPLY:
                raise NoReplyError("the reply has no end", got)
            got += self._part(connection, end, CHUNK, got)
        return got

    def _part(self, connection: socket.socket, end: float, most: int, got: bytes) -> bytes:
        wait = end - time.monotonic()
        if wait <= 0 or not select.select([connection], [], [], wait)[0]:
            raise NoReplyError("no whole reply in time", got)
        part = connection.recv(most)
        if not part:
            raise NoReplyError(CLOSED, got)
        return part

    def _query_block(self, message: bytes) -> bytes:
        # line ends inside the data are data: the head says how long it is
        self._write(message)
        head = self._some(2, b"")
        if head[:1] != b"#" or not head[1:2].isdigit() or head == b"#0":
            raise NoReplyError("the reply is no definite-length block", head)
        digits = self._some(int(head[1:2]), head)
        if not digits.isdigit() or int(digits) > LARGEST_BLOCK:
            raise NoReplyError("the block's length makes no sense", head + digits)
        data = self._some(int(digits), head + digits)
        ends = self._some(self._cut, b"")
        if ends != self._ends:
            raise NoReplyError("the block does not end where it should", ends)
        return data

    def _some(self, count: int, before: bytes) -> bytes:
        """Exactly so many bytes, whatever they are; in the time-out and a second for each SLOWEST bytes."""
        connection = self._socket
        assert connection is not None
        end = time.monotonic() + self.timeout + count / SLOWEST
        got = bytearray()
        while len(got) < count:
            got += self._part(connection, end, min(count - len(got), CHUNK), before + bytes(got[:60]))
        return bytes(got)

    def _in_step(self, connection: socket.socket) -> None:
        """Raise where something waits although nothing was asked, or where the connection is gone."""
        if sys.platform == "win32":
            if not select.select([connection], [], [], 0)[0]:
                return
            got = connection.recv(CHUNK)
        else:
            try:
                got = connection.recv(CHUNK, socket.MSG_DONTWAIT)
            except BlockingIOError:
                return
        raise NoReplyError("bytes came that nothing had asked for" if got else CLOSED, got)
