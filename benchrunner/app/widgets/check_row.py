"""One check in the ledger, drawn: its shape and verdict, its name, and its title and figures in as many lines as they need."""

from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetrics, QPainter, QPen
from PySide6.QtWidgets import QListView, QStyle, QStyledItemDelegate, QStyleOptionViewItem

from benchrunner.app.model import texts
from benchrunner.app.model.signs import units_kept
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.shapes import verdict_shape

CHECK = Qt.ItemDataRole.UserRole + 1
Index = QModelIndex | QPersistentModelIndex
_LEFT, _RIGHT, _EDGE = 32, 8, 4  # px: room for the shape, at the right, above and below
_BETWEEN = 10  # px between verdict and name where both stand in one line
_HELD = 4000  # layouts that are kept
_WRAP = Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextWordWrap
_ANYWHERE = Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextWrapAnywhere  # for a word that is wider than the row


@dataclass(frozen=True, slots=True)
class Line:
    """A text in a row, from the row's upper left corner; `faint`: in the colour of what stands back."""

    place: QRect
    text: str
    font: QFont
    flags: int
    faint: bool = False


class CheckRow(QStyledItemDelegate):
    """Draws a check; none of its texts is cut."""

    def __init__(self, parent: QListView, theme: Theme) -> None:
        super().__init__(parent)
        self.theme = theme
        self._list = parent
        self._laid: dict[tuple[Any, ...], list[Line]] = {}

    def lines(self, check: dict[str, Any], font: QFont, width: int) -> list[Line]:
        """Where each text of the check stands in a row of this width, px."""
        verdict, name = str(check.get("verdict", "not judged")), texts.check_name(check)
        said = texts.check_lines(check)
        key = (verdict, name, *said, font.key(), width)
        if key not in self._laid:
            if len(self._laid) >= _HELD:
                self._laid.clear()
            self._laid[key] = _laid(verdict, name, said, font, width)
        return self._laid[key]

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:  # noqa: N802 - Qt
        width = self._list.viewport().width()
        lines = self.lines(index.data(CHECK), QFont(option.font), width)
        return QSize(width, lines[-1].place.bottom() + 1 + _EDGE)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        check, theme = index.data(CHECK), self.theme
        rect: QRect = option.rect
        state: QStyle.StateFlag = option.state
        painter.save()
        if state & QStyle.StateFlag.State_Selected:
            painter.fillRect(rect, QColor(theme.raised))
            if state & QStyle.StateFlag.State_HasFocus:
                painter.setPen(QPen(QColor(theme.focus), 2))
                painter.drawRect(rect.adjusted(1, 1, -1, -1))
        painter.setPen(QColor(theme.rule))
        painter.drawLine(rect.bottomLeft(), rect.bottomRight())
        lines = self.lines(check, QFont(option.font), rect.width())
        middle = rect.top() + lines[0].place.center().y() + 1
        verdict_shape(painter, theme, lines[0].text, QPointF(rect.left() + 16, middle), 17)
        for line in lines:
            painter.setFont(line.font)
            painter.setPen(QColor(theme.muted if line.faint else theme.text))
            painter.drawText(QRectF(line.place.translated(rect.topLeft())), line.flags, line.text)
        painter.restore()


def _laid(verdict: str, name: str, said: tuple[str, str, str], font: QFont, width: int) -> list[Line]:
    small, bold = QFont(font), QFont(font)
    small.setPointSizeF(max(8.0, font.pointSizeF() - 1))
    bold.setBold(True)
    inner = max(width - _LEFT - _RIGHT, 80)
    row = QFontMetrics(font).height()
    lines = [Line(QRect(_LEFT, _EDGE, inner, row), verdict, bold, int(Qt.AlignmentFlag.AlignLeft))]
    room = inner - QFontMetrics(bold).horizontalAdvance(verdict) - _BETWEEN
    y = _EDGE + row + 1
    if QFontMetrics(small).horizontalAdvance(name) <= room:
        right = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        lines.append(Line(QRect(_LEFT, _EDGE, inner, row), name, small, right, True))
    else:
        y = _below(lines, y, name, small, inner, True)
    title, value, margin = said
    y = _below(lines, y, title, font, inner) + 1
    y = _below(lines, y, value, small, inner)
    _below(lines, y, margin, small, inner, True)
    return lines


def _below(lines: list[Line], y: int, text: str, font: QFont, inner: int, faint: bool = False) -> int:
    """Put a text below the others, in as many lines as it needs; where the next one begins."""
    metrics, text = QFontMetrics(font), units_kept(text)
    long = any(metrics.horizontalAdvance(word) > inner for word in text.split(" "))
    flags = int(_ANYWHERE if long else _WRAP)
    needed = metrics.boundingRect(QRect(0, 0, inner, 10_000), flags, text or " ").height()
    lines.append(Line(QRect(_LEFT, y, inner, needed), text, font, flags, faint))
    return y + needed
