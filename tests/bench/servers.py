"""Small real servers on loopback that misbehave on purpose, so that tests go through the real client libraries."""

import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress

Answer = Callable[
    [bytes, int], bytes | None
]  # (line without ends, number of the query) -> reply, None: hang up


class LineServer:
    """Answers lines. `answer` may sleep, return nothing (no reply), garbage, or None (hang up)."""

    def __init__(self, answer: Answer, hello: bytes = b"") -> None:
        self.answer, self.hello = answer, hello
        self.count = self.connections = 0
        self.pieces, self.between = 0, 0.002  # bytes at once (0: all), s between them
        self.reset_after = -1  # bytes of a reply after which the connection is reset
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._open: list[socket.socket] = []
        self._stop = False
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        while not self._stop:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            self.connections += 1
            self._open.append(connection)
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        got = b""
        try:
            if self.hello:
                connection.sendall(self.hello)
            while not self._stop:
                part = connection.recv(4096)
                if not part:
                    break
                got += part
                while b"\n" in got:
                    line, _, got = got.partition(b"\n")
                    self.count += 1
                    reply = self.answer(line.strip(), self.count)
                    if reply is None:
                        return
                    if reply and not self._send(connection, reply):
                        return
        except OSError:
            pass
        finally:
            connection.close()

    def _send(self, connection: socket.socket, reply: bytes) -> bool:
        if self.reset_after >= 0:
            connection.sendall(reply[: self.reset_after])
            time.sleep(0.02)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return False
        step = self.pieces or len(reply)
        for at in range(0, len(reply), step):
            connection.sendall(reply[at : at + step])
            if self.pieces:
                time.sleep(self.between)
        return True

    def shout(self, data: bytes) -> None:
        """Send to every connection what nobody asked for."""
        for connection in self._open:
            with suppress(OSError):
                connection.sendall(data)

    def drop(self) -> None:
        """Close every connection, as a restarting instrument does; it listens on."""
        for connection in self._open:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self._open.clear()

    def close(self) -> None:
        self._stop = True
        self.drop()
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        for thread in self._threads:
            thread.join(3)

    def __enter__(self) -> "LineServer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class RegisterServer(LineServer):
    """Modbus TCP, function 3 only, written from the specification (Modbus Messaging on TCP/IP, 3.1.3; Application
    Protocol 6.3), so that the client is not tested against its own library."""

    def __init__(self, registers: dict[int, int], unit: int = 1, fault: str = "") -> None:
        self.registers, self.unit, self.fault = registers, unit, fault
        super().__init__(lambda line, count: b"")

    def _serve(self, connection: socket.socket) -> None:
        try:
            while not self._stop:
                head = connection.recv(12, socket.MSG_WAITALL)
                if len(head) < 12:
                    return
                number, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", head)
                self.count += 1
                if self.fault == "silent":
                    continue
                if self.fault == "slow":
                    time.sleep(0.5)
                wanted = range(address, address + count)
                if unit != self.unit:
                    body = struct.pack(">BBB", unit, 0x83, 0x0B)
                elif function != 3 or any(place not in self.registers for place in wanted):
                    body = struct.pack(">BBB", unit, function | 0x80, 2)
                else:
                    values = [self.registers[place] for place in wanted]
                    if self.fault == "short":
                        values = values[:-1]
                    body = struct.pack(f">BBB{len(values)}H", unit, 3, 2 * len(values), *values)
                connection.sendall(struct.pack(">HHH", number, 0, len(body)) + body)
        except OSError:
            pass
        finally:
            connection.close()
