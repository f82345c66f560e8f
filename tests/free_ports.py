"""Free ports on loopback for tests: below the ports that systems hand out to clients (Linux from 32768, Windows from 49152).

Where a process begins depends on its number, and no range is given out twice: tests side by side stay out of each
other's way.
"""

import itertools
import os
import socket
from collections.abc import Iterator

FIRST, LAST, STEP = 12_000, 27_000, 100


def _bases() -> Iterator[int]:
    count = (LAST - FIRST) // STEP
    begin = os.getpid() * 37 % count  # 37 and 150 share no factor: neighbours begin far apart
    for n in itertools.count(begin):
        yield FIRST + n % count * STEP


_left = _bases()


def free_base(span: int = 60) -> int:
    """A base from which `span` ports (at most 100) are free on loopback. Raises RuntimeError where there is none."""
    for base in itertools.islice(_left, (LAST - FIRST) // STEP):
        taken = []
        try:
            for port in range(base, base + span):
                one = socket.socket()
                taken.append(one)
                one.bind(("127.0.0.1", port))
            return base
        except OSError:
            continue
        finally:
            for one in taken:
                one.close()
    raise RuntimeError("no free ports on loopback")
