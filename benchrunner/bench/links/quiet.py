"""Waits for a serial line to fall quiet: after a failure, a late answer must not pass for the next one."""

import time
from typing import Any

from benchrunner.bench.links.base import NoReplyError

LONGEST_NOISE = 2.0  # s; a line that never falls quiet is refused


def settle(port: Any, quiet: float) -> None:
    """Return once nothing has come for `quiet` s, with what had come thrown away. `port`: a pyserial port.

    Raises `NoReplyError` for a line that does not fall quiet.
    """
    end = time.monotonic() + LONGEST_NOISE
    since = time.monotonic()
    while time.monotonic() - since < quiet:
        if port.in_waiting:
            port.reset_input_buffer()
            since = time.monotonic()
        if time.monotonic() > end:
            raise NoReplyError("the line does not fall quiet")
        time.sleep(quiet / 10)
