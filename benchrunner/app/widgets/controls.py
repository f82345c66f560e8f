"""Controls whose outline is plain to see in both themes."""

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPalette, QPen
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QRadioButton,
    QStyle,
    QStyleOptionButton,
    QStyleOptionComboBox,
    QStylePainter,
    QWidget,
)

FIELDS = "QLineEdit{border:1px solid palette(dark);border-radius:2px;padding:3px 4px;background:palette(base);}QLineEdit:focus{border:2px solid palette(highlight);padding:2px 3px;}QLineEdit:disabled{border:1px dashed palette(mid);background:palette(window);}"


class CheckBox(QCheckBox):
    """A check box that wraps its text and draws its box in the text's colour."""

    def __init__(self, text: str, parent: QWidget | None = None) -> None:
        super().__init__(text, parent)
        self._box = 16

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt
        size = super().sizeHint()
        return QSize(size.width() + 8, max(size.height(), self._box + 6))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        option = QStyleOptionButton()
        self.initStyleOption(option)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.palette()
        group = QPalette.ColorGroup.Active if self.isEnabled() else QPalette.ColorGroup.Disabled
        ink = palette.color(group, QPalette.ColorRole.WindowText)
        box = QRectF(2.5, (self.height() - self._box) / 2 + 0.5, self._box - 1, self._box - 1)
        painter.setPen(QPen(ink, 1.4))
        painter.setBrush(palette.color(QPalette.ColorRole.Base))
        painter.drawRect(box)
        if self.isChecked():
            painter.setPen(QPen(ink, 2.4, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
            painter.drawPolyline(
                [
                    QPointF(box.left() + 3, box.center().y()),
                    QPointF(box.left() + 6.3, box.bottom() - 3.6),
                    QPointF(box.right() - 2.6, box.top() + 3.2),
                ]
            )
        text = QRectF(box.right() + 8, 0, self.width() - box.right() - 8, self.height())
        flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextShowMnemonic
        painter.setPen(ink)
        painter.drawText(text, int(flags), self.text())
        if self.hasFocus():
            painter.setPen(QPen(palette.color(QPalette.ColorRole.Highlight), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(1, 1, -1, -1))
        painter.end()

    def hitButton(self, place: object) -> bool:  # noqa: N802 - Qt
        return bool(self.rect().contains(place))  # type: ignore[call-overload]


class RadioButton(QRadioButton):
    """A radio button with its ring in the text's colour: the style's own can hardly be seen on dark."""

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.palette()
        ink = palette.color(QPalette.ColorRole.WindowText)
        middle = QPointF(10.0, self.height() / 2)
        painter.setPen(QPen(ink, 1.6))
        painter.setBrush(palette.color(QPalette.ColorRole.Base))
        painter.drawEllipse(middle, 6.5, 6.5)
        if self.isChecked():
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(ink)
            painter.drawEllipse(middle, 3.6, 3.6)
        flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextShowMnemonic
        painter.setPen(ink)
        painter.drawText(QRectF(22, 0, self.width() - 22, self.height()), int(flags), self.text())
        if self.hasFocus():
            painter.setPen(QPen(palette.color(QPalette.ColorRole.Highlight), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(1, 1, -1, -1))
        painter.end()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt
        return QSize(
            self.fontMetrics().horizontalAdvance(self.text()) + 32, max(super().sizeHint().height(), 22)
        )


class ComboBox(QComboBox):
    """A combo box that shows by dots that its text goes on, and says all of it in its tip."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(12)
        self.currentTextChanged.connect(self.setToolTip)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        if self.isEditable():  # its field draws the text
            super().paintEvent(event)
            return
        painter = QStylePainter(self)
        option = QStyleOptionComboBox()
        self.initStyleOption(option)
        painter.drawComplexControl(QStyle.ComplexControl.CC_ComboBox, option)
        place = self.style().subControlRect(
            QStyle.ComplexControl.CC_ComboBox, option, QStyle.SubControl.SC_ComboBoxEditField, self
        )
        text = self.fontMetrics().elidedText(
            self.currentText(), Qt.TextElideMode.ElideRight, place.width() - 4
        )
        option.currentText = text
        painter.drawControl(QStyle.ControlElement.CE_ComboBoxLabel, option)
        painter.end()
