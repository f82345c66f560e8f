"""Esc held for a second asks for make safe, wherever the keyboard's focus is in this program."""

import time

from PySide6.QtCore import QEvent, QObject, Qt, QTimer, Signal
from PySide6.QtGui import QKeyEvent

HOLD = 1.0  # s


class EscapeHold(QObject):
    """An event filter for the whole application. `progress` tells 0..1 while Esc is held, `held` once it was long enough."""

    progress = Signal(float)
    held = Signal()

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self.armed = False  # only while there is something to make safe
        self._since: float | None = None
        self._timer = QTimer(self)
        self._timer.setInterval(33)
        self._timer.timeout.connect(self._tick)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 - Qt
        kind = event.type()
        if kind in (
            QEvent.Type.KeyPress,
            QEvent.Type.ShortcutOverride,
            QEvent.Type.KeyRelease,
        ) and isinstance(event, QKeyEvent):
            if event.key() == Qt.Key.Key_Escape and not event.isAutoRepeat():
                if kind == QEvent.Type.KeyRelease:
                    self.cancel()
                elif self.armed and self._since is None:
                    self._since = time.monotonic()
                    self._timer.start()
        elif kind == QEvent.Type.ApplicationDeactivate:
            self.cancel()
        return False

    def cancel(self) -> None:
        """Let go."""
        if self._since is not None:
            self._since = None
            self._timer.stop()
            self.progress.emit(0.0)

    def _tick(self) -> None:
        if self._since is None:
            return
        share = (time.monotonic() - self._since) / HOLD
        if not self.armed:
            self.cancel()
        elif share >= 1.0:
            self._since = None
            self._timer.stop()
            self.progress.emit(0.0)
            self.held.emit()
        else:
            self.progress.emit(share)
