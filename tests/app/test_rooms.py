"""The models know no Qt, and the window opens without the heavy libraries."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import benchrunner.app.model
from benchrunner.app.main import no_screen


def loaded_by(program: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", program + "\nimport sys; print('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return set(done.stdout.split())


def test_no_model_knows_qt() -> None:
    names = sorted(
        path.stem
        for path in Path(benchrunner.app.model.__file__).parent.glob("*.py")
        if path.stem != "__init__"
    )
    assert len(names) >= 7
    modules = loaded_by("\n".join(f"import benchrunner.app.model.{name}" for name in names))
    assert not {m for m in modules if m.startswith(("PySide6", "shiboken6", "pyqtgraph"))}


def test_the_window_is_imported_without_what_only_a_run_needs() -> None:
    modules = loaded_by("import benchrunner.app.main")
    heavy = (
        "numpy",
        "pyqtgraph",
        "pandas",
        "pyarrow",
        "scipy",
        "numba",
        "pvlib",
        "pint",
        "pydantic",
        "pyvisa",
        "pymodbus",
        "jinja2",
        "cryptography",
    )
    assert not {m for m in modules if m.split(".")[0] in heavy}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere there always is one")
def test_without_a_screen_it_is_refused_in_words() -> None:
    environment = {
        k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    }
    done = subprocess.run(
        [sys.executable, "-m", "benchrunner"],
        capture_output=True,
        text=True,
        timeout=60,
        env=environment,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert "no screen" in done.stderr and "mend:" in done.stderr


def test_a_screen_is_asked_for_only_where_one_is_needed() -> None:
    assert no_screen({}, "linux") is not None
    assert no_screen({"DISPLAY": ":0"}, "linux") is None
    assert no_screen({"QT_QPA_PLATFORM": "offscreen"}, "linux") is None
    assert no_screen({}, "win32") is None
