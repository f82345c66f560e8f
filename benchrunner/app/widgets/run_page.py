"""The page of a run: bench picture, what goes on, charts with the course under them, checks and events at the side."""

import time

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFont, QResizeEvent, QTextBlockFormat, QTextCursor, QTextOption
from PySide6.QtWidgets import (
    QFrame,
    QLabel,
    QSplitter,
    QTabWidget,
    QTextEdit,
    QVBoxLayout,
    QWidget,
)

from benchrunner.app.model import course as course_model
from benchrunner.app.model import texts
from benchrunner.app.model.bench import view
from benchrunner.app.model.run import RunState
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.bench_picture import BenchPicture
from benchrunner.app.widgets.charts import StripCharts
from benchrunner.app.widgets.course import CourseView
from benchrunner.app.widgets.ledger import Ledger
from benchrunner.app.widgets.outcome import OutcomePanel
from benchrunner.app.widgets.pages import escaped
from benchrunner.app.widgets.question import QuestionPanel


class RunPage(QWidget):
    """Shows a `RunState`. `refresh` is called by the window's timer and draws only what changed."""

    answered = Signal(str)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._run: RunState | None = None
        self._seen = (-1, -1)
        self._seen_notes = 0
        self._ended_shown = False
        self._asked_at = time.monotonic()  # when the run was asked for
        self.picture = BenchPicture(theme)
        self.step = QLabel("")
        bold = QFont(self.step.font())
        bold.setPointSizeF(bold.pointSizeF() + 1)
        bold.setBold(True)
        self.step.setFont(bold)
        self.wait = QLabel("")
        self.wait.setWordWrap(True)
        self.says = QLabel("")
        self.says.setWordWrap(True)
        self.says.setMinimumHeight(self.fontMetrics().height())
        self.step.setWordWrap(True)  # a laboratory's own titles may be long, and none is cut
        self.step.setMinimumHeight(self.step.fontMetrics().height())
        self.wait.setMinimumHeight(self.fontMetrics().height())
        lines = QFrame()
        holder = QVBoxLayout(lines)
        holder.setContentsMargins(12, 4, 12, 4)
        holder.setSpacing(1)
        holder.addWidget(self.step)
        holder.addWidget(self.says)
        holder.addWidget(self.wait)
        self._lines = lines
        self.question = QuestionPanel(theme)
        self.outcome = OutcomePanel(theme)
        self.charts = StripCharts(theme)
        self.course = CourseView(theme)
        self.polling = QLabel("")
        self.polling.setContentsMargins(6, 1, 6, 3)
        self.polling.setWordWrap(True)  # with every instrument's skew it takes several lines
        self.polling.setAccessibleName("Missed polls")
        self.ledger = Ledger(theme)
        self.events = QTextEdit()
        self.events.setReadOnly(True)
        self.events.setTabChangesFocus(True)
        self.events.setAccessibleName("Events")
        self.events.document().setMaximumBlockCount(2000)
        self.events.setFrameShape(QTextEdit.Shape.NoFrame)
        self.side = QTabWidget()
        self.side.setAccessibleName("Checks and events")
        self.side.tabBar().setAccessibleName("Checks and events")
        self.side.addTab(self.ledger, "Chec&ks")
        self.side.addTab(self.events, "&Events")
        self.side.setMinimumWidth(290)
        left = QWidget()
        drawn = QVBoxLayout(left)
        drawn.setContentsMargins(0, 0, 0, 0)
        drawn.setSpacing(0)
        drawn.addWidget(self.charts, 1)
        drawn.addWidget(self.course)
        drawn.addWidget(self.polling)
        self.split = QSplitter(Qt.Orientation.Horizontal)
        self.split.addWidget(left)
        self.split.addWidget(self.side)
        self.split.setStretchFactor(
            0, 3
        )  # of a wider window the side takes its share: checks have long titles
        self.split.setStretchFactor(1, 1)
        self.split.setSizes([930, 330])
        self.split.setChildrenCollapsible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.picture)
        layout.addWidget(lines)
        layout.addWidget(self.question)
        layout.addWidget(self.outcome)
        layout.addWidget(self.split, 1)
        self.charts.span_changed.connect(self.course.set_span)
        self.charts.redraw_wanted.connect(self._redraw)
        self.question.answered.connect(self.answered)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        for part in (self.picture, self.question, self.outcome, self.charts, self.course, self.ledger):
            part.set_theme(theme)

    def set_run(self, run: RunState) -> None:
        """Show another run."""
        self._run = run
        self._asked_at = time.monotonic()
        self._seen, self._seen_notes, self._ended_shown = (-1, -1), 0, False
        self.events.clear()
        self.outcome.hide()
        self.charts.set_run(run)
        self.refresh(force=True)

    def refresh(self, force: bool = False) -> None:
        """Draw what changed since the last call."""
        run = self._run
        if run is None:
            return
        if (
            run.getting_ready
        ):  # nothing comes for half a minute where kernels are compiled: the time goes on all the same
            self.wait.setText(texts.ready_line(time.monotonic() - self._asked_at))
        seen = (run.changes, run.batches)
        if seen == self._seen and not force:
            return
        changed = run.changes != self._seen[0] or force
        if changed and run.prepared and not self.charts.plots["frequency"].bands:
            self.charts.take_limits()
        self._seen = seen
        bars = course_model.bars(run.steps, run.at, over=run.ended is not None)
        end = max(course_model.expected_end(bars), run.at)
        self.charts.refresh(bars, end)
        self.course.set_edges(*self.charts.edges())
        self.course.show_course(bars, run.checks, run.at, run.ended is not None, run.safe_since)
        self.picture.show_view(view(run), texts.clock(run.at) if run.ended is not None and run.traces else "")
        self._say(run)
        if changed:
            self.ledger.refresh(run)
            self.question.show_question(run.question)
            self._show_notes(run)
            if run.ended is not None and not self._ended_shown:
                self._ended_shown = True
                self.show_end()
                self.ledger.choose_worst()
            self._lines.setVisible(run.ended is None)

    def show_end(self) -> None:
        """Say how the run ended, anew where it has a record by now."""
        if self._run is not None:
            self.outcome.show_end(self._run.ended, self._run.checks)

    def _redraw(self) -> None:
        self._seen = (self._seen[0], -1)

    def show_strip(self, strip: str, shown: bool) -> None:
        """Show or hide one strip of the charts."""
        self.charts.show_strip(strip, shown)
        self.refresh(force=True)

    def describe(self) -> None:
        """Bring the texts for those who do not see up to date; called once a second."""
        self.charts.describe()
        self.picture.describe()
        self.course.setAccessibleDescription(self.course.words())

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt
        super().resizeEvent(event)
        self.course.set_edges(*self.charts.edges())

    def _say(self, run: RunState) -> None:
        line = texts.step_line(run)
        self.step.setText(line)
        self.step.setToolTip(line)
        self.step.setAccessibleName(line)
        ready = run.getting_ready
        wait = texts.ready_line(time.monotonic() - self._asked_at) if ready else texts.wait_line(run)
        self.wait.setText(wait)
        polling = texts.polling_line(run)
        self.polling.setText(polling)
        self.polling.setAccessibleDescription(polling)
        step = run.current
        self.says.setText(
            _said(step.says, step.cautions) if step is not None else escaped(texts.said_before(run))
        )

    def _show_notes(self, run: RunState) -> None:
        """Add the new events, each with its time hanging at the left."""
        marks = {"warning": "! ", "error": "!! ", "guard": "!! ", "alarm": "!!! "}
        cursor = QTextCursor(self.events.document())
        cursor.movePosition(QTextCursor.MoveOperation.End)
        indent = float(self.fontMetrics().horizontalAdvance("0:00:00 "))
        shape = QTextBlockFormat()
        shape.setLeftMargin(indent)
        shape.setTextIndent(-indent)
        shape.setTabPositions([QTextOption.Tab(indent, QTextOption.TabType.LeftTab)])
        for note in run.notes_since(self._seen_notes):
            if self.events.document().isEmpty():
                cursor.setBlockFormat(shape)
            else:
                cursor.insertBlock(shape)
            cursor.insertText(f"{texts.clock(note.at)}\t{marks.get(note.level, '')}{note.text}")
        self._seen_notes = run.notes_ever
        bar = self.events.verticalScrollBar()
        bar.setValue(bar.maximum())


def _said(says: str, cautions: tuple[str, ...]) -> str:
    """What is read out of a step, its cautions first."""
    said = "".join(f"<b>Caution: {escaped(caution)}</b> " for caution in cautions)
    return said + escaped(says)
