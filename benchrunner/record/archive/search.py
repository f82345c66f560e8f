"""What one can ask of the index: a `Query`, read from words, and the statement that it becomes.

A condition on a channel reads `battery.voltage maximum > 58 V`: a channel, one of minimum, maximum, mean or count, a
comparison, a quantity. Pairing, procedure and firmware are compared without regard to case; `*` stands for anything.
"""

import operator
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, func, or_, select

from benchrunner.errors import Problem, Refused
from benchrunner.judge.verdicts import Verdict
from benchrunner.record.archive import tables
from benchrunner.record.archive.entry import moment
from benchrunner.record.archive.index import folded
from benchrunner.units import UnitError, parse

STATISTICS = ("minimum", "maximum", "mean", "count")
COMPARISONS = {">=": operator.ge, "<=": operator.le, ">": operator.gt, "<": operator.lt}
MOST_SHOWN = 100
COUNTED = 10_000  # how many are counted where every record must be looked at: beyond it "more than"
_CONDITION = re.compile(r"\s*(\S+)\s+([a-z]+)\s*(>=|<=|>|<)\s*(.+?)\s*")
_EXAMPLE = "write it as 'battery.voltage maximum > 58 V'"


@dataclass(frozen=True, slots=True)
class Condition:
    """On one channel's statistic; `value` in the SI unit `unit` (for `count` a number of readings)."""

    channel: str
    statistic: str
    comparison: str
    value: float
    unit: str

    @classmethod
    def read(cls, text: str) -> "Condition":
        """From words. Raises `Refused`."""
        where = f"--channel {text[:80]!r}"
        match = _CONDITION.fullmatch(text[:200])
        if match is None:
            raise Refused(Problem(where, "is no condition on a channel", _EXAMPLE))
        channel, statistic, comparison, amount = match.groups()
        if statistic not in STATISTICS:
            what = f"{statistic!r} is nothing that is kept of a channel"
            raise Refused(Problem(where, what, f"use one of {', '.join(STATISTICS)}"))
        if statistic == "count":
            if not re.fullmatch(r"[0-9]{1,12}", amount):
                raise Refused(
                    Problem(
                        where, f"{amount!r} is no number of readings", "give a whole number, without a unit"
                    )
                )
            return cls(channel, statistic, comparison, float(amount), "")
        try:
            quantity = parse(amount)
        except UnitError as error:
            bare = re.fullmatch(r"[-+0-9.eE]+", amount)
            if bare is None:
                raise Refused(Problem(where, str(error), _EXAMPLE)) from error
            try:
                quantity = parse(amount, "1")
            except UnitError as second:
                raise Refused(Problem(where, str(second), _EXAMPLE)) from second
        return cls(channel, statistic, comparison, quantity.value, quantity.unit)


@dataclass(frozen=True, slots=True)
class Query:
    """All that is given must hold. Times are ms since 1970 UTC, `since` inclusive, `until` exclusive."""

    pairing: str = ""
    procedure: str = ""
    firmware: str = ""
    verdict: str = ""
    since: int | None = None
    until: int | None = None
    channels: tuple[Condition, ...] = ()
    check: str = ""  # a check's id; with `check_verdict` judged so
    check_verdict: str = ""
    simulated: bool | None = None
    most: int = MOST_SHOWN


@dataclass(frozen=True, slots=True)
class Found:
    """One record found. `path`: where it lies."""

    id: str
    digest: str
    path: Path
    started: str
    duration: float
    pairing: str
    procedure: str
    bench: str
    operator: str
    verdict: str
    finished: bool
    simulated: bool
    imported: bool
    signatures: int


@dataclass(frozen=True, slots=True)
class Hits:
    """The newest `len(found)` of `total` records that fit; with `more` of more than `total`, which were not counted."""

    total: int
    found: list[Found] = field(default_factory=list)
    more: bool = False


def when(text: str, option: str, end: bool = False) -> int:
    """A day (`2026-11-25`, UTC; with `end` all of it) or a time (`2026-11-25T10:15:00Z`) in ms since 1970. Raises `Refused`."""
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            moment_ = datetime.combine(date.fromisoformat(text), time(), UTC) + timedelta(
                days=1 if end else 0
            )
        else:
            moment_ = datetime.fromisoformat(text)
            if moment_.tzinfo is None:
                moment_ = moment_.replace(tzinfo=UTC)
            moment_ += timedelta(milliseconds=1 if end else 0)
        return round(moment_.timestamp() * 1000)
    except (ValueError, OverflowError) as error:
        raise Refused(
            Problem(f"{option} {text[:40]}", "is no day or time", "write 2026-11-25 or 2026-11-25T10:15:00Z")
        ) from error


def verdict(text: str, option: str) -> str:
    """A verdict's word. Raises `Refused`."""
    try:
        return str(Verdict(text.strip().casefold()))
    except ValueError as error:
        raise Refused(
            Problem(f"{option} {text[:40]}", "is no verdict", f"use one of {', '.join(Verdict)}")
        ) from error


def search(connection: Connection, root: Path, query: Query) -> Hits:
    """The newest records that fit, and how many there are. Raises `Refused` for channels and units that no record has."""
    _known(connection, query)
    records = tables.records.c
    names = [records[name] for name in Found.__dataclass_fields__]
    where = _where(query)
    most = max(query.most, 0)
    if not (query.channels or query.check or query.firmware):  # each answered from an index
        total = int(
            connection.execute(select(func.count()).select_from(tables.records).where(*where)).scalar() or 0
        )
        page = (
            select(*names).where(*where).order_by(records.started.desc(), records.number.desc()).limit(most)
        )
        return Hits(total, [_found(row, root) for row in connection.execute(page)] if total else [])
    limit = max(COUNTED, most) + 1
    hits = _walk(connection, query, where).limit(limit).cte("hits")  # used twice, worked out once
    counted = select(func.count()).select_from(hits).scalar_subquery()
    newest = (
        select(hits.c.number).order_by(hits.c.started.desc(), hits.c.number.desc()).limit(most).subquery()
    )
    rows: Select[Any] = (
        select(counted.label("total"), *names)
        .join_from(newest, tables.records, newest.c.number == records.number)
        .order_by(records.started.desc(), records.number.desc())
    )
    found = connection.execute(rows).all()
    total = int(found[0].total) if found else 0
    more = total == limit
    return Hits(total - more, [_found(row, root) for row in found], more)


def _walk(connection: Connection, query: Query, where: Sequence[ColumnElement[bool]]) -> Select[Any]:
    """What fits, newest first, so that it can be broken off: along the records, or along the channel that fewest fit.

    Where one condition alone leaves few records, the others are asked of these only.
    """
    records, channel = tables.records.c, tables.channels.c
    alone = [_holds(condition) for condition in query.channels]
    sizes = [_size(connection, select(channel.record).where(*holds)) for holds in alone]
    narrow = _size(connection, select(records.number).where(*where)) if where and sizes else COUNTED
    if not sizes or (where and narrow <= min(sizes)):
        first = select(records.number, records.started).where(*where)
        first = first.where(*(_also(c, records.number, records.started) for c in query.channels))
        return first.order_by(records.started.desc(), records.number.desc())
    best = sizes.index(min(sizes))
    rest = [c for k, c in enumerate(query.channels) if k != best]
    walk = select(channel.record.label("number"), channel.started).where(*alone[best])
    walk = walk.where(*(_also(c, channel.record, channel.started) for c in rest))
    if where:
        walk = walk.where(
            select(records.number)
            .where(records.number == channel.record, *where)
            .correlate(tables.channels)
            .exists()
        )
    return walk.order_by(channel.started.desc(), channel.record.desc())


def _size(connection: Connection, rows: Select[Any]) -> int:
    """How many rows, as far as it is worth knowing."""
    few = rows.limit(COUNTED).subquery()
    return int(connection.execute(select(func.count()).select_from(few)).scalar() or 0)


def _holds(condition: Condition, channel: Any = None) -> list[ColumnElement[bool]]:
    channel = tables.channels.c if channel is None else channel
    compared = COMPARISONS[condition.comparison](channel[condition.statistic], condition.value)
    return [channel.channel == condition.channel, compared] + (
        [channel.unit == condition.unit] if condition.unit else []
    )


def _also(
    condition: Condition, number: ColumnElement[int], started: ColumnElement[int]
) -> ColumnElement[bool]:
    """That a record found elsewhere has this on another channel: one look into the channels' own order."""
    other = tables.channels.alias()
    return (
        select(other.c.record)
        .where(other.c.started == started, other.c.record == number, *_holds(condition, other.c))
        .correlate(tables.records, tables.channels)
        .exists()
    )


def by_ids(connection: Connection, root: Path, ids: Sequence[str]) -> list[Found]:
    """The records of these ids."""
    records = tables.records.c
    names = [records[name] for name in Found.__dataclass_fields__]
    return [_found(row, root) for row in connection.execute(select(*names).where(records.id.in_(ids)))]


def _found(row: Row[Any], root: Path) -> Found:
    facts = {name: row._mapping[name] for name in Found.__dataclass_fields__}
    return Found(**{**facts, "path": root / facts["path"], "started": moment(facts["started"])})


def _where(query: Query) -> list[ColumnElement[bool]]:
    records = tables.records.c
    found: list[ColumnElement[bool]] = []
    for kind in ("pairing", "procedure"):
        text = folded(getattr(query, kind))
        if text:
            found.append(or_(_like(records[f"{kind}_key"], text), _like(records[f"{kind}_file"], text)))
    if query.verdict:
        found.append(records.verdict == query.verdict)
    if query.simulated is not None:
        found.append(records.simulated == query.simulated)
    if query.since is not None:
        found.append(records.started >= query.since)
    if query.until is not None:
        found.append(records.started < query.until)
    if query.firmware:
        device = tables.equipment.c
        part, _, version = query.firmware.rpartition("=")
        holds = [_like(device.firmware_key, folded(version))]
        if part:
            holds.append(device.part == folded(part).replace(" ", "_"))
        found.append(records.number.in_(select(device.record).where(*holds)))
    if query.check:
        check = tables.checks.c
        holds = [check.id == query.check] + (
            [check.verdict == query.check_verdict] if query.check_verdict else []
        )
        found.append(records.number.in_(select(check.record).where(*holds)))
    return found


def _like(column: ColumnElement[str], text: str) -> ColumnElement[bool]:
    if "*" not in text:
        return column == text
    pattern = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_").replace("*", "%")
    return column.like(pattern, escape="\\")


def _known(connection: Connection, query: Query) -> None:
    """Whether the archive has the channels at all, in these units: a slip of the pen would else find nothing, silently."""
    channel = tables.channels.c
    problems = []
    for condition in query.channels:
        where = f"--channel {condition.channel}"
        unit = connection.execute(
            select(channel.unit).where(channel.channel == condition.channel).limit(1)
        ).scalar()
        if unit is None:
            near = get_close_matches(condition.channel, _names(connection), 3)
            mend = (
                f"did you mean {' or '.join(near)}?"
                if near
                else "'benchrunner archive rebuild', or check the name"
            )
            problems.append(Problem(where, "no record in this archive has this channel", mend))
        elif condition.unit and condition.unit != unit:
            fits = connection.execute(
                select(channel.unit)
                .where(channel.channel == condition.channel, channel.unit == condition.unit)
                .limit(1)
            ).scalar()
            if fits is None:
                problems.append(
                    Problem(
                        where,
                        f"is kept in {unit}, not in {condition.unit}",
                        "give the quantity in its own unit",
                    )
                )
    if problems:
        raise Refused(problems)


def _names(connection: Connection) -> list[str]:
    """Every channel's name once, from one to the next along the index (reading all rows would take seconds)."""
    channel = tables.channels.c.channel
    names: list[str] = []
    name = connection.execute(select(func.min(channel))).scalar()
    while name is not None and len(names) < 1000:
        names.append(name)
        name = connection.execute(select(func.min(channel)).where(channel > name)).scalar()
    return names
