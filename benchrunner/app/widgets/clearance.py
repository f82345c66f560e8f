"""What must be clear before a run may start: cautions, checks before power, the person, gates and locks, and the start itself."""

from PySide6.QtCore import Signal
from PySide6.QtGui import QFont, QKeySequence
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QPushButton, QTextBrowser, QVBoxLayout, QWidget

from benchrunner.app.model import gates, mends, texts
from benchrunner.app.model.gates import CheckDone, Passing
from benchrunner.app.model.preview import Preview
from benchrunner.app.widgets.controls import CheckBox
from benchrunner.app.widgets.named import PassDialog, ReleaseDialog, lock_html
from benchrunner.app.widgets.pages import escaped
from benchrunner.app.widgets.prove_dialog import ProveDialog
from benchrunner.errors import Problem


class Clearance(QWidget):
    """The right column of the page. `passing_changed`: gates are passed, or no more; `release_wanted`: name, reason;
    `record_wanted`: a check before power that was done, to be kept."""

    start_wanted = Signal()
    passing_changed = Signal()
    release_wanted = Signal(str, str)
    record_wanted = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._preview: Preview | None = None
        self._working = True
        self._refused: tuple[Problem, ...] = ()  # what an engine refused, until something else is chosen
        self.passing = Passing()
        self._also = ""  # what else the page finds wrong
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(6)
        column.addWidget(QLabel("<b>Cautions</b>"))
        self.cautions = QTextBrowser()
        self.cautions.setAccessibleName("Cautions")
        self.cautions.setTabChangesFocus(True)
        self.cautions.setFrameShape(QTextBrowser.Shape.StyledPanel)
        column.addWidget(self.cautions, 3)
        self.read = CheckBox("I have r&ead these cautions")
        self.checked = CheckBox(f"&{texts.PRE_POWER}")
        self.checked.setAccessibleDescription(texts.PRE_POWER_WHICH)
        self._checked_says = QLabel(texts.PRE_POWER_WHICH)
        self._checked_says.setContentsMargins(26, 0, 0, 4)
        self._checked_says.setWordWrap(True)
        self.name = QLineEdit()
        self.name.setAccessibleName("Your name")
        self.name.setPlaceholderText("kept in the record")
        self.name.setMaxLength(80)
        named = QLabel("Your &name")
        named.setBuddy(self.name)
        row = QHBoxLayout()
        row.addWidget(named)
        row.addWidget(self.name, 1)
        column.addWidget(self.read)
        column.addWidget(self.checked)
        column.addWidget(self._checked_says)
        column.addLayout(row)
        self.problems = QTextBrowser()
        self.problems.setAccessibleName("What stands in the way")
        self.problems.setTabChangesFocus(True)
        self.problems.hide()
        column.addWidget(self.problems, 4)
        self.passed = QLabel("")
        self.passed.setWordWrap(True)
        self.passed.hide()
        column.addWidget(self.passed)
        self.release = QPushButton("Rele&ase the bench…")
        self.record = QPushButton("Record a check…  (Ctrl+K)")
        self.record.setShortcut(QKeySequence("Ctrl+K"))  # no letter of its own is left on this page
        self.pass_gates = QPushButton("Pass gates b&y name…")
        self.take_back = QPushButton("&Withdraw what was passed")
        buttons = QHBoxLayout()
        for button, call in (
            (self.release, self.ask_release),
            (self.record, self.ask_check),
            (self.pass_gates, self.ask_passing),
            (self.take_back, self.pass_none),
        ):
            button.hide()
            button.clicked.connect(call)
            buttons.addWidget(button)
        column.addLayout(buttons)
        self.why_not = QLabel("")
        self.why_not.setWordWrap(True)
        column.addWidget(self.why_not)
        self.start = QPushButton("&Start the run")
        self.start.setMinimumHeight(42)
        self.start.setDefault(True)
        big = QFont(self.start.font())
        big.setBold(True)
        big.setPointSizeF(big.pointSizeF() + 1)
        self.start.setFont(big)
        column.addWidget(self.start)
        self.start.clicked.connect(self.start_wanted)
        self.read.toggled.connect(self.allow)
        self.checked.toggled.connect(self.allow)
        self.name.textChanged.connect(self.allow)
        self.allow()

    # ---------------------------------------------------------------- what the page calls

    def take(self, preview: Preview, other_risk: bool) -> None:
        """Show what this run asks for; `other_risk`: another procedure or bench, to be acknowledged anew."""
        self._preview, self._working = preview, False
        if other_risk:
            self.read.setChecked(False)
            self.checked.setChecked(False)
        self.show_texts()
        self._show_problems(preview.problems + (() if other_risk else self._refused))
        self._show_gates()
        self.allow()

    def working(self) -> None:
        """A new preview is on its way."""
        self._working = True
        self.allow()

    def failed(self, problem: Problem) -> None:
        """No preview could be made."""
        self._working, self._preview = False, None
        self._show_problems((problem,))
        self.allow()

    def also(self, why: str) -> None:
        """Something else on the page stands in the way; empty: nothing."""
        self._also = why
        self.allow()

    def other_bench(self) -> None:
        """Something else is chosen: what was passed, or refused, held for what was chosen before."""
        self._refused = ()
        self.pass_none()

    def run_over(self) -> None:
        """A run was not refused: gates are passed for one run only, and on a real bench cautions and checks are said anew."""
        self._refused = ()
        if self._preview is not None and self._preview.simulated is False:
            self.read.setChecked(False)
            self.checked.setChecked(False)
        self.pass_none()

    def refused(self, problems: tuple[Problem, ...]) -> None:
        """What the engine refused."""
        self._refused = problems
        self._show_problems(problems)
        self._show_gates()
        self.problems.setFocus()

    def show_texts(self) -> None:
        """Write cautions and marks anew."""
        preview = self._preview
        if preview is None:
            return
        of_steps = [
            f"During “{step['title']}”: {caution}"
            for step in preview.prepared.get("steps", [])
            for caution in step.get("cautions", [])
            if step.get("repeat", 0) <= 1
        ]
        items = "".join(
            f"<li style='margin-bottom:5px'>{escaped(c)}</li>" for c in (*preview.cautions, *of_steps)
        )
        listed = (
            f"<ul style='margin-left:-22px'>{items}</ul>" if items else "<p>The procedure states none.</p>"
        )
        real = preview.simulated is False
        stop = f"<b>{escaped(texts.NO_EMERGENCY_STOP)}</b>"
        says = escaped(texts.real_says((*preview.cautions, *of_steps)))
        first = f"<p><b>{texts.REAL}.</b> {says} {stop}</p>" if real else ""
        last = "" if real else f"<p>{stop}</p>"  # once, and where it is seen without scrolling
        self.cautions.setHtml(f"{first}{listed}<p>{escaped(texts.DEFERS)}</p>{last}")
        self.start.setText("&Start on the real bench" if real else "&Start the run")
        self.checked.setVisible(real)
        self._checked_says.setVisible(real)

    # ---------------------------------------------------------------- gates and locks

    def ask_passing(self) -> None:
        """Ask who passes which gates, and why."""
        dialog = PassDialog(self._gates(), self)
        dialog.passed.connect(self._take_passing)
        dialog.open()

    def ask_release(self) -> None:
        """Ask who releases the bench, and why."""
        if self._preview is None or self._preview.lock is None:
            return
        dialog = ReleaseDialog(self._preview.lock, self)
        dialog.wanted.connect(self.release_wanted)
        dialog.open()

    def ask_check(self) -> None:
        """Ask which check before power was done, by whom, with what outcome."""
        if self._preview is None or not self._preview.checks:
            return
        dialog = ProveDialog(self._preview.checks, self)
        dialog.done_wanted.connect(self._take_check)
        dialog.open()

    def _take_check(self, done: CheckDone) -> None:
        self.record_wanted.emit(done)

    def pass_none(self) -> None:
        """Take back what was passed."""
        if self.passing.gates:
            self.passing = Passing()
            self._show_gates()
            self.passing_changed.emit()

    def _take_passing(self, passing: Passing) -> None:
        kept = tuple(gate for gate in self.passing.gates if gate not in passing.gates)
        self.passing = Passing((*kept, *passing.gates), passing.by, passing.why)
        self._refused = ()
        self._show_gates()
        self.passing_changed.emit()

    def _gates(self) -> tuple[gates.Gate, ...]:
        shown = self._preview.gates if self._preview is not None else ()
        refused = gates.standing(self._refused)
        names = {gate.name for gate in refused}
        return (*refused, *(gate for gate in shown if gate.name not in names))

    def _show_gates(self) -> None:
        preview = self._preview
        real = preview is not None and preview.simulated is False
        self.release.setVisible(preview is not None and preview.lock is not None)
        self.record.setVisible(real and preview is not None and bool(preview.checks))
        self.pass_gates.setVisible(real and bool(self._gates()))
        self.take_back.setVisible(bool(self.passing.gates))
        self.passed.setVisible(bool(self.passing.gates))
        self.passed.setText(
            f"<b>Passed by name for the next run:</b> {escaped(self.passing.says)}. The record will say so."
        )

    def _show_problems(self, problems: tuple[Problem, ...]) -> None:
        lock = self._preview.lock if self._preview is not None else None
        rows = lock_html(lock) if lock is not None else ""
        others = [p for p in dict.fromkeys(problems) if lock is None or "is locked after" not in p.what]
        self.problems.setVisible(bool(others or rows))
        rows += "".join(
            f"<p><b>{escaped(p.where)}</b><br>{escaped(p.what)}<br><i>Mend:</i> {escaped(p.mend)}</p>"
            for p in map(mends.here, others)
        )
        count = len(others) + (lock is not None)
        self.problems.setHtml(f"<p><b>What stands in the way ({count})</b></p>{rows}")

    def allow(self, *_: object) -> None:
        """Whether the run may start, and if not, why not."""
        preview = self._preview
        real = preview is not None and preview.simulated is False
        why = ""
        if preview is None and not self._working:
            why = "Mend what stands in the way first."
        elif self._working or preview is None:
            why = "Working out the running order…"
        elif preview.lock is not None:
            why = "The bench is locked after a trip. A named person releases it first."
        elif preview.problems:
            why = "Mend what stands in the way first."
        elif self._also and not real:
            why = self._also
        elif not self.read.isChecked():
            why = "Read the cautions and say so."
        elif real and not self.checked.isChecked():
            why = "On a real bench the pre-power checks must be done and recorded."
        elif real and not self.name.text().strip():
            why = "A run on a real bench is armed by a named person."
        self.why_not.setText(why)
        self.start.setEnabled(not why)
