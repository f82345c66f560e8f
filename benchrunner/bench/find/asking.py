"""Asks whoever is at a place who it is: `*IDN?` (IEEE 488.2, 10.14), `N?` on ASCII lines, SunSpec common model 1.

Each question has a bounded time. What stands in the way (busy, no rights, no answer, two answers) comes back as a
problem with its mend; nothing is raised.
"""

import contextlib
import errno
import getpass
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchrunner.bench.identity import LONGEST_IDENTITY
from benchrunner.errors import LinkError, Problem

QUERIES = (("*IDN?", b"*IDN?\n"), ("N?", b"N?\r\n"))  # each only reads; neither changes a setting
AFTER = 0.15  # s; for a second answer where one was asked for
MOST_BYTES = 4096


@dataclass(frozen=True)
class Answer:
    """What came from one place. `address` as a bench card writes it; `query`: what was answered; `models`: SunSpec."""

    address: str
    identity: str = ""
    query: str = ""
    models: tuple[int, ...] = ()
    baud: int = 0
    problem: Problem | None = None

    @property
    def found(self) -> bool:
        """An instrument said who it is."""
        return bool(self.identity)


def is_identity(text: str) -> bool:
    """Four fields between commas, printable and short, as IEEE 488.2 asks."""
    return 3 <= text.count(",") <= 8 and len(text) <= LONGEST_IDENTITY and text.isprintable()


def ask_socket(host: str, port: int, patience: float = 1.0) -> Answer | None:
    """Who is at a TCP port; None where nobody listens."""
    place = f"{host}:{port}"
    try:
        link = socket.create_connection((host, port), timeout=patience)
    except (ConnectionRefusedError, TimeoutError):
        return None
    except OSError as error:
        if error.errno in (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN):
            return None
        mend = "check host name and network"
        return Answer(
            _socket_address(host, port, "*IDN?"), problem=Problem(place, f"cannot be reached: {error}", mend)
        )
    with link:
        link.settimeout(0.05)

        def read() -> bytes:
            try:
                return link.recv(MOST_BYTES)
            except TimeoutError:
                return b""

        def send(message: bytes) -> None:
            link.sendall(message)

        text, query, odd = _ask(send, read, patience)
    address = _socket_address(host, port, query)
    if text:
        return Answer(address, text, query, problem=_two(place) if odd else None)
    mend = "if it speaks Modbus, name it as a Modbus server (--modbus); else look whether another program holds it, for many take one client only"
    return Answer(address, problem=Problem(place, "listens, and answers neither *IDN? nor N?" + odd, mend))


def _socket_address(host: str, port: int, query: str) -> str:
    return f"socket://{host}:{port}" if query == "N?" else f"TCPIP0::{host}::{port}::SOCKET"


def ask_serial(device: str, bauds: tuple[int, ...], patience: float = 1.0) -> Answer:
    """Who is at a serial port of this machine. Control lines are left low, since some boards reset on them."""
    address = f"serial:{device}"
    try:
        import serial
    except ImportError as error:
        return Answer(
            address, problem=Problem(device, f"pyserial is missing: {error}", "install benchrunner anew")
        )
    odd = ""
    for baud in bauds:
        port = serial.Serial()
        port.port, port.baudrate, port.timeout, port.write_timeout = device, baud, 0.05, patience
        port.dtr = port.rts = False
        if sys.platform != "win32":
            port.exclusive = True
        try:
            port.open()
            with contextlib.closing(port):
                port.reset_input_buffer()

                def read(port: Any = port) -> bytes:
                    return bytes(port.read(max(1, port.in_waiting)))

                text, query, odd = _ask(port.write, read, patience)
        except (OSError, ValueError) as error:  # SerialException is an OSError
            return Answer(address, problem=serial_problem(device, error))
        if text:
            return Answer(address, text, query, baud=baud, problem=_two(device) if odd else None)
    tried = ", ".join(map(str, bauds))
    mend = "check cable, supply and the instrument's own settings; a driver card of its own may state another speed"
    return Answer(
        address, problem=Problem(device, f"answers neither *IDN? nor N? at {tried} baud{odd}", mend)
    )


def serial_problem(device: str, error: Exception) -> Problem:
    """Why a serial port cannot be used, with the mend for missing rights and for a busy port."""
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if isinstance(error, PermissionError) or number == errno.EACCES or "permission denied" in text:
        if sys.platform == "win32":
            return Problem(
                device, "is in use by another program, or access is denied", "close the other program"
            )
        mend = f"give your user the right: sudo usermod -aG dialout {_user()}, then log out and in (group uucp on some systems)"
        return Problem(device, "this user may not use it (serial ports belong to the group dialout)", mend)
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in text or "busy" in text:
        return Problem(device, "is in use by another program", "close that program, or leave this port out")
    if number == errno.ENOENT or "no such file" in text:
        return Problem(device, "is not there any more", "plug it in again")
    return Problem(
        device, f"cannot be opened: {error}", "check the cable, and whether it is a serial port at all"
    )


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "USER"


def _two(place: str) -> Problem:
    mend = "find out who else answers there (two instruments on one line, or one that talks unasked) before it is used"
    return Problem(place, "gave more than one answer to one question", mend)


def _ask(send: Callable[[bytes], Any], read: Callable[[], bytes], patience: float) -> tuple[str, str, str]:
    """Identity, the query that brought it, and what was odd (empty: nothing)."""
    odd = ""
    for query, message in QUERIES:
        got = b""
        try:
            send(message)
            end = time.monotonic() + patience
            while b"\n" not in got and len(got) < MOST_BYTES and time.monotonic() < end:
                got += read()
            end = time.monotonic() + AFTER
            while got and time.monotonic() < end and len(got) < MOST_BYTES:
                got += read()
        except OSError as error:
            return "", "", f" (the link broke: {error})"
        lines = [line.strip() for line in got.decode("ascii", "replace").replace("\r", "\n").split("\n")]
        lines = [line for line in lines if line]
        names = [line for line in lines if is_identity(line)]
        if names:
            return names[0], query, "two" if len(lines) > 1 else ""
        if lines:
            odd = f" (it said {lines[0][:40]!r})"
    return "", "", odd


def ask_visa(resource: str, patience: float = 2.0) -> Answer:
    """Who is at a VISA resource (USB, GPIB)."""
    from benchrunner.bench.links.visa import VisaLink
    from benchrunner.cards.driver import LinkPart

    link = VisaLink(resource, resource, LinkPart(kind="visa"), patience)
    try:
        link.open()
        text = link.query(b"*IDN?\n").decode("ascii", "replace").strip()
    except LinkError as error:
        return Answer(resource, problem=visa_problem(resource, error.problem.what))
    finally:
        with contextlib.suppress(Exception):
            link.close()
    if is_identity(text):
        return Answer(resource, text, "*IDN?")
    return Answer(
        resource, problem=Problem(resource, f"answered *IDN? with {text[:40]!r}", "it may speak no SCPI")
    )


def visa_problem(resource: str, what: str) -> Problem:
    """Why a VISA resource cannot be used, with the mend for missing rights."""
    said = what.lower()
    if resource.upper().startswith("USB") and (
        "access" in said or "permission" in said or "errno 13" in said
    ):
        mend = "let your group use it: a udev rule with GROUP and MODE 0660 for this device, then plug it in again"
        return Problem(resource, "this user may not use this USB device", mend)
    if "busy" in said or "locked" in said:
        return Problem(resource, "is in use by another program", "close that program")
    return Problem(resource, what, "check cable and supply; USB needs libusb, GPIB the driver of its adapter")


def ask_modbus(host: str, port: int, unit: int = 1, patience: float = 1.0) -> Answer | None:
    """Who is at a Modbus TCP server: SunSpec common model 1, and which models there are. None: nobody listens."""
    from benchrunner.bench import sunspec
    from benchrunner.bench.links.modbus import ModbusLink

    try:
        socket.create_connection((host, port), timeout=patience).close()
    except OSError:
        return None
    address = f"modbus://{host}:{port}/{unit}"
    link = ModbusLink(address, address, patience)
    try:
        link.open()
        found = sunspec.models(link, sunspec.BASES[0])
        return Answer(address, sunspec.common(link, found, address), "SunSpec", tuple(sorted(found)))
    except LinkError as error:
        return Answer(
            address, problem=Problem(f"{host}:{port}, unit {unit}", error.problem.what, error.problem.mend)
        )
    finally:
        with contextlib.suppress(Exception):
            link.close()
