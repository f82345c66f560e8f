"""Text from a record made harmless and legible: what does not print or turns the writing direction is shown by its number."""

import re
import unicodedata

LONGEST = 4000
CELL = 500  # in a cell of a table, which must fit a page
WORD = 42  # characters; what a narrow column takes
UNBROKEN = 22  # characters of a word that fit any column
BREAK = "\u200b"
HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: object, longest: int = LONGEST) -> str:
    """One line of printable text. Controls, bidirectional marks and unassigned characters appear as `[U+202E]`."""
    given = str(text)
    cut = given[:longest]
    shown = "".join(_shown(c) for c in cut)
    shown = " ".join(shown.split())
    if len(given) > longest:
        shown += (
            f" [cut: {len(given) - longest} more characters in the record]" if longest > WORD else "\u2026"
        )
    return shown


def cell(text: object) -> str:
    """The same, short enough for a cell of a table."""
    return plain(text, CELL)


def word(text: object) -> str:
    """The same, short enough for a narrow column: a verdict, a figure with its unit, a serial number."""
    return plain(text, WORD)


def breakable(text: str) -> str:
    """The same with invisible places to break in words that no column could hold: behind `.`, `_`, `/` where there are any."""
    return " ".join(_in_pieces(part) if len(part) > UNBROKEN else part for part in text.split(" "))


def _in_pieces(long: str) -> str:
    pieces: list[str] = []
    for piece in re.split(r"(?<=[._/])", long):
        pieces += [piece[k : k + 10] for k in range(0, len(piece), 10)] if len(piece) > UNBROKEN else [piece]
    return BREAK.join(piece for piece in pieces if piece)


def _shown(character: str) -> str:
    if character in "\t\n\r":
        return " "
    if unicodedata.category(character) in HIDDEN:
        return f"[U+{ord(character):04X}]"
    return character
