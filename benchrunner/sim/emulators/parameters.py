"""Parameters of SCPI commands: numbers with suffixes, switches, choices, channel lists; error numbers.

Sources: IEEE 488.2-1992, 7.7 (program data); SCPI-1999 vol. 1, chapters 7 and 8; vol. 2, 21.8 (errors).
"""

import re
from dataclasses import dataclass
from typing import Any

ERROR_TEXTS: dict[int, str] = {  # SCPI-1999 vol. 2, 21.8.8 to 21.8.12
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -171: "Invalid expression",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?\s*([A-Za-z%][A-Za-z0-9/^.%-]*)?")
_RADIX = re.compile(r"#([HQB])([0-9A-F]+)", re.IGNORECASE)
_CHANNELS = re.compile(r"\(@\s*(\d{1,5}(?:\s*[,:]\s*\d{1,5})*)\s*\)")
# IEEE 488.2, 7.7.3.4: MHZ and MOHM are mega although M alone is milli
_MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
}
LARGEST_EXPONENT = 32000  # IEEE 488.2, 7.7.2.4.1
MOST_DIGITS = 255


class ScpiError(Exception):
    """An error for the queue; never leaves the interpreter."""

    def __init__(self, code: int, detail: str = "") -> None:
        self.code, self.detail = code, detail
        super().__init__(code, detail)


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at `separator`, except inside quotes and round brackets."""
    if '"' not in text and "'" not in text and "(" not in text:
        return text.split(separator)
    parts: list[str] = []
    quote, depth, start = "", 0, 0
    for place, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == "(":
            depth += 1
        elif letter == ")":
            depth = max(0, depth - 1)
        elif letter == separator and not depth:
            parts.append(text[start:place])
            start = place + 1
    parts.append(text[start:])
    return parts


@dataclass(frozen=True)
class Parameter:
    """What one parameter may be; `otherwise` stands in when a parameter that is not `needed` is left out."""

    needed: bool = True
    otherwise: Any = None

    def parse(self, text: str) -> Any:
        raise NotImplementedError


@dataclass(frozen=True)
class Number(Parameter):
    """A number, perhaps with a suffix in `unit` (`2.4KW`); `also`: further units as (name, scale, offset)."""

    low: float = -9.9e37
    high: float = 9.9e37
    unit: str = ""
    also: tuple[tuple[str, float, float], ...] = ()
    default: float | None = None

    def parse(self, text: str) -> float:
        value = self._value(text)
        if not self.low <= value <= self.high:
            raise ScpiError(-222)
        return value

    def _value(self, text: str) -> float:
        if not text:
            raise ScpiError(-109)
        if text[0] in "\"'(":
            raise ScpiError(-104)
        if radix := _RADIX.fullmatch(text):
            try:
                return float(int(radix[2][:16], {"H": 16, "Q": 8, "B": 2}[radix[1].upper()]))
            except ValueError:
                raise ScpiError(-121) from None
        if text[0].isalpha():
            return self._word(text.upper())
        match = _NUMBER.fullmatch(text)
        if match is None:
            raise ScpiError(-121 if text[0].isdigit() or text[0] in "+-." else -102)
        digits, exponent, suffix = match.groups()
        if len(digits) > MOST_DIGITS:
            raise ScpiError(-124)
        if exponent and (len(exponent) > 6 or abs(int(exponent)) > LARGEST_EXPONENT):
            raise ScpiError(-123)
        scale, offset = self._suffix(suffix.upper()) if suffix else (1.0, 0.0)
        return float(f"{digits}e{exponent or 0}") * scale + offset

    def _word(self, word: str) -> float:
        if word in ("MIN", "MINIMUM"):
            return self.low
        if word in ("MAX", "MAXIMUM"):
            return self.high
        if word in ("DEF", "DEFAULT") and self.default is not None:
            return self.default
        raise ScpiError(-222 if word in ("INF", "INFINITY", "NINF", "NAN") else -104)

    def _suffix(self, suffix: str) -> tuple[float, float]:
        if not self.unit:
            raise ScpiError(-138)
        for unit, scale, offset in ((self.unit, 1.0, 0.0), *self.also):
            if suffix == unit:
                return scale, offset
            if suffix.endswith(unit):
                prefix = suffix[: -len(unit)]
                if prefix == "M" and unit in ("HZ", "OHM"):
                    return 1e6 * scale, offset
                if prefix in _MULTIPLIERS:
                    return _MULTIPLIERS[prefix] * scale, offset
        raise ScpiError(-131)


@dataclass(frozen=True)
class Switch(Parameter):
    """`ON`, `OFF` or a number that rounds to zero or not (SCPI-1999 vol. 1, 7.3)."""

    def parse(self, text: str) -> bool:
        word = text.upper()
        if word in ("ON", "OFF"):
            return word == "ON"
        if word[:1].isalpha():
            raise ScpiError(-224)
        return round(min(1.0, abs(Number().parse(text)))) != 0 if text else _missing()


@dataclass(frozen=True)
class Choice(Parameter):
    """One of a few words, long or short form (capitals), perhaps followed by a number (`INPut2`)."""

    words: tuple[str, ...] = ()
    last_number: int = 0

    def parse(self, text: str) -> str:
        upper = text.upper()
        if upper[:1] in ('"', "'", "("):
            raise ScpiError(-104)
        bare = upper.rstrip("0123456789") if self.last_number else upper
        number = upper[len(bare) :]
        for word in self.words:
            short = "".join(letter for letter in word if not letter.islower())
            if bare in (word.upper(), short):
                if number and not (len(number) < 4 and 1 <= int(number) <= self.last_number):
                    raise ScpiError(-224)
                return short + number
        raise ScpiError(-224 if upper[:1].isalpha() else -104)


@dataclass(frozen=True)
class Channels(Parameter):
    """A channel list `(@1)`, `(@1,3)` or `(@1:3)` (SCPI-1999 vol. 1, 8.3.2) as numbers up to `count`."""

    count: int = 1

    def parse(self, text: str) -> tuple[int, ...]:
        match = _CHANNELS.fullmatch(text)
        if match is None:
            raise ScpiError(-171 if text.startswith("(") else -104)
        found: list[int] = []
        for part in match[1].split(","):
            first, _, last = part.partition(":")
            if ":" in last:
                raise ScpiError(-171)
            low, high = int(first), int(last or first)
            if not 1 <= min(low, high) <= max(low, high) <= self.count:
                raise ScpiError(-222)
            found += range(low, high + 1) if low <= high else range(low, high - 1, -1)
        return tuple(found[: 4 * self.count])


def _missing() -> bool:
    raise ScpiError(-109)


def block(data: bytes) -> bytes:
    """A definite-length block (IEEE 488.2, 8.7.9): `#`, digits of the length, the length, the data."""
    length = str(len(data))
    if len(length) > 9:
        raise ValueError("a block of a gigabyte or more has no definite-length header")
    return f"#{len(length)}{length}".encode() + data
