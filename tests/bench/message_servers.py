"""Small real servers for the two message protocols over TCP, written from their specifications, so that the client
library is not tested against itself.

VXI-11: TCP/IP Instrument Protocol 1.0, over ONC RPC version 2 (RFC 5531) with record marking (RFC 5531, 11) and XDR
(RFC 4506); program 0x0607AF, version 1. HiSLIP: IVI-6.1, two connections (synchronous and asynchronous).
"""

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress

Answer = Callable[[bytes], bytes | None]  # a whole message -> its reply, b"" for none, None: hang up


class MessageServer:
    """Accepts connections, each served in a thread of its own."""

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.connections = 0
        self.ended_by = "END"
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            self.connections += 1
            self._open.append(connection)
            threading.Thread(target=self._guarded, args=(connection,), daemon=True).start()

    def _guarded(self, connection: socket.socket) -> None:
        with suppress(OSError, EOFError):
            self.serve(connection)
        connection.close()

    def serve(self, connection: socket.socket) -> None:
        raise NotImplementedError

    def close(self) -> None:
        for one in (*self._open, self._socket):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def __enter__(self) -> "MessageServer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def exactly(connection: socket.socket, count: int) -> bytes:
    got = b""
    while len(got) < count:
        part = connection.recv(count - len(got))
        if not part:
            raise EOFError
        got += part
    return got


class Vxi11Server(MessageServer):
    """The core channel: create_link 10, device_write 11, device_read 12, device_clear 15, destroy_link 23."""

    largest = 1024  # bytes of one device_write or device_read, so that long messages come in parts

    def serve(self, connection: socket.socket) -> None:
        waiting, asked = b"", b""
        while True:
            (mark,) = struct.unpack(">I", exactly(connection, 4))
            call = exactly(connection, mark & 0x7FFFFFFF)
            number, kind, version, program, edition, procedure = struct.unpack(">6I", call[:24])
            assert (kind, version, program, edition) == (0, 2, 0x0607AF, 1)
            at = 24
            for _ in range(2):  # credential and verifier, each a flavour and an opaque body
                at += 8 + struct.unpack(">I", call[at + 4 : at + 8])[0]
            body = call[at:]
            if procedure == 10:
                result = struct.pack(">iiII", 0, 7, 0, self.largest)
            elif procedure == 11:
                _, _, _, flags, length = struct.unpack(">iIIiI", body[:20])
                asked += body[20 : 20 + length]
                result = struct.pack(">iI", 0, length)
                if flags & 8:  # END
                    answer, asked = self.answer(asked), b""
                    if answer is None:
                        return
                    waiting = answer
            elif procedure == 12:
                _, most, _, _, _, _ = struct.unpack(">iIIIii", body[:24])
                part, waiting = waiting[: min(most, self.largest)], waiting[min(most, self.largest) :]
                if not part:
                    result = struct.pack(">iiI", 15, 0, 0)  # I/O time-out
                else:
                    reason = 0 if waiting else 4
                    padded = part + b"\0" * (-len(part) % 4)
                    result = struct.pack(">iiI", 0, reason, len(part)) + padded
            else:
                if procedure == 15:
                    waiting = asked = b""
                result = struct.pack(">i", 0)
            reply = struct.pack(">IIIIII", number, 1, 0, 0, 0, 0) + result
            connection.sendall(struct.pack(">I", 0x80000000 | len(reply)) + reply)


class HislipServer(MessageServer):
    """Synchronized mode, version 1.0. Messages: 0/1 Initialize, 17/18 AsyncInitialize, 15/16 maximum size, 6 Data,
    7 DataEnd, 8/9 and 19/23 device clear, 21/22 status."""

    part = 1000  # bytes of one Data message of a reply

    def serve(self, connection: socket.socket) -> None:
        asked = b""
        while True:
            prologue, kind, _, parameter, length = struct.unpack(">2sBBIQ", exactly(connection, 16))
            assert prologue == b"HS"
            body = exactly(connection, length)
            if kind == 0:
                self._send(connection, 1, 0, 0x0100 << 16 | 5)
            elif kind == 17:
                self._send(connection, 18, 0, 0)
            elif kind == 15:
                self._send(connection, 16, 0, 0, struct.pack(">Q", 1 << 20))
            elif kind == 19:
                self._send(connection, 23, 0, 0)
            elif kind == 8:
                self._send(connection, 9, 0, 0)
            elif kind == 21:
                self._send(connection, 22, 0, 0)
            elif kind in (6, 7):
                asked += body
                if kind == 7:
                    answer, asked = self.answer(asked), b""
                    if answer is None:
                        return
                    while len(answer) > self.part:
                        self._send(connection, 6, 0, parameter, answer[: self.part])
                        answer = answer[self.part :]
                    if answer:
                        self._send(connection, 7, 0, parameter, answer)

    def _send(
        self, connection: socket.socket, kind: int, control: int, parameter: int, body: bytes = b""
    ) -> None:
        connection.sendall(struct.pack(">2sBBIQ", b"HS", kind, control, parameter, len(body)) + body)
