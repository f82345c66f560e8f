"""Canonical JSON (RFC 8785) out, strict bounded JSON in."""

import json
import math
import re
from typing import Any

import rfc8785

DEEPEST = 60
LARGEST = 16 << 20  # bytes; what can be made of so many takes some 0.5 GB at the worst, and seconds
_OUTSIDE = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}]')


class JsonError(ValueError):
    """Text that is not the strict, canonical JSON of a record."""


def dumps(value: Any) -> bytes:
    """The one way to write `value` (RFC 8785). Raises `JsonError` for what JSON cannot carry."""
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, RecursionError, UnicodeError) as error:
        raise JsonError(f"cannot be written as JSON: {error}") from error


def loads(raw: bytes) -> Any:
    """Strict JSON: UTF-8, no key twice, no NaN or Infinity, not beyond `DEEPEST` levels and `LARGEST` bytes.

    Raises `JsonError`.
    """
    if len(raw) > LARGEST:
        raise JsonError(f"is {len(raw)} bytes; at most {LARGEST} are read")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise JsonError(f"is not UTF-8 at byte {error.start}") from None
    _depth(text)
    try:
        return json.loads(text, object_pairs_hook=_unique, parse_constant=_constant, parse_float=_finite)
    except RecursionError:
        raise JsonError("is nested too deeply") from None
    except ValueError as error:
        raise JsonError(f"is not JSON: {error}") from None


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) != len(pairs):
        raise ValueError("a key stands twice")
    return result


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:20]} is beyond every number that JSON carries here")
    return number


def _constant(name: str) -> Any:
    raise ValueError(f"{name} is no number in JSON")


def _depth(text: str) -> None:
    """Refuse deep nesting before the parser recurses; brackets inside strings are skipped."""
    depth = 0
    if text.count("[") + text.count("{") <= DEEPEST:
        return
    for found in _OUTSIDE.finditer(text):
        mark = found.group()
        if mark in "[{":
            depth += 1
            if depth > DEEPEST:
                raise JsonError(f"is nested more than {DEEPEST} deep")
        elif mark in "]}":
            depth -= 1
