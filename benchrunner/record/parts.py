"""The parts of a record that hold the run's data, written batch by batch, read back as the core's inputs.

`readings/<source>.parquet`: one row per reply of that instrument: `seq` (number of the input), `arrived`,
`at`, `spread` (s), `flags`, then one column per channel in SI, unit and accuracy in the column's metadata.
`ticks.parquet`: `seq`, `arrived`. `inputs.jsonl`: every other input, one canonical JSON object a line.
`waveforms/NNNN.parquet`: one float64 column per channel; start, rate and trigger in the schema's metadata.
`events.jsonl`: what the core said, in order. All numbers come back bit for bit.

How the columns are coded (record version 2; version 1 had float64 throughout): each field's metadata says `coding`, and so
does the header's list of parts. `arrived` and `at` are `bits`: int64 with the bits of the float64. A channel whose meter
sends decimal digits is `decimal`: whole numbers (int64) with `exponent` digits behind the point, null where there was no
valid reading; else it is `plain` float64. `spread` (float64), `seq` (int64) and `flags` (uint64) are `plain` too. Bit k of `flags`: the
instrument was overloaded on value k; bit 32+k: value k is a repeat of one update of the meter. A stranger reads it in pandas:

    import pyarrow.parquet as pq
    table = pq.read_table("readings/bus-meter.parquet")
    frame = table.to_pandas()
    for field in table.schema:
        coding = (field.metadata or {}).get(b"coding")
        if coding == b"bits":
            frame[field.name] = frame[field.name].to_numpy().view("float64")
        elif coding == b"decimal":
            frame[field.name] = frame[field.name] / 10.0 ** int(field.metadata[b"exponent"])

The division (never a multiplication by 0.01 or the like) gives the meter's number bit for bit; see `benchrunner.record.coding`.
"""

import re
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from heapq import merge
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner.core.messages import Captured, Input, Readings, Tick
from benchrunner.core.plan import Channel, RunPlan, Source
from benchrunner.errors import Problem
from benchrunner.record import canonical, codec
from benchrunner.record.coding import as_it_is
from benchrunner.record.container import ContainerError
from benchrunner.record.tables import MOST_SAMPLES, open_table

LONGEST_LINE = 4 << 20
MOST_CHANNELS = 32  # of one source: `flags` has two bits for each
INPUTS, TICKS, EVENTS, PLAN = "inputs.jsonl", "ticks.parquet", "events.jsonl", "plan.json"


def slug(text: str) -> str:
    """Letters, digits and single dashes of a title or name, for a file name."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60] or "x"


def source_parts(sources: Sequence[Source]) -> list[str]:
    """The part that holds each source's readings, in the order of the plan's sources."""
    names: list[str] = []
    for number, source in enumerate(sources):
        name = f"readings/{slug(source.name)}.parquet"
        names.append(name if name not in names else f"readings/{slug(source.name)}-{number}.parquet")
    return names


def too_wide(sources: Sequence[Source]) -> str:
    """What is said of the first source with more channels than `flags` can tell of; empty where there is none."""
    wide = next((source for source in sources if len(source.channels) > MOST_CHANNELS), None)
    if wide is None:
        return ""
    return f"has {len(wide.channels)} channels in the source {wide.name[:60]!r}; a reply carries at most {MOST_CHANNELS}"


def profile_part(file: str, taken: Container[str]) -> str:
    """The part that holds a profile file that orders of the procedure follow."""
    stem = slug(file.rpartition(".")[0] or file)
    number, name = 1, f"profiles/{stem}.csv"
    while name in taken:
        number += 1
        name = f"profiles/{stem}-{number}.csv"
    return name


def readings_schema(source: Source, channels: Mapping[str, Channel]) -> Any:
    """Columns of a source's readings. (No channel is called like one of the first five: `role.quantity` has a point.)"""
    import pyarrow as pa

    head = [
        pa.field("seq", pa.int64(), False),
        pa.field("arrived", pa.float64(), False, {"unit": "s"}),
        pa.field("at", pa.float64(), False, {"unit": "s"}),
        pa.field("spread", pa.float64(), False, {"unit": "s"}),
        pa.field("flags", pa.uint64(), False),
    ]
    body = []
    for name in source.channels:
        channel = channels.get(name)
        facts = {"channel": name}
        if channel is not None:
            facts |= {
                "unit": channel.unit,
                "of_reading": repr(channel.of_reading),
                "of_range": repr(channel.of_range),
                "resolution": repr(channel.resolution),
                "update": repr(channel.update),
                "window": repr(channel.window),
            }
        body.append(pa.field(name, pa.float64(), False, facts))
    return pa.schema([*head, *body], {"source": source.name, "period": repr(source.period), "format": "2"})


def ticks_schema() -> Any:
    """Columns of the ticks."""
    import pyarrow as pa

    return pa.schema(
        [pa.field("seq", pa.int64(), False), pa.field("arrived", pa.float64(), False, {"unit": "s"})],
        {"format": "2"},
    )


def write_waveform(
    path: Path, data: Mapping[str, Any], shape: Sequence[int], raw: bytes, units: Mapping[str, str]
) -> None:
    """One capture's samples. `data`: the capture as data, without samples. Raises `ValueError` for a shape
    that lies.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    samples = np.frombuffer(raw, dtype="<f8").reshape([int(n) for n in shape])
    names = [str(name) for name in data["channels"]]
    if samples.ndim != 2 or len(names) != samples.shape[0]:
        raise ValueError(f"{len(names)} channels and samples of shape {samples.shape}")
    fields = [
        pa.field(name, pa.float64(), False, {"unit": units.get(name, ""), "channel": name}) for name in names
    ]
    facts = {key: repr(codec.from_data(float, data[key])) for key in ("start", "rate", "trigger")}
    schema = pa.schema(fields, {**facts, "order": str(data["order"]), "format": "2"})
    with path.open("wb") as stream:
        pq.write_table(
            pa.Table.from_arrays([as_it_is(row, pa.float64()) for row in samples], schema=schema),
            stream,
            compression="zstd",
            version="2.6",
            use_dictionary=False,
            use_byte_stream_split=True,
            write_page_checksum=True,
            row_group_size=1 << 20,
        )


# ---- reading back


def lines(buffer: Any, part: str) -> Iterator[Any]:
    """The objects of a part with one JSON object a line. Raises `ContainerError` naming the line."""
    raw = memoryview(buffer)
    position, number = 0, 0
    whole = raw.tobytes()
    while position < len(whole):
        number += 1
        end = whole.find(b"\n", position)
        if end < 0 or end - position > LONGEST_LINE:
            raise ContainerError(
                Problem(f"{part}:{number}", "has a line without an end", "the record is damaged or forged")
            )
        try:
            yield canonical.loads(whole[position:end])
        except canonical.JsonError as error:
            raise ContainerError(
                Problem(f"{part}:{number}", str(error), "the record is damaged or forged")
            ) from error
        position = end + 1


Fetch = Callable[[str], Any]  # a part's name -> its content as a buffer; None where there is none


def inputs(plan: RunPlan, fetch: Fetch, most: int | None = None) -> Iterator[tuple[int, Input]]:
    """All inputs of the run with their numbers, in order, as they were fed; `most` replies of one instrument.

    Raises `ContainerError`.
    """
    streams = [
        _readings(number, source, part, plan, fetch, most)
        for number, (source, part) in enumerate(zip(plan.sources, source_parts(plan.sources), strict=True))
    ]
    yield from merge(*streams, _ticks(fetch), _others(fetch), key=lambda pair: pair[0])


def _readings(
    number: int, source: Source, part: str, plan: RunPlan, fetch: Fetch, most: int | None
) -> Iterator[tuple[int, Input]]:
    buffer = fetch(part)
    if buffer is None:
        return
    table = open_table(buffer, part, readings_schema(source, plan.channels), most)
    for batch in table.batches():
        columns = [column.tolist() for column in batch]
        seq, arrived, at, spread, flags = columns[:5]
        values = zip(*columns[5:], strict=True) if len(columns) > 5 else (() for _ in seq)
        for k, row in enumerate(values):
            yield seq[k], Readings(arrived[k], number, at[k], spread[k], row, flags[k])


def _ticks(fetch: Fetch) -> Iterator[tuple[int, Input]]:
    buffer = fetch(TICKS)
    if buffer is None:
        return
    for batch in open_table(buffer, TICKS, ticks_schema()).batches():
        seq, arrived = (column.tolist() for column in batch)
        for number, time in zip(seq, arrived, strict=True):
            yield number, Tick(time)


def _others(fetch: Fetch) -> Iterator[tuple[int, Input]]:
    buffer = fetch(INPUTS)
    if buffer is None:
        return
    for number, line in enumerate(lines(buffer, INPUTS), 1):
        where = f"{INPUTS}:{number}"
        try:
            seq, part = line.pop("seq"), line.pop("part", "")
            samples = samples_of(fetch(part), part) if part else None
            item = codec.input_from_data(line, samples)
        except (codec.CodecError, KeyError, AttributeError, TypeError) as error:
            raise ContainerError(
                Problem(where, f"is no input: {error}", "the record is damaged or forged")
            ) from error
        if not isinstance(seq, int):
            raise ContainerError(Problem(where, "has no number", "the record is damaged or forged"))
        yield seq, item


def samples_of(buffer: Any, part: str) -> Any:
    """The samples of a waveform part as an array [channel, sample]. Raises `ContainerError`."""
    if buffer is None:
        raise ContainerError(Problem(part, "is missing", "the record is damaged or forged"))
    table = open_table(buffer, part)
    if table.rows * max(len(table.codings), 1) > MOST_SAMPLES:
        raise ContainerError(Problem(part, "announces too many samples", "the record is damaged or forged"))
    columns = table.columns() or [np.zeros(0) for _ in table.codings]
    return np.array(columns, dtype=np.float64).reshape(len(columns), table.rows)


def captured_of(line: Mapping[str, Any]) -> Captured:
    """A capture's facts (without samples) from its line in `inputs.jsonl`."""
    item = codec.input_from_data({key: value for key, value in line.items() if key not in ("seq", "part")})
    if not isinstance(item, Captured):
        raise codec.CodecError("no capture")
    return item
