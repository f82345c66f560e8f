"""What the page of preparation needs from files: choices, previews, gates. Read in the background, shown when it is there."""

from collections.abc import Callable
from typing import Any

from benchrunner.app.background import Background
from benchrunner.app.memory import Memory
from benchrunner.app.model import choices, gates, preview
from benchrunner.app.model.mends import here
from benchrunner.app.widgets.notice import NoticeBar
from benchrunner.app.widgets.prepare import PreparePage
from benchrunner.errors import Refused

FIRST = {"procedure": "load-rejection", "pairing": "tarn6-corrie5", "bench": "simulated"}


class Preparing:
    """Joins the page with the background. `load_charts` is called before any file is worked on, `named` after a preview."""

    def __init__(
        self,
        page: PreparePage,
        background: Background,
        notice: NoticeBar,
        memory: Memory,
        load_charts: Callable[[], object],
        named: Callable[[], object],
    ) -> None:
        self._page, self._background, self._notice, self._memory = page, background, notice, memory
        self._load_charts, self._named = load_charts, named
        self._first_time = True
        page.changed.connect(self.ask_preview)
        page.clearance.release_wanted.connect(self.release)
        page.clearance.record_wanted.connect(self.record_check)

    def read_files(self) -> None:
        """Have the files read that can be chosen."""
        self._background.ask("files", lambda: {kind: choices.choices(kind) for kind in choices.KINDS})

    def ask_preview(self) -> None:
        """Have the chosen run worked out."""
        # The charts are loaded first: two threads that import large libraries at once can get half-loaded modules.
        first_time, self._first_time = self._first_time, False
        self._load_charts()
        procedure, pairing, bench = self._page.chosen()
        if procedure and pairing and bench:
            settings = self._page.settings() if self._page.holds(procedure) else {}
            self._page.working()
            base, passing = self._page.setup.port_wanted(), self._page.clearance.passing
            self._background.ask(
                "preview",
                lambda: preview.preview(procedure, pairing, bench, settings, port_base=base, passing=passing),
            )
        if first_time:
            self._background.ask("keys", _keys)

    def release(self, by: str, why: str) -> None:
        """Release the locked bench."""
        shown = self._page.current_preview
        if shown is not None:
            self._background.ask("release", lambda: gates.release(shown.bench, shown.port_base, by, why))

    def record_check(self, done: gates.CheckDone) -> None:
        """Keep a check before power."""
        shown = self._page.current_preview
        if shown is not None:
            self._background.ask("check", lambda: gates.record_check(shown.bench, shown.port_base, done))

    def take_answer(self, name: str, answer: Any, error: BaseException | None) -> None:
        """Show what the background brought."""
        if isinstance(error, Refused):
            self._notice.tell("; ".join(f"{p.where}: {p.what}" for p in map(here, error.problems)), "error")
        elif error is not None:
            self._notice.tell(f"{type(error).__name__}: {error}", "error")
            if name == "preview":
                self._page.failed(f"{type(error).__name__}: {error}")
        elif name == "files":
            self._page.offer(answer, FIRST | self._memory.choices())
        elif name in ("release", "check"):
            self._notice.tell(answer, "info")
            self.ask_preview()
        elif name == "keys":
            self._page.offer_keys(answer)
        elif name == "preview":
            self._page.take(answer)
            self._named()


def _keys() -> list[str]:
    from benchrunner.record.keys import Store

    return [key.name for key in Store().own()]
