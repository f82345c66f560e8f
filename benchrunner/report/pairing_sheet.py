"""The pairing sheet: what all records of a pairing in a folder show together, as plain data for one page.

Limits are recommended only from what was tested and passed, each with its record. Simulated records stand apart: they are
no evidence about any real equipment.
"""

import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner import data
from benchrunner.core.evidence import STATEFUL
from benchrunner.errors import Problem, Refused
from benchrunner.record.imported import imported
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify
from benchrunner.report import words
from benchrunner.report.content import record_number
from benchrunner.report.pairing_states import differing, settings_of
from benchrunner.report.plain import cell
from benchrunner.report.subject import equipment

MOST_RECORDS = 500  # the newest ones of the pairing
MOST_FILES = 20_000
MOST_ROWS = 26
NEAREST = 4
MOST_STATES = 3  # other states of the pairing with their outcome at a procedure
RECORDS, FORGOTTEN, INDEX = "records", "forgotten", "index.sqlite"  # of an archive
Row = dict[str, Any]


@dataclass(frozen=True)
class Seen:
    """One record that counts."""

    path: Path
    record: Record
    number: str
    started: str
    simulated: bool
    card: str  # SHA-256 of the pairing card
    procedure: str  # file name without its ending
    title: str
    verdict: str
    finished: bool
    signed: bool

    @property
    def passed(self) -> bool:
        """Finished, and every judged check passed."""
        return self.finished and self.verdict == "pass"

    @property
    def outcome(self) -> str:
        """The verdict, or that the run did not finish (a failed check outdoes that)."""
        return self.verdict if self.finished or self.verdict == "fail" else "did not finish"


def sheet(pairing: str, folder: Path | str, made: datetime | None = None) -> Row:
    """The sheet's content. `pairing`: a card's name or path. Raises `Refused` where there is no record of it."""
    card = data.find(pairing, "resources", "pairings")
    try:
        raw = card.read_bytes()[:1_000_000]
        title = str(tomllib.loads(raw.decode("utf-8-sig")).get("title", card.stem))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise Refused(
            Problem(str(card), f"cannot be read as a pairing card: {error}", "run 'check' on it")
        ) from error
    seen, left_out = _records(Path(folder), card.name, title)
    if not seen:
        what = f"holds no record of the pairing {title!r} that verifies"
        raise Refused(Problem(str(folder), what, "name the folder of the records with --from"))
    groups = [_group(name, [s for s in seen if s.simulated is simulated]) for name, simulated in
              (("Real bench: tightest margins and recommended limits", False),
               ("Simulated bench: tightest margins, and limits as a prediction only", True))]  # fmt: skip
    shipped = _shipped()
    rows, untested = _procedures(seen, shipped)
    return {
        "title": cell(title),
        "made": (made or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "count": f"{len(seen)} record{'s' if len(seen) != 1 else ''}: {sum(not s.simulated for s in seen)} of a real bench, "
        f"{sum(s.simulated for s in seen)} simulated",
        "simulated": words.SIMULATED if all(s.simulated for s in seen) else "",
        "mixed": any(s.simulated for s in seen) and not all(s.simulated for s in seen),
        "left_out": [cell(line) for line in left_out],
        "variants": _variants(seen, hashlib.sha256(raw).hexdigest()),
        "procedures": rows[:MOST_ROWS],
        "cut": max(0, len(rows) - MOST_ROWS),
        "untested": [cell(name) for name in untested],
        "groups": groups,
        "caution": words.CAUTION,
        "accredited": words.ACCREDITED,
    }


def _records(folder: Path, card: str, title: str) -> tuple[list[Seen], list[str]]:
    """The pairing's records, newest first, and why others were left out."""
    if not folder.is_dir():
        raise Refused(
            Problem(str(folder), "there is no such folder", "name the folder of the records with --from")
        )
    found: list[tuple[str, Path, Record]] = []
    unreadable = broken = 0
    indexed = _indexed(folder, card, title)
    for count, path in enumerate(_files(folder) if indexed is None else indexed[:MOST_RECORDS]):
        if count >= MOST_FILES:
            raise Refused(
                Problem(str(folder), f"holds more than {MOST_FILES} records", "name a folder further in")
            )
        try:
            record = Record.open(path)
            facts = record.header["pairing"]
            if facts.get("file") == card or facts.get("title") == title:
                found.append((str(record.header["started"]), path, record))
        except (Refused, OSError, KeyError, TypeError, AttributeError, ValueError):
            unreadable += 1
    found.sort(key=lambda item: (item[0], str(item[1])), reverse=True)
    seen: dict[str, Seen] = {}
    foreign = 0
    for _, path, record in found[:MOST_RECORDS]:
        verified = verify(path, allow_unsigned=True)
        if imported(record.header) is not None:
            foreign += 1
            continue
        try:
            one = _seen(path, record, bool(verified.signatures)) if verified.ok else None
        except (KeyError, TypeError, AttributeError, ValueError):
            one = None
        if one is None:
            broken += 1
        else:
            seen.setdefault(one.number, one)  # a copy of a record counts once
    says = []
    if foreign:
        says.append(f"{foreign} imported from another logger's file, not measured by us")
    if broken:
        says.append(f"{broken} of this pairing that do not verify")
    if unreadable:
        says.append(f"{unreadable} file{'' if unreadable == 1 else 's'} that cannot be read as records")
    beyond = (len(found) if indexed is None else len(indexed)) - MOST_RECORDS
    if beyond > 0:
        says.append(f"the oldest {beyond}: only the newest {MOST_RECORDS} are looked at")
    return list(seen.values()), says


def _indexed(folder: Path, card: str, title: str) -> list[Path] | None:
    """Where the folder is an archive with an index in it, the pairing's records by that index, newest first.

    Nothing where it is none, or its index cannot be asked (a folder nobody may write in, say): then the files are looked at.
    """
    if not ((folder / RECORDS).is_dir() and (folder / INDEX).is_file()):
        return None
    from benchrunner.record.archive import Archive  # loads what reads databases

    try:
        with Archive(folder) as archive:
            found = {
                f.path: f for name in (title, Path(card).stem) for f in archive.records_of(name, MOST_FILES)
            }
    except Refused:
        return None
    return sorted(found, key=lambda path: found[path].started, reverse=True)


def _files(folder: Path) -> Iterable[Path]:
    """Records in the folder and in folders in it; in an archive not those that were forgotten."""
    forgotten = folder / FORGOTTEN if (folder / RECORDS).is_dir() else None
    return (
        p
        for p in sorted(folder.rglob("*.bench"))
        if p.is_file()
        and not any(q.startswith(".") for q in p.relative_to(folder).parts)
        and (forgotten is None or not p.is_relative_to(forgotten))
    )


def _seen(path: Path, record: Record, signed: bool) -> Seen:
    header = record.header
    return Seen(
        path, record, record_number(record), str(header["started"]), record.simulated, str(header["pairing"]["sha256"]),
        Path(str(header["procedure"]["file"])).stem, str(header["procedure"]["title"]), record.verdict,
        bool(header["finished"]), signed,
    )  # fmt: skip


def _shipped() -> dict[str, tuple[str, str]]:
    """Procedures to be had for a pairing: name -> title, SHA-256; a laboratory's own before a shipped one of the same name.

    Wiring proofs are of the bench and left out.
    """
    found: dict[str, tuple[str, str]] = {}
    proofs: set[str] = set()
    for place in (*data.lab_folders("procedures"), data.folder("procedures")):
        for path in sorted(place.glob("*.toml")):
            try:
                raw = path.read_bytes()
                card = tomllib.loads(raw.decode("utf-8-sig"))
                measures = _measures(card.get("steps"))
            except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
                continue
            if path.stem not in found and measures and measures <= set(STATEFUL):
                proofs.add(path.stem)
            found.setdefault(path.stem, (str(card.get("title", path.stem)), hashlib.sha256(raw).hexdigest()))
    return {name: said for name, said in found.items() if name not in proofs}


def _measures(steps: object) -> set[str]:
    """The measures of a procedure's checks, steps within steps included."""
    found: set[str] = set()
    for step in steps if isinstance(steps, list) else ():
        if isinstance(step, dict):
            checks = step.get("checks")
            found |= {
                str(c.get("measure"))
                for c in (checks if isinstance(checks, list) else ())
                if isinstance(c, dict)
            }
            found |= _measures(step.get("steps"))
    return found


def _procedures(seen: list[Seen], shipped: Mapping[str, tuple[str, str]]) -> tuple[list[Row], list[str]]:
    """One row a tested procedure with its newest record of each kind; and which shipped ones have no record."""
    rows = []
    for name in sorted({s.procedure for s in seen}):
        of = [s for s in seen if s.procedure == name]
        row: Row = {"name": cell(shipped[name][0] if name in shipped else of[0].title)}
        for kind, simulated in (("real", False), ("simulated", True)):
            row[kind] = _newest([s for s in of if s.simulated is simulated], shipped.get(name, ("", ""))[1])
        rows.append(row)
    return rows, [
        f"{title}" for name, (title, _) in shipped.items() if name not in {s.procedure for s in seen}
    ]


def _newest(of: list[Seen], shipped: str) -> Row | None:
    if not of:
        return None
    one = of[0]
    counts = f"{sum(s.passed for s in of)} of {len(of)} passed" if len(of) > 1 else ""
    broken = "did not finish" if not one.finished and one.outcome == "fail" else ""
    other = bool(shipped) and one.record.header["procedure"].get("sha256") != shipped
    nearest = _margins([one])
    return {
        "verdict": cell(one.outcome),
        "record": one.number,
        "date": one.started[:10],
        "card": one.card[:8],
        "counts": "; ".join(filter(None, (broken, counts, *_earlier(of)))),
        "other": "another version of this procedure" if other else "",
        "unsigned": "" if one.signed else "not signed",
        "nearest": f"{nearest[0]['margin']} ({nearest[0]['in_u']})" if nearest else words.DASH,
        "of": nearest[0]["title"] if nearest else "",
    }


def _earlier(of: list[Seen]) -> list[str]:
    """How the newest record with each other state of the pairing ended, so that every firmware has its outcome."""
    latest: dict[str, Seen] = {}
    for one in of:
        latest.setdefault(one.card, one)
    others = [one for card, one in latest.items() if card != of[0].card]
    more = [f"and {len(others) - MOST_STATES} earlier states"] if len(others) > MOST_STATES else []
    return [f"with card {one.card[:8]}: {one.outcome}" for one in others[:MOST_STATES]] + more


def _variants(seen: list[Seen], card: str) -> list[Row]:
    """Each state of the pairing that was tested, newest first: firmware, the settings that matter, how many records."""
    made = []
    cards = {s.card: bytes(s.record.part("pairing.toml") or b"") for s in seen}
    apart = differing(list(cards.values()))
    for digest in cards:
        of = [s for s in seen if s.card == digest]
        raw = cards[digest]
        parts = [
            " ".join(t for t in (e["name"], f"({e['serial']})" if e["serial"] else "", f"firmware {e['firmware']}" if e["firmware"] else "") if t)
            for e in equipment(raw)
        ]  # fmt: skip
        made.append({
            "card": digest[:8],
            "now": digest == card,
            "count": f"{sum(not s.simulated for s in of)} real, {sum(s.simulated for s in of)} simulated",
            "parts": cell("; ".join(parts)),
            "settings": cell("; ".join(settings_of(raw, apart))),
        })  # fmt: skip
    return made


def _margins(of: list[Seen]) -> list[Row]:
    """Judged checks by their margin in multiples of the uncertainty, the smallest first; one line a check."""
    found: dict[tuple[str, str], tuple[float, Row]] = {}
    for one in of:
        for check in one.record.checks:
            margin, u = check.get("margin"), check.get("uncertainty")
            if not (words.is_number(margin) and words.is_number(u) and u > 0):
                continue
            figures = words.figures(check)
            key, times = (one.procedure, str(check.get("id"))), margin / u
            if key not in found or times < found[key][0]:
                found[key] = (
                    times,
                    {"title": cell(check.get("title") or check.get("id")), "procedure": cell(one.title), "record": one.number,
                     "margin": figures.margin, "in_u": figures.in_u, "value": figures.value, "limit": figures.limit,
                     "verdict": cell(check.get("verdict"))},
                )  # fmt: skip
    return [row for _, row in sorted(found.values(), key=lambda item: item[0])]


def _group(name: str, of: list[Seen]) -> Row:
    """Margins and limits of the real or of the simulated records. Limits come from the newest state of the pairing alone."""
    row: Row = {
        "name": name,
        "mark": words.SIMULATED if of and of[0].simulated else "",
        "there": bool(of),
        "nearest": _margins(of)[:NEAREST],
        "limits": [],
        "against": "",
        "card": "",
    }
    if not of:
        return row
    newest = [s for s in of if s.card == of[0].card]
    row["card"] = of[0].card[:8]
    latest = {s.procedure: s for s in reversed(newest)}
    failed = [s for s in latest.values() if not s.passed]
    if failed:
        named = "; ".join(f"{s.title}: {s.outcome} (record {s.number})" for s in failed[:4])
        more = f"; and {len(failed) - 4} more" if len(failed) > 4 else ""
        row["against"] = cell(f"No limits are recommended: not every procedure passed. {named}{more}")
        return row
    row["limits"] = _limits([s for s in newest if s.passed])
    return row


def _limits(passed: list[Seen]) -> list[Row]:
    """What was reached in runs that passed: largest PV power, loads in island operation, states of charge, highest frequency."""
    rows = []
    for what, channel, low, high, island in (
        ("PV power in island operation, at most", "pv.power", False, True, True),
        ("Load in island operation", "load.power", True, True, True),
        ("Battery state of charge", "battery.soc", True, True, False),
        ("For information: highest charge current read", "battery.current", False, True, False),
        ("For information: highest island frequency read", "bus.frequency", False, True, True),
    ):
        ends = [(*found, s) for s in passed if (found := _span(s, channel, island)) is not None]
        if not ends:
            continue
        least, most = min(ends, key=lambda e: e[0]), max(ends, key=lambda e: e[1])
        if channel == "battery.current" and most[1] <= 0.0:  # it never charged
            continue
        unit = least[2].record.plan.channels[channel].unit
        floor = (
            max(least[0], 0.0) if channel == "load.power" else least[0]
        )  # switched off, it may read below nothing
        says = words.together([v for v, wanted in ((floor, low), (most[1], high)) if wanted], unit, channel)
        records = dict.fromkeys(e[2].number for e, wanted in ((least, low), (most, high)) if wanted)
        rows.append({"what": what, "says": cell(says), "records": ", ".join(records)})
    if rows:
        card = passed[0].card[:8]
        rows.append({"what": "Settings and firmware", "says": f"as listed for card {card}", "records": ""})
    return rows


def _span(one: Seen, channel: str, island: bool) -> tuple[float, float] | None:
    """Least and largest valid reading of a channel; with `island` only while the grid switch reads open."""
    try:
        times, values = one.record.channel(channel)
        if island:
            at, closed = one.record.channel("grid.closed")
            if not len(at):
                return None
            before = np.searchsorted(at, times, "right") - 1
            values = np.where((before >= 0) & (closed[np.maximum(before, 0)] == 0.0), values, np.nan)
    except (KeyError, Refused, OSError, ValueError):
        return None
    values = values[np.isfinite(values) & (np.abs(values) < 1e30)]
    return (float(values.min()), float(values.max())) if len(values) else None
