"""The keyboard's focus goes where the eye goes, and can be seen wherever it is."""

import pytest
from app_rig import FakeLink, Screen
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractScrollArea, QApplication, QWidget


def tabbed(screen: Screen, start: QWidget, presses: int) -> list[QWidget]:
    """What Tab comes to, from `start` on."""
    screen.window.activateWindow()
    screen.let(0.2)  # new fields are shown by the next turn of the loop
    start.setFocus()
    found = []
    for _ in range(presses):
        widget = QApplication.focusWidget()
        assert widget is not None
        found.append(widget)
        QTest.keyClick(widget, Qt.Key.Key_Tab)
    return found


def test_tab_goes_down_the_columns_and_passes_nothing_over(screen: Screen) -> None:
    page = screen.ready().window.prepare
    fields = list(page.parameters._fields.values())
    assert len(fields) == 4
    found = tabbed(screen, page.procedures, 18)
    wanted = [page.procedures, page.pairings, page.benches, page.speed, page.seed, page.key, page.out,
              *fields, page.order, page.guards, page.cautions, page.read, page.name, page.start]  # fmt: skip
    assert [w.accessibleName() or w.objectName() for w in found[: len(wanted)]] == [
        w.accessibleName() or w.objectName() for w in wanted
    ]


def ring_is_drawn(widget: QWidget) -> bool:
    """Whether the highlight's colour runs along all four edges."""
    image = widget.grab().toImage()
    width, height = image.width(), image.height()
    colour = widget.palette().highlight().color()
    edges = [(width // 2, 0), (width // 2, height - 1), (0, height // 2), (width - 1, height // 2)]
    return all(QColor(image.pixel(x, y)).rgb() == colour.rgb() for x, y in edges)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_focus_can_be_seen_in_lists_tables_and_texts(screen: Screen, theme: str) -> None:
    window = screen.ready().window
    window.themes.choose(theme)
    screen.let(0.1)
    page = window.prepare
    for widget in tabbed(screen, page.procedures, 18):
        widget.setFocus()
        screen.let(0.02)
        if isinstance(widget, QAbstractScrollArea):
            assert ring_is_drawn(widget), widget.accessibleName()
    page.procedures.setFocus()
    assert not ring_is_drawn(page.cautions)


def test_the_focus_can_be_seen_in_the_charts_and_the_checks(screen: Screen) -> None:
    link = screen.started()
    assert isinstance(link, FakeLink)
    page = screen.window.run_page
    screen.window.activateWindow()
    for widget in (page.charts, page.ledger.list, page.ledger.details):
        widget.setFocus()
        screen.let(0.05)
        assert ring_is_drawn(widget), widget.accessibleName()
        screen.window.resize(1300, 820)
        screen.let(0.1)
        assert ring_is_drawn(widget), f"{widget.accessibleName()} after another size"
    screen.window.resize(1280, 800)
