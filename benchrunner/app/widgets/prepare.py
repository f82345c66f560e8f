"""The page on which a run is prepared: what is run, with what values, what to beware of, and who starts it."""

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QFont, QIntValidator, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QScrollArea,
    QTableWidget,
    QTableWidgetItem,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from benchrunner.app.model import texts
from benchrunner.app.model.choices import Choice, read_choice
from benchrunner.app.model.preview import ParameterView, Preview
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.controls import FIELDS, CheckBox, ComboBox

OTHER = "Open another file…"
SPEEDS: tuple[tuple[str, float | str], ...] = (
    ("1× (real time)", 1.0),
    ("10×", 10.0),
    ("as fast as possible", "max"),
)
_SETTLE = 350  # ms after the last key before the run is worked out anew


class PreparePage(QWidget):
    """Lets a person choose; `changed` asks for a new preview, `start_wanted` for the run."""

    changed = Signal()
    start_wanted = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._preview: Preview | None = None
        self._fields: dict[str, QLineEdit] = {}
        self._defaults: dict[str, str] = {}
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
        layout.addLayout(self._right(), 7)
        self.setStyleSheet(FIELDS)
        self._allow()

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
        self.speed = ComboBox()
        for name, value in SPEEDS:
            self.speed.addItem(name, value)
        self.speed.setCurrentIndex(1)
        self.seed = QLineEdit("1")
        self.seed.setValidator(QIntValidator(0, 2**31 - 1, self.seed))
        self.seed.setToolTip(
            "For random points on the wave and simulated noise; the same seed gives the same run."
        )
        self.key = ComboBox()
        self.key.addItem("not signed", "")
        self.passphrase = QLineEdit()
        self.passphrase.setEchoMode(QLineEdit.EchoMode.Password)
        self.passphrase.setEnabled(False)
        self.out = QLineEdit("runs")
        self.out.setToolTip("Folder for record and report")
        form = QGridLayout()
        form.setVerticalSpacing(5)
        for row, (text, field) in enumerate(
            (
                ("Spee&d", self.speed),
                ("&Random seed", self.seed),
                ("Signing &key", self.key),
                ("&Passphrase", self.passphrase),
                ("&Folder", self.out),
            )
        ):
            field.setAccessibleName(text.replace("&", ""))
            form.addWidget(_label(text, field), row, 0)
            form.addWidget(field, row, 1)
        form.setColumnStretch(1, 1)
        column.addLayout(form)
        self.procedures.currentRowChanged.connect(self._choice_changed)
        self.pairings.activated.connect(lambda i: self._activated(self.pairings, "pairing", i))
        self.benches.activated.connect(lambda i: self._activated(self.benches, "bench", i))
        self.pairings.currentIndexChanged.connect(self._choice_changed)
        self.benches.currentIndexChanged.connect(self._choice_changed)
        self.procedures.itemActivated.connect(self._procedure_activated)
        self.procedures.itemClicked.connect(self._procedure_activated)
        self.key.currentIndexChanged.connect(lambda: self.passphrase.setEnabled(bool(self.key.currentData())))
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
        self._form_holder = QWidget()
        self._form = QGridLayout(self._form_holder)
        self._form.setContentsMargins(0, 0, 6, 0)
        self._form.setVerticalSpacing(4)
        self._form.setHorizontalSpacing(10)
        self._form.setColumnStretch(0, 1)
        scroll = QScrollArea()
        scroll.setWidget(self._form_holder)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._form_scroll = scroll
        column.addWidget(scroll)
        column.addWidget(_head("Running order"))
        self.order = QTableWidget(0, 4)
        self.order.setAccessibleName("Running order")
        self.order.setHorizontalHeaderLabels(["step", "expected", "at most", "checks"])
        self.order.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 8)
        self.order.verticalHeader().setHighlightSections(False)
        self.order.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.order.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.order.setShowGrid(False)
        self.order.setTabKeyNavigation(False)
        self.order.setWordWrap(False)
        self.order.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for k in (1, 2, 3):
            self.order.horizontalHeader().setSectionResizeMode(k, QHeaderView.ResizeMode.ResizeToContents)
        self.order.horizontalHeader().setHighlightSections(False)
        column.addWidget(self.order, 1)
        return column

    def _right(self) -> QVBoxLayout:
        column = QVBoxLayout()
        column.setSpacing(6)
        column.addWidget(_head("Cautions"))
        self.cautions = QTextBrowser()
        self.cautions.setAccessibleName("Cautions")
        self.cautions.setTabChangesFocus(True)
        self.cautions.setFrameShape(QTextBrowser.Shape.StyledPanel)
        column.addWidget(self.cautions, 3)
        self.read = CheckBox("I have r&ead these cautions")
        self.checked = CheckBox("&The pre-power checks are done and recorded")
        self.checked.setToolTip(texts.PRE_POWER)
        self._checked_says = QLabel(texts.PRE_POWER)
        self._checked_says.setWordWrap(True)
        self.name = QLineEdit()
        self.name.setAccessibleName("Your name")
        self.name.setPlaceholderText("kept in the record")
        self.name.setMaxLength(80)
        row = QHBoxLayout()
        row.addWidget(_label("Your &name", self.name))
        row.addWidget(self.name, 1)
        column.addWidget(self.read)
        column.addWidget(self.checked)
        column.addWidget(self._checked_says)
        column.addLayout(row)
        self.problems = QTextBrowser()
        self.problems.setAccessibleName("What stands in the way")
        self.problems.setTabChangesFocus(True)
        self.problems.hide()
        column.addWidget(self.problems, 3)
        self.why_not = QLabel("")
        self.why_not.setWordWrap(True)
        column.addWidget(self.why_not)
        self.start = QPushButton("&Start the run")
        self.start.setMinimumHeight(42)
        self.start.setDefault(True)
        big = QFont(self.start.font())
        big.setBold(True)
        big.setPointSizeF(big.pointSizeF() + 1)
        self.start.setFont(big)
        column.addWidget(self.start)
        self.start.clicked.connect(self.start_wanted)
        self.read.toggled.connect(self._allow)
        self.checked.toggled.connect(self._allow)
        self.name.textChanged.connect(self._allow)
        return column

    # ---------------------------------------------------------------- what the window calls

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._theme = theme
        if self._preview is not None:
            self._show_texts(self._preview)

    def offer(self, found: dict[str, list[Choice]], chosen: dict[str, str]) -> None:
        """Fill the three lists; `chosen`: the file names (stems) to begin with."""
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
        for row in range(self.procedures.count() - 1):
            path = self.procedures.item(row).data(Qt.ItemDataRole.UserRole)
            if Path(path).stem == chosen.get("procedure"):
                self.procedures.setCurrentRow(row)
        if self.procedures.currentRow() < 0:
            self.procedures.setCurrentRow(0)
        for box, kind in ((self.pairings, "pairing"), (self.benches, "bench")):
            for row in range(box.count() - 1):
                if Path(box.itemData(row)).stem == chosen.get(kind):
                    box.setCurrentIndex(row)
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
        return {
            name: field.text().strip()
            for name, field in self._fields.items()
            if field.text().strip() and field.text().strip() != self._defaults.get(name, "")
        }

    def speed_chosen(self) -> float | str:
        """1, 10 or "max"; a real bench runs at its own pace."""
        if self._preview is not None and self._preview.simulated is False:
            return 1.0
        return self.speed.currentData()  # type: ignore[no-any-return]

    def take(self, preview: Preview) -> None:
        """Show what would run."""
        other_procedure = self._preview is None or self._preview.procedure != preview.procedure
        changed_risk = other_procedure or self._preview is None or self._preview.bench != preview.bench
        self._preview, self._working = preview, False
        names = [p.name for p in preview.parameters]
        if other_procedure or names != list(self._fields):
            self._build_parameters(preview.parameters)
        else:
            for parameter in preview.parameters:
                self._defaults[parameter.name] = parameter.default
                self._ranges[parameter.name].setText(texts.span(parameter.low, parameter.high))
        if changed_risk:
            self.read.setChecked(False)
            self.checked.setChecked(False)
        self._show_order(preview)
        self._show_texts(preview)
        self._allow()

    def working(self) -> None:
        """A new preview is on its way."""
        self._working = True
        self._allow()

    def failed(self, why: str) -> None:
        """No preview could be made."""
        self._working, self._preview = False, None
        self.show_problems(
            [("the preview", why, "choose again; if it stays so, this is a fault of the program")]
        )
        self._allow()

    def show_problems(self, problems: list[tuple[str, str, str]]) -> None:
        """What the engine refused."""
        self._problems_html(problems)
        self.problems.setFocus()

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
            self._ask_file("procedure", self._take_procedure)

    def _take_procedure(self, path: str) -> None:
        choice = read_choice(Path(path))
        self.procedures.takeItem(self.procedures.count() - 1)
        self._add_procedure(choice)
        self.procedures.addItem(QListWidgetItem(OTHER))
        self.procedures.setCurrentRow(self.procedures.count() - 2)

    def _activated(self, box: QComboBox, kind: str, index: int) -> None:
        if box.itemData(index) is None:
            self._ask_file(kind, lambda path: self._take_file(box, path))

    def _take_file(self, box: QComboBox, path: str) -> None:
        choice = read_choice(Path(path))
        row = box.count() - 1
        box.insertItem(row, choice.title, choice.name)
        box.setCurrentIndex(row)

    def _ask_file(self, kind: str, take: Callable[[str], None]) -> None:
        dialog = QFileDialog(self, f"Open a {kind} file", "", "TOML files (*.toml)")
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(take)
        dialog.open()

    def _choice_changed(self, *_: object) -> None:
        if self._loading:
            return
        self._preview_stale()
        self._timer.start(0)

    def _preview_stale(self) -> None:
        self._working = True
        self._allow()

    def _edited(self) -> None:
        self._preview_stale()
        self._timer.start(_SETTLE)

    def _build_parameters(self, parameters: tuple[ParameterView, ...]) -> None:
        while (item := self._form.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.setParent(None)
                widget.deleteLater()
        self._fields, self._defaults = {}, {}
        self._ranges: dict[str, QLabel] = {}
        for row, parameter in enumerate(parameters):
            says = QLabel(parameter.says)
            says.setWordWrap(True)
            field = QLineEdit(parameter.default)
            field.setAccessibleName(parameter.says)
            field.setAccessibleDescription(f"{parameter.name}, from {parameter.low} to {parameter.high}")
            field.setToolTip(parameter.name)
            field.setObjectName(f"parameter {parameter.name}")
            field.setMaximumWidth(130)
            field.setMaxLength(120)
            bounds = QLabel(texts.span(parameter.low, parameter.high))
            says.setBuddy(field)
            field.textEdited.connect(self._edited)
            self._form.addWidget(says, row, 0)
            self._form.addWidget(field, row, 1)
            self._form.addWidget(bounds, row, 2)
            self._fields[parameter.name], self._defaults[parameter.name] = field, parameter.default
            self._ranges[parameter.name] = bounds
        self._parameters_head.setText("<b>Parameters</b>" if parameters else "<b>Parameters</b>: none")
        QTimer.singleShot(0, self._fit_parameters)

    def _fit_parameters(self) -> None:
        """As high as the parameters need; from some height on they scroll."""
        width = self._form_scroll.viewport().width()
        needed = (
            self._form.totalHeightForWidth(width)
            if self._form.hasHeightForWidth()
            else self._form.sizeHint().height()
        )
        self._form_scroll.setFixedHeight(max(4, min(needed + 4, int(0.42 * max(self.height(), 600)))))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt
        super().resizeEvent(event)
        QTimer.singleShot(0, self._fit_parameters)

    def _show_order(self, preview: Preview) -> None:
        steps = preview.prepared.get("steps", [])
        self.order.setRowCount(len(steps))
        total = sum(step["expected"] for step in steps)
        for row, step in enumerate(steps):
            title = step["title"] + (f" (repeat {step['repeat']})" if step["repeat"] else "")
            cells = (
                title,
                texts.clock(step["expected"]),
                texts.clock(step["at_most"]),
                str(len(step["checks"])) if step["checks"] else "",
            )
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(
                    "\n".join(
                        [step["id"], *(f"Caution: {c}" for c in step.get("cautions", [])), step["says"]]
                    )
                )
                if column:
                    item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self.order.setItem(row, column, item)
        if steps:
            checks = sum(len(step["checks"]) for step in steps)
            self.order.setAccessibleDescription(
                f"{len(steps)} steps, {checks} checks, expected to take {texts.clock(total)}"
            )
            self.order.setHorizontalHeaderLabels(
                [f"{len(steps)} steps", f"expected {texts.clock(total)}", "at most", f"{checks} checks"]
            )
        else:
            self.order.setHorizontalHeaderLabels(["step", "expected", "at most", "checks"])

    def _show_texts(self, preview: Preview) -> None:
        self.title.setText(preview.title or Path(preview.procedure).stem)
        self.purpose.setText(preview.purpose)
        of_steps = [
            f"During \u201c{step['title']}\u201d: {caution}"
            for step in preview.prepared.get("steps", [])
            for caution in step.get("cautions", [])
            if step.get("repeat", 0) <= 1
        ]
        items = "".join(
            f"<li style='margin-bottom:5px'>{_escaped(c)}</li>" for c in (*preview.cautions, *of_steps)
        )
        listed = (
            f"<ul style='margin-left:-22px'>{items}</ul>" if items else "<p>The procedure states none.</p>"
        )
        self.cautions.setHtml(
            f"{listed}<p>{_escaped(texts.DEFERS)}</p><p><b>{_escaped(texts.NO_EMERGENCY_STOP)}</b></p>"
        )
        real = preview.simulated is False
        self.checked.setVisible(real)
        self._checked_says.setVisible(real)
        self.speed.setEnabled(not real)
        self.speed.setToolTip("" if not real else "A real bench runs at its own pace.")
        self._problems_html([(p.where, p.what, p.mend) for p in preview.problems])

    def _problems_html(self, problems: list[tuple[str, str, str]]) -> None:
        self.problems.setVisible(bool(problems))
        rows = "".join(
            f"<p><b>{_escaped(where.removeprefix('--set '))}</b><br>{_escaped(what)}<br><i>Mend:</i> {_escaped(mend)}</p>"
            for where, what, mend in problems
        )
        self.problems.setHtml(f"<p><b>What stands in the way ({len(problems)})</b></p>{rows}")

    def _allow(self, *_: object) -> None:
        """Whether the run may start, and if not, why not."""
        preview = self._preview
        real = preview is not None and preview.simulated is False
        why = ""
        if preview is None and not self._working:
            why = "Mend what stands in the way first."
        elif self._working or preview is None:
            why = "Working out the running order…"
        elif preview.problems:
            why = "Mend what stands in the way first."
        elif not self.read.isChecked():
            why = "Read the cautions and say so."
        elif real and not self.checked.isChecked():
            why = "On a real bench the pre-power checks must be done and recorded."
        elif real and not self.name.text().strip():
            why = "A run on a real bench is armed by a named person."
        self.why_not.setText(why)
        self.start.setEnabled(not why)


def _head(text: str) -> QLabel:
    return QLabel(f"<b>{text}</b>")


def _label(text: str, buddy: QWidget) -> QLabel:
    label = QLabel(text)
    label.setBuddy(buddy)
    return label


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
