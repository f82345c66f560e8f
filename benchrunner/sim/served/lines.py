"""Instruments that speak in lines, over TCP: one protocol object for each connection, many for each instrument."""

import asyncio
import contextlib
import socket
import struct
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from benchrunner.sim.emulators.base import Emulator
from benchrunner.sim.emulators.lines import LineReader

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server

# on, 0 s: two shorts on Windows, two ints elsewhere
LINGER_NOT = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)
MOST_CONNECTIONS = 32  # to one instrument; real ones take fewer


class LineConnection(asyncio.Protocol):
    """One client of one instrument. A client that vanishes takes nothing with it but its half-received line."""

    def __init__(self, server: "Server", name: str) -> None:
        self._server, self._name = server, name
        self._reader: LineReader | None = None
        self._transport: asyncio.Transport | None = None
        self._free_at = 0.0
        self._slow = False  # its instrument may have to compute for long before it answers
        self._waiting: list[bytes] = []  # what came in while it does

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        if sum(line._name == self._name for line in self._server.lines) >= MOST_CONNECTIONS:
            transport.abort()
            return
        if self._server.is_down(self._name):
            reset(transport)
            return
        self._server.lines.add(self)
        self._transport = transport
        emulator = self._server.emulators[self._name]
        self._reader = emulator.new_reader()
        self._slow = type(emulator).preparation is not Emulator.preparation

    def connection_lost(self, exc: Exception | None) -> None:
        self._server.lines.discard(self)
        self._transport = None

    def pause_writing(self) -> None:
        """The client does not read its replies: take no more from it until it does."""
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        if self._transport is not None:
            self._transport.resume_reading()

    def data_received(self, data: bytes) -> None:
        if self._slow:
            if self._waiting:
                self._waiting.append(data)
                return
            work = self._server.preparation(self._name)
            if work is not None:
                self._waiting.append(data)
                self._work = asyncio.get_running_loop().run_in_executor(None, work)
                self._work.add_done_callback(self._prepared)
                return
        self._take(data)

    def _prepared(self, _: "asyncio.Future[None]") -> None:
        waiting, self._waiting = self._waiting, []
        for data in waiting:
            if self._transport is not None:
                self._take(data)

    def _take(self, data: bytes) -> None:
        reply, wait, dropped = self._server.exchange(self._name, data, self._reader)
        if dropped:
            self._server.drop_lines(self._name, self)
        elif reply:
            self._free_at = send_later(self._send, reply, wait, self._free_at)

    def _send(self, reply: bytes) -> None:
        if self._transport is not None:
            self._transport.write(reply)

    def abort(self) -> None:
        """Close at once."""
        if self._transport is not None:
            self._transport.abort()

    def reset(self) -> None:
        """Close at once, and the client sees a TCP reset."""
        if self._transport is not None:
            reset(self._transport)

    @property
    def name(self) -> str:
        """The instrument that it belongs to."""
        return self._name


def reset(transport: asyncio.Transport) -> None:
    """Close a connection with a TCP reset, as a device does that lost its supply and came back."""
    line = transport.get_extra_info("socket")
    if line is not None:
        with contextlib.suppress(OSError):  # it may be closed already
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, LINGER_NOT)
    transport.abort()


def send_later(send: Callable[[bytes], None], reply: bytes, wait: float, free_at: float) -> float:
    """Send after `wait` seconds, but never before an earlier reply on the same line; when the line is free again."""
    if wait <= 0 and free_at <= 0:
        send(reply)
        return 0.0
    loop = asyncio.get_running_loop()
    at = max(loop.time() + wait, free_at)
    loop.call_at(at, send, reply)
    return at
