"""Serial instruments on pseudo-terminals, for POSIX. On Windows they are served over TCP alone (`socket://`)."""

import asyncio
import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from benchrunner.sim.served.lines import send_later

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server

AT_ONCE = 4096  # bytes
MOST_UNSENT = 4_000_000  # bytes; a block of waveform is less
PLUGGED_AGAIN = 0.05  # s of wall time between looks at whether a pulled cable is back


class PtyLine:
    """One serial instrument behind a pseudo-terminal, with a symlink that names it."""

    def __init__(self, server: "Server", name: str, link: Path) -> None:
        self._server, self.name, self.link = server, name, link
        self._controller = self._line = -1
        self._free_at = 0.0
        self._over = False
        self._unsent = b""

    def start(self) -> None:
        """Open the pair and make the symlink. Raises `OSError`."""
        import pty
        import tty

        self._controller, self._line = (
            pty.openpty()
        )  # the line end stays open here, so that clients may come and go
        tty.setraw(self._line)
        os.set_blocking(self._controller, False)
        if self.link.is_symlink():
            self.link.unlink()
        self.link.symlink_to(os.ttyname(self._line))
        self._new_reader()
        asyncio.get_running_loop().add_reader(self._controller, self._arrived)

    def _new_reader(self) -> None:
        self._reader = self._server.emulators[self.name].new_reader()

    def _exchange(self, data: bytes) -> tuple[bytes, float, bool]:
        return self._server.exchange(self.name, data, self._reader)

    def _down(self) -> bool:
        return self._server.is_down(self.name)

    def stop(self) -> None:
        """Close the pair and remove the symlink, for good."""
        self._over = True
        self._close()

    def _close(self) -> None:
        if self._controller < 0:
            return
        self._unsent = b""
        with contextlib.suppress(RuntimeError):
            asyncio.get_running_loop().remove_reader(self._controller)
            asyncio.get_running_loop().remove_writer(self._controller)
        with contextlib.suppress(OSError):
            if self.link.is_symlink() and os.readlink(self.link) == os.ttyname(self._line):
                self.link.unlink()
        for end in (self._controller, self._line):
            with contextlib.suppress(OSError):
                os.close(end)
        self._controller = self._line = -1

    def _arrived(self) -> None:
        try:
            data = os.read(self._controller, AT_ONCE)
        except (BlockingIOError, OSError):
            return
        reply, wait, dropped = self._exchange(data)
        if dropped:  # a pulled cable: the instrument is there no more, until it is plugged in again
            self._close()
            self._wait_for_the_plug()
        elif reply:
            self._free_at = send_later(self._send, reply, wait, self._free_at)

    def _wait_for_the_plug(self) -> None:
        asyncio.get_running_loop().call_later(PLUGGED_AGAIN, self._plug)

    def _plug(self) -> None:
        if self._over or self._controller >= 0:
            return
        if self._down():
            self._wait_for_the_plug()
            return
        with contextlib.suppress(OSError):  # another program may have taken its name
            self.start()

    def _send(self, reply: bytes) -> None:
        """A block is larger than the system's buffer: what does not fit follows as the client reads."""
        if self._controller < 0 or len(self._unsent) + len(reply) > MOST_UNSENT:
            return  # a client that does not read loses it
        waiting = bool(self._unsent)
        self._unsent += reply
        if not waiting:
            self._go_on()

    def _go_on(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            sent = os.write(self._controller, self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            sent = len(self._unsent)
        self._unsent = self._unsent[sent:]
        if self._unsent:
            loop.add_writer(self._controller, self._go_on)
        else:
            loop.remove_writer(self._controller)
