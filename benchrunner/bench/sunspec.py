"""Finding one's way in a SunSpec register map: the chain of models and the common model.

Source: SunSpec Device Information Model Specification: the map starts with the four letters `SunS`; each model starts
with its number and its length; model 0xFFFF ends the chain.
"""

from benchrunner.bench.links.base import Link
from benchrunner.errors import LinkError

MARK = (0x5375, 0x6E53)  # "SunS"
END = 0xFFFF
MOST_MODELS = 60


def models(link: Link, base: int) -> dict[int, int]:
    """Model number -> address of its first register (its number). Raises `LinkError` for no SunSpec map."""
    if tuple(link.read_registers(base, 2)) != MARK:
        raise LinkError(
            f"{link.name} at {link.address}",
            f"has no SunSpec map at register {base}",
            "check the unit number and the base register on the driver card",
        )
    found: dict[int, int] = {}
    at = base + 2
    for _ in range(MOST_MODELS):
        number, length = link.read_registers(at, 2)
        if number == END:
            return found
        found.setdefault(number, at)
        at += 2 + length
        if at > 0xFFF0:
            break
    raise LinkError(
        f"{link.name} at {link.address}", "has a SunSpec map without an end", "the instrument is at fault"
    )


def common(link: Link, found: dict[int, int], name: str) -> str:
    """Manufacturer, model, serial number and version of common model 1, joined by commas. Raises `LinkError`."""
    if 1 not in found:
        raise LinkError(
            f"{name} at {link.address}", "has no SunSpec common model", "the instrument is at fault"
        )
    registers = link.read_registers(found[1] + 2, 64)
    return ",".join(_text(registers[a:b]) for a, b in ((0, 16), (16, 32), (48, 64), (40, 48)))


def _text(registers: list[int]) -> str:
    raw = b"".join(register.to_bytes(2, "big") for register in registers)
    text = raw.split(b"\0", 1)[0].decode("ascii", "replace").strip()
    return "".join(c if c.isprintable() and c != "," else " " for c in text)
