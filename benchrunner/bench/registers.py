"""Settings over Modbus: written to the registers that the driver card names, read back from there, scaled as it says."""

import struct
from collections.abc import Mapping

from benchrunner.bench.decode import FORMATS
from benchrunner.bench.links.base import Link
from benchrunner.cards.driver import WIDTH, RegisterPart, SettingPart
from benchrunner.errors import LinkError


def write(
    link: Link, models: Mapping[int, int], part: SettingPart, number: float, low_first: bool = False
) -> None:
    """Write a setting. `number`: in the card's unit, or one of the switch's two. Raises `LinkError`."""
    register = _register(part)
    start = _start(link, models, register)
    raw = number / _scale(link, start, register)
    try:
        packed = struct.pack(FORMATS[register.type], raw if register.type == "float32" else round(raw))
    except (struct.error, OverflowError, ValueError) as error:
        raise link.error(f"writing {number:g}", f"does not fit a register of type {register.type}") from error
    words = list(struct.unpack(f">{WIDTH[register.type]}H", packed))
    link.write_registers(start + register.at, words[::-1] if low_first else words)


def read(link: Link, models: Mapping[int, int], part: SettingPart, low_first: bool = False) -> float:
    """What stands there now, in the card's unit. Raises `LinkError`."""
    register = _register(part)
    start = _start(link, models, register)
    words = link.read_registers(start + register.at, WIDTH[register.type])
    packed = struct.pack(f">{len(words)}H", *(words[::-1] if low_first else words))
    number: float = struct.unpack(FORMATS[register.type], packed)[0]
    return number * _scale(link, start, register)


def _register(part: SettingPart) -> RegisterPart:
    assert part.point is not None, "the card's check asks for it"
    return part.point


def _start(link: Link, models: Mapping[int, int], register: RegisterPart) -> int:
    if register.model is None:
        return register.address or 0
    if register.model not in models:
        link.open()
    if register.model not in models:
        there = ", ".join(map(str, models)) or "none"
        raise LinkError(
            f"{link.name} at {link.address}",
            f"SunSpec model {register.model}: is not there",
            f"it has models {there}; choose another driver card",
        )
    return models[register.model]


def _scale(link: Link, start: int, register: RegisterPart) -> float:
    if register.scale_at is None:
        return 1.0
    (raw,) = link.read_registers(start + register.scale_at, 1)
    exponent = raw - 0x10000 if raw >= 0x8000 else raw
    if not -10 <= exponent <= 10:
        raise link.error("the scale factor", f"is {raw:#06x}, which is none (not implemented, or nonsense)")
    return 10.0**exponent
