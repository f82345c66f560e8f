"""What an instrument's address points at, so that two addresses written differently are seen to be one place."""

import re

Place = tuple[str, str]  # the line or the socket; who is meant on it ("" where only one can be)

MODBUS_PORT = 502  # where an address names none (Modbus Messaging on TCP/IP Implementation Guide V1.0b)
_SOCKET = re.compile(r"(?i)TCPIP\d*::([^:,]+)::(\d{1,5})::SOCKET$")
_DEVICE_SERVER = re.compile(r"(?i)socket://([^:/]+):(\d{1,5})$")
_MODBUS = re.compile(r"(?i)modbus://(.+?)(?::(\d{1,5}))?/(\d{1,3})$")
_RTU = re.compile(r"(?i)rtu:(.+)/(\d{1,3})$")
_SERIAL = re.compile(r"(?i)(?:serial:(.+)|ASRL(.+)::INSTR)$")
_VISA = re.compile(r"(?i)([A-Z]+?)(\d*)::(.+?)(?:::INSTR)?$")
_WINDOWS_PORT = re.compile(r"(?i)(?:\\\\\.\\)?(?:COM)?(\d+)$")
_DEFAULT_DEVICE = {"tcpip": "inst0", "usb": "0"}  # VPP-4.3, 4.3.1: what may be left out of a resource string
_FIELDS = {"tcpip": 2, "usb": 4}  # fields with that one


def place(address: str) -> Place | None:
    """The place an address points at (ports resolved); None for `memory`, which is no place.

    Modbus servers and RTU lines hold several units, so there the unit says who is meant. VISA resource strings are
    taken without regard to case, with the board 0 and the device that may be left out (VPP-4.3, 4.3.1).
    """
    if address == "memory":
        return None
    if found := _SOCKET.match(address) or _DEVICE_SERVER.match(address):
        return f"tcp {_host(found[1])}:{int(found[2])}", ""
    if found := _MODBUS.match(address):
        return f"tcp {_host(found[1])}:{int(found[2] or MODBUS_PORT)}", f"unit {int(found[3])}"
    if found := _RTU.match(address):
        return f"line {_device(found[1])}", f"unit {int(found[2])}"
    if found := _SERIAL.match(address):
        return f"line {_device(found[1] or found[2])}", ""
    if found := _VISA.match(address):
        kind, fields = found[1].casefold(), [_number(part) for part in found[3].casefold().split("::")]
        if kind == "tcpip":
            fields[0] = _host(fields[0])
        if len(fields) == _FIELDS.get(kind, 0) - 1:
            fields.append(_DEFAULT_DEVICE[kind])
        return "::".join((kind, str(int(found[2] or 0)) if kind == "gpib" else "", *fields)), ""
    return address, ""


def same(one: Place, other: Place) -> bool:
    """Whether two places are one: the same line or socket, unless each means another unit on it."""
    return one[0] == other[0] and (one[1] == other[1] or not one[1] or not other[1])


def _host(text: str) -> str:
    return "127.0.0.1" if text.casefold() == "localhost" else text.casefold()


def _device(text: str) -> str:
    """A serial device; `COM3`, `\\\\.\\COM3` and VISA's `3` are one, a path keeps its case."""
    found = _WINDOWS_PORT.match(text)
    return f"com{int(found[1])}" if found else text


def _number(field: str) -> str:
    """A field of a resource string: 0x1A and 26 are one."""
    try:
        return str(int(field, 0))
    except ValueError:
        return field
