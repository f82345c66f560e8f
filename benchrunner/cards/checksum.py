"""Checksums of lines on a serial link: body, an optional mark, then the sum of the body's bytes in hexadecimal digits.

`sum`: the bytes added up, modulo 256, two digits; `xor`: the bytes exclusive-ored, two digits (as in NMEA 0183
sentences); `crc-16`: CRC-16/MODBUS (polynomial 0xA001 reflected, start 0xFFFF; Modbus over Serial Line V1.02,
6.2.2), four digits, high byte first. Digits are written as capitals and read in either case.
"""

from functools import reduce
from operator import xor

KINDS = ("none", "sum", "xor", "crc-16")


def crc16(body: bytes) -> int:
    """CRC-16/MODBUS of `body`."""
    value = 0xFFFF
    for byte in body:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


def digits(kind: str, body: bytes) -> bytes:
    """The checksum of `body` as it is written."""
    if kind == "sum":
        return b"%02X" % (sum(body) & 0xFF)
    if kind == "xor":
        return b"%02X" % reduce(xor, body, 0)
    if kind == "crc-16":
        return b"%04X" % crc16(body)
    raise ValueError(f"{kind!r} is no checksum; there are {', '.join(KINDS)}")


def sealed(kind: str, mark: bytes, body: bytes) -> bytes:
    """A line with its checksum, without its ends."""
    return body if kind == "none" else body + mark + digits(kind, body)


def opened(kind: str, mark: bytes, line: bytes) -> bytes:
    """The body of a line whose checksum holds. Raises `ValueError` where it does not."""
    if kind == "none":
        return line
    width = 4 if kind == "crc-16" else 2
    tail = len(mark) + width
    body, rest = line[:-tail], line[-tail:]
    if len(line) < tail or rest[: len(mark)] != mark:
        raise ValueError(f"the line has no checksum: {line[:60]!r}")
    wanted = digits(kind, body)
    if rest[len(mark) :].upper() != wanted:
        raise ValueError(f"the checksum is wrong: {rest[len(mark) :]!r} came, {wanted!r} is right")
    return body
