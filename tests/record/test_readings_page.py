"""The lines of the guide's page on readings, run as they are written."""

import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

import benchrunner
from benchrunner import data
from benchrunner.cli.main import main
from benchrunner.record.doors.export import export
from benchrunner.record.doors.mapping import from_file
from benchrunner.record.opened import Record

PAGE = Path(__file__).parents[2] / "resources" / "guide" / "readings.md"
BLOCKS = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.S)
MAPS = re.findall(r"```toml\n(.*?)```", PAGE.read_text("utf-8"), re.S)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("page")
    made = benchrunner.run(
        "grid-loss", out=place / "runs"
    )  # the shipped bench, as the page names its instruments
    shutil.copy(made.path, place / "record.bench")
    record = Record.open(place / "record.bench")
    for kind, name in (("csv", "csv"), ("parquet", "parquet"), ("xlsx", "xlsx"), ("hdf5", "h5")):
        export(record, kind, place / f"readings.{name}")
    return place


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_the_lines_read_the_readings(block: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert len([line for line in block.splitlines() if line.strip()]) in (3, 4)
    names: dict[str, object] = {}
    exec(block, names)  # the guide's own lines
    voltage = names["voltage"]
    times, values = Record.open(folder / "record.bench").channel("battery.voltage")
    assert np.array_equal(np.asarray(voltage.index), times) and np.array_equal(np.asarray(voltage), values)  # type: ignore[attr-defined]


def test_there_are_as_many_as_kinds_of_file_and_one_more() -> None:
    assert len(BLOCKS) == 5


def test_the_map_is_one(tmp_path: Path) -> None:
    assert len(MAPS) == 1
    (tmp_path / "map.toml").write_text(MAPS[0], "utf-8")
    given = from_file(tmp_path / "map.toml")
    assert [(c.channel, c.name, c.sign) for c in given.columns] == [
        ("bus.voltage", "Ubus [V]", 1),
        ("battery.current", "Ibat [A]", -1),
    ]


def test_the_log_is_imported_both_ways(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's own log, with the page's own two commands (without the key, which the reader has)."""
    monkeypatch.chdir(tmp_path)
    text = PAGE.read_text("utf-8")
    log = re.search(r"((?:    [^\n]*;[^\n]*\n){3})", text)
    assert log is not None
    Path("log.csv").write_text("".join(line[4:] + "\n" for line in log[1].splitlines()), "utf-8")
    Path("logger.toml").write_text(MAPS[0], "utf-8")
    shutil.copy(data.folder("resources") / "pairings" / "tarn6-corrie5.toml", tmp_path)
    commands = [line for line in text.splitlines() if line.startswith("    benchrunner import ")]
    assert len(commands) == 2
    signs = []
    for number, command in enumerate(commands):
        words = [w for w in shlex.split(command)[1:] if w not in ("--key", "my-name")]
        if "--out" not in words:
            words += ["--out", "runs"]
        words[words.index("--out") + 1] = f"runs{number}"
        assert main(words) == 0
        (made,) = Path(f"runs{number}").glob("*.bench")
        signs.append(Record.open(made).channel("battery.current")[1].tolist())
    assert signs == [[-3.0, -3.1], [3.0, 3.1]]
