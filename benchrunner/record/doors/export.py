"""`export`: the readings of a record for other tools, as CSV, Parquet, XLSX or HDF5. Every number comes back bit for bit.

CSV and Parquet: one row for each reading, channel after channel: `time`, `step`, `channel`, `value`, `unit`. CSV begins
with lines that start with `#`. XLSX: sheets `record`, `checks`, `steps`, and one for each instrument, whose second row
holds the units. HDF5: a group for each instrument under `readings`, each dataset with its `unit`; `steps`, `checks`, `waveforms`.
"""

import json
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchrunner.errors import Problem, Refused
from benchrunner.record.doors import workbook
from benchrunner.record.doors.readings import Floats, Readings, harmless
from benchrunner.record.opened import Record

SUFFIXES = {"csv": ".csv", "parquet": ".parquet", "xlsx": ".xlsx", "hdf5": ".h5"}
ROWS = 65_536
CHECK_TEXTS = ("step", "id", "title", "measure", "of", "unit", "rule", "verdict", "reason")
CHECK_NUMBERS = ("value", "low", "high", "uncertainty", "margin", "at")


def export(
    record: Record | Path | str,
    kind: str,
    out: Path | str = "",
    channels: Sequence[str] = (),
    replace: bool = False,
) -> Path:
    """Write the readings of `record` as `kind` (csv, parquet, xlsx, hdf5) to `out` (beside the record where empty).

    A file of that name stays and is refused, unless `replace`: then it is replaced at once when the new one is whole.
    Raises `Refused`.
    """
    if kind not in SUFFIXES:
        raise Refused(
            Problem(f"--to {kind[:20]}", "is no kind of file known here", f"use {', '.join(SUFFIXES)}")
        )
    record = record if isinstance(record, Record) else Record.open(record)
    out = Path(out) if out else record.path.with_suffix(SUFFIXES[kind])
    if out.exists() and out.samefile(record.path):
        raise Refused(Problem(str(out), "is the record itself", "choose another --out"))
    if out.is_dir():
        raise Refused(Problem(str(out), "is a folder", "give a file's name with --out"))
    if os.path.lexists(out) and not replace:
        mend = "give another name with --out, or --replace (in Python: replace=True) to write over it"
        raise Refused(Problem(str(out), "is there already", mend))
    readings = Readings(record, channels)
    draft = out.with_name(f".{out.name}.{os.getpid()}")
    write: dict[str, Callable[[Readings, Path], None]] = {
        "csv": _csv, "parquet": _parquet, "xlsx": workbook.write, "hdf5": _hdf5,
    }  # fmt: skip
    try:
        write[kind](readings, draft)
        os.replace(draft, out)
    except OSError as error:
        raise Refused(
            Problem(
                str(out),
                f"cannot be written: {_why(error)}",
                "make the folder first" if not out.parent.is_dir() else "choose another --out, or free space",
            )
        ) from error
    finally:
        draft.unlink(missing_ok=True)
    return out


def _why(error: OSError) -> str:
    """In the system's own words, without what a library puts round them (a draft's name, addresses in memory)."""
    number = error.errno
    if number is None and (found := re.search(r"errno[ =]+([0-9]{1,3})", str(error))):
        number = int(found.group(1))
    return os.strerror(number) if number else str(error).splitlines()[0][:200]


# ---- one row for each reading


def _schema(readings: Readings) -> Any:
    import pyarrow as pa

    text = pa.dictionary(pa.int32(), pa.string())
    facts = {name: value for name, value in readings.about()}
    about = {
        **facts,
        "units": readings.units,
        "steps": [[s.id, s.title, s.start, s.end] for s in readings.steps],
    }
    fields = [
        pa.field("time", pa.float64(), metadata={"unit": "s"}),
        pa.field("step", text),
        pa.field("channel", text),
        pa.field("value", pa.float64()),
        pa.field("unit", text),
    ]
    return pa.schema(fields, metadata={"benchrunner": json.dumps(about)})


def _batch(
    readings: Readings, name: str, times: Floats, values: Floats, clean: Callable[[str], str] = str
) -> Any:
    """So many readings of one channel as columns; what is no number is empty."""
    import pyarrow as pa

    steps = pa.array(["", *(clean(s.id) for s in readings.steps)])
    zeros = pa.array(np.zeros(len(times), np.int32))
    return [
        pa.array(times),
        pa.DictionaryArray.from_arrays(pa.array(readings.step_numbers(times)), steps),
        pa.DictionaryArray.from_arrays(zeros, pa.array([clean(name)])),
        pa.array(values, mask=np.isnan(values)),
        pa.DictionaryArray.from_arrays(zeros, pa.array([clean(readings.units[name])])),
    ]


def _batches(readings: Readings, clean: Callable[[str], str] = str) -> Any:
    for name, times, values in readings.each():
        for first in range(0, len(times), ROWS):
            part = slice(first, first + ROWS)
            yield _batch(readings, name, times[part], values[part], clean)


def _parquet(readings: Readings, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = _schema(readings)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for columns in _batches(readings):
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))


def _csv(readings: Readings, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.csv

    schema = pa.schema(
        [(f.name, pa.string() if pa.types.is_dictionary(f.type) else f.type) for f in _schema(readings)]
    )
    with path.open("wb") as stream:
        for name, text in readings.about():
            stream.write(f"# {name}: {text}\n".encode())
        for step in readings.steps:
            stream.write(
                f"# step {step.number}: {harmless(step.id)} from {step.start!r} to {step.end!r}\n".encode()
            )
        options = pyarrow.csv.WriteOptions(quoting_style="needed")
        with pyarrow.csv.CSVWriter(stream, schema, write_options=options) as writer:
            for columns in _batches(readings, harmless):
                plain = [c.cast(pa.string()) if pa.types.is_dictionary(c.type) else c for c in columns]
                writer.write_table(pa.Table.from_arrays(plain, schema=schema))


# ---- a tree


def _hdf5(readings: Readings, path: Path) -> None:
    import h5py

    text = h5py.string_dtype()
    pack = {"compression": "gzip", "compression_opts": 1, "shuffle": True}
    with h5py.File(path, "w") as file:
        for name, value in readings.about():
            file.attrs[name] = value
        groups = file.create_group("readings")
        for table in readings.tables():
            group = groups.require_group(_free(groups, table.source))
            columns: dict[str, tuple[str, Any]] = {"time": ("s", table.times)}
            columns |= {name: (readings.units[name], values) for name, values in table.channels.items()}
            columns["step"] = ("", readings.step_numbers(table.times))
            for name, (unit, values) in columns.items():
                dataset = group.create_dataset(_name(name), data=values, **(pack if len(values) else {}))
                dataset.attrs["unit"] = unit
        steps = np.array(
            [(s.number, s.id, s.title, s.start, s.end) for s in readings.steps],
            [("number", "i4"), ("id", text), ("title", text), ("start", "f8"), ("end", "f8")],
        )
        file.create_dataset("steps", data=steps).attrs["unit"] = "start, end: s"
        kind = [*((n, text) for n in CHECK_TEXTS), *((n, "f8") for n in CHECK_NUMBERS)]
        rows = [
            (*(str(c.get(n) or "") for n in CHECK_TEXTS), *(_float(c.get(n)) for n in CHECK_NUMBERS))
            for c in readings.record.checks
        ]
        file.create_dataset("checks", data=np.array(rows, kind))
        waves = file.create_group("waveforms")
        for number, wave in enumerate(readings.record.waveforms, 1):
            group = waves.create_group(f"{number:04d}")
            group.attrs.update(
                {"step": wave.step, "rate": wave.rate, "start": wave.start, "trigger": wave.trigger}
            )
            for name, unit, part, samples in zip(
                wave.channels, wave.units, wave.prescribed, wave.samples, strict=True
            ):
                dataset = group.create_dataset(_name(name), data=samples, **(pack if len(samples) else {}))
                dataset.attrs["unit"] = unit
                if part:
                    dataset.attrs["prescribed"] = part


def _name(text: str) -> str:
    """A dataset's name: `/` and `.` alone would mean a path."""
    return text.replace("/", "_").strip(".") or "x"


def _free(groups: Any, source: str) -> str:
    name, number = _name(source), 1
    while name in groups:
        number += 1
        name = f"{_name(source)} ({number})"
    return name


def _float(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")
