"""One record as the index keeps it: facts of its header, its equipment, its checks, and what each channel came to.

Reads only what a verified record says, and bounds it: a record is somebody else's file.
"""

import hashlib
import math
import tomllib
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

from benchrunner.cards import named
from benchrunner.errors import Problem, Refused
from benchrunner.judge.verdicts import Verdict
from benchrunner.record.imported import imported
from benchrunner.record.opened import Record
from benchrunner.record.seal import HEADER

MOST_CHECKS = 20_000
MOST_CHANNELS = 4096
MOST_PARTS = 64
LONGEST = 300  # characters of a text in the index
NO_LEVEL = 1e30  # beyond it a number is an instrument's word for overload (SCPI-1999 vol. 1, 7.2.1), no level


@dataclass(frozen=True, slots=True)
class Device:
    """One part of the pairing with its serial number and firmware, as the pairing card in the record says."""

    part: str
    name: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check as judged; `uncertainty` is expanded, all numbers in SI."""

    step: str
    id: str
    measure: str
    of: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    uncertainty: float | None
    margin: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """What a channel came to over the whole run: its valid readings' least, largest, mean (each reading once), in SI."""

    channel: str
    unit: str
    count: int
    minimum: float | None
    maximum: float | None
    mean: float | None


@dataclass(frozen=True, slots=True)
class Entry:
    """A record's row and what hangs on it. `started`: ms since 1970 UTC; `signatures`: how many members are signatures."""

    id: str
    digest: str
    bytes: int
    started: int
    duration: float
    pairing: str
    pairing_file: str
    pairing_sha256: str
    procedure: str
    procedure_file: str
    procedure_sha256: str
    bench: str
    bench_sha256: str
    laboratory: str
    operator: str
    verdict: str
    finished: bool
    ended_by: str
    simulated: bool
    imported: bool
    signatures: int
    equipment: tuple[Device, ...]
    checks: tuple[CheckRow, ...]
    channels: tuple[ChannelRow, ...]


def entry_of(path: Path, digest: str) -> Entry:
    """The entry of the record at `path`, whose file has the SHA-256 `digest`. Raises `Refused`.

    `path` must have been verified before; this only reads.
    """
    record = Record.open(path)
    header = record.header
    raw = bytes(record.part(HEADER) or b"")
    try:
        return Entry(
            id=hashlib.sha256(raw).hexdigest(),
            digest=digest,
            bytes=path.stat().st_size,
            started=milliseconds(str(header["started"])),
            duration=_number(header.get("duration")) or 0.0,
            pairing=_text(header["pairing"]["title"]),
            pairing_file=_stem(header["pairing"]["file"]),
            pairing_sha256=_text(header["pairing"]["sha256"]),
            procedure=_text(header["procedure"]["title"]),
            procedure_file=_stem(header["procedure"]["file"]),
            procedure_sha256=_text(header["procedure"]["sha256"]),
            bench=_text(header["bench"]["title"]),
            bench_sha256=_text(header["bench"]["sha256"]),
            laboratory=_text(header.get("laboratory")),
            operator=_text(header.get("operator")),
            verdict=str(Verdict(record.verdict)),
            finished=header.get("finished") is True,
            ended_by=_text(header.get("ended_by")),
            simulated=record.simulated,
            imported=imported(header) is not None,
            signatures=_signatures(record),
            equipment=tuple(_equipment(bytes(record.part("pairing.toml") or b""))),
            checks=tuple(_checks(record)),
            channels=tuple(_channels(record)),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise Refused(
            Problem(
                str(path),
                f"its header lacks what the index needs: {type(error).__name__}: {error}",
                "the record was not written as its format says; keep it outside the archive",
            )
        ) from error


def milliseconds(text: str) -> int:
    """A time as RFC 3339 writes it, in ms since 1970 UTC. Raises `ValueError`."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return round(moment.timestamp() * 1000)


def moment(started: int) -> str:
    """The other way: `2026-11-25T10:15:00.000Z`."""
    when = datetime.fromtimestamp(started / 1000, UTC)
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _signatures(record: Record) -> int:
    number = 0
    while record.part(f"signatures/{number + 1:04d}.jws") is not None:
        number += 1
    return number


def _equipment(raw: bytes) -> list[Device]:
    try:
        card = tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        return []
    found = {
        part[:LONGEST]: Device(
            part[:LONGEST], *(_text(table.get(key, "")) for key in ("name", "serial", "firmware"))
        )
        for part, table in islice(named.parts(card), MOST_PARTS)
        if isinstance(table.get("name"), str)
    }
    return list(found.values())


def _checks(record: Record) -> list[CheckRow]:
    found = []
    for check in record.checks[:MOST_CHECKS]:
        step, name, measure, of, unit = (_text(check.get(k)) for k in ("step", "id", "measure", "of", "unit"))
        numbers = [_number(check.get(k)) for k in ("value", "low", "high", "uncertainty", "margin")]
        value, low, high, uncertainty, margin = numbers
        verdict = str(Verdict(str(check.get("verdict"))))
        row = CheckRow(step, name, measure, of, unit[:20], value, low, high, uncertainty, margin, verdict)
        found.append(row)
    return found


def _channels(record: Record) -> list[ChannelRow]:
    """Channel by channel, so that a long record needs the memory of one."""
    import numpy as np

    found: dict[str, ChannelRow] = {}
    for channel in record.header.get("channels", [])[:MOST_CHANNELS]:
        name, unit = _text(channel["name"]), _text(channel["unit"])[:20]
        try:
            _, values = record.channel(name)
        except KeyError:
            continue  # known to the plan, read by no instrument
        good = values[np.isfinite(values) & (np.abs(values) < NO_LEVEL)]
        numbers = [float(good.min()), float(good.max()), float(good.mean())] if len(good) else [None] * 3
        found[name] = ChannelRow(name, unit, len(good), *numbers)
    return list(found.values())


def _text(value: Any) -> str:
    text = str(value if value is not None else "")
    return "".join(c for c in text if c.isprintable())[:LONGEST]  # also no NUL, which PostgreSQL refuses


def _stem(value: Any) -> str:
    return Path(_text(value)).stem


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
