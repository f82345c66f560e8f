"""A range of free ports on loopback for a served bench, where the card's own may be taken."""

import socket

from benchrunner.errors import Problem, Refused
from benchrunner.sim.served.places import DEFAULT_BASE, HOST

_SPAN = 100  # ports that a bench may use above its base
_LAST = 65_000


def free_base(first: int = DEFAULT_BASE) -> int:
    """The first base from `first` on whose whole range is free now. Raises `Refused` if there is none."""
    for base in range(first, _LAST - _SPAN, _SPAN):
        if all(_free(base + offset) for offset in range(_SPAN)):
            return base
    raise Refused(
        Problem(
            f"ports {first} to {_LAST}",
            "no free range on this machine",
            "end what listens there, or give --port-base",
        )
    )


def _free(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as one:
        try:
            one.bind((HOST, port))
        except OSError:
            return False
    return True
