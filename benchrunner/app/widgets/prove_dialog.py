"""Keeps a check before power that a person has done: which, who, what came out, with which instrument, for how long.

It asks what `benchrunner prove` asks and keeps it the same way. Which check and what came out are chosen by a person each
time: nothing is ticked or filled in beforehand, save for how long an entry usually holds.
"""

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QButtonGroup, QHBoxLayout, QLabel, QLineEdit, QWidget

from benchrunner.app.model.gates import PROVING, CheckDone, CheckView
from benchrunner.app.widgets.controls import ComboBox, RadioButton
from benchrunner.app.widgets.named import LONGEST, NamedDialog
from benchrunner.app.widgets.pages import escaped

MOST_HOURS = 2208.0  # 92 days, as bench.prechecks.MOST_HOURS; a test holds them together


class ProveDialog(NamedDialog):
    """Which check was done and what came out; `done_wanted` brings a `CheckDone`."""

    done_wanted = Signal(object)

    def __init__(self, checks: tuple[CheckView, ...], parent: QWidget | None = None) -> None:
        super().__init__(
            "Record a check before power", "&Keep this check", "anything else worth keeping; may stay empty", parent,
            PROVING, "I have read &these cautions and answer for what I enter here",
        )  # fmt: skip
        self.resize(720, 600)
        self._checks = checks
        self.check = ComboBox()
        self.check.setAccessibleName("Check")
        self.check.addItem("choose…")
        for view in checks:
            self.check.addItem(f"{view.name}: {'holds' if view.holds else 'lacking'}")
        self.stands = QLabel("")
        self.stands.setWordWrap(True)
        self.passed, self.failed = RadioButton("&pass"), RadioButton("&fail")
        self._results = QButtonGroup(self)
        row = QHBoxLayout()
        for button in (self.passed, self.failed):
            button.setAccessibleName(f"Result: {button.text().replace('&', '')}")
            self._results.addButton(button)
            button.toggled.connect(self._allow)
            row.addWidget(button)
        row.addStretch(1)
        self.value, self.instrument, self.hours = QLineEdit(), QLineEdit(), QLineEdit("24")
        self.value.setPlaceholderText("with its unit, such as: > 200 Mohm at 500 V")
        self.instrument.setPlaceholderText("the tester: name and serial number")
        for number, (text, field) in enumerate(
            (("&Check", self.check), ("", self.stands), ("Result", row), ("&Value", self.value),
             ("&Instrument", self.instrument), ("Holds for, in &hours", self.hours))
        ):  # fmt: skip
            self._form.insertRow(number, text, field)  # type: ignore[call-overload]
            if isinstance(field, QLineEdit):
                field.setAccessibleName(text.replace("&", ""))
                field.setMaxLength(LONGEST)
                field.textChanged.connect(self._allow)
        self.note = self.why
        note = self._form.labelForField(self.note)
        if isinstance(note, QLabel):
            note.setText("N&ote")
        self.note.setAccessibleName("Note")
        self.check.currentIndexChanged.connect(self._chosen)
        self._finish()
        self._layout.insertStretch(
            self._layout.indexOf(self.lacking), 1
        )  # room that is left stays below the form
        self._chosen()
        self.check.setFocus()

    @property
    def chosen(self) -> CheckView | None:
        """The check that is to be kept."""
        row = self.check.currentIndex() - 1
        return self._checks[row] if 0 <= row < len(self._checks) else None

    def _chosen(self, *_: object) -> None:
        view = self.chosen
        self.stands.setText(
            f"{escaped(view.says)}<br>So far: {escaped(view.stands)}"
            if view is not None
            else "no check chosen"
        )
        for button in (self.passed, self.failed):  # what came out of one check says nothing about another
            self._results.setExclusive(False)
            button.setChecked(False)
            self._results.setExclusive(True)
        self.value.clear()
        self.instrument.clear()
        self._allow()

    def _hours(self) -> float | None:
        try:
            hours = float(self.hours.text())
        except ValueError:
            return None
        return hours if 0.0 < hours <= MOST_HOURS else None

    def _lacks(self) -> str:
        view = self.chosen
        if view is None:
            return "Choose the check that was done."
        if not (self.passed.isChecked() or self.failed.isChecked()):
            return "Say what came out: pass or fail."
        if view.measured and not self.value.text().strip():
            return f"{view.name} is measured: give the value that was read, with its unit."
        if view.measured and not self.instrument.text().strip():
            return f"{view.name} is measured: give the tester's name or serial number."
        if self._hours() is None:
            return f"Give for how many hours it holds: more than 0 and at most {MOST_HOURS:g}."
        if not self.read.isChecked():
            return "Read the cautions and say so."
        if not self.by.text().strip():
            return "Give the name of the person who did the check."
        texts = (self.by, self.value, self.instrument, self.note)
        if not all(field.text().isprintable() for field in texts):
            return "A field holds characters that cannot be printed."
        return ""

    def _agreed(self) -> None:
        view, hours = self.chosen, self._hours()
        if view is None or hours is None or self._lacks():
            return
        self.done_wanted.emit(
            CheckDone(
                view.name,
                self.by.text().strip(),
                "pass" if self.passed.isChecked() else "fail",
                self.value.text().strip(),
                self.instrument.text().strip(),
                self.note.text().strip(),
                hours,
            )
        )
        self.accept()
