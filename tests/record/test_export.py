"""Exports: every number comes back bit for bit by another library, with units and step marks, and in bounded memory."""

import errno
import gc
import json
import math
import os
import struct
import sys
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest
import record_sample

from benchrunner.cli.main import main
from benchrunner.core.messages import Event, Readings
from benchrunner.core.plan import Channel, RunPlan, Source
from benchrunner.errors import Refused
from benchrunner.record import container
from benchrunner.record.doors import workbook
from benchrunner.record.doors.export import export
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal

AWKWARD = [
    0.1,
    -0.0,
    1 / 3,
    5e-324,
    1.7976931348623157e308,
    2**53 + 2.0,
    230.04,
    1e22,
    123456.789e-9,
    math.nan,
    0.30000000000000004,
]


def bits(values: Any) -> list[bytes]:
    """Each number's own bits; any NaN is one NaN."""
    return [struct.pack(">d", v) if v == v else b"nan" for v in np.asarray(values, np.float64).tolist()]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Record:
    """Two instruments, with numbers that a careless writer rounds."""
    folder = tmp_path_factory.mktemp("export")
    journal = Journal.create(folder / "run", record_sample.facts())
    for k in range(240):
        values = (AWKWARD[k % 11], AWKWARD[(3 * k + 1) % 11])
        at = 0.05 * (k // 2) + 1 / 3
        journal.input(k + 1, Readings(at + 0.01, k % 2, at, 0.1, values, 0))
    for output in record_sample.outputs():
        journal.output(output)
    journal.event(record_sample.ENDED)
    journal.close()
    return Record.open(seal(folder / "run", folder / "sample.bench"))


def channel(record: Record, name: str) -> tuple[Any, Any]:
    of = record.readings[record.readings.channel == name]
    return of["time"].to_numpy(), of["value"].to_numpy()


def step_of(t: float) -> str:
    """The sample's steps begin at 0 s and 3.1 s; the second goes on to the last input."""
    return "island" if t < 3.1 else "drop"


NAMES = ("bus.voltage", "bus.frequency", "battery.voltage", "battery.current")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_rows_come_back_bit_for_bit(record: Record, tmp_path: Path, kind: str) -> None:
    path = export(record, kind, tmp_path / f"x.{kind}")
    if kind == "csv":
        frame = pd.read_csv(path, comment="#", keep_default_na=False, na_values={"value": [""]})
    else:
        frame = pq.read_table(path).to_pandas()
    assert list(frame.columns) == ["time", "step", "channel", "value", "unit"] and len(frame) == 480
    for name in NAMES:
        mine = frame[frame.channel == name]
        times, values = channel(record, name)
        assert bits(mine["time"]) == bits(times) and bits(mine["value"]) == bits(values)
        assert set(mine["unit"]) == {record.plan.channels[name].unit}
        last = times.max()
        assert [s for s, t in zip(mine["step"], times, strict=True) if t < last] == [
            step_of(t) for t in times if t < last
        ]


def test_csv_says_what_it_is_in_its_head(record: Record, tmp_path: Path) -> None:
    lines = export(record, "csv", tmp_path / "x.csv").read_text("utf-8").splitlines()
    head = [line for line in lines if line.startswith("#")]
    assert "# pairing: Tarn-6 with Corrie-5" in head and "# step 1: island from 0.0 to 3.1" in head
    assert any("SIMULATED BENCH" in line for line in head) is record.simulated


def test_parquet_carries_units_and_steps_in_its_metadata(record: Record, tmp_path: Path) -> None:
    import json

    schema = pq.read_schema(export(record, "parquet", tmp_path / "x.parquet"))
    about = json.loads(schema.metadata[b"benchrunner"])
    assert about["units"] == {
        "bus.voltage": "V",
        "bus.frequency": "Hz",
        "battery.voltage": "V",
        "battery.current": "A",
    }
    assert about["steps"][0][:2] == ["island", "Leave the grid"]


def test_workbook_comes_back_bit_for_bit(record: Record, tmp_path: Path) -> None:
    path = export(record, "xlsx", tmp_path / "x.xlsx")
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["record", "checks", "steps", "bus", "battery"]
    for source, names in (("bus", NAMES[:2]), ("battery", NAMES[2:])):
        rows = list(book[source].iter_rows(values_only=True))
        assert rows[0] == ("time", "step", *names)
        assert rows[1] == ("s", None, *(record.plan.channels[n].unit for n in names))
        for k, name in enumerate(names):
            times, values = channel(record, name)
            assert bits([row[0] for row in rows[2:]]) == bits(times)
            mine = [math.nan if row[2 + k] is None else row[2 + k] for row in rows[2:]]
            assert mine == pytest.approx(values.tolist(), nan_ok=True, abs=0, rel=0)
    frame = pd.read_excel(path, sheet_name="battery", skiprows=[1])
    assert list(frame.columns) == ["time", "step", "battery.voltage", "battery.current"]
    checks = list(book["checks"].iter_rows(values_only=True))
    assert [row[1] for row in checks[1:]] == [c["id"] for c in record.checks]


def test_hdf5_comes_back_bit_for_bit(record: Record, tmp_path: Path) -> None:
    with h5py.File(export(record, "hdf5", tmp_path / "x.h5")) as file:
        assert file.attrs["pairing"] == "Tarn-6 with Corrie-5"
        for source, names in (("bus", NAMES[:2]), ("battery", NAMES[2:])):
            group = file["readings"][source]
            assert group["time"].attrs["unit"] == "s"
            for name in names:
                times, values = channel(record, name)
                assert bits(group[name][:]) == bits(values) and bits(group["time"][:]) == bits(times)
                assert group[name].attrs["unit"] == record.plan.channels[name].unit
            ids = {row["number"]: row["id"].decode() for row in file["steps"][:]}
            assert ids[group["step"][0]] == "island" and ids[group["step"][-2]] == "drop"
        assert [row["id"].decode() for row in file["checks"][:]] == [c["id"] for c in record.checks]


def test_waveforms_come_back_bit_for_bit(sealed: Path, tmp_path: Path) -> None:
    record = Record.open(sealed)
    with h5py.File(export(record, "hdf5", tmp_path / "x.h5")) as file:
        group, wave = file["waveforms/0001"], record.waveforms[0]
        assert (group.attrs["rate"], group.attrs["trigger"], group.attrs["step"]) == (2000.0, 6.3, "drop")
        for row, name in zip(wave.samples, wave.channels, strict=True):
            assert bits(group[name][:]) == bits(row)
        assert [group[name].attrs["prescribed"] for name in wave.channels] == ["noise", "noise, harmonics"]


def test_only_what_is_asked_for(record: Record, tmp_path: Path) -> None:
    frame = pd.read_csv(export(record, "csv", tmp_path / "x.csv", ["battery.*", "bus.voltage"]), comment="#")
    assert set(frame.channel) == {"battery.voltage", "battery.current", "bus.voltage"}
    with pytest.raises(Refused, match=r"did you mean battery\.voltage"):
        export(record, "csv", tmp_path / "y.csv", ["battery.voltag"])
    with pytest.raises(Refused, match="no kind of file"):
        export(record, "docx", tmp_path / "y.docx")
    assert not (tmp_path / "y.csv").exists()


def test_the_record_itself_is_never_written_over(record: Record, tmp_path: Path) -> None:
    before = record.path.read_bytes()
    with pytest.raises(Refused, match="is the record itself"):
        export(record, "csv", record.path, replace=True)
    with pytest.raises(Refused, match="cannot be written"):
        export(record, "csv", tmp_path / "no-such-folder" / "x.csv")
    assert record.path.read_bytes() == before


def hostile(folder: Path) -> Record:
    """A record whose names would be formulas in a spreadsheet."""
    name = "=cmd.calc"
    plan = record_sample.plan()
    channels = {name: Channel(name, "V")}
    fields = {n: getattr(plan, n) for n in plan.__dataclass_fields__}
    bad = RunPlan(
        **{**fields, "channels": channels, "sources": (Source("[a]/b:*?" + "x" * 40, (name,), 0.2),) * 2}
    )
    facts = record_sample.facts()
    known = {n: getattr(facts, n) for n in facts.__dataclass_fields__}
    journal = Journal.create(folder / "run", type(facts)(**{**known, "plan": bad}))
    journal.input(1, Readings(0.1, 0, 0.1, 0.1, (1.0,), 0))
    journal.output(Event(0.0, "step", {"index": 0, "id": "@SUM(1)", "phase": "started", "text": ""}))
    journal.output(
        Event(
            0.2, "check", {**record_sample.outputs()[2].data, "id": "+1", "title": "=1+1\x07", "reason": "-2"}
        )
    )
    journal.event(record_sample.ENDED)
    journal.close()
    return Record.open(seal(folder / "run", folder / "bad.bench"))


@pytest.mark.parametrize("kind", ["csv", "parquet", "xlsx", "hdf5"])
def test_a_file_that_is_there_stays_in_python_as_on_the_command_line(
    kind: str, record: Record, tmp_path: Path
) -> None:
    there = tmp_path / "there"
    there.write_text("somebody's work")
    with pytest.raises(Refused, match="is there already") as refused:
        export(record, kind, there)
    assert "replace=True" in refused.value.problems[0].mend and there.read_text() == "somebody's work"
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["there"]
    assert export(record, kind, there, replace=True) == there and there.read_bytes() != b"somebody's work"
    with pytest.raises(Refused, match="is a folder"):
        export(record, kind, tmp_path, replace=True)


def test_no_text_becomes_a_formula(tmp_path: Path) -> None:
    record = hostile(tmp_path)
    path = export(record, "xlsx", tmp_path / "x.xlsx")
    book = openpyxl.load_workbook(path)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert "=cmd.calc" in [cell.value for cell in cells] and "=1+1 " in [cell.value for cell in cells]
    with zipfile.ZipFile(path) as raw:
        assert not [n for n in raw.namelist() if b"<f>" in raw.read(n)]
    lines = export(record, "csv", tmp_path / "x.csv").read_text("utf-8").splitlines()
    cells_ = [cell.strip('"') for line in lines if not line.startswith("#") for cell in line.split(",")]
    assert "'=cmd.calc" in cells_ and not [c for c in cells_ if c[:1] in ("=", "+", "@")]
    with h5py.File(export(record, "hdf5", tmp_path / "x.h5")) as file:
        assert len(file["readings"]) >= 1


@pytest.mark.parametrize("kind", ["csv", "parquet", "hdf5"])
def test_a_large_record_takes_the_memory_of_a_part_of_it(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, kind: str
) -> None:
    """Twelve instruments, 20 000 rows of 4 channels each: 960 000 readings, 15 MB as numbers with their times. Arrays counted."""
    record = large(tmp_path_factory)
    tracemalloc.start()
    try:
        export(record, kind, tmp_path / f"x.{kind}")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 5e6
    assert (tmp_path / f"x.{kind}").stat().st_size > 1e6


_LARGE: list[Record] = []


def large(factory: pytest.TempPathFactory) -> Record:
    if _LARGE:
        return _LARGE[0]
    folder = factory.mktemp("large")
    sources = tuple(Source(f"m{s}", tuple(f"m{s}.c{c}" for c in range(4)), 0.1) for s in range(12))
    plan = record_sample.plan()
    fields = {n: getattr(plan, n) for n in plan.__dataclass_fields__}
    channels = {name: Channel(name, "V") for source in sources for name in source.channels}
    facts = record_sample.facts()
    known = {n: getattr(facts, n) for n in facts.__dataclass_fields__}
    journal = Journal.create(
        folder / "run",
        type(facts)(**{**known, "plan": RunPlan(**{**fields, "channels": channels, "sources": sources})}),
    )
    rng = np.random.default_rng(3)
    seq = 0
    for k in range(20_000):
        values = tuple(rng.random(4).tolist())
        for s in range(12):
            seq += 1
            journal.input(seq, Readings(0.1 * k, s, 0.1 * k, 0.05, values, 0))
    journal.event(Event(2000.0, "ended", {**record_sample.ENDED.data}))
    journal.close()
    _LARGE.append(Record.open(seal(folder / "run", folder / "large.bench")))
    return _LARGE[0]


class Full:
    """A disk with so many bytes left."""

    def __init__(self, stream: Any, left: int) -> None:
        self.stream, self.left = stream, left

    def __enter__(self) -> "Full":
        return self

    def __exit__(self, *_: object) -> None:
        self.stream.close()

    def write(self, content: Any) -> int:
        self.left -= memoryview(content).nbytes
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return int(self.stream.write(content))

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


@pytest.mark.parametrize("left", [0, 100, 3000])
def test_a_full_disk_is_said_once(
    record: Record,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    left: int,
) -> None:
    """The writer of workbooks, broken off, would add a trace for each of its sheets; nothing is left behind."""
    real = Path.open

    def opened(path: Path, mode: str = "r", *rest: Any) -> Any:
        return Full(real(path, mode), left) if mode == "xb" else real(path, mode, *rest)

    monkeypatch.setattr(Path, "open", opened)
    unraised: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", unraised.append)
    with pytest.raises(Refused, match=r"x\.xlsx: cannot be written: No space left on device"):
        export(record, "xlsx", tmp_path / "x.xlsx")
    gc.collect()
    assert unraised == []
    assert capsys.readouterr().err == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["csv", "parquet", "xlsx", "hdf5"])
def test_a_folder_that_is_not_there(record: Record, tmp_path: Path, kind: str) -> None:
    """In the system's own words, and with the name that was given, not a draft's."""
    with pytest.raises(Refused) as refused:
        export(record, kind, tmp_path / "none" / "x")
    assert refused.value.problems[0].what == "cannot be written: No such file or directory"
    assert refused.value.problems[0].mend == "make the folder first"
    assert refused.value.problems[0].where == str(tmp_path / "none" / "x")


def test_fewer_channels_make_a_workbook_possible(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the message says that refuses all of them."""
    monkeypatch.setattr(workbook, "MOST_CELLS", 240)
    with pytest.raises(Refused, match="fewer --channels"):
        export(record, "xlsx", tmp_path / "x.xlsx")
    export(record, "xlsx", tmp_path / "x.xlsx", ["bus.voltage"])


def test_a_record_that_does_not_verify_says_so_in_what_is_exported(
    record: Record, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = bytearray(record.path.read_bytes())
    member = next(m for m in container.survey(record.path).members if m.name == "pairing.toml")
    raw[member.start + 5] ^= 1
    (tmp_path / "changed.bench").write_bytes(raw)
    words = "DOES NOT VERIFY, so this may not be what was sealed: pairing.toml"
    assert main(["export", str(tmp_path / "changed.bench"), "--to", "parquet"]) == 0
    assert words in " ".join(capsys.readouterr().err.split())
    kept = pq.read_schema(tmp_path / "changed.parquet").metadata[b"benchrunner"].decode()
    assert words in kept
    assert "changed" not in json.loads(
        pq.read_schema(export(record, "parquet", tmp_path / "a.parquet")).metadata[b"benchrunner"]
    )
    assert main(["export", str(record.path), "--to", "csv", "--out", str(tmp_path / "a.csv")]) == 0
    assert capsys.readouterr().err == ""
    assert "VERIFY" not in (tmp_path / "a.csv").read_text("utf-8")
