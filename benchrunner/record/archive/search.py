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

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, func, or_, select

from benchrunner.cards.named import alike
from benchrunner.errors import Problem, Refused
from benchrunner.judge.verdicts import Verdict
from benchrunner.record.archive import tables
from benchrunner.record.archive.entry import Device, moment
from benchrunner.record.archive.index import folded
from benchrunner.units import UnitError, parse

STATISTICS = ("minimum", "maximum", "mean", "count")
COMPARISONS = {">=": operator.ge, "<=": operator.le, ">": operator.gt, "<": operator.lt}
MOST_SHOWN = 100
FEW = 5_000
COUNTED = 10_000  # how many are counted where every record must be looked at: beyond it "more than"
ASKED_AT_ONCE = 500  # ids in one statement
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
    bytewise = connection.dialect.name == "sqlite"
    where = _where(query, bytewise)
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
    plain = _size(connection, select(records.number).where(*where)) if where else COUNTED
    where += _parts(query, bytewise, plain < FEW)
    walk = _walk(connection, query, where) if plain else None
    if walk is None:
        return Hits(0)
    hits = walk.limit(limit).cte("hits")  # used twice, worked out once
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


def _walk(connection: Connection, query: Query, where: Sequence[ColumnElement[bool]]) -> Select[Any] | None:
    """What fits, newest first, so that it can be broken off: along the records, or along the channel that fewest fit.

    Where one condition alone leaves few records, the others are asked of these only; nothing where one leaves none.
    """
    records, channel = tables.records.c, tables.channels.c
    asked = _by_channel(query.channels)
    sizes = [_size(connection, select(channel.record).where(*_holds(one))) for one in asked]
    narrow = _size(connection, select(records.number).where(*where)) if where and sizes else COUNTED
    if 0 in (narrow, *sizes):
        return None
    if not sizes or (where and narrow < min(sizes)):
        first = select(records.number, records.started).where(*where)
        first = first.where(*(_also(one, records.number, records.started) for one in asked))
        return first.order_by(records.started.desc(), records.number.desc())
    best = asked.pop(sizes.index(min(sizes)))
    walk = select(channel.record.label("number"), channel.started).where(*_holds(best))
    walk = walk.where(*(_also(one, channel.record, channel.started) for one in asked))
    if where:
        walk = walk.where(
            select(records.number)
            .where(records.number == channel.record, *where)
            .correlate(tables.channels)
            .exists()
        )
    return walk.order_by(channel.started.desc(), channel.record.desc())


def _by_channel(conditions: Sequence[Condition]) -> list[list[Condition]]:
    """Conditions on one channel together: a record has one row of it, so they are one question."""
    found: dict[str, list[Condition]] = {}
    for condition in conditions:
        found.setdefault(condition.channel, []).append(condition)
    return list(found.values())


def _size(connection: Connection, rows: Select[Any]) -> int:
    """How many rows, as far as it is worth knowing."""
    few = rows.limit(COUNTED).subquery()
    return int(connection.execute(select(func.count()).select_from(few)).scalar() or 0)


def _holds(conditions: Sequence[Condition], channel: Any = None) -> list[ColumnElement[bool]]:
    """What must be true of a channel's row; the conditions are all on that channel."""
    channel = tables.channels.c if channel is None else channel
    found: list[ColumnElement[bool]] = [channel.channel == conditions[0].channel]
    for condition in conditions:
        found.append(COMPARISONS[condition.comparison](channel[condition.statistic], condition.value))
        if condition.unit:
            found.append(channel.unit == condition.unit)
    return found


def _also(
    conditions: Sequence[Condition], number: ColumnElement[int], started: ColumnElement[int]
) -> ColumnElement[bool]:
    """That a record found elsewhere has this on another channel: one look into the channels' own order."""
    other = tables.channels.alias()
    return (
        select(other.c.record)
        .where(other.c.started == started, other.c.record == number, *_holds(conditions, other.c))
        .correlate(tables.records, tables.channels)
        .exists()
    )


def by_ids(connection: Connection, root: Path, ids: Sequence[str]) -> list[Found]:
    """The records of these ids."""
    records = tables.records.c
    names = [records[name] for name in Found.__dataclass_fields__]
    return [_found(row, root) for row in connection.execute(select(*names).where(records.id.in_(ids)))]


def equipment(connection: Connection, ids: Sequence[str]) -> dict[str, tuple[Device, ...]]:
    """What was tested in the records of these ids, in the order of the parts' names; a record without any is left out."""
    device, records = tables.equipment.c, tables.records.c
    found: dict[str, list[Device]] = {}
    for first in range(0, len(ids), ASKED_AT_ONCE):
        rows = connection.execute(
            select(records.id, device.part, device.name, device.serial, device.firmware)
            .join_from(tables.records, tables.equipment)
            .where(records.id.in_(ids[first : first + ASKED_AT_ONCE]))
        )
        for identity, *texts in rows:
            found.setdefault(identity, []).append(Device(*texts))
    return {identity: tuple(sorted(of, key=lambda d: d.part)) for identity, of in found.items()}


def _found(row: Row[Any], root: Path) -> Found:
    facts = {name: row._mapping[name] for name in Found.__dataclass_fields__}
    return Found(**{**facts, "path": root / facts["path"], "started": moment(facts["started"])})


def _where(query: Query, bytewise: bool) -> list[ColumnElement[bool]]:
    """The conditions on a record's own facts. `bytewise`: the database orders texts by their code points."""
    records = tables.records.c
    found: list[ColumnElement[bool]] = []
    # a name leaves the fewest: behind a calculation no other index is taken in its place
    named = any(text and "*" not in text for text in (query.pairing, query.procedure))
    started = records.started + 0 if named else records.started
    for kind in ("pairing", "procedure"):
        text = folded(getattr(query, kind))
        if text:
            found.append(or_(*(_like(records[f"{kind}_{what}"], text, bytewise) for what in ("key", "file"))))
    if query.verdict:
        found.append((records.verdict + "" if named else records.verdict) == query.verdict)
    if query.simulated is not None:
        found.append(records.simulated == query.simulated)
    if query.since is not None:
        found.append(started >= query.since)
    if query.until is not None:
        found.append(started < query.until)
    return found


def _parts(query: Query, bytewise: bool, few: bool) -> list[ColumnElement[bool]]:
    """The conditions on firmware and checks. `few`: only few records are left, and each is asked for its own rows."""
    records, device, check = tables.records.c, tables.equipment.c, tables.checks.c
    found: list[ColumnElement[bool]] = []

    def add(owner: ColumnElement[int], holds: list[ColumnElement[bool]]) -> None:
        if few:
            asked = select(owner).where(owner == records.number, *holds).correlate(tables.records)
            found.append(asked.exists())
        else:
            found.append(records.number.in_(select(owner).where(*holds)))

    if query.firmware:
        part, _, version = query.firmware.rpartition("=")
        # behind `|| ''` no index answers, so that the one on the record does
        key = device.firmware_key + "" if few else device.firmware_key
        holds = [_like(key, folded(version), bytewise)]
        add(device.record, holds + ([device.part.in_(alike(folded(part).replace(" ", "_")))] if part else []))
    if query.check:
        holds = [(check.id + "" if few else check.id) == query.check]
        add(check.record, holds + ([check.verdict == query.check_verdict] if query.check_verdict else []))
    return found


def _like(column: ColumnElement[str], text: str, bytewise: bool) -> ColumnElement[bool]:
    if "*" not in text:
        return column == text
    start, _, rest = text.partition("*")
    if bytewise and start and not rest:  # one stretch of the column's index
        return and_(column >= start, column < start + "\U0010ffff")
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
            near = get_close_matches(condition.channel, _distinct(connection, channel.channel), 3)
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
    part = folded(query.firmware.rpartition("=")[0]).replace(" ", "_")
    for option, name, column in (
        ("--check", query.check, tables.checks.c.id),
        ("--firmware", part, tables.equipment.c.part),
    ):
        if name and connection.execute(select(column).where(column == name).limit(1)).scalar() is None:
            there = _distinct(connection, column)
            near = get_close_matches(name, there, 3)
            mend = (
                f"did you mean {' or '.join(near)}?"
                if near
                else f"there are: {', '.join(there[:20]) or 'none'}"
            )
            what = "check" if option == "--check" else "part"
            problems.append(
                Problem(f"{option} {name[:80]}", f"no record in this archive has this {what}", mend)
            )
    if query.since is not None and query.until is not None and query.until <= query.since:
        problems.append(Problem("--until", "lies before --from: nothing can be between", "exchange the two"))
    if problems:
        raise Refused(problems)


def _distinct(connection: Connection, column: Any) -> list[str]:
    """Every name once, from one to the next along an index (reading all rows would take seconds)."""
    names: list[str] = []
    name = connection.execute(select(func.min(column))).scalar()
    while name is not None and len(names) < 1000:
        names.append(name)
        name = connection.execute(select(func.min(column)).where(column > name)).scalar()
    return names
