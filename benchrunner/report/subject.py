"""What was tested and how it was set, read from the cards in the record: parts, settings, parameters, sources of limits."""

import tomllib
from collections.abc import Mapping
from typing import Any

from benchrunner.cards import named
from benchrunner.procedure.running import GroupCheck, PlannedCheck, RunningOrder
from benchrunner.report import spoken, words
from benchrunner.report.plain import cell, plain

Row = dict[str, Any]
RATINGS = ("rated_power", "rated_voltage", "rated_frequency", "chemistry", "cells", "capacity", "peak_power")
NAMED = frozenset({"name", "serial", "firmware", "source"})


def card(raw: bytes) -> dict[str, Any]:
    """A card's tables; nothing for one that cannot be read."""
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        return {}


def equipment(raw: bytes) -> list[Row]:
    """What was tested, from the pairing card in the record: part, name, serial number, firmware, source of the figures."""
    found = []
    for part, table in named.parts(card(raw)):
        if isinstance(table.get("name"), str):
            texts = {key: cell(table.get(key, "")) for key in ("name", "serial", "firmware", "source")}
            ratings = [
                f"{spoken.words(k)} {table[k]}" for k in RATINGS if isinstance(table.get(k), str | int)
            ]
            found.append({"part": _part(part), **texts, "ratings": cell(", ".join(ratings))})
    return found


def settings(raw: bytes) -> list[Row]:
    """Every nameplate figure and setting of the pairing card, part by part, as it stood for the run."""
    found = []
    for part, table in named.parts(card(raw)):
        rows = [
            {"what": cell(spoken.words(k)), "says": cell(_value(v)), "code": ""}
            for k, v in table.items()
            if k not in NAMED and isinstance(v, str | int | float | bool | list)
        ]
        if rows:
            found.append({"part": _part(part), "rows": rows})
    return found


def declared(raw: bytes) -> dict[str, Mapping[str, Any]]:
    """The parameters as the procedure in the record declares them."""
    found = card(raw).get("parameters")
    return (
        {str(k): v for k, v in found.items() if isinstance(v, Mapping)} if isinstance(found, Mapping) else {}
    )


def said(name: str, declarations: Mapping[str, Mapping[str, Any]]) -> str:
    """A parameter in the procedure's own words, short: up to the first semicolon."""
    text = str(declarations.get(name, {}).get("says") or "").partition(";")[0].strip()
    return text or spoken.words(name)


def parameters(header: Mapping[str, Any], raw: bytes) -> list[Row]:
    """Each parameter as it stood: its words, its name, its value with unit, and whether it was set for this run."""
    declarations, found = declared(raw), []
    for name, parameter in header["parameters"].items():
        value, unit = parameter["value"], parameter["unit"]
        share = (
            unit == "1"
            and "%" in f"{declarations.get(name, {}).get('value')}{declarations.get(name, {}).get('range')}"
        )
        if value is None:
            text = "no value"
        else:
            text = words.bound(100.0 * value, "1") + " %" if share else words.bound(value, unit)
        found.append({
            "what": cell(str(declarations.get(name, {}).get("says") or spoken.words(name))), "name": cell(name),
            "value": cell(text), "origin": "set for this run" if name in header["overrides"] else "as the procedure says",
        })  # fmt: skip
    return found


def starts(order: RunningOrder) -> list[str]:
    """The state that the procedure begins from, one line a channel."""
    return [
        plain(f"{spoken.channel(s.channel)} {words.limit(s.low, s.high, s.unit, s.channel)} ({s.channel})")
        for s in order.start
    ]


def sources(order: RunningOrder, procedure: bytes) -> list[Row]:
    """Where each limit comes from, once for the repeats of a step: as the procedure writes it, and its basis."""
    values, declarations = card(procedure).get("values"), declared(procedure)
    said_as = {name: f"the parameter {name}" for name in declarations}
    if isinstance(values, Mapping):
        said_as = {**{str(k): f"({v})" for k, v in values.items() if isinstance(v, str)}, **said_as}
    found: dict[tuple[str, str], Row] = {}
    judged: list[PlannedCheck | GroupCheck] = [check for step in order.steps for check in step.checks]
    for check in (*judged, *order.group_checks):
        if check.limit_text and getattr(check, "measure", "") != "reached":
            percent = check.unit == "1" and str(getattr(check, "of", "")).endswith(".soc")
            row = {
                "title": cell(check.title or check.id), "limit": cell(spoken.limit_words(check.limit_text, said_as, percent)),
                "basis": cell(check.basis),
            }  # fmt: skip
            found.setdefault((check.id, check.title), row)
    return list(found.values())


def _part(name: str) -> str:
    return (
        "Twin: figures of the simulation only"
        if name == "twin"
        else plain(spoken.capital(spoken.words(name)))
    )


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " to ".join(map(str, value)) if len(value) == 2 else ", ".join(map(str, value))
    return str(value)
