"""Finding one's way in a SunSpec register map: where it begins, the chain of models, whole models read and decoded.

Source: SunSpec Device Information Model Specification: the map begins at register 40000, 50000 or 0 with the four
letters `SunS`; each model starts with its number and its length; model 0xFFFF ends the chain.
"""

from dataclasses import dataclass

from benchrunner.bench.links.base import Link
from benchrunner.cards import sunspec_models
from benchrunner.errors import LinkError

MARK = (0x5375, 0x6E53)  # "SunS"
BASES = (40000, 50000, 0)
END = 0xFFFF
MOST_MODELS = 60
MOST_AT_ONCE = 125  # registers (Modbus Application Protocol V1.1b3, 6.3)


@dataclass(frozen=True, slots=True)
class Found:
    """One model of a device: its number, the address of its first register, the registers behind number and length."""

    model: int
    address: int
    length: int


def base_of(link: Link, first: int = BASES[0]) -> int:
    """The register at which the map begins, `first` being looked at first. Raises `LinkError` for no SunSpec map."""
    places = (first, *(base for base in BASES if base != first))
    for base in places:
        if tuple(link.registers_there(base, 2) or ()) == MARK:
            return base
    raise LinkError(
        f"{link.name} at {link.address}",
        f"has no SunSpec map at register {', '.join(map(str, places))} (a Modbus exception, or other values)",
        "check the unit number and the base register on the driver card",
    )


def chain(link: Link, base: int) -> list[Found]:
    """The models of a device in their order. Raises `LinkError` for a chain without an end."""
    found: list[Found] = []
    at = base + 2
    for _ in range(MOST_MODELS):
        number, length = link.read_registers(at, 2)
        if number == END:
            return found
        found.append(Found(number, at, length))
        at += 2 + length
        if at > 0xFFF0:
            break
    raise LinkError(
        f"{link.name} at {link.address}", "has a SunSpec map without an end", "the instrument is at fault"
    )


def models(link: Link, base: int) -> dict[int, int]:
    """Model number -> address of its first register (its number), of the first one each. Raises `LinkError`."""
    found: dict[int, int] = {}
    for one in chain(link, base_of(link, base)):
        found.setdefault(one.model, one.address)
    return found


def read_model(link: Link, found: Found) -> dict[str, sunspec_models.Value]:
    """Every point of one model, scaled, None where it is not implemented. Raises `LinkError`.

    Longer models come in several reads; the values of different reads may be of different moments.
    """
    registers: list[int] = []
    while len(registers) < found.length + 2:
        count = min(MOST_AT_ONCE, found.length + 2 - len(registers))
        registers += link.read_registers(found.address + len(registers), count)
    return sunspec_models.decode(found.model, registers)


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
