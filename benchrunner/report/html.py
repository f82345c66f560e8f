"""The report of a record as one HTML file that needs nothing else: no script, no font, no picture from anywhere.

Everything shown comes from the record; what the record says is text and stays text. Whether it verifies is looked at
when the report is made, and said.
"""

import hashlib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchrunner.errors import Problem, Refused
from benchrunner.record.opened import Record
from benchrunner.record.seal import HEADER
from benchrunner.record.verify import Verification, verify
from benchrunner.report import words
from benchrunner.report.pictures import Pictures
from benchrunner.report.svg import margin_scale, verdict_mark

HERE = Path(__file__).parent


def write_report(record: Record | Path | str, out: Path | str) -> Path:
    """Write the report of a record to `out` (replaced at once if it exists); gives its path. Raises `Refused`."""
    out = Path(out)
    record = record if isinstance(record, Record) else Record.open(record)
    if out.exists() and out.samefile(record.path):
        raise Refused(
            Problem(str(out), "is the record itself", "choose another --out; a record is never written over")
        )
    text = render(record)
    draft = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        draft.write_text(text, encoding="utf-8")
        os.replace(draft, out)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise Refused(
            Problem(str(out), f"cannot be written: {error.strerror}", "choose another --out")
        ) from error
    return out


def render(record: Record) -> str:
    """The report as text. Raises `Refused` for a record whose header or parts are not what the format says."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateError, select_autoescape

    verification = verify(record.path, allow_unsigned=True)
    try:
        context = _context(record, verification)
        environment = Environment(
            loader=FileSystemLoader(HERE), autoescape=select_autoescape(default=True), undefined=StrictUndefined,
            trim_blocks=True, lstrip_blocks=True,
        )  # fmt: skip
        environment.globals.update(words=words, scale=_scale, mark=_mark)
        return environment.get_template("sheet.html.j2").render(context)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, TemplateError) as error:
        what = f"cannot be shown: {type(error).__name__}: {error}"
        raise Refused(
            Problem(str(record.path), what, "the record is damaged; 'benchrunner verify' says where")
        ) from error


def _context(record: Record, verification: Verification) -> dict[str, Any]:
    from markupsafe import Markup

    header = record.header
    pictures = Pictures(record)
    steps = pictures.steps()
    checks = record.checks
    return {
        "css": Markup((HERE / "sheet.css").read_text("utf-8")),
        "header": header,
        "simulated": record.simulated,
        "number": hashlib.sha256(bytes(record.part(HEADER))).hexdigest()[:16],
        "checks": checks,
        "groups": [c for c in checks if c.get("step") not in {p.step.id for p in steps}],
        "unjudged": list(
            dict.fromkeys(str(c.get("reason")) for c in checks if c.get("verdict") == "not judged")
        ),
        "steps": steps,
        "overview": Markup(pictures.overview(steps)),  # our own SVG, its text escaped
        "svg": Markup,
        "rules": sorted({str(c.get("rule")) for c in checks} & set(words.RULES)),
        "equipment": equipment(bytes(record.part("pairing.toml") or b"")),
        "verification": verification,
        "mismatched": [f for f in verification.findings if f.kind != "unsigned"],
        "ending": words.ENDINGS.get(str(header["ended_by"]), str(header["ended_by"])),
        "safe": words.SAFE.get(str(header["safe"]["state"]), str(header["safe"]["state"])),
        "order": record.plan.order,
        "guards": record.plan.guards,
        "tightest": tightest(checks),
    }


def _scale(check: Mapping[str, Any]) -> Any:
    from markupsafe import Markup

    value, uncertainty, low, high = (
        check.get(name) if words.is_number(check.get(name)) else None
        for name in ("value", "uncertainty", "low", "high")
    )
    return Markup(margin_scale(value, uncertainty, low, high, str(check.get("verdict"))))


def _mark(verdict: Any) -> Any:
    from markupsafe import Markup

    return Markup(verdict_mark(str(verdict)))


def equipment(raw: bytes) -> list[dict[str, str]]:
    """What was tested, from the pairing card in the record: part, name, serial number, firmware, source of the figures."""
    try:
        card = tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        return []
    found = []
    for part, table in card.items():
        if isinstance(table, dict) and isinstance(table.get("name"), str):
            texts = {key: str(table.get(key, "")) for key in ("name", "serial", "firmware", "source")}
            ratings = [
                f"{key.replace('_', ' ')} {table[key]}"
                for key in (
                    "rated_power",
                    "rated_voltage",
                    "rated_frequency",
                    "chemistry",
                    "cells",
                    "capacity",
                    "peak_power",
                )
                if isinstance(table.get(key), str | int)
            ]
            found.append({"part": part.replace("_", " "), **texts, "ratings": ", ".join(ratings)})
    return found


def tightest(checks: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The judged check with the smallest margin in units of its uncertainty."""
    there = [
        c for c in checks
        if words.is_number(c.get("margin")) and words.is_number(c.get("uncertainty")) and c["uncertainty"] > 0
    ]  # fmt: skip
    return min(there, key=lambda c: float(c["margin"]) / float(c["uncertainty"]), default=None)
