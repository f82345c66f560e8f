"""Free ports on loopback."""

import socket


def free_base(span: int = 30) -> int:
    """A base from which `span` ports are free on loopback."""
    for base in range(42000, 47000, span):
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
