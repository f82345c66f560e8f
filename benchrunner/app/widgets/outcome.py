"""The end of a run in words, and what can be done with its record."""

from collections.abc import Sequence
from typing import Any

from PySide6.QtCore import QPointF, QSize, Qt, Signal
from PySide6.QtGui import QFont, QPainter, QPaintEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QPushButton, QWidget

from benchrunner.app.model import texts
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.shapes import verdict_shape


class _Shape(QWidget):
    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme, self.verdict = theme, "not judged"
        self.setFixedSize(QSize(44, 44))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        painter = QPainter(self)
        verdict_shape(painter, self.theme, self.verdict, QPointF(22, 22), 36)
        painter.end()


class OutcomePanel(QFrame):
    """Verdict, how it ended, the bench's state, and the record's buttons."""

    report_wanted = Signal()
    verify_wanted = Signal()
    folder_wanted = Signal()
    again_wanted = Signal()
    seal_wanted = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.shape = _Shape(theme)
        self.headline = QLabel("")
        font = QFont(self.headline.font())
        font.setPointSizeF(font.pointSizeF() + 5)
        font.setBold(True)
        self.headline.setFont(font)
        self.says = QLabel("")
        self.says.setWordWrap(True)
        self.says.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.record = QLabel("")
        self.record.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.report = QPushButton("Open the &report")
        self.verify = QPushButton("Verif&y the record")
        self.folder = QPushButton("Show the &folder")
        self.again = QPushButton("Prepare a&nother run")
        self.seal = QPushButton("Sea&l what was kept")
        self.seal.setToolTip(
            "Makes a record of what the run left, as benchrunner recover does: “did not finish”, not signed."
        )
        for button, signal in (
            (self.seal, self.seal_wanted),
            (self.report, self.report_wanted),
            (self.verify, self.verify_wanted),
            (self.folder, self.folder_wanted),
            (self.again, self.again_wanted),
        ):
            button.clicked.connect(signal)
            button.setMinimumHeight(32)
        buttons = QHBoxLayout()
        buttons.setSpacing(6)
        for button in (self.seal, self.report, self.verify, self.folder, self.again):
            buttons.addWidget(button)
        grid = QGridLayout(self)
        grid.setContentsMargins(12, 6, 12, 6)
        grid.setHorizontalSpacing(12)
        grid.setVerticalSpacing(2)
        grid.addWidget(self.shape, 0, 0, 3, 1)
        grid.addWidget(self.headline, 0, 1)
        grid.addLayout(buttons, 0, 2)
        grid.addWidget(self.says, 1, 1, 1, 2)
        grid.addWidget(self.record, 2, 1, 1, 2)
        grid.setColumnStretch(1, 1)
        self.hide()

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self.shape.theme = theme
        self.shape.update()

    def show_end(self, ended: dict[str, Any] | None, checks: Sequence[dict[str, Any]] = ()) -> None:
        """Say how it ended; None: it has not."""
        if ended is None:
            self.hide()
            return
        verdict, headline, sentences = texts.outcome(ended, checks)
        self.shape.verdict = verdict
        self.shape.update()
        self.headline.setText(headline)
        self.headline.setAccessibleName(f"Outcome: {headline}")
        self.says.setText(" ".join(sentences))
        record = str(ended.get("record") or "")
        journal = str(ended.get("journal") or "")
        signed = "signed" if ended.get("signed") else "not signed"
        self.record.setText(
            f"Record ({signed}): {record}"
            if record
            else f"Not sealed yet; signed: benchrunner recover {journal} --key NAME"
            if journal
            else ""
        )
        self.seal.setVisible(bool(journal) and not record)
        for button in (self.report, self.verify):
            button.setVisible(self.seal.isHidden())
            button.setEnabled(bool(record))
        self.folder.setEnabled(bool(record or journal))
        self.show()
        (self.report if record else self.again if self.seal.isHidden() else self.seal).setFocus()
