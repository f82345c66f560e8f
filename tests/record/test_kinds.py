"""What is given instead of a record is named, with what to do: by every command that takes one."""

import gzip
import shutil
import sqlite3
import zipfile
from pathlib import Path

import h5py
import pyarrow as pa
import pyarrow.parquet
import pytest
import record_sample

from benchrunner.cli.main import main
from benchrunner.record.container import ContainerError
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines as they are before they are wrapped."""
    monkeypatch.setenv("COLUMNS", "1000")


def _parquet(path: Path) -> None:
    pa.parquet.write_table(pa.table({"a": [1.0]}), path)


def _hdf5(path: Path) -> None:
    h5py.File(path, "w").close()


def _sqlite(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("create table a (b)")
    connection.close()


def _zip(path: Path, *names: str) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name in names:
            file.writestr(name, "text " * 50)


KINDS = {
    "empty": (lambda p: p.write_bytes(b""), "is no record: it is empty", "copied whole"),
    "pdf": (lambda p: p.write_bytes(b"%PDF-1.7\n" + bytes(range(256)) * 40), "begins like a PDF", "reports on"),
    "csv": (lambda p: p.write_text("t;u\n" + "0,1;230,1\n" * 3000), "reads like a CSV", "benchrunner import"),
    "small csv": (lambda p: p.write_text("t,u\n0,230\n1,231\n"), "reads like a CSV", "benchrunner import"),
    "text": (lambda p: p.write_text("Gr\u00fc\u00dfe aus Highmoor.\n" * 400, "utf-8"), "it is a text", "give a record"),
    "html": (lambda p: p.write_text("<!DOCTYPE html>\n<html></html>"), "a web page", "reports on"),
    "json": (lambda p: p.write_text('{"a": 1, "b": [1, 2, 3], "c": 3}'), "like JSON", "give a record"),
    "gzip": (lambda p: p.write_bytes(gzip.compress(b"x" * 100)), "a gzip archive", "unpack"),
    "hdf5": (_hdf5, "an HDF5 file", "exported from"),
    "parquet": (_parquet, "a Parquet file", "exported from"),
    "sqlite": (_sqlite, "an SQLite database", "archive search"),
    "xlsx": (lambda p: _zip(p, "[Content_Types].xml", "xl/workbook.xml"), "ZIP file of another kind", "give a record"),
    "empty zip": (lambda p: _zip(p), "ZIP file that holds nothing", "give a record"),
    "noise": (lambda p: p.write_bytes(bytes(range(128, 256)) * 10), "begin like nothing known", "give a record"),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_named_by_every_command(
    kind: str, sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write, what, mend = KINDS[kind]
    path = tmp_path / "given"
    write(path)
    before = path.read_bytes()
    assert main(["verify", str(path)]) == 1
    said = capsys.readouterr()
    assert what in said.out
    assert mend in said.out
    assert "DOES NOT VERIFY" in said.out
    for words in (["export", str(path), "--to", "csv"], ["report", str(path)], ["compare", str(path), str(sealed)],
                  ["compare", str(sealed), str(path)], ["archive", "add", str(path), "--archive", str(tmp_path / "a")]):  # fmt: skip
        assert main(words) == 2, words
        said = capsys.readouterr()
        assert what in said.err, words
        assert "22 bytes" not in said.err
    assert path.read_bytes() == before
    assert not [p for p in tmp_path.iterdir() if p.is_file() and p != path]


def test_folders_and_journals_lead_to_recovering(
    sealed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = tmp_path / "run"
    record_sample.write(run)
    for given in (run, run / "run.journal"):
        for words in (["verify", str(given)], ["export", str(given), "--to", "csv"], ["report", str(given)],
                      ["compare", str(given), str(sealed)],
                      ["archive", "add", str(given), "--archive", str(tmp_path / "archive")]):  # fmt: skip
            assert main(words) in (1, 2)
            said = capsys.readouterr()
            assert f"benchrunner recover {given}" in said.out + said.err, words
    shutil.copy(sealed, tmp_path / "one.bench")
    assert main(["verify", str(tmp_path)]) == 2
    assert "one of the records in it: one.bench" in capsys.readouterr().err
    assert main(["verify", str(tmp_path / "none")]) == 2
    assert "there is no such file" in capsys.readouterr().err


def test_a_record_cut_anywhere_is_said_to_end_too_early(sealed: Path, tmp_path: Path) -> None:
    raw = sealed.read_bytes()
    names = set()
    for keep in [*range(31, len(raw), max(len(raw) // 60, 1)), len(raw) - 1, len(raw) - 21, len(raw) - 22]:
        path = tmp_path / "cut.bench"
        path.write_bytes(raw[:keep])
        said = " ".join(verify(path).says + [str(f) for f in verify(path).findings])
        assert "22 bytes" not in said, keep
        assert "cut short" in said or "cut off in its first part" in said, keep
        names.add("cut short" in said)
        with pytest.raises(ContainerError, match="cut"):
            Record.open(path)
    assert names == {True, False}


def test_what_is_appended_is_not_said_to_be_cut(sealed: Path, tmp_path: Path) -> None:
    path = tmp_path / "more.bench"
    path.write_bytes(sealed.read_bytes() + b"more")
    assert any("appended" in str(finding) for finding in verify(path).findings)
