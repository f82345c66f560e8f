"""The states of a pairing as its sheet names them: the settings that matter, and those that tell the states apart (pure)."""

import tomllib
from collections.abc import Collection, Sequence
from typing import Any

SETTINGS = (
    ("battery_inverter", ("rated_power", "charge_current", "absorption_voltage", "shift_start", "shift_stop", "shift_maximum")),
    ("pv_inverter", ("rated_power", "profile", "island_start", "island_zero", "island_trip", "enter_service_delay")),
    ("battery", ("charge_voltage_limit", "charge_current_limit", "protection_voltage")),
)  # fmt: skip
MOST_APART = 6


def settings_of(raw: bytes, apart: Collection[tuple[str, str]] = ()) -> list[str]:
    """The settings of a card that matter in general, and those `apart`, part by part."""
    card = _card(raw)
    said = []
    for part, keys in SETTINGS:
        table = card.get(part)
        if isinstance(table, dict):
            more = [key for of, key in apart if of == part and key not in keys]
            there = [
                f"{k.replace('_', ' ')} {table[k] if _plain(table.get(k)) else 'not stated'}"
                for k in (*keys, *more)
                if _plain(table.get(k)) or k in more
            ]
            if there:
                said.append(f"{part.replace('_', ' ').replace('pv', 'PV')}: {', '.join(there)}")
    return said


def differing(cards: Sequence[bytes]) -> list[tuple[str, str]]:
    """Part and key of the settings in which the cards differ, at most six; names, serial numbers and firmware stand elsewhere."""
    read = [_card(raw) for raw in cards]
    found = []
    for part, _ in SETTINGS:
        tables = [t if isinstance(t := card.get(part), dict) else {} for card in read]
        for key in dict.fromkeys(key for table in tables for key in table):
            values = [table.get(key) for table in tables]
            known = all(value is None or _plain(value) for value in values)
            if (
                known
                and key not in ("name", "serial", "firmware", "source")
                and any(v != values[0] for v in values)
            ):
                found.append((part, key))
    return found[:MOST_APART]


def _plain(value: Any) -> bool:
    return isinstance(value, str | int | float)


def _card(raw: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        return {}
