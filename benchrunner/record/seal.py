"""From a journal to a sealed record: one container with a canonical header that holds the digest of every
other part.

The journal is read frame by frame; tables are written batch by batch into a folder beside the record and then
joined. Nothing is added that the journal does not hold: where it breaks off, the header says so.

The header's `digests` tell two runs apart or the same, whatever way they were journaled. `readings`: SHA-256 over one
line for each source with replies, `source number, rows, then the SHA-256 of each column's numbers (little-endian)`, in
the columns' order (seq, arrived, at, spread, flags, values). `inputs`: the same over the readings' digest, a line for the ticks
(seq, arrived) and the SHA-256 of all lines of `inputs.jsonl` with the samples of their captures.
"""

import contextlib
import hashlib
import itertools
import os
import re
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TextIO

from benchrunner.core.plan import RunPlan
from benchrunner.errors import Problem, Refused
from benchrunner.record import canonical, codec, container, frames, journal, parts, tables
from benchrunner.record.facts import utc_now
from benchrunner.record.keys import SigningKey

FORMAT = "benchrunner record"
VERSION = 2
VERSIONS = (1, 2)  # that are read
SUFFIX = ".bench"
HEADER = "header.json"
WORST = ("pass", "inconclusive", "fail")  # in the order in which one outdoes the other


class SealError(OSError):
    """The journal cannot become a record."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


def record_name(started: str, title: str) -> str:
    """`20261125-101500-load-rejection.bench`"""
    stamp = re.sub(r"[^0-9T]", "", started.split(".")[0]).replace("T", "-")
    return f"{stamp}-{parts.slug(title)}{SUFFIX}"


def seal(
    source: Path | str,
    to: Path | str,
    key: SigningKey | None = None,
    *,
    ended_by: str = "",
    role: str = "operator",
    comment: str = "",
    attached: Mapping[str, bytes] | None = None,
    server: str = "",
    unstamped: Callable[[Problem], None] = lambda problem: None,
) -> Path:
    """Seal the journal `source` (file or run folder) as the record `to` (a file, or a folder that gets a
    named file).

    With `key` it is signed. `ended_by` says how a run without an ending of its own ended. `attached`: files that
    the record carries word for word, as `attached/NAME`. `server`: a time-stamp server that is asked for a token over the
    signature; where there is none to be had the record is sealed without, and `unstamped` is told why. An existing record is never written over. Returns the
    record's path. Raises `SealError` or `journal.JournalError`.
    """
    to = Path(to)
    here = to if to.is_dir() else to.parent
    here.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix=".sealing-", dir=here) as work:
            gathered = _Gathered(Path(work), Path(source))
            for name, content in (attached or {}).items():
                gathered.members.append((f"attached/{name}", content))
            gathered.members.sort(key=lambda part: part[0])
            header = gathered.header(ended_by, key)
            target = to / record_name(header["started"], header["procedure"]["title"]) if to.is_dir() else to
            raw = canonical.dumps(header)
            members: list[tuple[str, Path | bytes]] = [(HEADER, raw), *gathered.members]
            if key is not None:
                from benchrunner.record.signing import sign

                signature = sign(raw, key, role=role, comment=comment)
                members.append(("signatures/0001.jws", signature))
                if server and (token := _stamped(server, signature, unstamped)):
                    members.append(("signatures/0001.tst", token))
            draft = Path(work) / "record"
            container.write(draft, members)
            return _place(draft, target)
    except (SealError, journal.JournalError):
        raise
    except container.ContainerError as error:
        raise SealError(error.problem) from error
    except OSError as error:
        raise SealError(
            Problem(
                str(to),
                f"the record cannot be written: {error.strerror or error}",
                "free space, then 'recover' the journal",
            )
        ) from error
    except canonical.JsonError as error:
        raise SealError(
            Problem(str(source), f"the header {error}", "this is a mistake of the program; keep the journal")
        ) from error


def _stamped(server: str, signature: bytes, unstamped: Callable[[Problem], None]) -> bytes:
    """A token over the signature, or none: a server's silence must not keep a record from being sealed."""
    from benchrunner.record import stamp  # loads what reads certificates

    try:
        return stamp.ask(server, signature)
    except Refused as refusal:
        unstamped(refusal.problems[0])
    except Exception as error:  # deep in a library, over a stranger's bytes
        unstamped(
            Problem(f"time-stamp server {server}", f"gave no stamp: {error}", "ask who runs the server")
        )
    return b""


def _place(draft: Path, target: Path) -> Path:
    """Move the draft to its name without ever replacing another file."""
    for number in range(1, 1000):
        name = target if number == 1 else target.with_name(f"{target.stem}-{number}{target.suffix}")
        try:
            with name.open("xb"):
                pass
        except FileExistsError:
            continue
        os.replace(draft, name)
        with contextlib.suppress(OSError, AttributeError):  # the folder's entry, where the system can
            folder = os.open(name.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        return name
    raise SealError(
        Problem(str(target), "there are a thousand records of this name already", "choose another folder")
    )


class _Gathered:
    """Reads the journal once and leaves the parts in a folder."""

    def __init__(self, work: Path, source: Path) -> None:
        self.members: list[tuple[str, Path | bytes]] = []
        self.tail = journal.Tail()
        self._work = work
        self._facts: dict[str, Any] = {}
        self._later: dict[str, Any] = {}
        self._written: dict[str, tables.TableWriter] = {}
        self._checks: list[dict[str, Any]] = []
        self._ended: dict[str, Any] | None = None
        self._safe: dict[str, dict[str, Any]] = {}
        self._notes: list[dict[str, Any]] = []
        self._counts = {"inputs": 0, "replies": 0, "readings": 0, "ticks": 0, "events": 0, "waveforms": 0}
        self._duration = 0.0
        self._others = hashlib.sha256()
        self._tables: dict[int, tables.TableWriter] = {}
        self._ticks: tables.TableWriter | None = None
        pieces = journal.frames(source, self.tail)
        head = next(pieces, None)
        first = head.items[0] if head is not None and head.items else None
        if head is None or first is None or first[0] != journal.HEADER:
            raise SealError(
                Problem(
                    str(source),
                    "the journal holds not even its header",
                    "nothing was run; there is nothing to seal",
                )
            )
        try:
            self._open(first[1])
            with self._file(parts.INPUTS) as inputs, self._file(parts.EVENTS) as events:
                for frame in itertools.chain([head], pieces):
                    self._take_frame(frame, inputs, events)
            self._finish()
        except (codec.CodecError, KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
            self._abandon()
            raise SealError(
                Problem(
                    str(source),
                    f"the journal holds what no run writes: {error}",
                    "it was changed or is damaged",
                )
            ) from error

    def _abandon(self) -> None:
        """Let go of half-written tables, or the folder could not be removed on every system."""
        for table in [*self._tables.values(), *([self._ticks] if self._ticks else [])]:
            with contextlib.suppress(Exception):
                table.close()

    def _finish(self) -> None:
        for number, table in self._tables.items():
            table.close()
            self._written[self._names[number]] = table
        if self._ticks is not None:
            self._ticks.close()
            self._written[parts.TICKS] = self._ticks
        self.members.sort(key=lambda part: part[0])

    def _file(self, name: str) -> TextIO:
        path = self._work / name.replace("/", "_")
        self.members.append((name, path))
        return path.open("w", encoding="utf-8", newline="\n")

    def _open(self, facts: dict[str, Any]) -> None:
        if facts.get("format") not in range(1, journal.FORMAT + 1):
            raise codec.CodecError(
                f"a journal of format {facts.get('format')!r}; this program reads up to {journal.FORMAT}"
            )
        self._facts = facts
        self.plan: RunPlan = codec.plan_from_data(facts["plan"])
        self._names = parts.source_parts(self.plan.sources)
        self._units = {
            name: channel.unit for name, channel in {**self.plan.channels, **self.plan.waveforms}.items()
        }
        self.members.append((parts.PLAN, canonical.dumps(facts["plan"])))
        for kind in ("procedure", "pairing", "bench"):
            self.members.append((f"{kind}.toml", self._verbatim(facts[kind])))
        taken: set[str] = set()
        self._drivers = []
        for item in facts["drivers"]:
            name = f"drivers/{parts.slug(Path(str(item['name'])).stem)}.toml"
            if name in taken:
                continue  # two instruments of one family share their card
            taken.add(name)
            self._drivers.append(
                {"file": item["name"], "part": name, "sha256": item["sha256"], "title": item["title"]}
            )
            self.members.append((name, self._verbatim(item)))
        self._profiles = []
        for item in facts.get("profiles", []):
            name = parts.profile_part(str(item["name"]), taken)
            taken.add(name)
            self._profiles.append({"file": item["name"], "part": name, "sha256": item["sha256"]})
            self.members.append((name, self._verbatim(item)))

    @staticmethod
    def _verbatim(item: Mapping[str, Any]) -> bytes:
        raw = item["raw"]
        if not isinstance(raw, bytes) or hashlib.sha256(raw).hexdigest() != item["sha256"]:
            raise codec.CodecError(f"{item['name']} does not fit its digest")
        return bytes(raw)

    def _take_frame(self, frame: frames.Frame, inputs: TextIO, events: TextIO) -> None:
        """Sort a frame's content to the parts."""
        for block in frame.blocks:
            table = self._tables.get(block.source) or self._table(block.source)
            columns, rows = block.cells.shape
            table.add_cells(block.cells)
            self._counts["replies"] += rows
            self._counts["readings"] += rows * (columns - frames.HEAD)
        for numbers, times in frame.ticks:
            if self._ticks is None:
                path = self._work / "ticks"
                self._ticks = tables.TableWriter(path, parts.ticks_schema())
                self.members.append((parts.TICKS, path))
            self._ticks.add([numbers, times])
            self._counts["ticks"] += len(numbers)
        for item in frame.items:
            if item[0] in frames.INPUTS:
                self._input(item, inputs)
            else:
                self._said(item, events)
        self._duration = frame.last[1]

    def _input(self, item: list[Any], inputs: TextIO) -> None:
        line = {"seq": item[1], **item[2]}
        if item[0] == journal.CAPTURED and item[4]:
            self._counts["waveforms"] += 1
            line["part"] = f"waveforms/{self._counts['waveforms']:04d}.parquet"
            path = self._work / f"waveform{self._counts['waveforms']}"
            parts.write_waveform(path, item[2], item[3], item[4], self._units)
            self.members.append((line["part"], path))
            self._others.update(item[4])
        text = canonical.dumps(line).decode() + "\n"
        self._others.update(text.encode())
        inputs.write(text)

    def _said(self, item: list[Any], events: TextIO) -> None:
        kind = item[0]
        if kind == journal.EVENT:
            self._event(*item[1:4])
            line = {"at": item[1], "kind": item[2], "data": item[3]}
        elif kind == journal.ORDER:
            line = {"at": item[3], "kind": item[1], "data": item[2]}
        else:
            if kind == journal.FACT:
                self._later[item[1]] = item[2]
            return
        events.write(canonical.dumps(line).decode() + "\n")
        self._counts["events"] += 1

    def _table(self, number: int) -> tables.TableWriter:
        if not 0 <= number < len(self.plan.sources):
            raise ValueError(f"readings of source {number}, which the plan does not have")
        source = self.plan.sources[number]
        path = self._work / f"readings{number}"
        table = tables.TableWriter(path, parts.readings_schema(source, self.plan.channels))
        self._tables[number] = table
        self.members.append((self._names[number], path))
        return table

    def _event(self, at: float, kind: str, data: dict[str, Any]) -> None:
        if kind == "check":
            self._checks.append({"at": at, **data})
        elif kind == "ended":
            self._ended = data
        elif kind == "safe":
            step = str(data.get("id", ""))
            before = self._safe.get(step, {})
            self._safe[step] = {
                **before,
                **data,
                "at": at,
                "tries": before.get("tries", 0) + (data.get("phase") in ("sent", "again")),
            }
        elif kind == "note":
            self._notes.append({"at": at, **data})

    def header(self, ended_by: str, key: SigningKey | None) -> dict[str, Any]:
        """The header, complete but for the canonical writing."""
        facts, ended, order = self._facts, self._ended or {}, self.plan.order
        self._counts["inputs"] = self.tail.inputs
        checks = _with_unjudged(self._checks, self.plan)
        deviations = [*facts["deviations"], *self._later.pop("deviations", [])]
        instruments = self._later.pop("instruments", facts["instruments"])
        overridden = [*facts["overridden"], *self._later.pop("overridden", [])]
        finished = bool(ended.get("finished", False))
        listed = []
        for name, content in self.members:
            entry: dict[str, Any] = {"name": name, "bytes": _size(content), "sha256": _sha256(content)}
            if name in self._written:
                entry["rows"] = self._written[name].rows
                codings = self._written[name].codings
                entry["codings"] = {column: coding.said() for column, coding in codings.items()}
            listed.append(entry)
        header = {
            "format": FORMAT,
            "version": VERSION,
            "simulated": facts["simulated"],
            "started": facts["started"],
            "sealed": utc_now(),
            "duration": self._duration,
            "program": facts["program"],
            "seed": facts["seed"],
            "laboratory": facts["laboratory"],
            "operator": facts["operator"],
            "acknowledged": facts["acknowledged"],
            "procedure": {**self._file_facts("procedure"), "purpose": order.purpose, "basis":
            list(order.basis)}, "pairing": self._file_facts("pairing"),
            "bench": self._file_facts("bench"),
            "drivers": self._drivers,
            "overrides": facts["overrides"],
            "parameters": {name: {"value": value, "unit": unit} for name, (value, unit) in
            order.parameters.items()}, "cautions": list(order.cautions),
            "instruments": instruments,
            "channels": _channels(self.plan),
            "checks": checks,
            "verdict": worst(checks),
            "finished": finished,
            "ended_by": ended.get("ended_by") or ("procedure" if finished else ended_by or "unknown"),
            "reason": str(ended.get("reason", "")),
            "exit": ended.get("exit", 4),
            "safe": {"state": ended.get("safe", "not confirmed"), "steps": list(self._safe.values())},
            "overridden": overridden,
            "deviations": deviations,
            "notes": self._notes,
            "further": self._later,
            "gap": self._gap(),
            "counts": self._counts,
            "digests": self._digests(checks),
            "signer": _signer(key),
            "parts": listed,
        }  # fmt: skip
        if self._profiles:
            header["profiles"] = self._profiles
        return {str(name): codec.plain(value) for name, value in header.items()}

    def _digests(self, checks: list[dict[str, Any]]) -> dict[str, str]:
        """What tells two runs apart; as the module says."""
        lines = [f"{number}, {table.digest()}\n" for number, table in sorted(self._tables.items())]
        readings = hashlib.sha256("".join(lines).encode()).hexdigest()
        ticks = self._ticks.digest() if self._ticks is not None else "0"
        every = f"{readings}\nticks, {ticks}\n{self._others.hexdigest()}\n"
        return {
            "inputs": hashlib.sha256(every.encode()).hexdigest(),
            "readings": readings,
            "checks": hashlib.sha256(canonical.dumps(codec.plain(checks))).hexdigest(),
        }

    def _file_facts(self, kind: str) -> dict[str, Any]:
        item = self._facts[kind]
        title = item["title"] or (
            self.plan.order.title if kind == "procedure" else Path(str(item["name"])).stem
        )
        return {"title": title, "file": item["name"], "part": f"{kind}.toml", "sha256": item["sha256"]}

    def _gap(self) -> dict[str, Any] | None:
        tail = self.tail
        if tail.closed:
            return None
        return {
            "after": self._duration,
            "bytes_lost": tail.lost,
            "inputs_kept": tail.inputs,
            "why": tail.why,
            "says": f"The journal breaks off after {self._duration:.3f} s on the bench's clock: {tail.why}. "
            "Nothing after that moment is known; no reading was added.",
        }


def _size(content: Path | bytes) -> int:
    return len(content) if isinstance(content, bytes) else content.stat().st_size


def _sha256(content: Path | bytes) -> str:
    if isinstance(content, bytes):
        return hashlib.sha256(content).hexdigest()
    with content.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _with_unjudged(checks: list[dict[str, Any]], plan: RunPlan) -> list[dict[str, Any]]:
    """The checks as judged, and each planned one that never was, as `not judged`."""
    judged = {(str(c.get("step", "")), str(c.get("id", ""))) for c in checks}
    ids = {identity for _, identity in judged}
    result = list(checks)
    for step in plan.order.steps:
        for check in step.checks:
            if (step.id, check.id) not in judged and f"{step.id}/{check.id}" not in ids:
                result.append(_unjudged(step.id, check.id, check.measure, check.of, check))
    for group in plan.order.group_checks:
        if (group.group, group.id) not in judged and group.id not in ids:
            result.append(_unjudged(group.group, group.id, group.over, "", group))
    return result


def _unjudged(step: str, identity: str, measure: str, of: str, check: Any) -> dict[str, Any]:
    return {
        "step": step, "id": identity, "title": check.title, "measure": measure, "of": of, "unit": check.unit,
        "low": check.low, "high": check.high, "rule": check.rule, "k": check.k, "basis": check.basis,
        "limit": check.limit_text, "value": None, "uncertainty": None, "margin": None, "margin_in_u": None,
        "verdict": "not judged", "reason": "the run ended before this check was judged",
    }  # fmt: skip


def _channels(plan: RunPlan) -> list[dict[str, Any]]:
    names = [
        (source.name, name) for source in plan.sources for name in source.channels if name in plan.channels
    ]
    facts = ("unit", "of_reading", "of_range", "resolution", "evaluated", "delivers")
    return [
        {"name": name, "source": source, **{fact: getattr(plan.channels[name], fact) for fact in facts}}
        for source, name in names
    ]


def _signer(key: SigningKey | None) -> dict[str, Any] | None:
    return {"name": key.public.name, "key": key.public.thumbprint, "demo": key.public.demo} if key else None


def worst(checks: list[dict[str, Any]]) -> str:
    """The worst verdict of the judged checks; `not judged` where there is none."""
    there = [WORST.index(c["verdict"]) for c in checks if c.get("verdict") in WORST]
    return WORST[max(there)] if there else "not judged"
