"""The window: joins the pages with the engine. It polls the engine on a timer and never waits for it."""

import contextlib
import queue
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QTimer
from PySide6.QtGui import QCloseEvent
from PySide6.QtWidgets import QApplication, QMainWindow, QStackedWidget, QVBoxLayout, QWidget

from benchrunner.app import menus
from benchrunner.app.background import Background
from benchrunner.app.copying import Copying
from benchrunner.app.escape import EscapeHold
from benchrunner.app.link import EngineLink
from benchrunner.app.memory import Memory
from benchrunner.app.model import texts
from benchrunner.app.model.mends import text_here
from benchrunner.app.model.run import RunState
from benchrunner.app.preparing import Preparing
from benchrunner.app.records import Records
from benchrunner.app.theme import Theme, Themes
from benchrunner.app.tools import Tools
from benchrunner.app.widgets.focus_ring import FocusRing
from benchrunner.app.widgets.header import Header
from benchrunner.app.widgets.notice import ClosingBar, NoticeBar
from benchrunner.app.widgets.pages import TextPage, help_html
from benchrunner.app.widgets.prepare import PreparePage
from benchrunner.engine.request import RunRequest

if TYPE_CHECKING:
    from benchrunner.app.widgets.find_page import FindPage
    from benchrunner.app.widgets.run_page import RunPage

POLL = 33  # ms


class Window(QMainWindow):
    """Prepare a run, follow it, look at its end. `start_link` starts an engine (tests may watch it)."""

    def __init__(
        self,
        themes: Themes,
        start_link: Callable[[RunRequest], EngineLink] = EngineLink.start,
        memory: Memory | None = None,
    ) -> None:
        super().__init__()
        self.memory = memory or Memory()
        self.themes, self._start_link = themes, start_link
        self.run = RunState()
        self.link: EngineLink | None = None
        self.background = Background()
        self.tools = Tools(self)
        self.late_errors: queue.SimpleQueue[str] = queue.SimpleQueue()  # of other threads
        self._closing = False
        self._may_close = False
        self._ticks = 0
        self._next_drawing = 0.0
        theme = themes.current
        self.header = Header(theme)
        self.notice = NoticeBar(theme)
        self.closing_bar = ClosingBar(theme)
        self.prepare = PreparePage(theme)
        self._run_page: RunPage | None = None
        self._find_page: FindPage | None = None
        self.records = Records(
            self, self.tools, self.notice, lambda: self.run, lambda: self.run_page.show_end()
        )
        self.preparing = Preparing(
            self.prepare, self.background, self.notice, self.memory, lambda: self.run_page, self._name_head
        )
        self.pages = QStackedWidget()
        self.pages.addWidget(self.prepare)
        holder = QWidget()
        layout = QVBoxLayout(holder)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        for part in (self.header, self.notice, self.closing_bar):
            layout.addWidget(part)
        layout.addWidget(self.pages, 1)
        self.setCentralWidget(holder)
        self.statusBar().setSizeGripEnabled(False)  # from the start: one that comes later would move the page
        self.setWindowTitle("benchrunner")
        self.resize(1280, 800)
        self.setMinimumSize(1024, 700)
        if (geometry := self.memory.geometry) is not None:
            self.restoreGeometry(geometry)
        self.prepare.setup.recall(*(self.memory.choice(name) for name in ("speed", "ports", "out")))
        self.copying = Copying(self)
        self.actions_ = menus.build(self, self._calls())
        self.escape = EscapeHold(self)
        application = QApplication.instance()
        assert application is not None
        application.installEventFilter(self.escape)
        self.ring = FocusRing(application, self)  # type: ignore[arg-type]
        self._connect()
        self._timer = QTimer(self)
        self._timer.setInterval(POLL)
        self._timer.timeout.connect(self._tick)
        self._timer.start()
        QTimer.singleShot(0, self.preparing.read_files)

    @property
    def run_page(self) -> "RunPage":
        """The page of the run; built when first needed, since the charts take their time to load."""
        if self._run_page is None:
            from benchrunner.app.widgets.run_page import RunPage

            page = self._run_page = RunPage(self.themes.current)
            self.pages.addWidget(page)
            page.set_run(self.run)
            page.answered.connect(self._answer)
            page.outcome.report_wanted.connect(self.records.report)
            page.outcome.verify_wanted.connect(self.records.verify)
            page.outcome.seal_wanted.connect(self.records.seal)
            page.outcome.folder_wanted.connect(self.records.show_folder)
            page.outcome.again_wanted.connect(lambda: self.show_page("prepare"))
        return self._run_page

    @property
    def find_page(self) -> "FindPage":
        """The page on which instruments are looked for; built when first needed."""
        if self._find_page is None:
            from benchrunner.app.widgets.find_page import FindPage

            self._find_page = FindPage()
            self.pages.addWidget(self._find_page)
        return self._find_page

    # ---------------------------------------------------------------- the run

    def _answer(self, text: str) -> None:
        if self.link is not None:
            asked = self.run.question or {}
            self.link.answer(text, self.prepare.name.text(), str(asked.get("id", "")))

    @property
    def going(self) -> bool:
        """Whether an engine is at work."""
        return self.link is not None and self.run.ended is None

    def start_run(self) -> None:
        """Start what is prepared, if it may."""
        if self.going or not self.prepare.start.isEnabled():
            return
        procedure, pairing, bench = self.prepare.chosen()
        name = self.prepare.name.text().strip()
        shown, passing = self.prepare.current_preview, self.prepare.clearance.passing
        request = RunRequest(
            procedure=procedure,
            pairing=pairing,
            bench=bench,
            settings=self.prepare.settings(),
            speed=self.prepare.speed_chosen(),  # type: ignore[arg-type]
            seed=int(self.prepare.seed.text() or 1),
            out=self.prepare.out.text().strip() or "runs",
            key=str(self.prepare.key.currentData() or ""),
            passphrase=self.prepare.passphrase.text(),
            operator=name,
            acknowledge=name or "a person at the window, not named",
            attended=True,
            live=True,
            port_base=self.prepare.setup.port_base(),
            override=list(passing.gates),
            override_by=passing.by,
            override_why=passing.why,
        )
        self._remember()
        self.notice.clear()
        self.run = RunState()
        if shown is not None:
            self.run.expect(shown.prepared)
        self.run_page.set_run(self.run)
        try:
            self.link = self._start_link(request)
        except OSError as error:
            self.notice.tell(f"The engine could not be started: {error}", "error")
            return
        if shown is not None:
            self.header.name_run(shown.title, str(shown.prepared.get("pairing", "")), shown.simulated)
        self.show_page("run")
        self.run_page.charts.setFocus()
        self._refresh_all()

    def make_safe(self, why: str = "make safe at the window") -> None:
        """Ask the engine to make the bench safe."""
        if self.link is not None and self.run.ended is None:
            self.link.make_safe(why, self.prepare.name.text().strip())
            self.run.safe_asked = True
            self.run.changes += 1
            heard = f"heard: {texts.ends_when(self.run)}" if self.run.getting_ready else "asked for."
            self.notice.tell(
                f"Make safe was {heard} It is no emergency stop: in danger use the hardware one.", "warning"
            )
            self._refresh_all()

    def pause_or_resume(self) -> None:
        """As the button in the head does."""
        if self.header.pause.isEnabled():
            self.header.pause.click()

    def show_page(self, name: str) -> None:
        """Show `prepare`, `run` or `find`."""
        if name == "find":
            self.pages.setCurrentWidget(self.find_page)
            self.find_page.ports.setFocus()
        else:
            self.pages.setCurrentWidget(self.prepare if name == "prepare" else self.run_page)
            if name == "prepare":
                self.prepare.procedures.setFocus()
        self._name_head()

    def _name_head(self) -> None:
        """What the head says while nothing runs: what is shown below it. Nothing is simulated about looking for instruments."""
        shown, page = self.prepare.current_preview, self.pages.currentWidget()
        if self.going:
            return
        if self._run_page is not None and page is self._run_page:
            self._name_run()
        elif page is not self.prepare:
            self.header.name_run("Look for instruments", "", None)
        elif shown is not None:
            pairing = str(shown.prepared.get("pairing", ""))
            self.header.name_run("Prepare a run", pairing, shown.simulated)

    def _name_run(self) -> None:
        """The head names the run and its bench as the engine did, whatever is prepared meanwhile."""
        facts = self.run.prepared
        if facts:
            self.header.name_run(str(facts["procedure"]), str(facts["pairing"]), bool(facts["simulated"]))
        else:
            self.header.name_run("No run yet", "", None)

    def _bench_not_known(self) -> None:
        """Another bench was chosen: until its card is read, the head must not go on calling it what the last one was."""
        if not self.going and self.pages.currentWidget() is self.prepare:
            self.header.name_bench(None)

    def follow(self, seconds: float) -> None:
        """Show the newest `seconds` of the run, or all of it for 0."""
        self.run_page.charts.follow(seconds)

    def show_help(self) -> None:
        """Keys, signs, shapes, safety."""
        TextPage("Help", help_html(), self).show()

    # ---------------------------------------------------------------- errors and the end

    def report_error(self, text: str) -> None:
        """Something in the window failed: make safe first, then say so."""
        if self.link is not None and self.run.ended is None:
            with contextlib.suppress(Exception):
                self.link.make_safe(f"error in the window: {text[:200]}")
        self.notice.tell(f"Error in the window: {text} The engine was asked to make the bench safe.", "error")

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt
        if self._may_close or self.link is None or (not self.going and not self.link.alive):
            self._timer.stop()
            self._remember()
            self.background.close()
            self.tools.close()
            application = QApplication.instance()
            if application is not None:
                application.removeEventFilter(self.escape)
            event.accept()
            return
        event.ignore()
        if self._closing:
            return
        if self.going and not self.closing_bar.asking:
            self.closing_bar.ask()
        else:
            self.close_safely()

    def close_safely(self) -> None:
        """Hang up: the engine makes safe and seals; the window closes once that is done."""
        self._closing = True
        self.closing_bar.wait(texts.ends_when(self.run) if self.going and self.run.getting_ready else "")
        if self.link is None:
            self._finish_closing()
            return
        self.link.hang_up()

    def _finish_closing(self) -> None:
        if (self.run.ended or {}).get("safe") == "not confirmed":
            self._closing = False
            self.closing_bar.hide()
            return  # the alarm stays until a person has seen it and closes again
        self._may_close = True
        self.close()

    # ---------------------------------------------------------------- the timer

    def _tick(self) -> None:
        self._ticks += 1
        if self.link is not None:
            for event in self.link.poll():
                self.run.feed(event)
                if event["kind"] == "prepared":
                    self._name_run()
                elif event["kind"] == "note" and event["data"].get("level") in ("alarm", "error"):
                    text = text_here(str(event["data"].get("text", "")))
                    self.notice.tell(texts.capital(text), str(event["data"]["level"]))
                elif event["kind"] == "guard":
                    self.notice.tell(
                        f"Guard: {event['data'].get('text') or event['data'].get('id')}", "warning"
                    )
                elif event["kind"] == "ended":
                    self._ended(event["data"])
            if self._closing and self.run.ended is not None and self.link.gone:
                self._finish_closing()
        if self._ticks % 2 == 0 and time.monotonic() >= self._next_drawing:
            began = time.monotonic()
            self._refresh_all()
            # Drawing takes a third of this thread's time at most, however much there is to draw and however slow the machine.
            self._next_drawing = time.monotonic() + 2 * (time.monotonic() - began)
        if (
            self._ticks % 30 == 0
            and self._run_page is not None
            and self.pages.currentWidget() is self._run_page
        ):
            self._run_page.describe()
        while not self.late_errors.empty():
            self.report_error(self.late_errors.get())
        for name, answer, error in self.background.answers():
            self.preparing.take_answer(name, answer, error)

    def _refresh_all(self) -> None:
        state = self.header.state.text()
        shown = [
            self.header.title.text(),
            state,
            self.header.bench_says,
        ]
        self.setWindowTitle(" – ".join([part for part in shown if part] + ["benchrunner"]))
        self.escape.armed = self.going
        here = self._run_page is not None and self.pages.currentWidget() is self._run_page
        self.header.refresh(self.run, self.going, here)
        record = bool((self.run.ended or {}).get("record"))
        self.actions_.refresh(self.going, self.prepare.start.isEnabled(), self.header.pause, record)
        if self._run_page is not None and self.pages.currentWidget() is self._run_page:
            self._run_page.refresh()

    def _ended(self, ended: dict[str, Any]) -> None:
        assert self.link is not None
        self.link.hang_up()
        self.escape.cancel()
        if ended.get("safe") == "not confirmed":
            text = "The safe state could NOT be confirmed. Treat the whole bench as live; use its own hardware switches and emergency stop."
            self.notice.tell(text, "alarm")
        else:
            self.notice.clear()
        if self.closing_bar.asking:
            self.closing_bar.wait()
            self._closing = True
        problems = [(p["where"], p["what"], p["mend"]) for p in ended.get("problems", [])]
        if self.run.refused and not problems:
            mend = "start it again; if it stays so, start the window from a terminal and see what it says"
            problems = [
                ("the engine", str(ended.get("reason") or ended.get("ended_by") or "gave no reason"), mend)
            ]
        if problems:
            self.show_page("prepare")
            self.prepare.show_problems(problems)
            self.notice.tell(refusal_line(problems), "warning")
        else:
            self.prepare.clearance.run_over()
        if not ended.get("simulated") or ended.get("locked"):
            self.preparing.ask_preview()  # gates that were passed hold no more, and the bench may be locked now
        self._refresh_all()

    # ---------------------------------------------------------------- inside

    def _calls(self) -> menus.Calls:
        records = self.records
        return menus.Calls(
            show_page=self.show_page,
            start=self.start_run,
            pause=self.pause_or_resume,
            make_safe=self.make_safe,
            close=self.close,
            follow=self.follow,
            show_strip=lambda strip, shown: self.run_page.show_strip(strip, shown),
            report=records.report,
            verify=records.verify,
            folder=records.show_folder,
            other_report=lambda: records.choose_record(records.report),
            other_verify=lambda: records.choose_record(records.verify),
            help=self.show_help,
            themes=self.themes,
        )

    def _remember(self) -> None:
        """Keep what is chosen for the next time."""
        procedure, pairing, bench = self.prepare.chosen()
        setup = self.prepare.setup
        if procedure and pairing and bench:
            self.memory.keep(procedure=procedure, pairing=pairing, bench=bench)
        self.memory.keep(speed=setup.speed_text(), ports=setup.ports.text(), out=setup.out.text().strip())
        self.memory.keep(theme=self.themes.choice)
        self.memory.geometry = self.saveGeometry()

    def _connect(self) -> None:
        self.header.safe_wanted.connect(lambda: self.make_safe("the button Make safe"))
        self.header.pause_wanted.connect(lambda: self.link.pause() if self.link else None)
        self.header.resume_wanted.connect(lambda: self.link.resume() if self.link else None)
        self.escape.held.connect(lambda: self.make_safe("Esc held"))
        self.escape.progress.connect(self._esc_progress)
        self.prepare.start_wanted.connect(self.start_run)
        self.prepare.other_bench.connect(self._bench_not_known)
        self.closing_bar.confirmed.connect(self.close_safely)
        self.themes.changed.connect(self._set_theme)

    def _esc_progress(self, share: float) -> None:
        self.header.make_safe.held = share
        self.header.make_safe.update()

    def _set_theme(self, theme: Theme) -> None:
        for part in (self.header, self.notice, self.closing_bar, self.prepare):
            part.set_theme(theme)
        if self._run_page is not None:
            self._run_page.set_theme(theme)
        if self._find_page is not None:
            self._find_page.set_theme(theme)


def refusal_line(problems: list[tuple[str, str, str]]) -> str:
    """Why a run was refused, in one line; the whole list stands on the page."""
    where, what, _ = problems[0]
    more = len(problems) - 1
    others = f" (and {more} more, listed at the right)" if more else ""
    return f"Refused before anything was switched on: {text_here(where)}: {text_here(what)}{others}."


def error_text(kind: type[BaseException], error: BaseException, trace: Any) -> str:
    """An exception in one line, with the place."""
    frames = traceback.extract_tb(trace)
    place = f" ({Path(frames[-1].filename).name}:{frames[-1].lineno})" if frames else ""
    return f"{kind.__name__}: {error}{place}."
