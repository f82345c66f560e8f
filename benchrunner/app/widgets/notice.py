"""The bar for what must not be overlooked: errors, alarms, and the question when the window is closed during a run."""

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QWidget

from benchrunner.app.model.signs import with_minus
from benchrunner.app.theme import Theme

PATIENCE = 10  # s until a close that nobody takes back is carried out


class NoticeBar(QFrame):
    """One notice at a time; an alarm outranks all others and stays."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._level = ""
        self._theme = theme
        self.text = QLabel("")
        self.text.setWordWrap(True)
        self.text.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.dismiss = QPushButton("&Dismiss")
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 6, 12, 6)
        row.addWidget(self.text, 1)
        row.addWidget(self.dismiss)
        self.dismiss.clicked.connect(self.clear)
        self.hide()

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        self._style()

    def tell(self, text: str, level: str = "warning") -> None:
        """Show a notice: info, warning, error or alarm."""
        if self._level == "alarm" and level != "alarm":
            return
        self._level = level
        text = with_minus(text)
        self.text.setText(("ALARM: " if level == "alarm" else "") + text)
        self.dismiss.setVisible(level != "alarm")
        self.setAccessibleName(f"{level}: {text}")
        self._style()
        self.show()

    def clear(self) -> None:
        """Nothing to say any more."""
        self._level = ""
        self.hide()

    def _style(self) -> None:
        theme = self._theme
        back, ink = {
            "alarm": (theme.alarm, theme.alarm_text),
            "error": (theme.alarm, theme.alarm_text),
            "warning": (theme.warn, theme.warn_text),
        }.get(self._level, (theme.raised, theme.text))
        self.setStyleSheet(
            f"NoticeBar{{background:{back};}} NoticeBar QLabel{{color:{ink};font-weight:bold;}}"
        )


class ClosingBar(QFrame):
    """Asks once before a close ends a run; carried out by itself after a while, so that a close is never lost."""

    confirmed = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.text = QLabel("")
        self.text.setWordWrap(True)
        self.close_now = QPushButton("Make safe and &close")
        self.keep = QPushButton("&Keep running")
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 8, 12, 8)
        row.addWidget(self.text, 1)
        row.addWidget(self.close_now)
        row.addWidget(self.keep)
        self._left = 0
        self._timer = QTimer(self)
        self._timer.setInterval(1000)
        self._timer.timeout.connect(self._tick)
        self.close_now.clicked.connect(self._confirm)
        self.keep.clicked.connect(self._take_back)
        self.set_theme(theme)
        self.hide()

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self.setStyleSheet(
            f"ClosingBar{{background:{theme.warn};}} ClosingBar QLabel{{color:{theme.warn_text};font-weight:bold;}}"
        )

    def ask(self) -> None:
        """A person closed the window while a run goes on."""
        self._left = PATIENCE
        self._say()
        self.close_now.show()
        self.keep.show()
        self.show()
        self.keep.setFocus()
        self._timer.start()

    @property
    def asking(self) -> bool:
        """Whether the question is open."""
        return self._timer.isActive()

    def wait(self, not_begun: str = "") -> None:
        """The close is being carried out; `not_begun`: when the run ends that has not begun yet."""
        self._timer.stop()
        self.close_now.hide()
        self.keep.hide()
        what = f"{not_begun[:1].upper()}{not_begun[1:]}" or "Making the bench safe and sealing the record."
        self.text.setText(f"{what} This window closes by itself once that is done.")
        self.show()

    def _say(self) -> None:
        self.text.setText(
            f"A run is going on. Closing ends it: the bench is made safe and the record says that it did not finish. "
            f"This happens in {self._left} s unless you keep it running."
        )

    def _tick(self) -> None:
        self._left -= 1
        if self._left <= 0:
            self._confirm()
        else:
            self._say()

    def _confirm(self) -> None:
        self._timer.stop()
        self.confirmed.emit()

    def _take_back(self) -> None:
        self._timer.stop()
        self.hide()
