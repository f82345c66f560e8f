"""Ends what is left of an engine, so that ports which it alone may use come free. POSIX and Windows, nothing else here.

A process number may be given to another process once its owner is gone. So on POSIX the engine is ended only while it
still is this process's parent, and on Windows over a handle that was opened while it surely was the engine.
"""

import contextlib
import os
import signal
import sys
import time
from typing import Any

WAIT = 5.0  # s for it to be gone


class Engine:
    """The engine as the watchdog sees it: its parent."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._handle: Any = _windows_handle(pid) if sys.platform == "win32" else None

    def gone(self) -> bool:
        """Whether it has ended."""
        if sys.platform == "win32":
            return _windows_gone(self._handle)
        return os.getppid() != self.pid

    def end(self) -> bool:
        """End it if it still is there, stopped or not, and wait until it is gone; False if it does not go."""
        if self.gone():
            return True
        if sys.platform == "win32":
            _windows_end(self._handle)
        else:
            with contextlib.suppress(OSError):
                os.kill(self.pid, signal.SIGKILL)
        deadline = time.monotonic() + WAIT
        while not self.gone() and time.monotonic() < deadline:
            time.sleep(0.005)
        return self.gone()


def _windows_handle(pid: int) -> Any:
    import ctypes

    terminate_and_synchronize = 0x0001 | 0x00100000
    return ctypes.windll.kernel32.OpenProcess(terminate_and_synchronize, False, pid)  # type: ignore[attr-defined]


def _windows_gone(handle: Any) -> bool:
    import ctypes

    return not handle or ctypes.windll.kernel32.WaitForSingleObject(handle, 0) == 0  # type: ignore[attr-defined]


def _windows_end(handle: Any) -> None:
    import ctypes

    ctypes.windll.kernel32.TerminateProcess(handle, 5)  # type: ignore[attr-defined]
