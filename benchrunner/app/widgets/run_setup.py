"""How a run goes: its pace, its random seed, its ports, its signature, and where its record lies."""

import contextlib

from PySide6.QtCore import Qt
from PySide6.QtGui import QIntValidator
from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QWidget

from benchrunner.app.widgets.controls import ComboBox
from benchrunner.engine.request import SPEED_SAYS, Speed, read_speed

SPEEDS: tuple[tuple[str, Speed], ...] = (
    ("1× (real time)", 1.0),
    ("10×", 10.0),
    ("as fast as possible", "max"),
)
_PORT = (1024, 65000)


class RunSetup:
    """The fields, laid out in `form`."""

    def __init__(self) -> None:
        self._held: str | None = None  # the pace that was chosen, while a real bench shows its own
        self.speed = ComboBox()
        for name, value in SPEEDS:
            self.speed.addItem(name, value)
        self.speed.setCurrentIndex(1)
        self.speed.setEditable(True)
        typed = self.speed.lineEdit()
        assert typed is not None
        typed.setAccessibleName("Speed")
        typed.setFocusPolicy(
            Qt.FocusPolicy.ClickFocus
        )  # by key the box itself has the focus and hands it the letters
        self.speed.setFocusPolicy(Qt.FocusPolicy.StrongFocus)  # the field's policy was handed on to its box
        self.speed.setInsertPolicy(ComboBox.InsertPolicy.NoInsert)
        self.speed.setToolTip(f"On the simulated bench: {SPEED_SAYS}.")
        self.seed = QLineEdit("1")
        self.seed.setValidator(QIntValidator(0, 2**31 - 1, self.seed))
        self.seed.setToolTip(
            "For random points on the wave and simulated noise; the same seed gives the same run."
        )
        self.ports = QLineEdit()
        self.ports.setValidator(QIntValidator(*_PORT, self.ports))
        self.ports.setPlaceholderText("as the bench says")
        self.ports.setToolTip(
            "Lowest TCP port of a bench that this machine serves (benchrunner serve), if not the bench card's own."
        )
        self.key = ComboBox()
        self.key.addItem("not signed", "")
        self.passphrase = QLineEdit()
        self.passphrase.setEchoMode(QLineEdit.EchoMode.Password)
        self.passphrase.setEnabled(False)
        self.out = QLineEdit("runs")
        self.out.setToolTip("Folder for record and report")
        self.key.currentIndexChanged.connect(lambda: self.passphrase.setEnabled(bool(self.key.currentData())))
        self.form = QGridLayout()
        self.form.setVerticalSpacing(5)
        self.form.setColumnStretch(1, 1)
        rows: tuple[tuple[str, QWidget], ...] = (
            ("Spee&d", self.speed),
            ("&Random seed", self.seed),
            ("&Lowest port", self.ports),
            ("Signing &key", self.key),
            ("&Passphrase", self.passphrase),
            ("&Folder", self.out),
        )
        for row, (text, field) in enumerate(rows):
            label = QLabel(text)
            label.setBuddy(field)
            field.setAccessibleName(text.replace("&", ""))
            self.form.addWidget(label, row, 0)
            self.form.addWidget(field, row, 1)

    def port_base(self) -> int | None:
        """The first port, or None for the bench card's own."""
        return int(self.ports.text()) if self.ports.isEnabled() and self.ports.hasAcceptableInput() else None

    def port_wanted(self) -> int | None:
        """The first port as it stands in the field, for a bench of which it is not known yet whether it is served."""
        return int(self.ports.text()) if self.ports.hasAcceptableInput() else None

    def take_bench(self, real: bool) -> None:
        """A real bench shows its own pace; what was chosen comes back with a simulated one."""
        self.speed.setEnabled(not real)
        self.speed.setToolTip(
            "A real bench runs at its own pace." if real else f"On the simulated bench: {SPEED_SAYS}."
        )
        if real and self._held is None:
            self._held = self.speed.currentText()
            self.speed.setEditText(SPEEDS[0][0])
        elif not real and self._held is not None:
            held, self._held = self._held, None
            self.speed.setEditText(held)

    def speed_text(self) -> str:
        """The chosen pace as it is remembered."""
        chosen = self.speed_value()
        return "" if chosen is None else str(chosen)

    def speed_value(self) -> Speed | None:
        """The chosen or typed pace; None where it is none."""
        text = (self.speed.currentText() if self._held is None else self._held).strip()
        for name, value in SPEEDS:
            if text == name:
                return value
        try:
            return read_speed(text.removesuffix("×"))
        except ValueError:
            return None

    def recall(self, speed: str, ports: str, out: str) -> None:
        """Set what was chosen last; what makes no sense any more is passed over."""
        for row, (_, value) in enumerate(SPEEDS):
            if str(value) == speed:
                self.speed.setCurrentIndex(row)
                break
        else:
            with contextlib.suppress(ValueError):
                self.speed.setEditText(f"{read_speed(speed):g}×")
        if ports.isdigit() and _PORT[0] <= int(ports) <= _PORT[1]:
            self.ports.setText(ports)
        if out:
            self.out.setText(out)
