"""The lines of the guide's page on readings, run as they are written."""

import re
from pathlib import Path

import numpy as np
import pytest
import record_sample

from benchrunner.record.doors.export import export
from benchrunner.record.doors.mapping import from_file
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal

PAGE = Path(__file__).parents[2] / "resources" / "guide" / "readings.md"
BLOCKS = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.S)
MAPS = re.findall(r"```toml\n(.*?)```", PAGE.read_text("utf-8"), re.S)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("page")
    record_sample.write(place / "run")
    record = Record.open(seal(place / "run", place / "record.bench"))
    for kind, name in (("csv", "csv"), ("parquet", "parquet"), ("xlsx", "xlsx"), ("hdf5", "h5")):
        export(record, kind, place / f"readings.{name}")
    return place


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_the_lines_read_the_readings(block: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert len([line for line in block.splitlines() if line.strip()]) == 3
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
        ("battery.current", "Ibat", -1),
    ]
