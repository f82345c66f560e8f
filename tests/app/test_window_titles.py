"""No step's title is cut: in the running order before a run and on the page of the run, for every shipped procedure."""

from typing import Any

import pytest
from app_rig import Screen
from PySide6.QtCore import QRect, Qt

from benchrunner.app.widgets.ledger import CheckList


def cut(table: Any, row: int) -> bool:
    """Whether the title of a row needs more height or width than its cell has."""
    cell = table.visualRect(table.model().index(row, 0))
    room = QRect(0, 0, cell.width() - 8, 10_000)  # the style's margins at both sides
    needs = table.fontMetrics().boundingRect(room, Qt.TextFlag.TextWordWrap, table.item(row, 0).text())
    return bool(needs.height() > cell.height() or needs.width() > room.width())


@pytest.mark.parametrize("size", [(1280, 800), (1024, 680)])
def test_no_title_of_a_shipped_procedure_is_cut_in_the_running_order(
    screen: Screen, size: tuple[int, int]
) -> None:
    window = screen.ready().window
    window.resize(*size)
    page = window.prepare
    seen = 0
    for row in range(page.procedures.count() - 1):
        page.procedures.setCurrentRow(row)
        screen.until(lambda: not page.is_working, what="the preview")
        screen.let(0.05)
        for step in range(page.order.rowCount()):
            item = page.order.item(step, 0)
            assert not cut(page.order, step), item.text()
            assert item.toolTip().startswith(item.text())
            assert item.data(Qt.ItemDataRole.AccessibleTextRole) == item.text()
            seen += 1
    assert seen > 30


def test_a_long_title_is_whole_on_the_page_of_the_run(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    window.resize(1280, 800)
    step = window.run.steps[0]
    step.title = "Wait until the PV inverter carries its share, or all that it may, " * 3
    link.waiting = [
        {"at": 1.0, "kind": "step", "data": {"index": 0, "id": step.id, "phase": "started", "text": ""}}
    ]
    label = window.run_page.step
    screen.until(lambda: step.title in label.text(), what="the step")
    screen.let(0.2)
    needs = label.fontMetrics().boundingRect(
        QRect(0, 0, label.width(), 10_000), Qt.TextFlag.TextWordWrap, label.text()
    )
    assert needs.height() <= label.height() and needs.width() <= label.width()
    assert label.toolTip() == label.accessibleName() == label.text()


def test_the_tip_of_a_check_begins_with_its_whole_title(real_run: list[dict[str, Any]]) -> None:
    checks = [e["data"] for e in real_run if e["kind"] == "check"]
    model = CheckList()
    model.take(checks)
    for row, check in enumerate(checks):
        assert model.index(row, 0).data(Qt.ItemDataRole.ToolTipRole).startswith(check["title"])
