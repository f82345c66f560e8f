"""What the chosen run would do: its steps with their times, and the guards that watch meanwhile."""

from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

from benchrunner.app.model import texts
from benchrunner.app.model.run import judged

_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


class _Table(QTableWidget):
    """A table to be read, not edited; the first column takes what is left."""

    def __init__(self, name: str, columns: list[str]) -> None:
        super().__init__(0, len(columns))
        self.setAccessibleName(name)
        self.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 8)
        self.verticalHeader().setHighlightSections(False)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setShowGrid(False)
        self.setTabKeyNavigation(False)
        self.setWordWrap(True)  # what is too long for its column takes a second line
        header = self.horizontalHeader()
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for k in range(1, len(columns)):
            header.setSectionResizeMode(k, QHeaderView.ResizeMode.ResizeToContents)
        header.setHighlightSections(False)
        self._name_columns(columns)

    def _name_columns(self, names: list[str]) -> None:
        """Each name stands over its column's texts: at the left over words, at the right over figures."""
        self.setHorizontalHeaderLabels(names)
        for column in range(len(names)):
            if (item := self.horizontalHeaderItem(column)) is not None:
                item.setTextAlignment(_RIGHT if column else _LEFT)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt
        super().resizeEvent(event)
        self.resizeRowsToContents()

    def _write(self, row: int, cells: tuple[str, ...], tip: str) -> None:
        for column, text in enumerate(cells):
            item = QTableWidgetItem(text)
            item.setToolTip(tip)
            item.setData(Qt.ItemDataRole.AccessibleTextRole, text)
            if column:
                item.setTextAlignment(_RIGHT)
            self.setItem(row, column, item)


class RunningOrder(_Table):
    """All steps, repeats and loops unrolled, with the time each should and may take."""

    def __init__(self) -> None:
        super().__init__("Running order", ["step", "expected", "at most", "checks"])

    def take(self, steps: list[dict[str, Any]]) -> None:
        """Show these steps of the engine's `prepared`."""
        self.setRowCount(len(steps))
        total = sum(step["expected"] for step in steps)
        for row, step in enumerate(steps):
            title = step["title"] + (f" (repeat {step['repeat']})" if step["repeat"] else "")
            cells = (
                title,
                texts.clock(step["expected"]),
                texts.clock(step["at_most"]),
                str(judged(step) or ""),
            )
            cautions = (f"Caution: {c}" for c in step.get("cautions", []))
            self._write(row, cells, "\n".join([title, step["id"], *cautions, step["says"]]))
        self.resizeRowsToContents()
        if not steps:
            self._name_columns(["step", "expected", "at most", "checks"])
            return
        checks = sum(judged(step) for step in steps)
        self.setAccessibleDescription(
            f"{_count(len(steps), 'step')}, {_count(checks, 'check')}, expected to take {texts.clock(total)}"
        )
        self._name_columns(
            [
                _count(len(steps), "step"),
                f"expected {texts.clock(total)}",
                "at most",
                _count(checks, "check"),
            ]
        )


class GuardTable(_Table):
    """What trips the run, and within how long the program acts on it. Protecting people is the hardware's task."""

    def __init__(self) -> None:
        super().__init__("Guards", ["guard", "trips", "acts within"])
        self.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.ResizeToContents)
        self.horizontalHeader().setSectionResizeMode(
            1, QHeaderView.ResizeMode.Stretch
        )  # bounds may take two lines

    def take(self, guards: list[dict[str, Any]]) -> None:
        """Show these guards of the engine's `prepared`."""
        self.setRowCount(len(guards))
        self._name_columns([_count(len(guards), "guard"), "trips", "acts within"])
        for row, guard in enumerate(guards):
            cells = (str(guard["channel"]), texts.bounds(guard), texts.acts_within(guard))
            self._write(row, cells, "\n".join(t for t in (str(guard["id"]), str(guard.get("says", ""))) if t))
        slowest = max((float(g.get("acts_within") or 0.0) for g in guards), default=0.0)
        self.setAccessibleDescription(
            f"{_count(len(guards), 'guard')}, the slowest acts within {slowest:.3g} s"
        )
