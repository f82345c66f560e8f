"""What commands print fits the terminal: 80 columns where there is none."""

import io
from pathlib import Path

import pytest

import benchrunner
from benchrunner.cli.main import main
from benchrunner.cli.words import table
from benchrunner.cli.wrapping import columns, wrapped
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("runs")
    first = benchrunner.run("load-rejection", pairing="tarn6-scree5", out=folder / "a")
    second = benchrunner.run("load-rejection", out=folder / "b", seed=2)
    key = SigningKey.from_seed("a reviewer with a rather long name", bytes(range(1, 33)))
    countersign(first.path, key, comment="seen and repeated, " * 12)
    return str(first.path), str(second.path)


@pytest.mark.parametrize("across", [80, 110, 132])
def test_verify_compare_and_the_checks_fit(
    records: tuple[str, str], across: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if across == 110:  # no terminal
        monkeypatch.delenv("COLUMNS", raising=False)
    else:
        monkeypatch.setenv("COLUMNS", str(across))
    main(["verify", records[0]])
    main(["compare", *records, "--all"])
    main(["archive", "add", *records, "--archive", str(Path(records[0]).parent / "archive")])
    main(["archive", "search", "--archive", str(Path(records[0]).parent / "archive")])
    said = capsys.readouterr()
    lines = [line for line in (said.out + said.err).splitlines() if len(line) > across]
    # what is one word (a path, a digest) stays whole, so that it can be taken over
    assert [line for line in lines if " " in line.strip() and "/" not in line] == []
    sink = io.StringIO()
    table(benchrunner.Record.open(records[0]).checks, sink)
    assert max(map(len, sink.getvalue().splitlines())) <= across


def test_rows_that_do_not_fit_keep_their_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "62")
    sink = io.StringIO()
    columns([("check", "value", "verdict"), ("a" * 30, "12.5 V", "[x] fail " + "b" * 10)], (0, 2), sink)
    assert sink.getvalue().splitlines() == [
        "  " + "check".ljust(30) + "   value  verdict",
        "  " + "a" * 30 + "  12.5 V  [x] fail " + "b" * 10,
    ]
    monkeypatch.setenv("COLUMNS", "50")
    sink = io.StringIO()
    columns([("check", "value", "verdict"), ("a" * 30, "12.5 V", "[x] fail " + "b" * 10)], (0, 2), sink)
    assert sink.getvalue().splitlines() == [
        "  check",
        "       value  verdict",
        "  " + "a" * 30,
        "      12.5 V  [x] fail " + "b" * 10,
    ]


def test_no_word_is_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    path = "/a-folder/" + "x" * 60
    assert path in wrapped(f"    record: {path} and more-of-it").splitlines()[1]
