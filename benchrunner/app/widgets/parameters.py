"""The procedure's parameters as a form: what each is, its value, and its range."""

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QLabel, QLineEdit, QScrollArea, QWidget

from benchrunner.app.model import texts
from benchrunner.app.model.preview import ParameterView

_SHARE = 0.42  # of the page's height at most; beyond it the form scrolls


class ParameterForm(QScrollArea):
    """One row a parameter. `edited` tells of every key."""

    edited = Signal()

    def __init__(self, page: QWidget) -> None:
        super().__init__()
        self._page = page  # whose height bounds the form's
        self._fields: dict[str, QLineEdit] = {}
        self._defaults: dict[str, str] = {}
        self._ranges: dict[str, QLabel] = {}
        holder = QWidget()
        self._form = QGridLayout(holder)
        self._form.setContentsMargins(0, 0, 6, 0)
        self._form.setVerticalSpacing(4)
        self._form.setHorizontalSpacing(10)
        self._form.setColumnStretch(0, 1)
        self.setWidget(holder)
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)

    def changed(self) -> dict[str, str]:
        """The parameters that differ from the procedure's own values."""
        typed = {name: field.text().strip() for name, field in self._fields.items()}
        return {name: text for name, text in typed.items() if text and text != self._defaults.get(name, "")}

    def take(self, parameters: tuple[ParameterView, ...], anew: bool) -> None:
        """Show these; what was typed stays unless it is `anew` or they are others."""
        if anew or [p.name for p in parameters] != list(self._fields):
            self._build(parameters)
            return
        for parameter in parameters:
            field = self._fields[parameter.name]
            if field.text().strip() == self._defaults[parameter.name]:
                field.setText(parameter.default)  # nothing was typed: it follows the cards
                field.setCursorPosition(0)
            self._defaults[parameter.name] = parameter.default
            self._ranges[parameter.name].setText(texts.span(parameter.low, parameter.high))

    def _build(self, parameters: tuple[ParameterView, ...]) -> None:
        while (item := self._form.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.setParent(None)
                widget.deleteLater()
        self._fields, self._defaults, self._ranges = {}, {}, {}
        for row, parameter in enumerate(parameters):
            says = QLabel(parameter.says)
            says.setWordWrap(True)
            field = QLineEdit(parameter.default)
            field.setAccessibleName(parameter.says)
            field.setAccessibleDescription(f"{parameter.name}, from {parameter.low} to {parameter.high}")
            field.setToolTip(parameter.name)
            field.setCursorPosition(0)
            field.setObjectName(f"parameter {parameter.name}")
            field.setMaximumWidth(130)
            field.setMaxLength(120)
            bounds = QLabel(texts.span(parameter.low, parameter.high))
            says.setBuddy(field)
            field.textEdited.connect(self.edited)
            for column, widget in enumerate((says, field, bounds)):
                self._form.addWidget(widget, row, column)
            self._fields[parameter.name], self._defaults[parameter.name] = field, parameter.default
            self._ranges[parameter.name] = bounds
        QTimer.singleShot(0, self._fit)

    def follow(self, before: QWidget) -> None:
        """Tab goes from `before` through the fields, in the order in which they stand."""
        for field in self._fields.values():
            QWidget.setTabOrder(before, field)
            before = field

    def _fit(self) -> None:
        """As high as the parameters need; from some height on they scroll."""
        if self._form.hasHeightForWidth():
            needed = self._form.totalHeightForWidth(self.viewport().width())
        else:
            needed = self._form.sizeHint().height()
        self.setFixedHeight(max(4, min(needed + 4, int(_SHARE * max(self._page.height(), 600)))))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt
        super().resizeEvent(event)
        QTimer.singleShot(0, self._fit)
