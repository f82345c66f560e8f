"""The simulated instruments of a bench on this machine's wires: `Server`. Loopback only; nothing here is real."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchrunner.sim.served.server import Server

__all__ = ["Server"]


def __getattr__(name: str) -> Any:
    if name == "Server":
        from benchrunner.sim.served.server import Server

        return Server
    raise AttributeError(name)
