"""The ledger: the checks as they fall, each with value, limit, margin and verdict; the chosen one in full below."""

from typing import Any

from PySide6.QtCore import (
    QAbstractListModel,
    QModelIndex,
    QSortFilterProxyModel,
    Qt,
)
from PySide6.QtWidgets import QLabel, QListView, QPlainTextEdit, QSplitter, QVBoxLayout, QWidget

from benchrunner.app.model import texts
from benchrunner.app.model.run import RunState
from benchrunner.app.theme import Theme
from benchrunner.app.widgets.check_row import CHECK, CheckRow, Index
from benchrunner.app.widgets.controls import CheckBox


class CheckList(QAbstractListModel):
    """The checks of a run; rows are only ever added."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[dict[str, Any]] = []

    def take(self, checks: list[dict[str, Any]]) -> bool:
        """Show these checks; whether any came."""
        if len(checks) < len(self._rows) or (self._rows and checks and checks[0] is not self._rows[0]):
            self.beginResetModel()
            self._rows = list(checks)
            self.endResetModel()
            return True
        if len(checks) == len(self._rows):
            return False
        self.beginInsertRows(QModelIndex(), len(self._rows), len(checks) - 1)
        self._rows += checks[len(self._rows) :]
        self.endInsertRows()
        return True

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt
        return 0 if parent.isValid() else len(self._rows)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid():
            return None
        check = self._rows[index.row()]
        if role == CHECK:
            return check
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.AccessibleTextRole):
            return f"{check.get('verdict')}: " + ", ".join(texts.check_lines(check))
        if role == Qt.ItemDataRole.ToolTipRole:
            said = (texts.check_title(check), texts.reason(check))
            return "\n".join(text for text in said if text)
        return None


class _NotPassed(QSortFilterProxyModel):
    only = False

    def filterAcceptsRow(self, row: int, parent: Index) -> bool:  # noqa: N802 - Qt
        check = self.sourceModel().index(row, 0, parent).data(CHECK)
        return not self.only or check.get("verdict") != "pass"


class Ledger(QWidget):
    """The list of checks and the details of the chosen one."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = CheckList()
        self._filter = _NotPassed()
        self._filter.setSourceModel(self._model)
        self._chosen_by_hand = False
        self.head = QLabel("Checks")
        self.head.setWordWrap(True)
        self.list = QListView()
        self.list.setModel(self._filter)
        self.list.setAccessibleName("Checks")
        self.list.setResizeMode(
            QListView.ResizeMode.Adjust
        )  # rows are as high as their texts need at this width
        self.list.setVerticalScrollMode(QListView.ScrollMode.ScrollPerPixel)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setFrameShape(QListView.Shape.NoFrame)
        self._rows = CheckRow(self.list, theme)
        self.list.setItemDelegate(self._rows)
        self.only = CheckBox("Only those not &passed")
        self.details = QPlainTextEdit()
        self.details.setReadOnly(True)
        self.details.setTabChangesFocus(True)
        self.details.setAccessibleName("Details of the chosen check")
        self.details.setPlaceholderText("Choose a check to see its uncertainty, rule, reason and basis.")
        self.details.setFrameShape(QPlainTextEdit.Shape.NoFrame)
        split = QSplitter(Qt.Orientation.Vertical)
        split.addWidget(self.list)
        split.addWidget(self.details)
        split.setSizes([440, 150])
        split.setChildrenCollapsible(False)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 4)
        layout.setSpacing(4)
        layout.addWidget(self.head)
        layout.addWidget(self.only)
        layout.addWidget(split, 1)
        self.only.toggled.connect(self._filter_changed)
        self.list.selectionModel().currentChanged.connect(self._chosen)
        self.list.clicked.connect(self._by_hand)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours."""
        self._rows.theme = theme
        self.list.viewport().update()

    def refresh(self, run: RunState) -> None:
        """Show the run's checks; follows the newest until a person chose one."""
        came = self._model.take(run.checks)
        self.head.setText(f"<b>Checks</b> {texts.tally(run)}")
        if not run.checks:
            self.details.clear()
            self._chosen_by_hand = False
        if came and not self._chosen_by_hand and not self.list.hasFocus():
            self.list.scrollToBottom()

    def choose_worst(self) -> None:
        """At the end of a run: bring the first check that did not pass into view; the first of all where each passed."""
        for row in range(self._filter.rowCount()):
            index = self._filter.index(row, 0)
            if index.data(CHECK).get("verdict") != "pass":
                self.list.setCurrentIndex(index)
                self.list.scrollTo(index)
                return
        if not self._chosen_by_hand:
            self.list.scrollToTop()

    def _filter_changed(self, only: bool) -> None:
        self._filter.only = only
        self._filter.invalidate()

    def _by_hand(self, _index: QModelIndex) -> None:
        self._chosen_by_hand = True

    def _chosen(self, index: QModelIndex, _before: QModelIndex) -> None:
        check = index.data(CHECK) if index.isValid() else None
        if check is None:
            self.details.clear()
            return
        rows = "\n".join(f"{name}: {text}" for name, text in texts.check_details(check))
        self.details.setPlainText(f"{texts.check_title(check)}\n{rows}")
