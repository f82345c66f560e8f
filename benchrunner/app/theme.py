"""Light and dark: our own pair of palettes, and the colours of what is drawn (Okabe and Ito's set, safe for colour-blind eyes).

Source of the set: M. Okabe and K. Ito, "Color Universal Design", 2008: #E69F00, #56B4E9, #009E73, #F0E442, #0072B2,
#D55E00, #CC79A7 and black. Nothing is told by colour alone: shapes, patterns and words say it too.
"""

import os
from dataclasses import dataclass

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import QApplication

CHOICES = ("system", "light", "dark")


@dataclass(frozen=True, slots=True)
class Theme:
    """All colours, as #rrggbb."""

    name: str
    window: str
    base: str
    raised: str
    text: str
    muted: str
    rule: str  # hairlines and grids
    control: str
    focus: str
    link: str
    warn: str  # background of a warning, with `warn_text` on it
    warn_text: str
    alarm: str
    alarm_text: str
    roles: dict[str, str]
    verdicts: dict[str, str]

    def colour(self, role: str) -> QColor:
        """The colour of a role on the bench, or of a verdict."""
        return QColor(self.roles.get(role) or self.verdicts.get(role) or self.text)


LIGHT = Theme(
    name="light", window="#f1f1ee", base="#ffffff", raised="#e6e6e1", text="#16181a", muted="#585c60", rule="#d3d3cd",
    control="#e9e9e4", focus="#0072B2", link="#0072B2", warn="#F0E442", warn_text="#16181a",
    alarm="#D55E00", alarm_text="#ffffff",
    roles={
        "bus": "#0072B2", "battery": "#009E73", "pv": "#D55E00", "load": "#16181a", "battery_inverter": "#0072B2",
        "grid": "#CC79A7", "guard": "#D55E00", "limit": "#585c60",
    },
    verdicts={
        "pass": "#009E73", "fail": "#D55E00", "inconclusive": "#CC79A7", "not judged": "#767a7e", "not applicable": "#767a7e",
    },
)  # fmt: skip

DARK = Theme(
    name="dark", window="#24282c", base="#131517", raised="#33383d", text="#ececea", muted="#a6abb0", rule="#3d4349",
    control="#3a4046", focus="#56B4E9", link="#56B4E9", warn="#F0E442", warn_text="#16181a",
    alarm="#D55E00", alarm_text="#ffffff",
    roles={
        "bus": "#56B4E9", "battery": "#009E73", "pv": "#E69F00", "load": "#ececea", "battery_inverter": "#56B4E9",
        "grid": "#CC79A7", "guard": "#D55E00", "limit": "#a6abb0",
    },
    verdicts={
        "pass": "#009E73", "fail": "#D55E00", "inconclusive": "#F0E442", "not judged": "#8b9095", "not applicable": "#8b9095",
    },
)  # fmt: skip


def palette(theme: Theme) -> QPalette:
    """The widgets' palette; set explicitly, since asking the platform for its dark scheme does nothing on many of them."""
    made = QPalette()
    role = QPalette.ColorRole
    for which, colour in {
        role.Window: theme.window, role.WindowText: theme.text, role.Base: theme.base, role.AlternateBase: theme.raised,
        role.Text: theme.text, role.Button: theme.control, role.ButtonText: theme.text, role.BrightText: theme.alarm_text,
        role.ToolTipBase: theme.raised, role.ToolTipText: theme.text, role.Highlight: theme.focus,
        role.HighlightedText: "#ffffff" if theme.name == "light" else "#101214", role.Link: theme.link,
        role.LinkVisited: theme.link, role.PlaceholderText: theme.muted, role.Mid: theme.rule, role.Midlight: theme.raised,
        role.Dark: theme.muted, role.Light: theme.base, role.Shadow: "#000000", role.Accent: theme.focus,
    }.items():  # fmt: skip
        made.setColor(which, QColor(colour))
    for which in (role.WindowText, role.Text, role.ButtonText):
        faded = QColor(theme.muted)
        faded.setAlpha(170)
        made.setColor(QPalette.ColorGroup.Disabled, which, faded)
    return made


class Themes(QObject):
    """Which theme holds; tells when it changes. The choice "system" follows the system where it says what it wants."""

    changed = Signal(object)

    def __init__(self, application: QApplication, choice: str = "") -> None:
        super().__init__(application)
        self._application = application
        wanted = choice or os.environ.get("BENCHRUNNER_THEME", "")
        self.choice = wanted if wanted in CHOICES else "system"
        self.current = self._wanted()
        application.setPalette(palette(self.current))
        application.styleHints().colorSchemeChanged.connect(self._follow)

    def choose(self, choice: str) -> None:
        """Take one of `CHOICES`."""
        self.choice = choice
        self._follow()

    def _follow(self) -> None:
        wanted = self._wanted()
        if wanted is not self.current:
            self.current = wanted
            self._application.setPalette(palette(wanted))
            self.changed.emit(wanted)

    def _wanted(self) -> Theme:
        if self.choice in ("light", "dark"):
            return LIGHT if self.choice == "light" else DARK
        scheme = self._application.styleHints().colorScheme()
        return DARK if scheme == Qt.ColorScheme.Dark else LIGHT
