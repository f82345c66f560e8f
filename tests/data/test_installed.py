"""The three data folders are found in a wheel, in an editable install and in the source tree."""

import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.errors import Refused

ROOT = Path(__file__).resolve().parents[2]
LOOK = """
from benchrunner import data
for name in data.FOLDERS:
    print(data.folder(name))
print(data.find("load-rejection", "procedures"))
print(data.find("tarn6-corrie5", "resources", "pairings"))
print(data.find("ac-meter-scpi", "drivers"))
"""


def look(python: Path, cwd: Path) -> list[Path]:
    clean = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        [python, "-c", LOOK], cwd=cwd, capture_output=True, text=True, check=True, env=clean
    )
    return [Path(line) for line in done.stdout.splitlines()]


def fresh_environment(folder: Path) -> Path:
    venv.create(folder, with_pip=False, symlinks=sys.platform != "win32")
    return folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")


def pip(*arguments: object) -> None:
    subprocess.run(
        [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q", *map(str, arguments)],
        check=True,
        cwd=ROOT,
    )


def test_source_tree(tmp_path: Path) -> None:
    assert data.folder("procedures") == ROOT / "procedures"
    assert data.find("load-rejection", "procedures") == ROOT / "procedures" / "load-rejection.toml"


@pytest.mark.slow
def test_wheel(tmp_path: Path) -> None:
    pip("wheel", "--no-deps", "--no-build-isolation", "--wheel-dir", tmp_path, ROOT)
    python = fresh_environment(tmp_path / "env")
    pip("--python", python, "install", "--no-deps", next(tmp_path.glob("*.whl")))
    found = look(python, tmp_path)
    assert len(found) == 6

    for path in found:
        assert path.exists()
        assert (tmp_path / "env") in path.parents  # not from the source tree
        assert "data" in path.parts
    assert (found[2] / "LICENSE").is_file()


@pytest.mark.slow
def test_editable(tmp_path: Path) -> None:
    python = fresh_environment(tmp_path / "env")
    # our own environment has the build backend; the prefix is the fresh one's
    pip(
        "install",
        "--no-deps",
        "--no-build-isolation",
        "--ignore-installed",
        "--prefix",
        tmp_path / "env",
        "-e",
        ROOT,
    )
    for path in look(python, tmp_path):
        assert path.exists()
        assert ROOT in path.parents or path.parent == ROOT  # live, not a copy made at install time


def test_lab_folder_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = tmp_path / "procedures"
    own.mkdir()
    (own / "load-rejection.toml").write_text("# ours\n")
    monkeypatch.setenv("BENCHRUNNER_PATH", str(tmp_path))
    assert data.find("load-rejection", "procedures") == own / "load-rejection.toml"
    assert data.find("grid-loss", "procedures") == ROOT / "procedures" / "grid-loss.toml"


def test_missing_file_lists_what_there_is() -> None:
    with pytest.raises(Refused, match="load-rejection"):
        data.find("lode-rejection", "procedures")
