"""Who an instrument says that it is, compared with what the cards expect."""

from dataclasses import dataclass
from fnmatch import fnmatchcase

LONGEST_IDENTITY = 300


@dataclass(frozen=True, slots=True)
class Identity:
    """An instrument's own words on itself: manufacturer, model, serial number, version (IEEE 488.2, 10.14)."""

    instrument: str
    text: str
    maker: str
    model: str
    serial: str
    version: str


def read_identity(instrument: str, text: str) -> Identity:
    """The fields of an identity reply; missing ones are empty. Raises ValueError for what is no identity."""
    if not text or len(text) > LONGEST_IDENTITY or not text.isprintable():
        raise ValueError(f"the reply is no identity: {text[:60]!r}")
    fields = [part.strip().strip('"') for part in text.split(",")]
    fields += [""] * (4 - len(fields))
    return Identity(instrument, text, fields[0], fields[1], fields[2], ",".join(fields[3:]))


def matches(text: str, pattern: str) -> bool:
    """Whether an identity fits a pattern, field by field between commas, `*` for any text, either case."""
    if pattern in ("", "*"):
        return True
    fields = [part.strip().strip('"').lower() for part in text.split(",")]
    patterns = [part.strip().lower() for part in pattern.split(",")]
    if len(fields) != len(patterns):
        return False
    # square brackets are plain text here, not a set of characters
    escaped = (p.replace("[", "[[]") for p in patterns)
    return all(fnmatchcase(field, wanted) for field, wanted in zip(fields, escaped, strict=True))
