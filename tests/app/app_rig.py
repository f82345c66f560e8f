"""An engine that a test plays, and what tests do with a window."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtCore import QRect, Qt
from PySide6.QtWidgets import QApplication, QTableWidget

from benchrunner.app.link import EngineLink
from benchrunner.app.window import Window

Event = dict[str, Any]
SERVED = Path(__file__).resolve().parents[2] / "resources/benches/loopback.toml"


def assert_written_out(table: QTableWidget) -> None:
    """Every cell is as large as its text needs."""
    for row in range(table.rowCount()):
        for column in range(table.columnCount()):
            item = table.item(row, column)
            room = table.visualItemRect(item).adjusted(3, 0, -3, 0)
            flags = int(Qt.TextFlag.TextWordWrap)
            needed = table.fontMetrics().boundingRect(QRect(0, 0, room.width(), 10_000), flags, item.text())
            assert needed.width() <= room.width() and needed.height() <= room.height(), item.text()


class FakeLink:
    """Stands in for an engine where a test wants to say what comes and to see what is asked for."""

    def __init__(self) -> None:
        self.waiting: list[Event] = []
        self.wishes: list[tuple[str, str]] = []
        self.alive = True

    @property
    def gone(self) -> bool:
        return not self.alive

    def poll(self) -> list[Event]:
        found, self.waiting = self.waiting, []
        return found

    def make_safe(self, why: str, by: str = "") -> None:
        self.wishes.append(("make safe", why))

    def pause(self) -> None:
        self.wishes.append(("pause", ""))

    def resume(self) -> None:
        self.wishes.append(("resume", ""))

    def answer(self, text: str, by: str = "", to: str = "") -> None:
        self.wishes.append(("answer", f"{text} to {to}"))

    def hang_up(self) -> None:
        self.wishes.append(("hang up", ""))

    def ends(self, **facts: Any) -> None:
        """The engine says how the run ended, and is gone."""
        data = {
            "exit": 0, "verdict": "pass", "ended_by": "procedure", "reason": "the procedure came to its end", "finished": True,
            "safe": "confirmed", "safe_text": "Sources off.", "simulated": True, "signed": False, "record": "", "journal": "",
            "problems": [],
        }  # fmt: skip
        self.waiting.append({"at": 0.0, "kind": "ended", "data": data | facts})
        self.alive = False


class Screen:
    """A window and what tests do with it."""

    def __init__(self, window: Window, out: Path) -> None:
        self.window, self.out = window, out

    def until(self, holds: Callable[[], bool], patience: float = 120.0, what: str = "") -> None:
        """Let the window work until something holds."""
        deadline = time.monotonic() + patience
        while not holds():
            assert time.monotonic() < deadline, f"waited {patience} s in vain: {what}; {self.stands()}"
            QApplication.processEvents()
            time.sleep(0.005)

    def stands(self) -> str:
        """How the run stands, for messages."""
        run, link = self.window.run, self.window.link
        said = link._session.said[-5:] if isinstance(link, EngineLink) else ""
        return f"at {run.at:.1f} s, {run.state!r}, ended {run.ended}, engine said {said}"

    def let(self, seconds: float) -> None:
        """Let the window work for a while."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            QApplication.processEvents()
            time.sleep(0.005)

    def ready(self) -> "Screen":
        """Wait until the chosen run is worked out, and say that the cautions were read."""
        page = self.window.prepare
        self.until(lambda: page.current_preview is not None and not page.is_working, what="the preview")
        page.read.setChecked(True)
        page.out.setText(str(self.out))
        return self

    def choose_bench(self, card: Path) -> None:
        """Choose the bench of this card, and wait until the run is worked out for it."""
        page = self.window.prepare
        page._take_file(page.benches, str(card))
        self.until(
            lambda: (
                not page.is_working
                and page.current_preview is not None
                and page.current_preview.bench == str(card)
            ),
            what="the preview of the bench",
        )

    def started(self) -> FakeLink:
        """Start a run on a link that the test plays."""
        link = FakeLink()
        self.window._start_link = lambda request: link  # type: ignore[assignment,return-value]
        self.ready()
        self.window.start_run()
        assert self.window.link is link  # type: ignore[comparison-overlap]
        return link
