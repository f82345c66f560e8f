"""The parts of a record that hold the run's data: written batch by batch, read back as the core's inputs.

`readings/<source>.parquet`: one row per reply of that instrument: `seq` (number of the input), `arrived`,
`at`, `spread` (s), `flags`, then one float64 column per channel in SI, unit and accuracy in the column's
metadata. `ticks.parquet`: `seq`, `arrived`. `inputs.jsonl`: every other input, one canonical JSON object a
line. `waveforms/NNNN.parquet`: one float64 column per channel; start, rate and trigger in the schema's
metadata. `events.jsonl`: what the core said, in order. All numbers come back bit for bit.
"""

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from heapq import merge
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner.core.messages import Captured, Input, Readings, Tick
from benchrunner.core.plan import Channel, RunPlan, Source
from benchrunner.errors import Problem
from benchrunner.record import canonical, codec
from benchrunner.record.container import ContainerError

ROW_GROUP = 65_536
LONGEST_LINE = 4 << 20
MOST_ROWS = 200_000_000
MOST_SAMPLES = 200_000_000
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


class TableWriter:
    """Columns of numbers into one Parquet file, a batch at a time, in bounded memory."""

    def __init__(self, path: Path, schema: Any) -> None:
        import pyarrow.parquet as pq

        self.rows = 0
        self._schema = schema
        self._stream = path.open("wb")
        self._writer = pq.ParquetWriter(
            self._stream, schema, compression="zstd", version="2.6", write_page_checksum=True
        )
        self._columns: list[list[Any]] = [[] for _ in schema.names]
        self._gathered = 0
        self._sums = [hashlib.sha256() for _ in schema.names]

    def add(self, columns: Sequence[Any]) -> None:
        """A batch: one array per column of the schema, all of one length. Raises `ValueError` for another shape."""
        if len(columns) != len(self._columns) or len({len(column) for column in columns}) != 1:
            raise ValueError(
                f"{len(columns)} columns where {len(self._columns)} belong, or of different lengths"
            )
        for kept, column in zip(self._columns, columns, strict=True):
            kept.append(column)
        self._gathered += len(columns[0])
        if self._gathered >= ROW_GROUP:
            self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if not self._gathered:
            return
        arrays = []
        for column, f, total in zip(self._columns, self._schema, self._sums, strict=True):
            whole = np.concatenate(column)
            total.update(whole)
            arrays.append(_column(whole.astype(f.type.to_pandas_dtype(), copy=False), f.type))
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema), row_group_size=ROW_GROUP)
        self.rows += self._gathered
        self._gathered = 0
        for column in self._columns:
            column.clear()

    def digest(self) -> str:
        """After `close`: the number of rows and the SHA-256 of each column's numbers, little-endian."""
        return ", ".join([str(self.rows), *(total.hexdigest() for total in self._sums)])

    def close(self) -> None:
        """Finish the file; it is closed whatever happens."""
        try:
            self._flush()
            self._writer.close()
        finally:
            self._stream.close()


def _column(numbers: Any, kind: Any) -> Any:
    """A numpy column as an Arrow array on the same memory. (`pa.array` would load pandas to ask whether it is one of its.)"""
    import pyarrow as pa

    return pa.Array.from_buffers(kind, len(numbers), [None, pa.py_buffer(np.ascontiguousarray(numbers))])


def numbers_of(column: Any) -> Any:
    """An Arrow array of numbers as a numpy array, NaN for none; without pandas where it can be."""
    kind = np.dtype(column.type.to_pandas_dtype())
    if column.null_count or kind.kind not in "iuf" or not len(column):
        return column.to_numpy(zero_copy_only=False)
    return np.frombuffer(
        column.buffers()[1], dtype=kind, count=len(column), offset=column.offset * kind.itemsize
    )


def readings_schema(source: Source, channels: Mapping[str, Channel]) -> Any:
    """Columns of a source's readings. A channel called like one of the first five columns gets a trailing
    `_`.
    """
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
    return pa.schema([*head, *body], {"source": source.name, "period": repr(source.period), "format": "1"})


def ticks_schema() -> Any:
    """Columns of the ticks."""
    import pyarrow as pa

    return pa.schema(
        [pa.field("seq", pa.int64(), False), pa.field("arrived", pa.float64(), False, {"unit": "s"})],
        {"format": "1"},
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
    schema = pa.schema(fields, {**facts, "order": str(data["order"]), "format": "1"})
    with path.open("wb") as stream:
        pq.write_table(
            pa.Table.from_arrays([_column(row, pa.float64()) for row in samples], schema=schema),
            stream,
            compression="zstd",
            version="2.6",
            use_dictionary=False,
            use_byte_stream_split=True,
            write_page_checksum=True,
            row_group_size=1 << 20,
        )


# ---- reading back


def open_table(buffer: Any, part: str, expected: Any = None) -> Any:
    """A Parquet part, its columns held against `expected` before anything is decoded. Raises
    `ContainerError`.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.ParquetFile(pa.BufferReader(buffer), page_checksum_verification=True)
        schema = table.schema_arrow
        rows = table.metadata.num_rows
    except Exception as error:  # pyarrow raises a dozen kinds for damaged files
        raise _damaged(part, error) from error
    if expected is not None and [(f.name, f.type) for f in schema] != [(f.name, f.type) for f in expected]:
        raise ContainerError(
            Problem(part, "has other columns than the plan says", "the record is damaged or forged")
        )
    if rows > MOST_ROWS:
        raise ContainerError(Problem(part, f"announces {rows} rows", "the record is damaged or forged"))
    return table


def batches(table: Any, part: str, columns: Sequence[str] | None = None) -> Iterator[Any]:
    """Record batches of bounded size. Raises `ContainerError` for damaged pages."""
    try:
        yield from table.iter_batches(
            batch_size=8192, columns=None if columns is None else list(columns), use_threads=False
        )
    except ContainerError:
        raise
    except Exception as error:
        raise _damaged(part, error) from error


def _damaged(part: str, error: Exception) -> ContainerError:
    text = str(error).split("\n", 1)[0][:200]
    return ContainerError(
        Problem(part, f"cannot be read as Parquet: {text}", "the record is damaged or forged")
    )


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


def inputs(plan: RunPlan, fetch: Fetch) -> Iterator[tuple[int, Input]]:
    """All inputs of the run with their numbers, in order, as they were fed. Raises `ContainerError`."""
    streams = [
        _readings(number, source, part, plan, fetch)
        for number, (source, part) in enumerate(zip(plan.sources, source_parts(plan.sources), strict=True))
    ]
    yield from merge(*streams, _ticks(fetch), _others(fetch), key=lambda pair: pair[0])


def _readings(
    number: int, source: Source, part: str, plan: RunPlan, fetch: Fetch
) -> Iterator[tuple[int, Input]]:
    buffer = fetch(part)
    if buffer is None:
        return
    table = open_table(buffer, part, readings_schema(source, plan.channels))
    for batch in batches(table, part):
        columns = [numbers_of(column).tolist() for column in batch.columns]
        seq, arrived, at, spread, flags = columns[:5]
        values = zip(*columns[5:], strict=True) if len(columns) > 5 else (() for _ in seq)
        for k, row in enumerate(values):
            yield seq[k], Readings(arrived[k], number, at[k], spread[k], row, flags[k])


def _ticks(fetch: Fetch) -> Iterator[tuple[int, Input]]:
    buffer = fetch(TICKS)
    if buffer is None:
        return
    for batch in batches(open_table(buffer, TICKS, ticks_schema()), TICKS):
        seq, arrived = (column.to_pylist() for column in batch.columns)
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
    if table.metadata.num_rows * max(table.metadata.num_columns, 1) > MOST_SAMPLES:
        raise ContainerError(Problem(part, "announces too many samples", "the record is damaged or forged"))
    try:
        columns = [
            np.concatenate([np.zeros(0), *map(numbers_of, column.chunks)]) for column in table.read().columns
        ]
        return np.array(columns, dtype=np.float64).reshape(len(columns), table.metadata.num_rows)
    except Exception as error:
        raise _damaged(part, error) from error


def captured_of(line: Mapping[str, Any]) -> Captured:
    """A capture's facts (without samples) from its line in `inputs.jsonl`."""
    item = codec.input_from_data({key: value for key, value in line.items() if key not in ("seq", "part")})
    if not isinstance(item, Captured):
        raise codec.CodecError("no capture")
    return item
