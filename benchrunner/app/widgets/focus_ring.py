"""A ring around what has the keyboard's focus, where the style shows it faintly or not at all: lists, tables, texts, charts, boxes, tabs."""

import contextlib

from PySide6.QtCore import QEvent, QObject, QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPalette, QPen
from PySide6.QtWidgets import QAbstractScrollArea, QApplication, QComboBox, QTabBar, QWidget

WANTS_RING = "benchrunner.ring"  # a property of a widget of our own that draws no focus itself
_KINDS = (QAbstractScrollArea, QComboBox, QTabBar)


class _Ring(QWidget):
    """Lies over its parent, as large as it, and takes nothing from it."""

    def __init__(self, around: QWidget) -> None:
        super().__init__(around)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setGeometry(around.rect())
        around.installEventFilter(self)
        self.raise_()
        self.show()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt
        if event.type() == QEvent.Type.Resize and isinstance(watched, QWidget):
            self.setGeometry(watched.rect())
        return False

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        painter = QPainter(self)
        painter.setPen(QPen(self.palette().color(QPalette.ColorRole.Highlight), 2))
        painter.drawRect(QRectF(self.rect()).adjusted(1, 1, -1, -1))
        painter.end()


class FocusRing(QObject):
    """Follows the focus in all windows of the program."""

    def __init__(self, application: QApplication, parent: QObject) -> None:
        super().__init__(parent)
        self._ring: _Ring | None = None
        application.focusChanged.connect(self._moved)

    @property
    def around(self) -> QWidget | None:
        """What the ring lies around now."""
        return self._ring.parentWidget() if self._ring is not None else None

    def _moved(self, _: QWidget | None, now: QWidget | None) -> None:
        if self._ring is not None:
            with contextlib.suppress(RuntimeError):  # gone with what it lay around
                self._ring.hide()
                self._ring.deleteLater()
            self._ring = None
        if now is not None and (isinstance(now, _KINDS) or now.property(WANTS_RING)):
            self._ring = _Ring(now)
