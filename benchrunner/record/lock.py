"""A lock that says "somebody writes here", and that the system lets go of when its holder dies, however it dies.

It lies on a small file of its own beside the journal: on Windows a locked byte cannot be read by others, and the journal must be.
Advisory: it keeps out who asks (`recover`), nobody else. Where a share knows no locks there is none, and nobody is kept out.
"""

import contextlib
import os
from pathlib import Path

FILE_NAME = "writing"

try:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

except ImportError:  # Windows
    import msvcrt

    def _take(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]


class Lock:
    """Held from `hold` until `release`, or until this process ends."""

    def __init__(self, path: Path, descriptor: int | None) -> None:
        self._path = path
        self._descriptor = descriptor

    @classmethod
    def hold(cls, folder: Path) -> "Lock":
        """Take the lock of `folder`. Raises `BlockingIOError` where another one holds it."""
        path = folder / FILE_NAME
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _take(descriptor)
        except (BlockingIOError, PermissionError):
            os.close(descriptor)
            raise BlockingIOError(f"{path} is held") from None
        except OSError:  # no locks on this share
            os.close(descriptor)
            return cls(path, None)
        return cls(path, descriptor)

    def release(self) -> None:
        """Let go of it; the file goes with it."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with contextlib.suppress(OSError):
                os.close(descriptor)
        with contextlib.suppress(OSError):
            self._path.unlink()


def held(folder: Path) -> bool | None:
    """Whether somebody holds the lock of `folder` now; None where there is none to tell by."""
    path = folder / FILE_NAME
    try:
        descriptor = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        return None
    except OSError:  # not ours to open: somebody else's run, or a folder that can only be read
        return None
    try:
        _take(descriptor)
    except (BlockingIOError, PermissionError):
        return True
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return False
