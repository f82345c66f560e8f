"""A record to report on, and a home of its own."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))

import record_sample

from benchrunner.record.keys import SigningKey
from benchrunner.record.seal import seal


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home" / "data"))


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record signed with a demo key. Tests copy what they change."""
    folder = tmp_path_factory.mktemp("report")
    record_sample.write(folder / "run")
    return seal(folder / "run", folder / "sample.bench", SigningKey.from_seed("try", bytes(32), demo=True))
