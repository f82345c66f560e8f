"""The operator's question: its choices as buttons, or a field for a value, without covering the run."""

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLineEdit, QPushButton, QWidget

from benchrunner.app.model.signs import with_minus
from benchrunner.app.theme import Theme, palette
from benchrunner.app.widgets.controls import FIELDS

LOOK = (
    FIELDS
    + "QuestionPanel{border:2px solid palette(dark);}QuestionPanel:focus{border:2px solid palette(highlight);}"
)


class QuestionPanel(QFrame):
    """Shows a question; `answered` brings the answer's text."""

    answered = Signal(str)

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.setAutoFillBackground(True)
        self.text = QLabel("")
        self.text.setWordWrap(True)
        font = QFont(self.text.font())
        font.setPointSizeF(font.pointSizeF() + 1)
        font.setBold(True)
        self.text.setFont(font)
        self.field = QLineEdit()
        self.field.setAccessibleName("Your answer")
        self.field.setMaxLength(200)
        self.field.setFixedWidth(260)
        self.send = QPushButton("Ans&wer")
        self._buttons: list[QPushButton] = []
        self._asked: dict[str, object] | None = None
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(12, 8, 12, 8)
        self._row.addWidget(self.text, 1)
        self._row.addWidget(self.field)
        self._row.addWidget(self.send)
        self.send.clicked.connect(lambda: self._answer(self.field.text().strip()))
        self.field.returnPressed.connect(lambda: self._answer(self.field.text().strip()))
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setStyleSheet(LOOK)
        self.hide()

    def set_theme(self, theme: Theme) -> None:
        """The colours anew: a style sheet keeps those of the palette that it was read with."""
        self.setStyleSheet("")
        self.setPalette(palette(theme))
        self.setStyleSheet(LOOK)

    def show_question(self, question: dict[str, object] | None) -> None:
        """Ask this; None: nothing is asked."""
        if question is self._asked or question == self._asked:
            return
        self._asked = question
        for button in self._buttons:
            self._row.removeWidget(button)
            button.deleteLater()
        self._buttons = []
        if question is None:
            self.hide()
            return
        choices = [str(choice) for choice in (question.get("choices") or [])]  # type: ignore[attr-defined]
        self.text.setText(with_minus(str(question.get("text", ""))))
        unit = str(question.get("unit") or "")
        self.field.clear()
        self.field.setVisible(not choices)
        self.send.setVisible(not choices)
        self.field.setPlaceholderText(f"a value in {unit}" if unit and unit != "1" else "")
        for choice in choices:
            button = QPushButton(choice)
            button.setMinimumHeight(34)
            button.clicked.connect(lambda _=False, text=choice: self._answer(text))
            self._row.addWidget(button)
            self._buttons.append(button)
        self.setAccessibleName(f"Question: {self.text.text()}")
        self.show()
        if not choices:
            self.field.setFocus()
            return
        # Not on a choice: a key meant for something else would answer a question that nobody has read. Tab leads there.
        self.setFocus()
        before: QWidget = self
        for button in self._buttons:
            QWidget.setTabOrder(before, button)
            before = button

    def _answer(self, text: str) -> None:
        if text:
            self.answered.emit(text)
