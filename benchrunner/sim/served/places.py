"""Where each instrument of a bench card is served: TCP ports, Modbus ports and units, pseudo-terminals."""

import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from benchrunner.errors import Problem, Refused

if TYPE_CHECKING:
    from benchrunner.cards.bench import Bench

HOST = "127.0.0.1"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
DEFAULT_BASE = 27300  # below what systems hand out to clients: Linux from 32768, Windows from 49152
_SOCKET = re.compile(r"^TCPIP\d*::([^:]+)::(\d{1,5})::SOCKET$", re.IGNORECASE)
_PLAIN = re.compile(r"^socket://([^:/]+):(\d{1,5})$")
_MODBUS = re.compile(r"^modbus://(.+):(\d{1,5})/(\d{1,3})$")
_VISA_LINE = re.compile(r"^ASRL(/.+)::INSTR$", re.I)
_RTU = re.compile(r"^rtu:(.+)/(\d{1,3})$")


@dataclass(frozen=True)
class Place:
    """Where one instrument is reached. `link`: tcp (SCPI or ASCII lines), modbus, pty or rtu (with their device's path)."""

    name: str
    link: Literal["tcp", "modbus", "pty", "rtu"]
    port: int = 0
    unit: int = 1
    device: str = ""


def places(bench: "Bench", kinds: dict[str, str], port_base: int | None = None) -> tuple[list[Place], int]:
    """A place for every instrument, and the control port. `kinds`: name -> visa, serial or modbus.

    An address on the card is honoured; an instrument in memory gets the next free port of the bench's range. Raises
    `Refused` for an address on another machine or a port used twice, every problem at once.
    """
    served = bench.card.served
    base = port_base if port_base is not None else served.port_base if served else DEFAULT_BASE
    control = base + (served.control if served else 0)
    found: list[Place] = []
    problems: list[Problem] = []
    waiting: list[str] = []
    for name, part in bench.card.instruments.items():
        where = f"{bench.document.path}: instruments.{name}.address"
        address = part.at(base)
        if address == "memory":
            waiting.append(name)
            continue
        place, host = _parse(name, address)
        if place is None:
            problems.append(
                Problem(
                    where,
                    f"{address!r} cannot be served",
                    "serve SOCKET, socket:, modbus:, rtu:, serial: or ASRL/path::INSTR",
                )
            )
        elif host not in LOOPBACK:
            problems.append(
                Problem(where, f"{host} is not this machine", f"simulated instruments live on {HOST}")
            )
        else:
            found.append(place)
    used: dict[int, str] = {control: "the control port"}
    for place in found:
        if not place.port:
            continue
        here = f"{bench.document.path}: instruments.{place.name}.address"
        shared = place.link == "modbus" and used.get(place.port, "").startswith("modbus")
        if place.port in used and not shared:
            problems.append(
                Problem(
                    here, f"port {place.port} is also that of {used[place.port]}", "give it its own {port+n}"
                )
            )
        used[place.port] = f"modbus {place.name}" if place.link == "modbus" else place.name
    if problems:
        raise Refused(problems)
    port = base
    for name in waiting:
        port += 1
        while port in used:
            port += 1
        used[port] = name
        found.append(Place(name, "modbus" if kinds[name] == "modbus" else "tcp", port))
    order = list(bench.card.instruments)
    return sorted(found, key=lambda place: order.index(place.name)), control


def _parse(name: str, address: str) -> tuple[Place | None, str]:
    for pattern in (_SOCKET, _PLAIN):
        if match := pattern.match(address):
            return Place(name, "tcp", int(match[2])), match[1]
    if match := _MODBUS.match(address):
        return Place(name, "modbus", int(match[2]), int(match[3])), match[1]
    if address.startswith("serial:"):
        return Place(name, "pty", device=address.removeprefix("serial:")), HOST
    if match := _VISA_LINE.match(address):
        return Place(name, "pty", device=match[1]), HOST
    if match := _RTU.match(address):
        return Place(name, "rtu", unit=int(match[2]), device=match[1]), HOST
    return None, ""


def pty_folder() -> Path:
    """The folder of this user's pseudo-terminals, made if need be and readable by this user alone."""
    import platformdirs

    runtime = os.environ.get("XDG_RUNTIME_DIR", "")  # missing in containers and in sessions without a login
    if Path(runtime).is_absolute():
        folder = Path(runtime) / "benchrunner"
    else:
        folder = Path(platformdirs.user_cache_dir("benchrunner", appauthor=False)) / "lines"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    if sys.platform != "win32" and folder.stat().st_uid != os.getuid():
        raise Refused(Problem(str(folder), "belongs to another user", "remove it, or set XDG_RUNTIME_DIR"))
    return folder
