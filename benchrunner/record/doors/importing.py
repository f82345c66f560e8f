"""Another logger's file as a record: marked *imported, not measured by us*, nothing judged, the file itself kept inside.

The record is sealed from a journal like any other, made from the file; its map stands where a procedure's text would. A
signature says who imported it, and no more.
"""

import hashlib
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchrunner import data
from benchrunner.core.messages import Event, Readings
from benchrunner.core.plan import Channel, RunPlan, Source
from benchrunner.errors import Problem, Refused
from benchrunner.procedure.running import RunningOrder
from benchrunner.record.archive.entry import milliseconds, moment
from benchrunner.record.doors import table
from benchrunner.record.doors.mapping import Map
from benchrunner.record.facts import RunFacts, Verbatim, utc_now
from benchrunner.record.imported import SAYS
from benchrunner.record.journal import Journal, JournalError
from benchrunner.record.keys import SigningKey
from benchrunner.record.parts import slug
from benchrunner.record.seal import SUFFIX, SealError, record_name, seal

ROLE = "importer"
TOGETHER = 32  # channels that one reply of a journal carries
LOT = 4096
PURPOSE = "Readings of another logger, imported; this program measured and judged nothing of it."


def import_csv(
    path: Path | str,
    given: Map,
    out: Path | str,
    *,
    key: SigningKey | None = None,
    operator: str = "",
    logger: str = "",
    started: str = "",
    pairing: Path | str = "",
) -> tuple[Path, list[str]]:
    """Make a record of `path` in `out` (a folder, or a new file's name); its path, and what had to be said, one line each.

    `logger`: what measured, in words; `started`: UTC of time 0 where the file does not say it. Raises `Refused`.
    """
    path, out = Path(path), Path(out)
    raw = table.read_bytes(path)
    parsed = table.parse(raw, path.name, given)
    stated = list(parsed.stated)
    began = _started(parsed, started, stated)
    digest = hashlib.sha256(raw).hexdigest()
    part = f"{slug(path.stem)}.csv"
    told = replace(
        given,
        separator=parsed.separator,
        decimal=parsed.decimal,
        encoding=parsed.encoding.removesuffix("-sig"),
    )
    simulated = _from_a_simulation(raw, parsed)
    if simulated:
        stated.append("the file says of itself that it comes from a simulated bench")
    facts = _facts(told, parsed, path.name, began, operator, logger, _pairing(pairing), stated, simulated)
    mark = {
        "says": SAYS, "file": path.name, "sha256": digest, "bytes": len(raw), "part": f"attached/{part}",
        "rows": len(parsed.times), "header_line": parsed.header_line, "separator": parsed.separator, "decimal": parsed.decimal,
        "encoding": parsed.encoding, "logger": logger, "stated": stated,
    }  # fmt: skip
    folder = out if out.is_dir() or not out.suffix else out.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".importing-", dir=folder) as work:
            _journal(Path(work) / "run", facts, parsed, mark)
            target = out if out.suffix == SUFFIX else folder / record_name(began, f"import {path.stem}")
            return seal(
                Path(work) / "run", target, key, role=ROLE, comment=SAYS, attached={part: raw}
            ), stated
    except (SealError, JournalError) as error:
        raise Refused(error.problem) from error
    except OSError as error:
        raise Refused(
            Problem(str(out), f"cannot be written: {error.strerror or error}", "choose another --out")
        ) from error


def _started(parsed: table.Parsed, told: str, stated: list[str]) -> str:
    if parsed.started and told:
        raise Refused(
            Problem(f"--started {told[:40]}", "the file's own times say when it began", "leave it away")
        )
    if parsed.started:
        return parsed.started
    if told:
        try:
            return moment(milliseconds(told))
        except (ValueError, OverflowError) as error:
            raise Refused(
                Problem(f"--started {told[:40]}", "is no time", "write it as 2026-03-14T10:15:00Z")
            ) from error
    stated.append(
        "neither the file nor --started says when it began: the time of the import stands in its place"
    )
    return utc_now()


def _from_a_simulation(raw: bytes, parsed: table.Parsed) -> bool:
    """Whether the lines above the columns carry the mark of our own exports: it must not be lost on the way back in."""
    above = raw[: 1 << 20].decode(parsed.encoding, "replace").splitlines()[: parsed.header_line]
    return any("SIMULATED BENCH" in line for line in above)


def _pairing(path: Path | str) -> Verbatim:
    if not path:
        return Verbatim("not-stated.toml", b'title = "not stated"\n', "not stated")
    from benchrunner.cards.pairing import read_pairing

    path = data.find(str(path), "resources", "pairings")
    card = read_pairing(path)
    return Verbatim(path.name, path.read_bytes(), card.title)


def _facts(
    given: Map, parsed: table.Parsed, file: str, began: str, operator: str, logger: str, pairing: Verbatim, stated: list[str],
    simulated: bool,
) -> RunFacts:  # fmt: skip
    channels = {c.channel: Channel(c.channel, c.unit, evaluated=False) for c in given.columns}
    names = tuple(channels)
    lots = [names[k : k + TOGETHER] for k in range(0, len(names), TOGETHER)]
    sources = tuple(
        Source("logger" if k == 0 else f"logger-{k + 1}", lot, parsed.interval) for k, lot in enumerate(lots)
    )
    order = RunningOrder(given.title, PURPOSE, (), (), {}, {}, (), ())
    return RunFacts(
        plan=RunPlan(order, sources, channels, {}, (), (), simulated=simulated),
        procedure=Verbatim("import.toml", given.toml(), given.title),
        pairing=pairing,
        bench=Verbatim("another-logger.toml", b'title = "another logger"\n', "another logger"),
        operator=operator,
        instruments=({"name": "logger", "role": "", "class": "", "identity": logger or "not stated"},),
        deviations=(
            f"Imported, not measured by us: from {file}. Uncertainty not stated, nothing judged.",
            *stated,
        ),
        started=began,
    )


def _journal(folder: Path, facts: RunFacts, parsed: table.Parsed, mark: dict[str, Any]) -> None:
    with Journal.create(folder, facts) as journal:
        first = 1
        for lot in _replies(facts.plan, parsed):
            journal.replies(first, lot)
            first += len(lot)
        last = parsed.times[-1]
        journal.fact("imported", mark)
        journal.event(
            Event(
                last,
                "note",
                {"text": f"{SAYS}: {mark['file']}, SHA-256 {mark['sha256']}", "level": "warning"},
            )
        )
        ended = {"exit": 0, "verdict": "not judged", "ended_by": "import", "finished": True, "safe": "not known",
                 "reason": "imported from another logger's file"}  # fmt: skip
        journal.event(Event(last, "ended", ended))


def _replies(plan: RunPlan, parsed: table.Parsed) -> Iterator[list[Readings]]:
    """Half an interval is the time's uncertainty: when within it a logger reads is its own matter."""
    spread = parsed.interval / 2
    begins = [k * TOGETHER for k in range(len(plan.sources))]
    for first in range(0, len(parsed.times), LOT):
        times = parsed.times[first : first + LOT]
        columns = [column[first : first + LOT] for column in parsed.values]
        rows = list(zip(*columns, strict=True))
        yield [
            Readings(at, number, at, spread, row[begin : begin + TOGETHER], 0)
            for at, row in zip(times, rows, strict=True)
            for number, begin in enumerate(begins)
        ]
