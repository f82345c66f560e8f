"""The page on which a run is prepared: what is run, with what values, what to beware of, and who starts it."""

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QFont
from PySide6.QtWidgets import (
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchrunner.app.model.choices import Choice, read_choice
from benchrunner.app.model.preview import Preview
from benchrunner.app.theme import Theme, palette
from benchrunner.app.widgets.clearance import Clearance
from benchrunner.app.widgets.controls import FIELDS, ComboBox
from benchrunner.app.widgets.parameters import ParameterForm
from benchrunner.app.widgets.run_setup import RunSetup
from benchrunner.app.widgets.running_order import GuardTable, RunningOrder
from benchrunner.engine.request import SPEED_SAYS
from benchrunner.errors import Problem

OTHER = "Open another file…"
_SETTLE = 350  # ms after the last key before the run is worked out anew


class PreparePage(QWidget):
    """Lets a person choose; `changed` asks for a new preview, `start_wanted` for the run."""

    changed = Signal()
    start_wanted = Signal()
    other_bench = Signal()  # chosen; what it is comes with its preview

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._preview: Preview | None = None
        self._loading = False
        self._working = True
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(_SETTLE)
        self._timer.timeout.connect(self.changed)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(12, 10, 12, 10)
        layout.setSpacing(18)
        layout.addLayout(self._left(), 5)
        layout.addLayout(self._middle(), 8)
        clear = self.clearance = Clearance()
        self.cautions, self.problems, self.why_not, self.start = (
            clear.cautions,
            clear.problems,
            clear.why_not,
            clear.start,
        )
        self.read, self.checked, self.name = clear.read, clear.checked, clear.name
        clear.start_wanted.connect(self.start_wanted)
        clear.passing_changed.connect(self._passing_changed)
        layout.addWidget(clear, 7)
        self.setStyleSheet(FIELDS)

    # ---------------------------------------------------------------- the three columns

    def _left(self) -> QVBoxLayout:
        column = QVBoxLayout()
        column.setSpacing(5)
        self.procedures = QListWidget()
        self.procedures.setWordWrap(True)
        self.procedures.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.procedures.setAccessibleName("Procedure")
        self.procedures.setSpacing(3)
        column.addWidget(_label("Pr&ocedure", self.procedures))
        column.addWidget(self.procedures, 1)
        self.pairings, self.benches = ComboBox(), ComboBox()
        for box, text in ((self.pairings, "Pa&iring"), (self.benches, "&Bench")):
            box.setAccessibleName(text.replace("&", ""))
            column.addWidget(_label(text, box))
            column.addWidget(box)
        setup = self.setup = RunSetup()
        self.speed, self.seed, self.key = setup.speed, setup.seed, setup.key
        self.passphrase, self.out = setup.passphrase, setup.out
        column.addLayout(setup.form)
        setup.ports.textChanged.connect(self._edited)
        setup.speed.currentTextChanged.connect(self._speed_changed)
        self.procedures.currentRowChanged.connect(self._choice_changed)
        self.pairings.activated.connect(lambda i: self._activated(self.pairings, "pairing", i))
        self.benches.activated.connect(lambda i: self._activated(self.benches, "bench", i))
        self.pairings.currentIndexChanged.connect(self._choice_changed)
        self.benches.currentIndexChanged.connect(self._choice_changed)
        self.benches.currentIndexChanged.connect(lambda _: self.other_bench.emit())
        self.procedures.itemActivated.connect(self._procedure_activated)
        self.procedures.itemClicked.connect(self._procedure_activated)
        return column

    def _middle(self) -> QVBoxLayout:
        column = QVBoxLayout()
        column.setSpacing(6)
        self.title = QLabel("Reading the files…")
        font = QFont(self.title.font())
        font.setPointSizeF(font.pointSizeF() + 2)
        font.setBold(True)
        self.title.setFont(font)
        self.title.setWordWrap(True)
        self.purpose = QLabel("")
        self.purpose.setWordWrap(True)
        self.purpose.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        column.addWidget(self.title)
        column.addWidget(self.purpose)
        self._parameters_head = _head("Parameters")
        column.addWidget(self._parameters_head)
        self.parameters = ParameterForm(self)
        self.parameters.edited.connect(self._edited)
        column.addWidget(self.parameters)
        column.addWidget(_head("Running order"))
        self.order = RunningOrder()
        column.addWidget(self.order, 3)
        column.addWidget(_head("Guards: crossed or silent, they make the bench safe"))
        self.guards = GuardTable()
        column.addWidget(self.guards, 2)
        return column

    # ---------------------------------------------------------------- what the window calls

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        self.setStyleSheet("")  # it keeps the colours of the palette that it was read with
        self.setPalette(palette(theme))
        self.setStyleSheet(FIELDS)
        self.clearance.show_texts()

    def offer(self, found: dict[str, list[Choice]], chosen: dict[str, str]) -> None:
        """Fill the three lists; `chosen`: the files to begin with, as paths or by their names without ending."""
        self._loading = True
        self.procedures.clear()
        for choice in found["procedure"]:
            self._add_procedure(choice)
        other = QListWidgetItem(OTHER)
        self.procedures.addItem(other)
        for box, kind in ((self.pairings, "pairing"), (self.benches, "bench")):
            box.clear()
            for choice in found[kind]:
                self._add(box, choice)
            box.addItem(OTHER, None)
        paths = [
            self.procedures.item(row).data(Qt.ItemDataRole.UserRole)
            for row in range(self.procedures.count() - 1)
        ]
        row = _row_of(chosen.get("procedure", ""), paths)
        if row is None and _is_file(chosen.get("procedure", "")):
            self._take_procedure(chosen["procedure"])
        else:
            self.procedures.setCurrentRow(row or 0)
        for box, kind in ((self.pairings, "pairing"), (self.benches, "bench")):
            row = _row_of(chosen.get(kind, ""), [box.itemData(k) for k in range(box.count() - 1)])
            if row is not None:
                box.setCurrentIndex(row)
            elif _is_file(chosen.get(kind, "")):
                self._take_file(box, chosen[kind])
        self._loading = False
        self._choice_changed()

    def offer_keys(self, names: list[str]) -> None:
        """The signing keys there are."""
        for name in names:
            self.key.addItem(name, name)

    def chosen(self) -> tuple[str, str, str]:
        """Procedure, pairing and bench, as paths; empty where none is chosen."""
        item = self.procedures.currentItem()
        procedure = item.data(Qt.ItemDataRole.UserRole) if item is not None else ""
        return (
            str(procedure or ""),
            str(self.pairings.currentData() or ""),
            str(self.benches.currentData() or ""),
        )

    @property
    def current_preview(self) -> Preview | None:
        """What is shown."""
        return self._preview

    @property
    def is_working(self) -> bool:
        """Whether a preview is on its way."""
        return self._working

    def holds(self, procedure: str) -> bool:
        """Whether the fields are those of this procedure."""
        return self._preview is not None and self._preview.procedure == procedure

    def settings(self) -> dict[str, str]:
        """The parameters that differ from the procedure's own values."""
        return self.parameters.changed()

    def speed_chosen(self) -> float | str:
        """1, 10 or "max"; a real bench runs at its own pace."""
        if self._preview is not None and self._preview.simulated is False:
            return 1.0
        return self.setup.speed_value() or 1.0

    def take(self, preview: Preview) -> None:
        """Show what would run."""
        other_procedure = self._preview is None or self._preview.procedure != preview.procedure
        changed_risk = other_procedure or self._preview is None or self._preview.bench != preview.bench
        self._preview, self._working = preview, False
        self.parameters.take(preview.parameters, other_procedure)
        self.parameters.follow(self.out)
        self._parameters_head.setText(
            "<b>Parameters</b>" if preview.parameters else "<b>Parameters</b>: none"
        )
        self.order.take(preview.prepared.get("steps", []))
        self.guards.take(preview.prepared.get("guards", []))
        self._show_texts(preview)
        self.clearance.take(preview, changed_risk)

    def working(self) -> None:
        """A new preview is on its way."""
        self._working = True
        self.clearance.working()

    def failed(self, why: str) -> None:
        """No preview could be made."""
        self._working, self._preview = False, None
        mend = "choose again; if it stays so, this is a fault of the program"
        self.clearance.failed(Problem("the preview", why, mend))

    def show_problems(self, problems: list[tuple[str, str, str]]) -> None:
        """What the engine refused."""
        self.clearance.refused(tuple(Problem(*problem) for problem in problems))

    # ---------------------------------------------------------------- inside

    def _add_procedure(self, choice: Choice) -> None:
        item = QListWidgetItem(choice.title if choice.origin != "lab" else f"{choice.title}  (lab)")
        item.setData(Qt.ItemDataRole.UserRole, choice.name)
        item.setToolTip(choice.says or choice.name)
        self.procedures.addItem(item)

    def _add(self, box: QComboBox, choice: Choice) -> None:
        box.addItem(choice.title if choice.origin != "lab" else f"{choice.title}  (lab)", choice.name)
        box.setItemData(box.count() - 1, choice.says or choice.name, Qt.ItemDataRole.ToolTipRole)

    def _procedure_activated(self, item: QListWidgetItem) -> None:
        if item.data(Qt.ItemDataRole.UserRole) is None:
            self._ask_file("procedure", self._take_procedure, self._back_to_procedure)

    def _take_procedure(self, path: str) -> None:
        choice = read_choice(Path(path))
        self.procedures.takeItem(self.procedures.count() - 1)
        self._add_procedure(choice)
        self.procedures.addItem(QListWidgetItem(OTHER))
        self.procedures.setCurrentRow(self.procedures.count() - 2)

    def _activated(self, box: QComboBox, kind: str, index: int) -> None:
        if box.itemData(index) is None:
            self._ask_file(
                kind, lambda path: self._take_file(box, path), lambda: self._back_to_choice(box, kind)
            )

    def _take_file(self, box: QComboBox, path: str) -> None:
        choice = read_choice(Path(path))
        row = box.count() - 1
        box.insertItem(row, choice.title, choice.name)
        box.setCurrentIndex(row)

    def _back_to_procedure(self) -> None:
        """Nothing was opened: what was prepared before is chosen again."""
        held = self._preview.procedure if self._preview is not None else ""
        paths = [
            self.procedures.item(row).data(Qt.ItemDataRole.UserRole) for row in range(self.procedures.count())
        ]
        self.procedures.setCurrentRow(paths.index(held) if held in paths else 0)

    def _back_to_choice(self, box: QComboBox, kind: str) -> None:
        held = getattr(self._preview, kind) if self._preview is not None else ""
        box.setCurrentIndex(max(0, box.findData(held)))

    def _ask_file(self, kind: str, take: Callable[[str], None], back: Callable[[], None]) -> None:
        dialog = QFileDialog(self, f"Open a {kind} file", "", "TOML files (*.toml)")
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(take)
        dialog.rejected.connect(back)
        dialog.open()

    def _choice_changed(self, *_: object) -> None:
        if self._loading:
            return
        self.clearance.other_bench()
        self._preview_stale()
        self._timer.start(0)

    def _speed_changed(self, *_: object) -> None:
        wrong = self.setup.speed_value() is None
        self.clearance.also(f"Speed: give {SPEED_SAYS}." if wrong else "")

    def _passing_changed(self) -> None:
        self._preview_stale()
        self._timer.start(0)

    def _preview_stale(self) -> None:
        self.working()

    def _edited(self) -> None:
        self._preview_stale()
        self._timer.start(_SETTLE)

    def _show_texts(self, preview: Preview) -> None:
        self.title.setText(preview.title or Path(preview.procedure).stem)
        self.purpose.setText(preview.purpose)
        self.setup.take_bench(preview.simulated is False)
        self.setup.ports.setEnabled(preview.served)


def _row_of(chosen: str, paths: list[str]) -> int | None:
    """Where a choice stands: the very file, or the one of its name."""
    if chosen in paths:
        return paths.index(chosen)
    stems = [Path(path).stem for path in paths]
    return stems.index(chosen) if chosen in stems else None


def _is_file(chosen: str) -> bool:
    return chosen.endswith(".toml") and Path(chosen).is_file()


def _head(text: str) -> QLabel:
    return QLabel(f"<b>{text}</b>")


def _label(text: str, buddy: QWidget) -> QLabel:
    label = QLabel(text)
    label.setBuddy(buddy)
    return label
