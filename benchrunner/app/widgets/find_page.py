"""The page on which instruments are looked for: where to look, what answered, and the draft of a bench card.

The looking is done by a thread of its own; only identification queries are sent, and nothing is asked that is not named.
"""

from pathlib import Path
from typing import Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchrunner.app.background import Background
from benchrunner.app.model.mends import here
from benchrunner.app.theme import Theme, palette
from benchrunner.app.widgets.controls import FIELDS, CheckBox
from benchrunner.errors import Problem, Refused

COLUMNS = ("Address", "Says", "Driver card", "Role")
POLL = 100  # ms between looks at what the thread has brought
INTRODUCTION = (
    "Each place is asked who it is, and nothing else: the bench could be live. A meter cannot tell where it sits: trace its wires. "
    "The draft that is saved holds what the instruments say; no run starts on it until a person has finished it."
)
TO_FINISH = "No run starts on it yet: finish each TODO in it, take out its line draft = true, and choose it under Bench on the page Prepare."


class FindPage(QWidget):
    """Looks for instruments; `drafted` tells of a draft that was saved."""

    drafted = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._background = Background()
        self._proposals: list[Any] = []
        self._working = False
        self._unclear = ""  # what is not clear of the last look
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 10, 12, 10)
        layout.setSpacing(8)
        says = QLabel(INTRODUCTION)
        says.setWordWrap(True)
        layout.addWidget(says)
        form = QFormLayout()
        self.ports, self.modbus = QLineEdit(), QLineEdit()
        self.ports.setPlaceholderText(
            "host:first-last, such as 127.0.0.1:27301-27311; several with spaces between"
        )
        self.modbus.setPlaceholderText("host:port or host:first-last, with /unit where it is not 1")
        for field, text in ((self.ports, "&TCP ports"), (self.modbus, "&Modbus servers")):
            field.setAccessibleName(text.replace("&", ""))
            form.addRow(text, field)
        layout.addLayout(form)
        row = QHBoxLayout()
        self.serial = CheckBox("Ask at the &serial ports of this machine too")
        self.visa = CheckBox("&USB and GPIB")
        self.visa.setChecked(True)
        self.look = QPushButton("&Look")
        self.look.clicked.connect(self.begin)
        self.save = QPushButton("Save a &draft of a bench card…")
        self.save.clicked.connect(self._choose)
        self.save.setEnabled(False)
        self.state = QLabel("")
        for part in (self.serial, self.visa, self.look, self.save):
            row.addWidget(part)
        row.addWidget(self.state, 1)
        layout.addLayout(row)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.setAccessibleName("Instruments found")
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.verticalHeader().setVisible(False)
        self.table.verticalHeader().setMinimumSectionSize(26)
        self.table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.table.horizontalHeader().setDefaultAlignment(  # over their columns' texts
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )
        self.table.horizontalHeader().setSectionResizeMode(1, QHeaderView.ResizeMode.Stretch)
        layout.addWidget(self.table, 3)
        self.problems = QPlainTextEdit()
        self.problems.setReadOnly(True)
        self.problems.setAccessibleName("What is not clear")
        self.problems.setPlaceholderText("What is not clear, with its mend")
        layout.addWidget(self.problems, 1)
        self.setStyleSheet(FIELDS)
        self._timer = QTimer(self)
        self._timer.setInterval(POLL)
        self._timer.timeout.connect(self._fetch)

    def set_theme(self, theme: Theme) -> None:
        """The fields take their colours anew: a style sheet keeps those of the palette that it was read with."""
        self.setStyleSheet("")
        self.setPalette(palette(theme))
        self.setStyleSheet(FIELDS)

    @property
    def is_working(self) -> bool:
        """The thread is looking."""
        return self._working

    def begin(self) -> None:
        """Look where the page says."""
        if self._working:
            return
        ranges, modbus = tuple(self.ports.text().split()), tuple(self.modbus.text().split())
        serial, visa = self.serial.isChecked(), self.visa.isChecked()

        def work() -> Any:
            from benchrunner.bench.find import looking, proposing

            ports = looking.serial_ports()
            answers = looking.look(looking.Where(ranges, modbus, serial, visa))
            proposals = [proposing.propose(answer) for answer in answers if answer.found]
            problems = [answer.problem for answer in answers if answer.problem] + looking.conflicts(answers)
            return ports, proposals, problems

        self._working = True
        self.look.setEnabled(False)
        self.save.setEnabled(False)
        self.state.setText("Looking…")
        self._background.ask("find", work)
        self._timer.start()

    def _fetch(self) -> None:
        for _, answer, error in self._background.answers():
            self._timer.stop()
            self._working = False
            self.look.setEnabled(True)
            if isinstance(error, Refused):
                self._show([], [], list(error.problems))
            elif error is not None:
                self._show([], [], [Problem("find", f"failed: {error}", "try again with fewer places")])
            else:
                self._show(*answer)

    def _show(self, ports: list[Any], proposals: list[Any], problems: list[Problem]) -> None:
        self._proposals = proposals
        self.table.setRowCount(len(proposals))
        for row, proposal in enumerate(proposals):
            texts = (
                proposal.answer.address,
                proposal.answer.identity,
                _choice(proposal.drivers, "no card suits"),
                _choice(proposal.roles, "none known"),
            )
            for column, text in enumerate(texts):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                item.setFlags(item.flags() & ~Qt.ItemFlag.ItemIsEditable)
                self.table.setItem(row, column, item)
        listed = (
            [
                f"Serial port {port.device}" + (f" ({port.says})" if port.says not in ("", "n/a") else "")
                for port in ports
            ]
            if not self.serial.isChecked()
            else []
        )
        lines = [_told(problem) for problem in problems]
        self._unclear = "\n".join([*lines, *(f"{line}: there, not asked" for line in listed)])
        self.problems.setPlainText(self._unclear)
        count = len(proposals)
        self.state.setText(f"{count} instrument{'s' if count != 1 else ''} found")
        self.save.setEnabled(count > 0)

    def _choose(self) -> None:
        dialog = QFileDialog(self, "Save a draft of a bench card", "", "Cards (*.toml)")
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setDefaultSuffix("toml")
        # It would offer to write over a file, which this program does not do; `write` says so.
        dialog.setOption(QFileDialog.Option.DontConfirmOverwrite)
        dialog.selectFile("bench.toml")
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(self.write)
        dialog.open()

    def _say_first(self, text: str) -> None:
        """Say something above what is not clear, which stays."""
        self.problems.setPlainText("\n".join(part for part in (text, self._unclear) if part))

    def write(self, path: str) -> None:
        """Save the draft there; a file that is there already is not overwritten."""
        from benchrunner.bench.find import writing

        try:
            writing.write_card(Path(path), writing.card_text(self._proposals))
        except Refused as refusal:
            self._say_first("\n".join(map(_told, refusal.problems)))
            self.state.setText("The draft was not saved")
            return
        self.state.setText("Draft saved")
        self._say_first(f"Draft saved: {path}\n    {TO_FINISH}")
        self.drafted.emit(path)


def _told(problem: Problem) -> str:
    """A problem, and its mend below it."""
    shown = here(problem)
    return f"{shown.where}: {shown.what}\n    {shown.mend}"


def _choice(among: tuple[str, ...], none: str) -> str:
    if len(among) == 1:
        return among[0]
    return f"to choose: {', '.join(among)}" if among else none
