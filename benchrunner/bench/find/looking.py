"""Where to look: serial ports and VISA resources of this machine, TCP ports and Modbus servers that were named."""

import re
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

from benchrunner.bench.find.asking import Answer, ask_modbus, ask_serial, ask_socket, ask_visa
from benchrunner.errors import Problem, Refused

MOST_PORTS = 256  # of one range
AT_ONCE = 16
BAUDS = (115200, 9600)
_RANGE = re.compile(
    r"^(?P<host>[A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:]{2,45}\]):(?P<first>\d{1,5})(?:-(?P<last>\d{1,5}))?$"
)


@dataclass(frozen=True)
class Where:
    """What to look at. `ranges`, `modbus`: "host:first-last" or "host:port", Modbus with "/unit" behind it."""

    ranges: tuple[str, ...] = ()
    modbus: tuple[str, ...] = ()
    serial: bool = False  # ask at the serial ports of this machine (listing them asks nothing)
    visa: bool = True  # USB and GPIB resources
    patience: float = 1.0  # s for each question


@dataclass(frozen=True)
class Port:
    """A serial port of this machine."""

    device: str
    says: str


def ports_in(text: str, option: str) -> tuple[str, list[int], int]:
    """Host, ports and unit of a range. Raises `Refused` for anything else."""
    place, _, unit = text.partition("/")
    found = _RANGE.match(place)
    first = int(found["first"]) if found else 0
    last = int(found["last"] or first) if found else 0
    number = int(unit) if unit.isdigit() else 1 if not unit else 0
    if (
        not found
        or not 1 <= first <= last <= 65535
        or not 1 <= number <= 247
        or (unit and option != "--modbus")
    ):
        mend = f"give {option} HOST:PORT or HOST:FIRST-LAST" + ("/UNIT" if option == "--modbus" else "")
        raise Refused(Problem(f"{option} {text[:80]}", "names no ports", mend))
    if last - first >= MOST_PORTS:
        raise Refused(
            Problem(f"{option} {text[:80]}", f"names {last - first + 1} ports", f"name at most {MOST_PORTS}")
        )
    return found["host"].strip("[]"), list(range(first, last + 1)), number


def serial_ports() -> list[Port]:
    """The serial ports of this machine. Opens none of them."""
    from serial.tools import list_ports

    return [
        Port(p.device, p.description or "")
        for p in sorted(list_ports.comports(), key=lambda p: str(p.device))
    ]


def visa_resources(patience: float = 5.0) -> tuple[list[str], Problem | None]:
    """USB and GPIB resources, listed in a thread of its own within `patience` seconds. The network is not asked.

    PyVISA's pure backend would broadcast for network instruments when listing everything; here only the session
    classes of USB and GPIB are asked.
    """
    found: list[str] = []
    trouble: list[str] = []

    def look() -> None:
        try:
            import pyvisa_py.highlevel  # noqa: F401 - registers the session classes
            from pyvisa.constants import InterfaceType
            from pyvisa_py.sessions import Session

            for (interface, _), kind in Session.iter_valid_session_classes():
                if interface in (InterfaceType.usb, InterfaceType.gpib):
                    found.extend(str(name) for name in kind.list_resources())
        except Exception as error:  # a missing libusb, an adapter without its driver
            trouble.append(f"{type(error).__name__}: {error}")

    thread = threading.Thread(target=look, name="VISA list", daemon=True)
    thread.start()
    thread.join(patience)
    if thread.is_alive():
        mend = "unplug and plug in the USB and GPIB instruments, or give --no-visa"
        return [], Problem("USB and GPIB", f"listing them did not end within {patience:g} s", mend)
    if trouble:
        mend = "USB needs libusb, GPIB the driver of its adapter; without such instruments give --no-visa"
        return [], Problem("USB and GPIB", f"cannot be listed: {trouble[0][:200]}", mend)
    return sorted(set(found)), None


def look(where: Where, heard: Callable[[Answer], None] = lambda _: None) -> list[Answer]:
    """Ask everywhere, side by side; `heard` is called for each answer as it comes. Raises `Refused` for a bad range.

    A range or server that was named, and where nobody listens at all, is told as a problem of its own.
    """
    jobs: list[Callable[[], Answer | None]] = []
    named: list[tuple[str, str, range]] = []  # option, text, its jobs
    for text in where.ranges:
        host, ports, _ = ports_in(text, "--range")
        named.append(("--range", text, range(len(jobs), len(jobs) + len(ports))))
        jobs += [partial(ask_socket, host, port, where.patience) for port in ports]
    for text in where.modbus:
        host, ports, unit = ports_in(text, "--modbus")
        named.append(("--modbus", text, range(len(jobs), len(jobs) + len(ports))))
        jobs += [partial(ask_modbus, host, port, unit, where.patience) for port in ports]
    if where.serial:
        jobs += [partial(ask_serial, port.device, bauds(), where.patience) for port in serial_ports()]
    answers: list[Answer] = []
    if where.visa:
        resources, problem = visa_resources()
        if problem:
            answers.append(Answer("USB and GPIB", problem=problem))
        jobs += [partial(ask_visa, name) for name in resources]
    with ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="find") as pool:
        silent = set()
        for number, future in enumerate([pool.submit(job) for job in jobs]):
            answer = future.result()
            if answer is not None:
                answers.append(answer)
                heard(answer)
            else:
                silent.add(number)
    answers += [
        Answer(f"{option} {text}", problem=_nobody(option, text))
        for option, text, numbers in named
        if silent.issuperset(numbers)
    ]
    known = {place_of(answer.address) for answer in answers if answer.found}
    return [answer for answer in answers if answer.found or place_of(answer.address) not in known]


def _nobody(option: str, text: str) -> Problem:
    host, ports, _ = ports_in(text, option)
    one = len(ports) == 1
    what = (
        f"nothing listens at port {ports[0]}"
        if one
        else f"nothing listens at ports {ports[0]} to {ports[-1]}"
    )
    mend = (
        f"is the instrument on and in the network, is {host} its address and {'this its port' if one else 'its port among these'} "
        "(its manual or its network menu says), and does no other program hold it?"
    )
    return Problem(f"{option} {text}", f"{what} of {host}", mend)


def place_of(address: str) -> str:
    """Host and port of an address, whatever is spoken there; else the address itself."""
    found = re.search(r"(?:://|TCPIP0::)([^:/]+)(?:::|:)(\d{1,5})", address)
    return f"{found[1]}:{found[2]}" if found else address


def bauds() -> tuple[int, ...]:
    """The speeds that the serial driver cards state, then the usual ones."""
    from benchrunner.bench.find.proposing import drivers

    stated = [card.link.baud for card in drivers().values() if card.link.kind == "serial"]
    return tuple(dict.fromkeys((*stated, *BAUDS)))


def conflicts(answers: Sequence[Answer]) -> list[Problem]:
    """The same instrument at two addresses, as its serial number says."""
    seen: dict[tuple[str, ...], str] = {}
    problems = []
    for answer in answers:
        fields = tuple(part.strip().casefold() for part in answer.identity.split(",")[:3])
        if not answer.found or len(fields) < 3 or fields[2] in ("", "0"):
            continue
        if fields in seen:
            what = f"says the same serial number {fields[2]!r} as {seen[fields]}"
            mend = "it is one instrument with two addresses, or two that were given one number: use one address of it"
            problems.append(Problem(answer.address, what, mend))
        seen.setdefault(fields, answer.address)
    return problems
