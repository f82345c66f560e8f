"""What the window remembers from one time to the next: what was chosen, its size, its colours.

Kept in the user's configuration folder. Never kept: names, passphrases, and that cautions were read.
"""

from pathlib import Path

from PySide6.QtCore import QByteArray, QSettings

CHOICES = ("procedure", "pairing", "bench", "speed", "ports", "out", "theme")
_LONGEST = 4096


class Memory:
    """Choices by name. A folder that cannot be written, or a damaged file, only means that nothing is remembered."""

    def __init__(self, path: Path | None = None) -> None:
        if path is None:
            import platformdirs

            path = platformdirs.user_config_path("benchrunner", appauthor=False) / "window.ini"
        self._kept = QSettings(str(path), QSettings.Format.IniFormat)

    def choice(self, name: str) -> str:
        """What was chosen last, or ""."""
        value = self._kept.value(f"choice/{name}", "")
        return value if isinstance(value, str) and len(value) <= _LONGEST else ""

    def choices(self) -> dict[str, str]:
        """All that was chosen."""
        return {name: value for name in CHOICES if (value := self.choice(name))}

    def keep(self, **choices: str) -> None:
        """Remember these; an empty one is forgotten."""
        for name, value in choices.items():
            if name not in CHOICES:
                raise KeyError(name)
            if value:
                self._kept.setValue(f"choice/{name}", value)
            else:
                self._kept.remove(f"choice/{name}")
        self._kept.sync()

    @property
    def geometry(self) -> QByteArray | None:
        """The window's place and size."""
        value = self._kept.value("window/geometry")
        return value if isinstance(value, QByteArray) else None

    @geometry.setter
    def geometry(self, value: QByteArray) -> None:
        self._kept.setValue("window/geometry", value)
        self._kept.sync()
