"""The minus sign: what the window shows carries the true one, what is copied out of it the one that other programs read."""

import re

MINUS = "\u2212"
# A hyphen before a digit is a sign only where a number may begin: not in dates, addresses, names of files and instruments.
_SIGN = re.compile(r"(?<![^\s(\[=<>≤≥±…“])-(?=\.?\d)")
_SHOWN = re.compile(rf"{MINUS}(?=\.?\d)")
_UNIT = re.compile(r"(?<![\w^/.])(\d[\d.,]*) (?=[A-Za-z%°µΩ][\w/^²%]{0,4}(?![\w/^²%]))")
_BOUND = "\u00a0"  # a space at which no line ends


def with_minus(text: str) -> str:
    """Text to be shown: negative numbers carry the minus sign (U+2212), as the window's own figures and the report do."""
    return _SIGN.sub(MINUS, text)


def for_programs(text: str) -> str:
    """Text to be copied: negative numbers carry the hyphen-minus, which spreadsheets and programs read as a sign."""
    return _SHOWN.sub("-", text)


def units_kept(text: str) -> str:
    """Text to be wrapped: no line ends between a number and its unit."""
    return _UNIT.sub(rf"\1{_BOUND}", text).replace("± ", f"±{_BOUND}")
