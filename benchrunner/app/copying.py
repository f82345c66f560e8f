"""What is copied out of the window: its figures as other programs read them."""

from PySide6.QtCore import QObject
from PySide6.QtGui import QGuiApplication

from benchrunner.app.model.signs import for_programs


class Copying(QObject):
    """Writes the signs of copied numbers so that a spreadsheet takes them for numbers. Leaves alone what others copied."""

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._clipboard = QGuiApplication.clipboard()
        self.ours = self._clipboard.ownsClipboard  # whether what lies there was copied in this program
        self._clipboard.dataChanged.connect(self._changed)

    def _changed(self) -> None:
        if not self.ours():
            return
        text = self._clipboard.text()
        plain = for_programs(text)
        if plain != text:
            self._clipboard.setText(plain)
