"""What only a named person does, and says why: passing a gate for one run, releasing a bench after a trip.

Nothing is ticked or filled in beforehand and the return key does not agree, so that nobody clicks through unawares.
"""

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QFrame,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from benchrunner.app.model import texts
from benchrunner.app.model.gates import CAUTIONS, RELEASING, Gate, Lock, Passing
from benchrunner.app.model.signs import with_minus
from benchrunner.app.widgets.controls import FIELDS, CheckBox
from benchrunner.app.widgets.pages import escaped
from benchrunner.report.words import day

LONGEST = 300  # letters of a name or a reason, as the bench's own files hold them


class NamedDialog(QDialog):
    """Cautions, what it is about, who and why; `agree` works only once all of it is there."""

    def __init__(
        self,
        title: str,
        agree: str,
        why: str,
        parent: QWidget | None = None,
        beware: tuple[str, ...] = CAUTIONS,
        answers: str = "I have read &these cautions and answer for what I do here",
    ) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle(title)
        self.setStyleSheet(FIELDS)
        self.resize(680, 560)
        self._layout = QVBoxLayout(self)
        self._layout.setSpacing(8)
        cautions = QLabel(
            "".join(f"<p><b>Caution:</b> {escaped(text)}</p>" for text in beware)
            + f"<p>{escaped(texts.DEFERS)}</p>"
        )
        cautions.setWordWrap(True)
        self._layout.addWidget(cautions)
        self.read = CheckBox(answers)
        self.by, self.why = QLineEdit(), QLineEdit()
        self.by.setPlaceholderText("kept in the record")
        self.why.setPlaceholderText(why)
        form = QFormLayout()
        for field, text in ((self.by, "Your &name"), (self.why, "&Reason")):
            field.setAccessibleName(text.replace("&", ""))
            field.setMaxLength(LONGEST)
            field.textChanged.connect(self._allow)
            form.addRow(text, field)
        self.lacking = QLabel("")
        self.lacking.setWordWrap(True)
        self.agree = QPushButton(agree)
        self.buttons = QDialogButtonBox()
        self.buttons.addButton(self.agree, QDialogButtonBox.ButtonRole.ActionRole)
        self.cancel = self.buttons.addButton(QDialogButtonBox.StandardButton.Cancel)
        for button in (self.agree, self.cancel):
            button.setAutoDefault(False)
            button.setDefault(False)
        self.agree.clicked.connect(self._agreed)
        self.buttons.rejected.connect(self.reject)
        self.read.toggled.connect(self._allow)
        self._form = form

    def _finish(self) -> None:
        """Put the lower half in place, after what the dialog is about."""
        self._layout.addWidget(self.read)
        self._layout.addLayout(self._form)
        self._layout.addWidget(self.lacking)
        self._layout.addWidget(self.buttons)
        self._allow()

    def _lacks(self) -> str:
        """What is still missing, in one sentence; empty: nothing."""
        if not self.read.isChecked():
            return "Read the cautions and say so."
        if not self.by.text().strip():
            return "A named person answers for it: give the name."
        if not self.why.text().strip():
            return "Give the reason; the record keeps it."
        if not (self.by.text().isprintable() and self.why.text().isprintable()):
            return "Name and reason hold characters that cannot be printed."
        return ""

    def _allow(self, *_: object) -> None:
        lacks = self._lacks()
        self.lacking.setText(lacks)
        self.agree.setEnabled(not lacks)

    def _agreed(self) -> None:
        raise NotImplementedError


class PassDialog(NamedDialog):
    """Which gates are passed for the next run; `passed` brings them with name and reason."""

    passed = Signal(object)

    def __init__(self, gates: tuple[Gate, ...], parent: QWidget | None = None) -> None:
        super().__init__(
            "Pass gates by name, for the next run only", "&Pass the chosen gates for the next run",
            "why the run may go on without it; the record keeps this", parent,
        )  # fmt: skip
        self.boxes: dict[str, CheckBox] = {}
        holder = QWidget()
        rows = QVBoxLayout(holder)
        rows.setSpacing(4)
        for gate in gates:
            box = CheckBox(f"Go on without: {gate.name}")
            box.toggled.connect(self._allow)
            shown = [escaped(text) for text in gate.missing[:6]]
            if len(gate.missing) > len(shown):
                shown.append(f"and {len(gate.missing) - len(shown)} more of this kind")
            says = QLabel("<br>".join(shown))
            says.setWordWrap(True)
            says.setContentsMargins(26, 0, 0, 6)
            rows.addWidget(box)
            rows.addWidget(says)
            self.boxes[gate.name] = box
        rows.addStretch(1)
        area = QScrollArea()
        area.setWidget(holder)
        area.setWidgetResizable(True)
        area.setFrameShape(QFrame.Shape.StyledPanel)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._layout.addWidget(area, 1)
        self._finish()

    def _lacks(self) -> str:
        if not any(box.isChecked() for box in self.boxes.values()):
            return "Choose the gates that are to be passed; doing what they ask for is the better way."
        return super()._lacks()

    def _agreed(self) -> None:
        names = tuple(name for name, box in self.boxes.items() if box.isChecked())
        self.passed.emit(Passing(names, self.by.text().strip(), self.why.text().strip()))
        self.accept()


class ReleaseDialog(NamedDialog):
    """Releases a bench after a trip; `wanted` brings name and reason."""

    wanted = Signal(str, str)

    def __init__(self, lock: Lock, parent: QWidget | None = None) -> None:
        super().__init__(
            "Release a locked bench", "Re&lease the bench",
            "what was found, and why the bench may be used again", parent, RELEASING,
        )  # fmt: skip
        about = QLabel(
            lock_html(lock) + "<p>Find out what happened and look at the bench before it is released.</p>"
        )
        about.setWordWrap(True)
        about.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._layout.addWidget(about)
        self._layout.addStretch(1)
        self._finish()
        self.resize(
            self.width(), self._layout.totalHeightForWidth(self.width())
        )  # no empty room amid the text

    def _agreed(self) -> None:
        self.wanted.emit(self.by.text().strip(), self.why.text().strip())
        self.accept()


def lock_html(lock: Lock) -> str:
    """Why a bench is locked, for a page."""
    record = f"<br>Its record: {escaped(lock.record)}" if lock.record else ""
    return (
        f"<p><b>The bench is locked</b>: {escaped(lock.bench)}<br>Since {escaped(day(lock.when))}, after: "
        f"{escaped(with_minus(lock.what))}{record}</p>"
    )
