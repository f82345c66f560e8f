"""The window without a screen, and one real run whose events the models and widgets are fed with."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # before PySide6 is imported

import gc
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtWidgets import QApplication

sys.path.insert(0, str(Path(__file__).parent))

from app_rig import FakeLink, Screen

from benchrunner.app.main import make_application
from benchrunner.app.theme import Themes
from benchrunner.app.window import Window
from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest

Event = dict[str, Any]


@pytest.fixture(autouse=True)
def own_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads the keys of who runs it. (The home itself stays: compiled kernels are cached there.)"""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("BENCHRUNNER_THEME", raising=False)


@pytest.fixture(scope="session")
def real_run(tmp_path_factory: pytest.TempPathFactory) -> list[Event]:
    """All events of a load rejection on the sound pairing, as a window gets them."""
    out = tmp_path_factory.mktemp("runs")
    session = Session.start(RunRequest("load-rejection", live=True, attended=True, out=str(out)))
    events = list(session.events())
    session.close()
    assert events[-1]["kind"] == "ended", session.said
    assert events[-1]["data"]["exit"] == 0, events[-1]["data"]
    return events


@pytest.fixture(scope="session")
def qapp() -> QApplication:
    """The application as the program makes it."""
    return make_application()


@pytest.fixture
def screen(qapp: QApplication, tmp_path: Path) -> Iterator[Screen]:
    """A window on its own; whatever runs in it is ended with the test."""
    window = Window(Themes(qapp, "light"))
    window.show()
    made = Screen(window, tmp_path / "runs")
    yield made
    if window.link is not None and not isinstance(window.link, FakeLink):
        window.link.hang_up()
        made.until(lambda: window.link is None or window.link.gone, 80.0, "the engine's end")
    window.tools.close()
    window._may_close = True
    window.close()
    window.deleteLater()
    QApplication.processEvents()
    gc.collect()
