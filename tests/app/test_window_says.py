"""What the window says around a run: refused and why, checks counted alike before and after, make safe named, any pace."""

import pytest
from app_rig import Screen
from PySide6.QtCore import QPoint
from PySide6.QtGui import QHelpEvent
from PySide6.QtWidgets import QApplication, QLineEdit, QToolTip

from benchrunner.app.model.run import RunState
from benchrunner.app.model.texts import outcome
from benchrunner.engine.request import FASTEST, read_speed

REFUSED = {"exit": 2, "verdict": "not judged", "ended_by": "refused", "finished": False, "safe": "not needed"}


def test_a_refused_run_is_called_refused_and_says_why(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    problems = [
        {"where": "load", "what": "nobody answers at 127.0.0.1:4", "mend": "switch it on"},
        {"where": "pv_source", "what": "is another instrument", "mend": "check the card"},
    ]
    link.ends(**REFUSED, problems=problems)
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.1)
    assert window.pages.currentWidget() is window.prepare
    assert (window.header.state.text(), window.header.time.text()) == ("Refused", "")
    said = window.notice.text.text()
    assert "load: nobody answers at 127.0.0.1:4" in said and "1 more" in said
    assert "is another instrument" in window.prepare.problems.toPlainText()
    assert "Refused" in window.windowTitle()


def test_an_engine_that_does_not_start_is_a_refusal_with_its_reason(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    link.ends(**{**REFUSED, "ended_by": "the engine did not start: no such module", "reason": ""})
    screen.until(lambda: window.run.ended is not None)
    assert "no such module" in window.prepare.problems.toPlainText()
    assert "No such module" in " ".join(outcome({**REFUSED, "ended_by": "no such module"})[2])


def test_a_run_that_is_over_leaves_no_time_on_the_page_that_prepares_the_next(
    screen: Screen, real_run: list[dict[str, object]]
) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = list(real_run)
    link.alive = False
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.1)
    assert window.header.state.text() == "Ended" and window.header.time.text()
    window.show_page("prepare")
    screen.let(0.2)
    assert (window.header.state.text(), window.header.time.text()) == ("", "")


def test_checks_are_counted_alike_before_and_after(screen: Screen, real_run: list[dict[str, object]]) -> None:
    run = RunState()
    for event in real_run:
        run.feed(event)
    assert run.planned_checks == len(run.checks) > 0
    page = screen.ready().window.prepare
    assert page.order.horizontalHeaderItem(3).text() == f"{len(run.checks)} checks"


def test_making_safe_is_named_in_the_course(screen: Screen, real_run: list[dict[str, object]]) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = list(real_run)
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    course = window.run_page.course
    assert "make safe: from " in course.words()
    assert window.run.safe_since is not None
    place = QPoint(int(course._x(window.run.safe_since + 1.0)), 30)
    QApplication.sendEvent(course, QHelpEvent(QHelpEvent.Type.ToolTip, place, course.mapToGlobal(place)))
    assert QToolTip.text().startswith("make safe")
    QToolTip.hideText()


@pytest.mark.parametrize(("typed", "taken"), [("7", 7.0), ("0.5×", 0.5), ("max", "max"), ("10×", 10.0)])
def test_any_pace_that_the_command_takes_is_taken(screen: Screen, typed: str, taken: float | str) -> None:
    page = screen.ready().window.prepare
    page.speed.setEditText(typed)
    assert page.speed_chosen() == taken == read_speed(typed.removesuffix("×"))
    assert page.start.isEnabled(), page.why_not.text()


@pytest.mark.parametrize("typed", ["", "0", "-1", "nan", "fast", f"{FASTEST * 2:g}"])
def test_a_pace_that_is_none_is_told_and_stops_the_start(screen: Screen, typed: str) -> None:
    page = screen.ready().window.prepare
    page.speed.setEditText(typed)
    assert not page.start.isEnabled() and "real time" in page.why_not.text()
    with pytest.raises(ValueError, match=r".*"):
        read_speed(typed)
    page.speed.setCurrentIndex(0)
    assert page.start.isEnabled()


def test_an_odd_pace_is_remembered(screen: Screen) -> None:
    setup = screen.ready().window.prepare.setup
    setup.recall("7.0", "", "")
    assert setup.speed.currentText() == "7×" and setup.speed_text() == "7.0"
    setup.recall("no pace", "", "")
    assert setup.speed_text() == "7.0"


def test_a_field_shows_a_value_and_not_the_arithmetic_behind_it(screen: Screen) -> None:
    page = screen.ready().window.prepare
    field = page.findChild(QLineEdit, "parameter load_before")
    assert field is not None and "pairing." not in field.text() and field.text().endswith("W")
    assert page.settings() == {}
    first = field.text()
    other = next(k for k in range(page.pairings.count()) if "dune9" in str(page.pairings.itemData(k)))
    page.pairings.setCurrentIndex(other)
    screen.until(lambda: not page.is_working)
    assert field.text() != first and page.settings() == {}  # nothing was typed: it follows the pairing
    field.setText("1 kW")
    field.textEdited.emit("1 kW")
    screen.until(lambda: not page.is_working)
    assert page.settings() == {"load_before": "1 kW"}


def test_what_was_read_last_is_not_shown_as_if_it_were_read_now(
    screen: Screen, real_run: list[dict[str, object]]
) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = list(real_run)
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    window.run_page.describe()
    assert window.run_page.picture.accessibleDescription().startswith("As last read at ")


def test_missed_polls_are_shown_while_the_run_goes_on_and_skew_at_its_end(
    screen: Screen, real_run: list[dict[str, object]]
) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = [e for e in real_run if e["kind"] in ("prepared", "readings")]
    screen.until(lambda: window.run.at > 0)
    screen.let(0.1)
    assert window.run_page.polling.text() == "Missed polls: none."
    link.waiting = [
        {"at": 300.0, "kind": "polling", "data": {"missed": {"load": 1}}},
        {"at": 301.0, "kind": "polling", "data": {"missed": {"load": 1, "bus_meter": 4}}},
    ]
    screen.until(lambda: window.run.at > 300.0)
    screen.let(0.1)
    assert window.run_page.polling.text() == "Missed polls: bus_meter 4, load 1."
    assert "load: 1 missed poll so far" in window.run_page.events.toPlainText()
    said = "bus_meter shows steps of the load +12 ms after load"
    link.waiting = [{"at": 302.0, "kind": "note", "data": {"text": said, "level": "info", "about": "skew"}}]
    screen.until(lambda: bool(window.run.skew))
    screen.let(0.1)
    shown = window.run_page.polling.text()
    assert "steps of the load, not corrected: bus_meter +12 ms after load." in shown
    assert said in window.run_page.events.toPlainText()
