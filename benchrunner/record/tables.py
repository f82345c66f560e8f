"""Tables of numbers in Parquet files: written batch by batch in bounded memory, each column coded as `coding` says; read back."""

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner.errors import Problem
from benchrunner.record.coding import (
    BITS,
    DECIMAL,
    PLAIN,
    PLAIN_KIND,
    Coding,
    as_it_is,
    coding_of,
    decode,
    digits,
    encode,
    fitting,
)
from benchrunner.record.container import ContainerError

ROW_GROUP = 65_536
MOST_SAMPLES = 200_000_000  # of one capture, all its channels together
MOST_ROWS = 20_000_000  # of one table: 23 days at ten readings a second
ROWS_A_BYTE = 256  # our densest table (constant values at even times) comes to 26, ticks alone to 60
ROWS_A_SECOND = 1000  # no instrument answers faster than this, one reply after the other
TIMES = ("arrived", "at")  # columns that are coded as bits
MEND = "the record is damaged or forged"


class TableWriter:
    """Columns of numbers into one Parquet file.

    All numbers have eight bytes. A channel's column is coded as its first rows allow; where later ones do not fit, the file is written again with
    another coding. `codings` says how each column lies there, once the table is closed.
    """

    def __init__(self, path: Path, schema: Any) -> None:
        self.rows = 0
        self.codings: dict[str, Coding] = {}
        self._path = path
        self._schema = schema
        self._file: _File | None = None
        self._kinds = [np.dtype(f.type.to_pandas_dtype()) for f in schema]
        self._pieces: list[Any] = []
        self._gathered = 0
        self._sums = [hashlib.sha256() for _ in schema.names]

    def add(self, columns: Sequence[Any]) -> None:
        """A batch: one array per column of the schema, all of one length. Raises `ValueError` for another shape."""
        pairs = zip(columns, self._kinds, strict=True)
        self.add_cells(np.stack([np.asarray(column, kind).view(np.int64) for column, kind in pairs]))

    def add_cells(self, cells: Any) -> None:
        """A batch as an int64 array [column, row] with the numbers' own bits. Raises `ValueError` for another shape."""
        if len(cells) != len(self._kinds):
            raise ValueError(f"{len(cells)} columns where {len(self._kinds)} belong")
        self._pieces.append(cells)
        self._gathered += cells.shape[1]
        if self._gathered >= ROW_GROUP:
            self._flush()

    def _flush(self) -> None:
        if not self._gathered:
            return
        cells = self._pieces[0] if len(self._pieces) == 1 else np.concatenate(self._pieces, axis=1)
        self._pieces.clear()
        columns = []
        for row, kind, total in zip(cells, self._kinds, self._sums, strict=True):
            column = np.ascontiguousarray(row)
            total.update(column.data)
            columns.append(column.view(kind))
        if self._file is None:
            pairs = zip(self._schema, columns, strict=True)
            self.codings = {f.name: _first_coding(f, column) for f, column in pairs}
            self._file = _File(self._path, self._schema, self.codings)
        while misfit := self._file.write(columns):
            self._write_again(misfit, columns[self._schema.names.index(misfit)])
        self.rows += self._gathered
        self._gathered = 0

    def _write_again(self, name: str, values: Any) -> None:
        """The file anew, because `values` do not fit the coding of the column `name`: with more digits, or as they are."""
        before = self._file
        assert before is not None
        before.close()
        was, wider = self.codings[name], fitting(values, self.codings[name].exponent + 1)
        self.codings[name] = wider if wider.exponent > was.exponent else PLAIN
        old = self._path.with_name(self._path.name + "-before")
        os.replace(self._path, old)
        misfit = ""
        while True:
            self._file = _File(self._path, self._schema, self.codings)
            with old.open("rb") as stream:
                for columns in _row_groups(stream, self._schema.names, before.codings):
                    if misfit := self._file.write(columns):
                        break
            if not misfit:
                break
            self.codings[misfit] = PLAIN
            self._file.close()
        old.unlink()

    def digest(self) -> str:
        """After `close`: the number of rows and the SHA-256 of each column's numbers, little-endian."""
        return ", ".join([str(self.rows), *(total.hexdigest() for total in self._sums)])

    def close(self) -> None:
        """Finish the file; it is closed whatever happens."""
        try:
            self._flush()
        finally:
            if self._file is not None:
                self._file.close()


class _File:
    """A Parquet file as it is written."""

    def __init__(self, path: Path, schema: Any, codings: Mapping[str, Coding]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self.codings = dict(codings)
        fields = [_coded(f, codings[f.name]) for f in schema]
        self.schema = pa.schema(fields, schema.metadata)
        whole = {f.name: "DELTA_BINARY_PACKED" for f in fields if f.type == pa.int64()}
        self._stream = path.open("wb")
        self._writer = pq.ParquetWriter(
            self._stream,
            self.schema,
            compression="zstd",
            version="2.6",
            use_dictionary=[f.name for f in fields if f.name not in whole],
            column_encoding=whole or None,
            write_page_checksum=True,
        )

    def write(self, columns: Sequence[Any]) -> str:
        """Write a row group. Where a column does not fit its coding: its name, and nothing is written."""
        import pyarrow as pa

        arrays = []
        for f, column in zip(self.schema, columns, strict=True):
            if column.dtype == np.float64:
                array = encode(column, self.codings[f.name])
                if array is None:
                    return str(f.name)
            else:
                array = as_it_is(column, f.type)
            arrays.append(array)
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self.schema), row_group_size=ROW_GROUP)
        return ""

    def close(self) -> None:
        """Finish the file."""
        try:
            self._writer.close()
        finally:
            self._stream.close()


def _first_coding(f: Any, column: Any) -> Coding:
    facts = f.metadata or {}
    if b"channel" not in facts:
        return Coding(BITS) if f.name in TIMES else PLAIN
    return fitting(column, digits(float(facts.get(b"resolution", b"0"))))


def _coded(f: Any, coding: Coding) -> Any:
    import pyarrow as pa

    kind = f.type if coding.kind == PLAIN_KIND else pa.int64()
    return pa.field(f.name, kind, coding.kind == DECIMAL, {**(f.metadata or {}), **coding.facts()})


def _row_groups(stream: Any, names: Sequence[str], codings: Mapping[str, Coding]) -> Iterator[list[Any]]:
    import pyarrow.parquet as pq

    table = pq.ParquetFile(stream)
    for number in range(table.num_row_groups):
        group = table.read_row_group(number, use_threads=False).combine_chunks()
        yield [decode(group.column(name).chunk(0), codings[name]) for name in names]


# ---- reading back


class Table:
    """A Parquet part, opened for reading. `codings`: how each column lies there."""

    def __init__(self, file: Any, part: str, codings: dict[str, Coding]) -> None:
        self.part = part
        self.rows: int = file.metadata.num_rows
        self.codings = codings
        self._file = file

    def batches(self, names: Sequence[str] | None = None) -> Iterator[list[Any]]:
        """The columns (all, or those named, in that order) as arrays, 8192 rows at a time. Raises `ContainerError`."""
        wanted = list(self.codings) if names is None else list(names)
        try:
            for batch in self._file.iter_batches(batch_size=8192, columns=wanted, use_threads=False):
                yield [decode(batch.column(name), self.codings[name]) for name in wanted]
        except ContainerError:
            raise
        except Exception as error:
            raise damaged(self.part, error) from error

    def columns(self) -> list[Any]:
        """Every column whole."""
        found = list(self.batches())
        return [np.concatenate(pieces) for pieces in zip(*found, strict=True)] if found else []


def most_rows(duration: Any) -> int:
    """How many replies or ticks a run of `duration` s can have brought; where that is no number, what a table may hold."""
    if isinstance(duration, bool) or not isinstance(duration, int | float) or not 0 <= duration < MOST_ROWS:
        return MOST_ROWS
    return min(MOST_ROWS, ROW_GROUP + int(duration * ROWS_A_SECOND))


def open_table(buffer: Any, part: str, expected: Any = None, most: int | None = None) -> Table:
    """A Parquet part, its columns and its number of rows held against what they can be before anything is decoded.

    A file of a few bytes can announce any number of rows, which then take memory and time: so no more than `most`
    (`MOST_ROWS`), and no more than its bytes can hold. Without `expected` it is a capture. Raises `ContainerError`.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(pa.BufferReader(buffer), page_checksum_verification=True)
        schema = file.schema_arrow
        rows = file.metadata.num_rows
    except Exception as error:  # pyarrow raises a dozen kinds for damaged files
        raise damaged(part, error) from error
    try:
        codings = {f.name: coding_of(f.metadata) for f in schema}
    except ValueError as error:
        raise ContainerError(
            Problem(part, f"has a column coded as {error}", f"take a newer program, or {MEND}")
        ) from error
    if expected is None:
        odd = [f.name for f in schema if f.type != (pa.float64() if codings[f.name] == PLAIN else pa.int64())]
        if odd or len(codings) != len(schema):
            what = "has a column that holds no numbers (float64), or two of one name"
            raise ContainerError(Problem(part, what, MEND))
    else:
        wanted = [
            (f.name, f.type if codings.get(f.name, PLAIN).kind == PLAIN_KIND else pa.int64())
            for f in expected
        ]
        plain = all(f.type == pa.float64() for f in expected if codings.get(f.name, PLAIN).kind != PLAIN_KIND)
        if [(f.name, f.type) for f in schema] != wanted or len(codings) != len(wanted) or not plain:
            raise ContainerError(Problem(part, "has other columns than the plan says", MEND))
    allowed = MOST_SAMPLES if expected is None else MOST_ROWS if most is None else min(most, MOST_ROWS)
    if rows > allowed:
        raise ContainerError(Problem(part, f"announces {rows} rows; at most {allowed} can be in it", MEND))
    size = memoryview(buffer).nbytes
    if expected is not None and rows > ROW_GROUP + size * ROWS_A_BYTE:  # samples may well be all alike
        raise ContainerError(Problem(part, f"announces {rows} rows in {size} bytes", MEND))
    return Table(file, part, codings)


def damaged(part: str, error: Exception) -> ContainerError:
    """What is said of a part that cannot be read."""
    text = "".join(c if c.isprintable() else "?" for c in str(error).split("\n", 1)[0][:200])
    return ContainerError(Problem(part, f"cannot be read as Parquet: {text}", MEND))
