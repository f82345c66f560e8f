"""Hostile records: bombs, names that lead elsewhere, JSON and Parquet that no run writes. One clear error, bounded time and memory.

The records here are forged with care: digests and signature fit, so that reading meets what is inside.
"""

import io
import json
import random
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import forged
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import record_sample

from benchrunner.record import canonical, container, tables
from benchrunner.record.container import ContainerError
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

BUS = "readings/bus.parquet"
WAVE = "waveforms/0001.parquet"
Members = dict[str, bytes]


@pytest.fixture(scope="module")
def members(tmp_path_factory: pytest.TempPathFactory) -> Members:
    folder = tmp_path_factory.mktemp("whole")
    record_sample.write(folder / "run", count=12)
    return forged.members_of(seal(folder / "run", folder / "x.bench", SigningKey.from_seed("o", bytes(32))))


def use_all(path: Path) -> None:
    """All that a reader does with a record. Raises what reading raises."""
    record = Record.open(path)
    _ = record.title, record.verdict, record.checks, record.plan, record.events, record.readings
    list(record.inputs())
    _ = [w.samples for w in record.waveforms]


def trouble(path: Path) -> str:
    """What is said of a record that cannot be read, one problem in three parts, printable; nothing where it can be."""
    try:
        use_all(path)
    except ContainerError as error:
        (problem,) = error.problems
    else:
        return ""
    text = str(problem)
    assert problem.where
    assert problem.what
    assert problem.mend
    assert len(text) < 600
    assert all(c.isprintable() or c == "\n" for c in text), text
    return text


def refused(path: Path) -> str:
    """As `trouble`, of a record that must not be read."""
    text = trouble(path)
    assert text, "read as if nothing were wrong"
    return text


# ---- JSON


@pytest.mark.parametrize("part", ["plan.json", "events.jsonl", "inputs.jsonl"])
@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b'{"at":NaN}', "no number in JSON"),
        (b'{"at":-Infinity}', "no number in JSON"),
        (b"[" * 100_000, "nested more than 60 deep"),
        (b'{"a":1,"a":2}', "a key stands twice"),
        (b"\xff\xfe", "not UTF-8"),
        (b"{", "is not JSON"),
        (b"9" * 5000, "is not JSON"),
    ],
)
def test_json_that_no_record_has(part: str, raw: bytes, words: str, members: Members, tmp_path: Path) -> None:
    end = b"" if part == "plan.json" else b"\n"
    said = refused(forged.forge(tmp_path / "x.bench", {**members, part: raw + end}))
    assert words in said
    assert part in said


def test_json_that_is_too_much(members: Members, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    huge = b'{"a":[' + b"0," * (canonical.LARGEST // 2) + b"0]}"
    for part in ("plan.json", "events.jsonl"):
        said = refused(forged.forge(tmp_path / "x.bench", {**members, part: huge}))
        assert f"at most {canonical.LARGEST}" in said or "a line without an end" in said


def test_odd_things_in_every_json_member(members: Members, tmp_path: Path, store: Store) -> None:
    """A seeded sample: one value replaced, removed, doubled or renamed. It reads, or there is one error in words."""
    draw = random.Random(77)
    read = 0
    for _ in range(120):
        name = draw.choice(["header.json", "plan.json", "events.jsonl", "inputs.jsonl"])
        changed = forged.twist_member(members, name, draw)
        header = json.loads(changed["header.json"])
        if not isinstance(header, dict):
            continue
        path = forged.forge(tmp_path / "x.bench", {**changed, "header.json": members["header.json"]}, header)
        verify(path, store=store)
        said = trouble(path)
        read += not said
        if not said:
            Record.open(path).rejudge()
    assert 10 < read < 110


# ---- Parquet


def parquet(columns: dict[str, Any], fields: list[Any] | None = None, **how: Any) -> bytes:
    table = pa.table(columns, schema=pa.schema(fields) if fields is not None else None)
    sink = io.BytesIO()
    pq.write_table(table, sink, **how)
    return sink.getvalue()


def good() -> dict[str, Any]:
    """The columns of the bus meter as version 1 has them."""
    return {
        "seq": pa.array([1, 2], pa.int64()), "arrived": pa.array([0.1, 0.2]), "at": pa.array([0.1, 0.2]),
        "spread": pa.array([0.1, 0.1]), "flags": pa.array([0, 0], pa.uint64()),
        "bus.voltage": pa.array([230.0, 230.0]), "bus.frequency": pa.array([50.0, 50.0]),
    }  # fmt: skip


def coded(name: str, coding: dict[str, str], kind: Any = None) -> list[Any]:
    """Fields of `good` with a coding on one of them."""
    fields = [pa.field(n, c.type) for n, c in good().items()]
    return [pa.field(f.name, kind or f.type, True, coding) if f.name == name else f for f in fields]


def lying_rows(raw: bytes) -> bytes:
    """The footer announces other row counts than there are rows."""
    size = int.from_bytes(raw[-8:-4], "little")
    footer = bytearray(raw[-8 - size : -8])
    # num_rows: field 3 of FileMetaData, a zigzag varint: 2 rows are 0x04 behind the field's header 0x16
    at = footer.index(b"\x16\x04")
    footer[at + 1 : at + 2] = b"\x80\x80\x80\x80\x80\x80\x04"
    return raw[: -8 - size] + bytes(footer) + len(footer).to_bytes(4, "little") + b"PAR1"


TABLES: dict[str, tuple[Callable[[], bytes], str]] = {
    "text where numbers belong": (lambda: parquet({**good(), "bus.voltage": ["a", "b"]}), "other columns"),
    "lists": (lambda: parquet({**good(), "bus.voltage": [[1.0], [2.0]]}), "other columns"),
    "structures": (lambda: parquet({**good(), "bus.voltage": [{"a": 1.0}] * 2}), "other columns"),
    "decimals": (
        lambda: parquet({**good(), "bus.voltage": pa.array([1, 2], pa.decimal128(38, 3))}),
        "other columns",
    ),
    "float32": (lambda: parquet({**good(), "bus.voltage": pa.array([1, 2], pa.float32())}), "other columns"),
    "whole numbers without a coding": (lambda: parquet({**good(), "bus.voltage": [1, 2]}), "other columns"),
    "a column too few": (
        lambda: parquet({n: c for n, c in good().items() if n != "bus.frequency"}),
        "other columns",
    ),
    "a column too many": (lambda: parquet({**good(), "more": [1.0, 2.0]}), "other columns"),
    "columns in another order": (
        lambda: parquet(dict(reversed(good().items()))),
        "other columns",
    ),
    "an unknown coding": (
        lambda: parquet(good(), coded("bus.voltage", {"coding": "secret"})),
        "unknown coding 'secret'",
    ),
    "an exponent beyond all": (
        lambda: parquet(
            {**good(), "bus.voltage": pa.array([1, 2])},
            coded("bus.voltage", {"coding": "decimal", "exponent": "400"}, pa.int64()),
        ),
        "exponent '400'",
    ),
    "an exponent that is none": (
        lambda: parquet(
            {**good(), "bus.voltage": pa.array([1, 2])},
            coded("bus.voltage", {"coding": "decimal", "exponent": "x\x1b[31m"}, pa.int64()),
        ),
        "exponent",
    ),
    "flags in decimals": (
        lambda: parquet(
            {**good(), "flags": pa.array([1, 2])},
            coded("flags", {"coding": "decimal", "exponent": "1"}, pa.int64()),
        ),
        "other columns",
    ),
    "rows that are not there": (lambda: lying_rows(parquet(good())), "rows"),
    "nothing": (lambda: b"", "cannot be read as Parquet"),
    "text": (lambda: b"PAR1 this is no Parquet PAR1", "cannot be read as Parquet"),
    "a footer larger than the file": (lambda: b"PAR1" + b"\xff\xff\xff\x7f" + b"PAR1", "cannot be read"),
}


@pytest.mark.parametrize("what", list(TABLES))
def test_tables_that_no_record_has(what: str, members: Members, tmp_path: Path) -> None:
    make, words = TABLES[what]
    said = refused(forged.forge(tmp_path / "x.bench", {**members, BUS: make()}))
    assert BUS in said
    assert words in said, said


@pytest.mark.parametrize(
    "columns",
    [
        {"bus.voltage": ["a", "b"]},
        {"bus.voltage": [[1.0], [2.0]]},
        {"bus.voltage": [{"a": 1.0}] * 2},
        {"bus.voltage": pa.array([b"x", None])},
        {"bus.voltage": pa.array([True, None])},
        {"bus.voltage": pa.array([None, None])},
    ],
)
def test_waveforms_that_no_record_has(columns: dict[str, Any], members: Members, tmp_path: Path) -> None:
    assert WAVE in refused(forged.forge(tmp_path / "x.bench", {**members, WAVE: parquet(columns)}))


def test_too_many_rows(members: Members, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MOST_ROWS", 1)
    path = forged.forge(tmp_path / "x.bench", {**members, BUS: parquet(good())})
    assert "announces 2 rows" in refused(path)


def many(rows: int) -> bytes:
    """A table of one reply again and again: a few bytes, however many rows."""
    small = parquet(good())
    table = pq.read_table(io.BytesIO(small))
    whole = pa.table(
        {n: pa.array(np.zeros(rows), table.schema.field(n).type) for n in table.schema.names}, table.schema
    )
    stream = io.BytesIO()
    pq.write_table(
        whole, stream, compression="zstd", row_group_size=rows, max_rows_per_page=rows, data_page_size=1 << 28
    )
    return stream.getvalue()


def test_more_rows_than_the_run_was_long(members: Members, tmp_path: Path) -> None:
    """No instrument answers a hundred thousand times in a minute, whatever the table announces."""
    duration = json.loads(members["header.json"])["duration"]
    assert tables.most_rows(duration) == tables.ROW_GROUP + int(duration * 1000) < 300_000
    raw = many(300_000)
    said = refused(forged.forge(tmp_path / "x.bench", {**members, BUS: raw}))
    assert BUS in said and "announces 300000 rows" in said


def test_more_rows_than_the_bytes_can_hold(members: Members, tmp_path: Path) -> None:
    """A header that claims a year does not help: 3 million rows do not fit into a few kilobytes."""
    raw = many(3_000_000)
    assert len(raw) < 3_000_000 / tables.ROWS_A_BYTE
    header = {**json.loads(members["header.json"]), "duration": 3e7}
    assert tables.most_rows(3e7) == tables.MOST_ROWS == 20_000_000
    said = refused(forged.forge(tmp_path / "x.bench", {**members, BUS: raw}, header))
    assert BUS in said and f"in {len(raw)} bytes" in said


@pytest.mark.parametrize("odd", [None, True, "x", -1, 1e300, [], {}])
def test_durations_that_say_nothing(odd: Any) -> None:
    assert tables.most_rows(odd) == tables.MOST_ROWS


def test_an_honest_table_is_far_from_these_bounds(tmp_path: Path) -> None:
    """The densest that we write: everything constant, at even times."""
    from benchrunner.record.parts import ticks_schema

    count = 500_000
    writer = tables.TableWriter(tmp_path / "t", ticks_schema())
    writer.add([np.arange(count), np.arange(count) * 1.0])
    writer.close()
    size = (tmp_path / "t").stat().st_size
    assert count / size < tables.ROWS_A_BYTE / 3
    assert tables.open_table((tmp_path / "t").read_bytes(), "t", ticks_schema()).rows == count


def test_mutated_tables_under_good_digests(members: Members, tmp_path: Path) -> None:
    """A seeded sample of Parquet files with blocks changed, cut out, doubled; the digests and the signature fit them."""
    draw = random.Random(23)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(150):
        name = draw.choice([name for name in members if name.endswith(".parquet")])
        raw = members[name]
        at, length = draw.randrange(len(raw)), draw.choice((1, 2, 8, 30))
        block = raw[at : at + length]
        new = draw.choice((draw.randbytes(length), b"", block + block, bytes(len(block))))
        path = forged.forge(tmp_path / "x.bench", {**members, name: raw[:at] + new + raw[at + length :]})
        outcomes["refused" if trouble(path) else "read"] += 1
    assert outcomes["refused"] > 50, outcomes


# ---- the container, in a process of its own whose memory is measured

MEASURED = """
import json, resource, sys, time
from pathlib import Path
from benchrunner.record.keys import Store
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify
from benchrunner.errors import Refused
start = time.perf_counter()
result = verify(sys.argv[1], store=Store(Path(sys.argv[2])))
said = ""
try:
    record = Record.open(sys.argv[1])
    _ = record.plan, record.events, record.readings, list(record.inputs())
except Refused as error:
    said = str(error)
taken = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 / (1024 if sys.platform == "darwin" else 1)
print(json.dumps({"ok": result.ok, "findings": [str(f) for f in result.findings], "said": said, "s": taken, "MiB": peak}))
"""


def measured(path: Path) -> dict[str, Any]:
    """Verify and read in a child: what it found, how long it took, and its largest memory. Nothing is written beside."""
    pytest.importorskip("resource", reason="memory is measured as POSIX does")
    before = {p: p.stat().st_size for p in path.parent.rglob("*")}
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(path), str(path.parent / "keys")],
        cwd=path.parent, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert {p: p.stat().st_size for p in path.parent.rglob("*")} == before
    return dict(json.loads(done.stdout))


@pytest.fixture(scope="module")
def usual(members: Members, tmp_path_factory: pytest.TempPathFactory) -> float:
    """MiB that reading a good record takes."""
    found = measured(forged.forge(tmp_path_factory.mktemp("usual") / "x.bench", members))
    assert found["ok"], found
    assert not found["said"]
    return float(found["MiB"])


def test_a_zip_bomb_is_not_unpacked(members: Members, tmp_path: Path, usual: float) -> None:
    """A quarter of a gigabyte of zeros packed into a quarter of a megabyte, as the header and as a table."""
    zeros = bytes(1 << 20)
    for name in ("header.json", BUS):
        path = tmp_path / "bomb.bench"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
            with file.open(name, "w", force_zip64=False) as stream:
                for _ in range(256):
                    stream.write(zeros)
            for other, raw in members.items():
                if other != name:
                    file.writestr(other, raw)
        assert path.stat().st_size < 1 << 20
        found = measured(path)
        assert not found["ok"]
        assert any("packed" in f for f in found["findings"]), found["findings"]
        assert found["said"]
        assert found["s"] < 10
        assert found["MiB"] < usual + 50


def test_too_large_a_header_is_not_read(members: Members, tmp_path: Path, usual: float) -> None:
    """The largest that is read is a long trial: tests/long/test_record_long.py."""
    found = measured(heavy(tmp_path / "x.bench", members, 1))
    assert not found["ok"]
    assert any(f"at most {canonical.LARGEST} belong here" in f for f in found["findings"]), found["findings"]
    assert found["MiB"] < usual + 60
    assert found["s"] < 10


def heavy(path: Path, members: Members, more: int) -> Path:
    """A record whose header is as large as may be, and `more` empty lists: the costliest JSON of a given length."""
    head = members["header.json"][:-1] + b',"zz":['
    count = (canonical.LARGEST - len(head) - 4) // 3 + more
    container.write(path, list({**members, "header.json": head + b"[]," * count + b"[]]}"}.items()))
    return path


def test_names_that_lead_elsewhere_write_nothing(members: Members, tmp_path: Path) -> None:
    for name in (
        "../evil",
        "/tmp/evil-of-a-test",
        "signatures/../../evil",
        "C:\\evil",
        "a\\..\\evil",
        "~/evil",
    ):
        folder = tmp_path / "in"
        folder.mkdir(exist_ok=True)
        path = folder / "x.bench"
        with zipfile.ZipFile(path, "w") as file:
            for other, raw in [*members.items(), (name, b"evil")]:
                file.writestr(zipfile.ZipInfo(other, (1980, 1, 1, 0, 0, 0)), raw)
        result = verify(path, store=Store(tmp_path / "keys"))
        assert any("its name is none that a record uses" in f.what for f in result.findings)
        assert refused(path)
    assert not list(tmp_path.rglob("*evil*"))
    assert not Path("/tmp/evil-of-a-test").exists()
