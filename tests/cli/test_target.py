"""Commands that write: what is there already stays unless --replace is given."""

import os
from pathlib import Path

import pytest

import benchrunner
from benchrunner.cli.main import main
from benchrunner.cli.target import target
from benchrunner.errors import Refused

HERE = "what was here"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("runs")
    benchrunner.run("grid-loss", out=folder / "before", seed=2)
    made = benchrunner.run("grid-loss", out=folder)
    return str(made.path)


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (["export", "RECORD", "--to", "csv", "--out"], "readings.csv"),
        (["report", "RECORD", "--out"], "report.html"),
        (["sheet", "tarn6-corrie5", "--from", "FOLDER", "--out"], "sheet.html"),
        (["compare", "RECORD", "BEFORE", "--html"], "page.html"),
        (["keys", "export", "somebody", "--out"], "somebody.json"),
        (["validate", "--part", "array", "--out"], "page.md"),
    ],
)
def test_a_file_that_is_there_stays_unless_told(
    words: list[str], name: str, record: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    for variable in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(variable, str(tmp_path / "home"))
    if words[0] == "keys":
        from benchrunner.record.keys import make

        make("somebody", "a long enough pass phrase")
    there = tmp_path / name
    there.write_text(HERE)
    before = str(next(Path(record).parent.glob("before/*.bench")))
    told = [
        w.replace("RECORD", record).replace("BEFORE", before).replace("FOLDER", str(Path(record).parent))
        for w in words
    ]
    assert main([*told, str(there)]) == 2
    said = capsys.readouterr().err
    assert f"{there}: is there already" in said
    assert "--replace" in said
    assert there.read_text() == HERE
    assert main([*told, str(there), "--replace"]) == 0
    assert there.read_text() != HERE
    assert sorted(p.name for p in tmp_path.iterdir() if p.name != "home") == [name]


def test_schemas_are_written_all_or_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", "--out", str(tmp_path)]) == 0
    made = sorted(tmp_path.iterdir())
    kept = made[-1].read_text()
    for path in made[:-1]:
        path.unlink()
    assert main(["schema", "--out", str(tmp_path)]) == 2
    assert list(tmp_path.iterdir()) == made[-1:]
    assert main(["schema", "--out", str(tmp_path), "--replace"]) == 0
    assert sorted(tmp_path.iterdir()) == made
    assert made[-1].read_text() == kept
    capsys.readouterr()


@pytest.mark.skipif(os.name == "nt", reason="links need a right of their own there")
def test_a_folder_and_a_link_that_leads_nowhere_are_there_too(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="is a folder"):
        target(tmp_path, True)
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "nowhere")
    with pytest.raises(Refused, match="is there already"):
        target(link, False)
    assert target(link, True) == link
    assert target(tmp_path / "free", False) == tmp_path / "free"
