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


class PtyLine:
    """One serial instrument behind a pseudo-terminal, with a symlink that names it."""

    def __init__(self, server: "Server", name: str, link: Path) -> None:
        self._server, self.name, self.link = server, name, link
        self._controller = self._line = -1
        self._free_at = 0.0

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
        self._reader = self._server.emulators[self.name].new_reader()
        asyncio.get_running_loop().add_reader(self._controller, self._arrived)

    def stop(self) -> None:
        """Close the pair and remove the symlink."""
        if self._controller < 0:
            return
        with contextlib.suppress(RuntimeError):
            asyncio.get_running_loop().remove_reader(self._controller)
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
        reply, wait, dropped = self._server.exchange(self.name, data, self._reader)
        if dropped:  # a pulled cable: the instrument is there no more
            self.stop()
        elif reply:
            self._free_at = send_later(self._send, reply, wait, self._free_at)

    def _send(self, reply: bytes) -> None:
        if self._controller >= 0:
            with contextlib.suppress(OSError):  # a client that does not read loses what does not fit
                os.write(self._controller, reply)
