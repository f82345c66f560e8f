"""Writers of one folder take turns, also across processes: a lock on a file, which the system lets go with the process."""

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from benchrunner.errors import Problem, Refused

BETWEEN = 0.02  # s between two tries


@contextlib.contextmanager
def turn(path: Path, patience: float) -> Iterator[None]:
    """Hold the lock of `path` (made where it is not there, never removed). Raises `Refused` after `patience` seconds."""
    try:
        number = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "check the folder's permissions")
        ) from error
    try:
        end = time.monotonic() + patience
        while not _try(number):
            if time.monotonic() > end:
                raise Refused(
                    Problem(
                        str(path), f"another process has been writing for {patience:g} s",
                        "wait until it is through, then do it again; adding twice changes nothing",
                    )
                )  # fmt: skip
            time.sleep(BETWEEN)
        try:
            yield
        finally:
            _release(number)
    finally:
        os.close(number)


if sys.platform == "win32":  # pragma: no cover - the same on Windows
    import msvcrt

    def _try(number: int) -> bool:
        try:
            os.lseek(number, 0, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _release(number: int) -> None:
        os.lseek(number, 0, os.SEEK_SET)
        msvcrt.locking(number, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try(number: int) -> bool:
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _release(number: int) -> None:
        fcntl.flock(number, fcntl.LOCK_UN)
