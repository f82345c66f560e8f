"""A sealed record, opened for reading: header, checks, events, readings, waveforms, and the means to verify
and re-judge it.

Opening reads the container's directory and the header; the data is read when asked for. Opening is not
verifying: `record.verify()` is.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.core.messages import Captured, Input
from benchrunner.core.plan import RunPlan
from benchrunner.errors import Problem
from benchrunner.record import canonical, codec, container, parts, signing, tables
from benchrunner.record.container import ContainerError
from benchrunner.record.imported import imported
from benchrunner.record.seal import FORMAT, HEADER, VERSION, VERSIONS

if TYPE_CHECKING:
    import pandas as pd

    from benchrunner.record.verify import Verification

Check = Mapping[str, Any]


@dataclass(frozen=True)
class Waveform:
    """One capture: its facts, and its samples once asked for."""

    captured: Captured
    part: str
    step: str
    units: tuple[str, ...]
    _record: "Record"

    @property
    def channels(self) -> tuple[str, ...]:
        """Names, in the order of the rows of `samples`."""
        return self.captured.channels

    @property
    def rate(self) -> float:
        """Samples per second."""
        return self.captured.rate

    @property
    def start(self) -> float:
        """Bench time of the first sample, s."""
        return self.captured.start

    @property
    def trigger(self) -> float:
        """Bench time of the trigger, s."""
        return self.captured.trigger

    @property
    def prescribed(self) -> tuple[str, ...]:
        """For each channel what of a simulated wave was not computed (`noise, harmonics`); empty on real instruments."""
        return self.captured.prescribed or ("",) * len(self.captured.channels)

    @cached_property
    def samples(self) -> Any:
        """Array [channel, sample] in SI."""
        return parts.samples_of(self._record.part(self.part), self.part)

    def frame(self) -> "pd.DataFrame":
        """The samples as a DataFrame, indexed by bench time in s."""
        import numpy as np
        import pandas as pd

        samples = self.samples
        index = pd.Index(self.start + np.arange(samples.shape[1]) / self.rate, name="time")
        return pd.DataFrame(samples.T, index=index, columns=list(self.channels))


class Record:
    """A record file, opened by `Record.open(path)`. No file stays open between calls."""

    def __init__(self, path: Path, header: dict[str, Any], survey: container.Survey) -> None:
        self.path = path
        self.header = header
        self._survey = survey

    @classmethod
    def open(cls, path: Path | str) -> "Record":
        """Open a record. Raises `ContainerError` with one clear problem for anything that is none."""
        path = Path(path)
        survey = container.survey(path, digest=False)
        if any(f.kind in ("structure", "added") for f in survey.findings):
            raise ContainerError(
                Problem(
                    str(path), str(survey.findings[0]), "the record is damaged; 'benchrunner verify' says all"
                )
            )
        member = survey.find(HEADER)
        if member is None:
            raise ContainerError(Problem(str(path), f"holds no {HEADER}", "give a record (.bench)"))
        try:
            header = canonical.loads(container.content(path, member, signing.LARGEST_HEADER))
        except canonical.JsonError as error:
            raise ContainerError(Problem(HEADER, str(error), "the record is damaged")) from error
        if not isinstance(header, dict) or header.get("format") != FORMAT:
            raise ContainerError(Problem(str(path), "holds no header of a record", "give a record (.bench)"))
        if type(header.get("version")) is not int or header["version"] not in VERSIONS:
            raise ContainerError(
                Problem(
                    str(path),
                    f"is a record of version {str(header.get('version'))[:20]}; this program knows up to {VERSION}",
                    "take a newer program",
                )
            )
        for name in ("procedure", "pairing", "bench"):
            if not isinstance(header.get(name), dict) or not isinstance(header[name].get("title"), str):
                raise ContainerError(
                    Problem(HEADER, f"gives no title of the {name}", "the record is damaged or forged")
                )
        return cls(path, header, survey)

    def __repr__(self) -> str:
        return f"Record({self.path.name!r}, {self.title!r}, {self.verdict!r})"

    # ---- what the header says

    @property
    def title(self) -> str:
        """The procedure's title."""
        procedure = self.header.get("procedure")
        return str(procedure.get("title", "")) if isinstance(procedure, dict) else ""

    @property
    def simulated(self) -> bool:
        """Whether the bench was simulated; anything but a clear no counts as yes."""
        return self.header.get("simulated") is not False

    @property
    def verdict(self) -> str:
        """The worst verdict of the judged checks."""
        return str(self.header.get("verdict", "not judged"))

    @property
    def checks(self) -> list[dict[str, Any]]:
        """The checks as judged: step, id, measure, of, value, unit, low, high, uncertainty, margin, verdict,
        reason, rule. Raises `ContainerError`.
        """
        found = self.header.get("checks", [])
        if not isinstance(found, list) or not all(_is_check(check) for check in found):
            what = "lists checks that are none: each is a mapping with 'step', 'id' and 'verdict'"
            raise ContainerError(Problem(HEADER, what, "the record is damaged or forged"))
        return list(found)

    # ---- parts

    def part(self, name: str) -> Any:
        """A part's content as a buffer, or nothing where there is none. Use `bytes(...)` for a copy."""
        member = self._survey.find(name)
        if member is None:
            return None
        with self.path.open("rb") as stream:
            stream.seek(member.start)
            return stream.read(member.size)

    @property
    def most_rows(self) -> int:
        """Rows that one instrument's table can have; another logger's file may be faster than any poll."""
        return tables.MOST_ROWS if imported(self.header) else tables.most_rows(self.header.get("duration"))

    @cached_property
    def plan(self) -> RunPlan:
        """The run plan as it was frozen before the run. Raises `ContainerError`."""
        raw = self.part(parts.PLAN)
        try:
            plan = codec.plan_from_data(canonical.loads(raw if raw is not None else b""))
        except (canonical.JsonError, codec.CodecError) as error:
            raise ContainerError(
                Problem(parts.PLAN, str(error), "the record is damaged or of a newer program")
            ) from error
        if wide := parts.too_wide(plan.sources):
            raise ContainerError(Problem(parts.PLAN, wide, "the record is damaged or of a newer program"))
        return plan

    @cached_property
    def events(self) -> list[dict[str, Any]]:
        """What the core said, in order: `{"at", "kind", "data"}`. Raises `ContainerError`."""
        raw = self.part(parts.EVENTS)
        found = [] if raw is None else list(parts.lines(raw, parts.EVENTS))
        for number, event in enumerate(found, 1):
            if not _is_event(event):
                what = "is no event: 'at' (a number), 'kind' (a text) and 'data' (a mapping) belong there"
                raise ContainerError(
                    Problem(f"{parts.EVENTS}:{number}", what, "the record is damaged or forged")
                )
        return found

    def inputs(self) -> Iterator[tuple[int, Input]]:
        """Every input of the run with its number, in order, exactly as it was fed to the core."""
        return parts.inputs(self.plan, self.part, self.most_rows)

    @cached_property
    def waveforms(self) -> list[Waveform]:
        """The captures that brought samples, in order."""
        raw = self.part(parts.INPUTS)
        units = {
            name: channel.unit for name, channel in {**self.plan.channels, **self.plan.waveforms}.items()
        }
        steps = self._steps_by_time()
        found = []
        for line in parts.lines(raw, parts.INPUTS) if raw is not None else ():
            if isinstance(line, dict) and line.get("part"):
                try:
                    captured = parts.captured_of(line)
                except codec.CodecError as error:
                    raise ContainerError(
                        Problem(parts.INPUTS, f"holds no capture: {error}", "the record is damaged")
                    ) from error
                step = next((name for at, name in reversed(steps) if at <= captured.arrived), "")
                found.append(
                    Waveform(
                        captured,
                        str(line["part"]),
                        step,
                        tuple(units.get(n, "") for n in captured.channels),
                        self,
                    )
                )
        return found

    def _steps_by_time(self) -> list[tuple[float, str]]:
        return [
            (float(e["at"]), str(e["data"].get("id", "")))
            for e in self.events
            if e["kind"] == "step" and e["data"].get("phase") == "started"
        ]

    @cached_property
    def readings(self) -> "pd.DataFrame":
        """All readings, one row each, by time: `time` (s), `channel`, `value` (SI), `unit`, `spread` (s),
        `overloaded`, `repeat`, `seq`.

        `repeat`: the meter had not updated since the reading before. Columns of text are categories, to stay
        small.
        """
        import numpy as np
        import pandas as pd

        names = [name for source in self.plan.sources for name in source.channels]
        units = sorted({self.plan.channels[n].unit if n in self.plan.channels else "" for n in names})
        frames: list[Any] = []
        code = 0
        for source, (seq, at, spread, flags, values) in zip(self.plan.sources, self._tables(), strict=True):
            for k, name in enumerate(source.channels):
                unit = self.plan.channels[name].unit if name in self.plan.channels else ""
                count = len(seq)
                number = np.full(count, code + k, np.int32)
                unit_number = np.full(count, units.index(unit), np.int8)
                over, repeat = (flags >> np.uint64(bit) & np.uint64(1) == 1 for bit in (k, 32 + k))
                frames.append((at, number, values[k], unit_number, spread, over, repeat, seq))
            code += len(source.channels)
        columns = (
            [np.concatenate(column) for column in zip(*frames, strict=True)] if frames else [np.zeros(0)] * 8
        )
        order = np.lexsort((columns[1], columns[7]))
        time, channel, value, unit_code, spread, over, repeat, seq = (column[order] for column in columns)
        unique = list(dict.fromkeys(names))
        position = np.array([unique.index(name) for name in names] or [0])
        return pd.DataFrame(
            {
                "time": time,
                "channel": pd.Categorical.from_codes(position[channel.astype(int)], pd.Index(unique)),
                "value": value,
                "unit": pd.Categorical.from_codes(unit_code.astype(int), pd.Index(units)),
                "spread": spread,
                "overloaded": over,
                "repeat": repeat,
                "seq": seq.astype(np.int64),
            }
        )

    def channel(self, name: str, fresh: bool = False) -> tuple[Any, Any]:
        """Times (s) and values (SI) of one channel, with `fresh` without what the meter had said before and not updated.

        Raises `KeyError` for a channel that the run did not read.
        """
        import numpy as np

        found: list[tuple[Any, ...]] = []
        for source, part in zip(self.plan.sources, parts.source_parts(self.plan.sources), strict=True):
            if name in source.channels:
                raw = self.part(part)
                if raw is not None:
                    schema = parts.readings_schema(source, self.plan.channels)
                    table = tables.open_table(raw, part, schema, self.most_rows)
                    if not fresh:
                        found += (tuple(batch) for batch in table.batches(["at", name]))
                        continue
                    bit = np.uint64(32 + source.channels.index(name))
                    for at, values, flags in table.batches(["at", name, "flags"]):
                        new = flags.astype(np.uint64) >> bit & np.uint64(1) == 0
                        found.append((at[new], values[new]))
                elif not found:
                    found.append((np.zeros(0), np.zeros(0)))
        if not any(name in source.channels for source in self.plan.sources):
            raise KeyError(f"{name}: no such channel; there are {', '.join(sorted(self.plan.channels))}")
        if not found:  # a table without rows
            return np.zeros(0), np.zeros(0)
        return np.concatenate([t for t, _ in found]), np.concatenate([v for _, v in found])

    def _tables(self) -> Iterator[tuple[Any, Any, Any, Any, list[Any]]]:
        import numpy as np

        for source, part in zip(self.plan.sources, parts.source_parts(self.plan.sources), strict=True):
            raw = self.part(part)
            if raw is None:
                empty = np.zeros(0)
                yield (
                    np.zeros(0, np.int64),
                    empty,
                    empty,
                    np.zeros(0, np.uint64),
                    [empty] * len(source.channels),
                )
                continue
            schema = parts.readings_schema(source, self.plan.channels)
            table = tables.open_table(raw, part, schema, self.most_rows)
            columns = table.columns() or [np.zeros(0) for _ in table.codings]
            seq, _, at, spread, flags, *values = columns
            yield seq, at, spread, flags.astype(np.uint64), values

    # ---- proof

    def verify(self, trust: Any = None, allow_unsigned: bool = False) -> "Verification":
        """Whether the record is what was sealed; see `benchrunner.record.verify.verify`."""
        from benchrunner.record.verify import verify

        return verify(self.path, trust, allow_unsigned)

    def rejudge(self) -> Any:
        """Feed the record's own inputs through the core again; see `benchrunner.record.again.rejudge`."""
        from benchrunner.record.again import rejudge

        return rejudge(self)


def _is_event(event: Any) -> bool:
    return (
        isinstance(event, dict)
        and isinstance(event.get("at"), int | float)
        and isinstance(event.get("kind"), str)
        and isinstance(event.get("data"), dict)
    )


def _is_check(check: Any) -> bool:
    return isinstance(check, dict) and all(
        isinstance(check.get(key), str) for key in ("step", "id", "verdict")
    )
