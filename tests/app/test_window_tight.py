"""The window at its least size: values, axes and tables can still be read; and sentences that the window begins itself."""

import re
from itertools import pairwise
from typing import Any

import pytest
from app_rig import Screen, assert_written_out
from PySide6.QtCore import QRectF
from PySide6.QtGui import QFontMetrics, QPainter

from benchrunner.app.model import texts
from benchrunner.app.widgets import strip_values
from benchrunner.app.widgets.pages import help_html
from benchrunner.app.widgets.strip_plot import ValueAxis

Event = dict[str, Any]


def least(screen: Screen, events: list[Event]) -> Any:
    """The page of a run that came to its end, in the smallest window there can be."""
    window, link = screen.ready().window, screen.started()
    window.resize(window.minimumSize())
    link.waiting = list(events)
    link.alive = False
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.3)
    assert (
        window.height() <= 720
    )  # the least size did not grow beyond a screen of 768 lines with its title bar
    return window.run_page


def test_no_line_of_a_strip_is_written_over_another(
    screen: Screen, real_run: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[tuple[str, QRectF]] = []

    class Recording(QPainter):
        def drawText(self, *given: Any) -> Any:  # noqa: N802 - Qt
            written.append((str(given[-1]), QRectF(given[0])))
            return super().drawText(*given)

    page = least(screen, real_run)
    monkeypatch.setattr(strip_values, "QPainter", Recording)
    written.clear()
    page.charts._values.grab()
    names = ["Power", "PV", "load", "battery inv.", "grid"]
    tops = [next(place.top() for text, place in written if text == name) for name in names]
    row = QFontMetrics(page.charts._values._small())
    apart = [below - above for above, below in pairwise(tops)]
    assert min(apart) >= row.height() - 2, apart  # the letters of one do not touch those of the next


def test_values_of_an_axis_never_stand_on_one_another(qapp: object) -> None:
    axis = ValueAxis("left")
    for size in (24.0, 36.0, 57.0, 120.0):
        for low, high in ((-9.0, 90.0), (53.2, 55.6), (49.8, 51.3), (-6.0, 6.0), (94.9, 101.0)):
            spacing = axis.tickSpacing(low, high, size)[0][0]
            assert spacing * size / (high - low) >= 12.0
    roomy = axis.tickSpacing(0.0, 10.0, 400.0)
    assert (
        len(axis.tickValues(0.0, 10.0, 400.0)[0][1]) >= 3 and roomy[0][0] <= 5.0
    )  # where there is room it is used


def test_guards_are_written_out_in_full(screen: Screen) -> None:
    window = screen.ready().window
    window.resize(window.minimumSize())
    screen.let(0.3)
    table = window.prepare.guards
    assert table.rowCount() == 9
    assert_written_out(table)


def test_a_sentence_begins_with_a_capital_but_a_channel_keeps_its_name() -> None:
    assert texts.sentence("the operator stopped the run") == "The operator stopped the run."
    assert texts.sentence("battery.current is −181 A.") == "battery.current is −181 A."
    assert texts.capital("bus_meter: no answer") == "bus_meter: no answer"
    assert texts.capital("load: no answer") == "Load: no answer"
    assert texts.capital("") == ""
    end = {"exit": 4, "verdict": "not judged", "finished": False, "safe": "confirmed", "simulated": True}
    said = texts.outcome(end | {"reason": "bus.frequency is 52.6 Hz, beyond 52.5 Hz"})[2]
    assert "bus.frequency is 52.6 Hz, beyond 52.5 Hz." in said


def test_the_help_says_once_that_make_safe_is_no_emergency_stop() -> None:
    head = re.sub(r"<[^>]+>", " ", help_html()).partition("Keys")[0]
    assert head.count("emergency stop") == 1 and "can fail" in head
    assert "no emergency stop" in texts.MAKE_SAFE_SAYS and "hold Esc" in texts.MAKE_SAFE_SAYS
