"""Pages of text: the help, and what a command said."""

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QTextBrowser, QVBoxLayout, QWidget

from benchrunner import __version__
from benchrunner.app.model import texts

KEYS: tuple[tuple[str, str], ...] = (
    ("Esc held for 1 s", "Make safe, wherever the focus is. No emergency stop."),
    ("Alt+M", "Make safe"),
    ("F6", "Pause after the current step, or resume"),
    ("Ctrl+R", "Start the prepared run"),
    ("Ctrl+1, Ctrl+2", "The page that prepares a run, the page that shows it"),
    ("Ctrl+3", "The page on which instruments are looked for"),
    ("F7, F8, F9", "Time shown: the whole run, the last minute, the last ten minutes"),
    ("Left, Right in the charts", "Move the reading line; the values at its time stand at the right"),
    ("+, −, Page up, Page down in the charts", "Stretch, shrink and move the time shown; Home goes back"),
    ("Left, Right in the course", "From step to step, each read out"),
    ("Up, Down in the checks", "From check to check; the chosen one stands in full below"),
    ("Ctrl+K", "Record a check before power, where a real bench is chosen"),
    ("Ctrl+Shift+R, Ctrl+Shift+V", "Open the report of the last run, verify its record"),
    ("Tab, Shift+Tab", "From control to control; Alt and an underlined letter goes straight to one"),
    ("Ctrl+Q", "Close; during a run the bench is made safe first"),
    ("F1", "This page"),
)

SIGNS: tuple[tuple[str, str], ...] = (
    ("grid", "positive when power is taken from the grid"),
    ("PV inverter", "positive to the bus"),
    ("load", "positive when drawn"),
    ("battery inverter", "AC, positive to the bus"),
    ("battery", "DC, positive when charging"),
)


class TextPage(QDialog):
    """A window of text that does not hold up the run."""

    def __init__(self, title: str, html: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle(title)
        self.resize(760, 600)
        self.text = QTextBrowser()
        self.text.setAccessibleName(title)
        self.text.setHtml(html)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.close)
        layout = QVBoxLayout(self)
        layout.addWidget(self.text)
        layout.addWidget(buttons)


def help_html() -> str:
    """Keys, signs, shapes and safety."""
    keys = "".join(
        f"<tr><td style='padding-right:18px'><b>{key}</b></td><td>{says}</td></tr>" for key, says in KEYS
    )
    signs = "".join(
        f"<tr><td style='padding-right:18px'><b>{name}</b></td><td>{says}</td></tr>" for name, says in SIGNS
    )
    return (
        f"<h2>benchrunner {__version__}</h2>"
        f"<p><b>{texts.NO_EMERGENCY_STOP}</b> {texts.MAKE_SAFE_DOES} {texts.DEFERS}</p>"
        f"<h3>Keys</h3><table cellspacing='4'>{keys}</table>"
        f"<h3>Signs</h3><p>An arrow in the bench picture points in the positive direction and never moves; the sign stands in the "
        f"number.</p><table cellspacing='4'>{signs}</table>"
        "<h3>Lines of the bench picture</h3><p>Thick: a voltage is read there. Thin: none is read, which does not prove it dead. "
        "Dotted: not known. The position of the transfer relay is worked out from currents and voltages.</p>"
        "<h3>Verdicts</h3><p>A disc with a tick: pass. A square with a cross: fail. A diamond with a question mark: inconclusive. "
        "A ring: not judged, since the run ended before. U is the expanded uncertainty.</p>"
        "<h3>The course</h3><p>Filled: done. Strong colour: going on. Hatched: coming, at its expected length. A red edge: failed or "
        "stopped. Checks are pinned at the moment they were judged.</p>"
        "<h3>Lines in the charts</h3><p>Dash and dot: a guard, which makes the bench safe. Dashed: the limit of a check, during its "
        "step. Limits on the wave itself and on durations are not drawn, since the charts show polled values.</p>"
    )


def escaped(text: str) -> str:
    """Text for a page."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
