"""A key, a sealed and signed record of a small run, and a key store of its own for every test."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import record_sample

from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.seal import seal

KEY = SigningKey.from_seed("highmoor-operator", bytes(range(32)))


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test reads or writes the keys of who runs it."""
    place = tmp_path / "home"
    monkeypatch.setenv("HOME", str(place))
    monkeypatch.setenv("XDG_DATA_HOME", str(place / "data"))
    monkeypatch.setenv("LOCALAPPDATA", str(place / "local"))
    return place


@pytest.fixture
def key() -> SigningKey:
    return KEY


@pytest.fixture(scope="session")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A signed record. Tests must not change it; they copy it."""
    folder = tmp_path_factory.mktemp("sealed")
    record_sample.write(folder / "run")
    return seal(folder / "run", folder / "sample.bench", KEY)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "keys")
