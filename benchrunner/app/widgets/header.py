"""The head of the window: what runs, on what, how it stands, and the controls that are always in reach."""

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from benchrunner.app.model import texts
from benchrunner.app.model.run import RunState
from benchrunner.app.theme import Theme


class MakeSafeButton(QPushButton):
    """Make safe, with a bar that fills while Esc is held."""

    def __init__(self, theme: Theme) -> None:
        super().__init__("&Make safe")
        self._theme = theme
        self.held = 0.0  # 0..1 of the second for which Esc must be held
        self.setToolTip(texts.MAKE_SAFE_SAYS)
        self.setAccessibleDescription(texts.MAKE_SAFE_SAYS)
        self.setMinimumSize(184, 42)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802 - Qt
        theme = self._theme
        p = QPainter(self)
        p.setRenderHint(QPainter.RenderHint.Antialiasing)
        box = QRectF(self.rect()).adjusted(1.5, 1.5, -1.5, -1.5)
        on = self.isEnabled()
        p.setBrush(QColor(theme.warn if on else theme.control))
        p.setPen(QPen(QColor("#16181a" if on else theme.rule), 1.5))
        p.drawRoundedRect(box, 3, 3)
        if self.held > 0:
            p.fillRect(QRectF(box.left(), box.bottom() - 6, box.width() * self.held, 6), QColor(theme.alarm))
        if self.isDown():
            p.fillRect(box, QColor(0, 0, 0, 40))
        font = QFont(self.font())
        font.setBold(True)
        p.setFont(font)
        p.setPen(QColor("#16181a" if on else theme.muted))
        half = box.height() / 2
        p.drawText(
            QRectF(box.left(), box.top() + 2, box.width(), half), Qt.AlignmentFlag.AlignCenter, "Make safe"
        )
        font.setBold(False)
        font.setPointSizeF(max(7.5, font.pointSizeF() - 2))
        p.setFont(font)
        p.drawText(
            QRectF(box.left(), box.top() + half - 2, box.width(), half),
            Qt.AlignmentFlag.AlignCenter,
            "hold Esc · no emergency stop",
        )
        if self.hasFocus():
            p.setBrush(Qt.BrushStyle.NoBrush)
            p.setPen(QPen(QColor(theme.focus), 2.5))
            p.drawRoundedRect(box.adjusted(2, 2, -2, -2), 2, 2)
        p.end()


class Header(QFrame):
    """Title, pairing, the mark that tells a simulated bench from a real one, state and time, pause and make safe."""

    pause_wanted = Signal()
    resume_wanted = Signal()
    safe_wanted = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title = QLabel("benchrunner")
        font = QFont(self.title.font())
        font.setPointSizeF(font.pointSizeF() + 3)
        font.setBold(True)
        self.title.setFont(font)
        self.pairing = QLabel("")
        for label in (self.title, self.pairing):
            label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            label.setMinimumWidth(120)
        self.simulated = QLabel(texts.SIMULATED)
        bold = QFont(font)
        bold.setPointSizeF(font.pointSizeF() - 1)
        self.simulated.setFont(bold)
        self.simulated.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.simulated.setToolTip("Nothing on this bench is real: no evidence about any real equipment.")
        self.simulated.setAccessibleName(texts.SIMULATED)
        self.simulated.hide()
        self.real = QLabel(
            f"<div><b>{texts.REAL}</b></div><div style='font-size:{font.pointSizeF() - 4:g}pt'>{texts.REAL_SHORT}</div>"
        )
        self.real.setFont(bold)
        self.real.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.real.setToolTip(texts.REAL_SAYS)
        self.real.setAccessibleName(texts.REAL)
        self.real.setAccessibleDescription(texts.REAL_SAYS)
        self.real.hide()
        self.state = QLabel("")
        self.time = QLabel("")
        time_font = QFont(font)
        time_font.setStyleHint(QFont.StyleHint.Monospace)
        self.time.setFont(time_font)
        self.time.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.pause = QPushButton("Pa&use")
        self.pause.setToolTip(
            "Holds between two steps; guards stay live. A pause that lasts too long makes the bench safe."
        )
        self.pause.setMinimumHeight(40)
        self.make_safe = MakeSafeButton(theme)
        names = QVBoxLayout()
        names.setSpacing(0)
        names.addWidget(self.title)
        names.addWidget(self.pairing)
        times = QVBoxLayout()
        times.setSpacing(0)
        times.addWidget(self.time)
        times.addWidget(self.state)
        self.state.setAlignment(Qt.AlignmentFlag.AlignRight)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(12, 6, 10, 6)
        layout.setSpacing(14)
        layout.addLayout(names, 1)
        layout.addWidget(self.simulated)
        layout.addWidget(self.real)
        layout.addLayout(times)
        layout.addWidget(self.pause)
        layout.addWidget(self.make_safe)
        self._paused = False
        self._waiting_for_pause = False
        self.pause.clicked.connect(self._pause_or_resume)
        self.make_safe.clicked.connect(self.safe_wanted)
        self.set_theme(theme)
        self.refresh(RunState(), going=False)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self.simulated.setStyleSheet(
            f"background:{theme.warn};color:{theme.warn_text};padding:4px 12px;border:2px solid {theme.warn_text};"
        )
        self.real.setStyleSheet(
            f"background:{theme.text};color:{theme.window};padding:2px 14px;border-left:8px solid {theme.alarm};"
            f"border-right:8px solid {theme.alarm};"
        )
        self.make_safe.set_theme(theme)

    def refresh(self, run: RunState, going: bool, here: bool = True) -> None:
        """Show how the run stands; `going`: an engine is at work; `here`: what is shown below belongs to this run."""
        self._paused = run.state == "paused"
        if run.state not in ("running", "waiting for the operator"):
            self._waiting_for_pause = False
        shown = (here or going) and not run.refused
        self.time.setText(texts.clock(run.at) if run.prepared and shown else "")
        state = run.state.capitalize() if shown else ""
        if going and not run.state:
            state = "Ending" if run.safe_asked else "Getting ready"
        elif run.refused:
            state = "Refused"
        elif run.ended is not None:
            state = "Ended" if shown else ""
        elif self._waiting_for_pause:
            state = "Pausing after this step"
        self.state.setText(state)
        self.pause.setText("&Resume" if self._paused else "Pa&use")
        self.pause.setEnabled(going and run.state in ("running", "waiting for the operator", "paused"))
        self.make_safe.setEnabled(going and run.ended is None)

    def name_run(self, title: str, pairing: str, simulated: bool | None) -> None:
        """What runs, or would run, and on which kind of bench; None: on none, or not known yet."""
        self.title.setText(title)
        self.title.setToolTip(title)
        self.pairing.setText(pairing)
        self.pairing.setToolTip(pairing)
        self.name_bench(simulated)

    def name_bench(self, simulated: bool | None) -> None:
        """Mark the bench as simulated or as real, in words; None: neither is known."""
        self.simulated.setVisible(simulated is True)
        self.real.setVisible(simulated is False)

    @property
    def bench_says(self) -> str:
        """The mark in words, for the title of the window."""
        return (
            texts.SIMULATED
            if not self.simulated.isHidden()
            else texts.REAL
            if not self.real.isHidden()
            else ""
        )

    def _pause_or_resume(self) -> None:
        if self._paused:
            self.resume_wanted.emit()
        else:
            self._waiting_for_pause = True
            self.pause_wanted.emit()
