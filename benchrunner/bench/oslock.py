"""One file held by one process, by the operating system: let go of when the process ends, however it ends.

The only place that knows `fcntl` and `msvcrt`. Held is one byte far beyond the file's end, so that others can read who
holds it (Windows locks bytes against reading too).
"""

import os
import sys
from pathlib import Path

_FAR = 1 << 30  # the byte that is held on Windows


class Held:
    """A held file. `descriptor` may be handed to a child process, which then holds it too (not on Windows)."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def write(self, text: str) -> None:
        """Say who holds it."""
        os.ftruncate(self.descriptor, 0)
        os.lseek(self.descriptor, 0, os.SEEK_SET)
        os.write(self.descriptor, text.encode("utf-8"))

    def release(self) -> None:
        """Let go; may be called twice."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


def hold(path: Path) -> Held | None:
    """Hold the file (made if need be); None where another process, or another part of this one, holds it.

    Raises `OSError` where the file cannot be made.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
    try:
        if _take(descriptor):
            return Held(descriptor)
    except BaseException:
        os.close(descriptor)
        raise
    os.close(descriptor)
    return None


def _take(descriptor: int) -> bool:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        # of the open file, not of the process: a watchdog that inherits it goes on holding it
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
