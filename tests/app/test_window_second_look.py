"""What a second look at the window found: the wait before a run, questions, titles, units, an empty chart, the find page."""

from typing import Any

import pytest
from app_rig import FakeLink, Screen
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from benchrunner.app.model import texts
from benchrunner.app.model.run import RunState
from benchrunner.app.model.strips import STRIPS
from benchrunner.app.widgets import bench_picture, strip_values

Event = dict[str, Any]
KILLED = {"exit": 4, "verdict": "fail", "ended_by": "guard", "finished": False, "safe": "confirmed"}


def ask(**facts: Any) -> list[Event]:
    """The engine asks something in the first step."""
    step = {"at": 1.0, "kind": "step", "data": {"index": 0, "id": "energise", "phase": "started", "text": ""}}
    waits = {
        "at": 1.0,
        "kind": "state",
        "data": {"state": "waiting for the operator", "cause": "asked"},
    }
    data = {"id": "a", "text": "Was it proved dead?", "choices": [], "unit": ""} | facts
    return [step, waits, {"at": 1.0, "kind": "ask", "data": data}]


class Drawn:
    """Records what a widget's module writes while it paints."""

    def __init__(self, module: Any, monkeypatch: pytest.MonkeyPatch) -> None:
        self.texts: list[tuple[str, QRectF]] = []
        drawn = self.texts

        class Recording(QPainter):
            def drawText(self, *given: Any) -> Any:  # noqa: N802 - Qt
                drawn.append((str(given[-1]), QRectF(given[0])))
                return super().drawText(*given)

        monkeypatch.setattr(module, "QPainter", Recording)

    def of(self, widget: Any) -> dict[str, QRectF]:
        """What it writes now, and where."""
        self.texts.clear()
        widget.grab()
        return dict(self.texts)


# ---------------------------------------------------------------- before the run begins


def test_the_wait_for_compiling_is_told_and_its_time_goes_on(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    page = window.run_page
    for text in ("compiling the simulated bench: up to a minute, once", "compiling the plant ..."):
        note = {"text": text, "level": "info", "about": "compiling"}
        link.waiting.append({"at": 0.0, "kind": "note", "data": note})
    screen.until(lambda: "compiling the plant" in page.step.text(), what="the newest note")
    assert page.step.text() == "Getting ready: compiling the plant ..."
    assert page.says.text() == "Compiling the simulated bench: up to a minute, once."
    window.header.make_safe.click()
    assert (
        "nothing is switched on yet; the run ends as soon as the simulated bench is compiled"
        in window.notice.text.text()
    )
    heard = "Make safe was heard and takes hold as soon as the simulated bench is compiled."
    assert page.step.text() == heard  # at once
    assert window.header.state.text() == "Ending"
    page._asked_at -= 125.0  # as if the person had waited that long; no event comes meanwhile
    screen.until(lambda: page.wait.text().startswith("2:0"), what="the time that goes on")
    link.waiting.append({"at": 0.0, "kind": "state", "data": {"state": "starting", "cause": ""}})
    screen.until(lambda: "Looking whether" in page.step.text(), what="the start")
    assert not page.says.text() and "asked for" not in page.wait.text()


def test_make_safe_before_the_engine_said_anything_is_heard_as_well(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    window.header.make_safe.click()
    assert link.wishes and link.wishes[0][0] == "make safe"
    for said in (window.notice.text.text(), window.run_page.step.text()):
        assert "Make safe was heard" in said and "as soon as the engine has got the bench ready" in said
    note = {"text": "compiling the plant ...", "level": "info", "about": "compiling"}
    link.waiting.append({"at": 0.0, "kind": "note", "data": note})
    screen.until(lambda: "is compiled" in window.run_page.step.text(), what="what it waits for")
    link.waiting.append({"at": 0.0, "kind": "state", "data": {"state": "making safe", "cause": "operator"}})
    screen.until(lambda: "Making the bench safe" in window.run_page.step.text(), what="making safe")
    assert window.header.state.text() == "Making safe"


def test_no_limit_is_painted_over_a_strip_without_a_reading(screen: Screen, real_run: list[Event]) -> None:
    window, link = screen.ready().window, screen.started()
    frequency = window.run_page.charts.plots["frequency"]
    screen.let(0.2)
    assert frequency.bands and not any(item.isVisible() for item in frequency.limits)
    link.waiting = [e for e in real_run if e["kind"] in ("prepared", "readings")]
    screen.until(lambda: any(item.isVisible() for item in frequency.limits), what="the limits")


# ---------------------------------------------------------------- questions


def test_a_key_meant_for_something_else_answers_no_question(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    window.activateWindow()
    panel = window.run_page.question
    link.waiting = ask(choices=["proved dead", "not proved dead"])
    screen.until(panel.isVisible)
    screen.until(panel.hasFocus, what="the focus on the question")
    for key in (Qt.Key.Key_Space, Qt.Key.Key_Return):
        QTest.keyClick(QApplication.focusWidget(), key)
    assert link.wishes == []
    QTest.keyClick(panel, Qt.Key.Key_Tab)
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_Tab)
    QTest.keyClick(QApplication.focusWidget(), Qt.Key.Key_Space)
    assert link.wishes == [("answer", "not proved dead to a")]


def test_a_question_says_how_long_it_waits_and_its_field_is_plain_to_see(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    page = window.run_page
    link.waiting = ask(text="Name of the person")
    screen.until(page.question.isVisible)
    link.waiting.append({"at": 9.0, "kind": "polling", "data": {"missed": {}}})
    screen.until(lambda: "0:08 of at most 2:30" in page.wait.text(), what="how long it waits")
    field = page.question.field
    assert field.hasFocus() and field.width() >= 260
    for theme in ("light", "dark"):
        window.themes.choose(theme)
        screen.let(0.1)
        page.question.setFocus()
        image = field.grab().toImage()
        inside = image.pixelColor(image.width() // 2, 5).lightness()
        edges = [image.pixelColor(image.width() // 2, y).lightness() for y in (0, 1)]
        assert max(abs(edge - inside) for edge in edges) > 60, theme  # its frame stands out from its ground


# ---------------------------------------------------------------- the end


def test_checks_that_were_never_judged_stand_there_by_their_titles(real_run: list[Event]) -> None:
    run = RunState()
    run.feed(next(e for e in real_run if e["kind"] == "prepared"))
    run.feed({"at": 1.0, "kind": "ended", "data": KILLED})
    told = {
        (e["data"]["step"], e["data"]["id"]): e["data"]["title"] for e in real_run if e["kind"] == "check"
    }
    shown = {(check["step"], check["id"]): texts.check_lines(check)[0] for check in run.checks}
    assert shown == told
    assert not any(title == name for (_, name), title in shown.items())


def test_the_check_that_a_step_implies_says_what_was_waited_for() -> None:
    step = {
        "index": 0, "id": "pv", "title": "PV", "at_most": 300.0, "reached": True,
        "awaits": "pv.power above 400 W for 30 s", "checks": [],
    }  # fmt: skip
    run = RunState()
    run.feed({"at": 0.0, "kind": "prepared", "data": {"steps": [step]}})
    run.feed({"at": 1.0, "kind": "ended", "data": KILLED})
    (check,) = run.checks
    title, value, _ = texts.check_lines(check)
    assert title == "pv.power above 400 W for 30 s" and value == "no value, at most 300 s"


def test_a_failed_check_outdoes_that_the_run_did_not_finish() -> None:
    assert texts.outcome(KILLED)[:2] == ("fail", "Did not finish")
    assert texts.outcome(KILLED | {"verdict": "pass"})[:2] == ("not judged", "Did not finish")


def test_the_picture_of_a_run_that_is_over_says_that_it_is_not_live(
    screen: Screen, real_run: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = Drawn(bench_picture, monkeypatch)
    window, link = screen.ready().window, screen.started()
    picture = window.run_page.picture
    link.waiting = [e for e in real_run if e["kind"] != "ended"]
    screen.until(lambda: window.run.at > 100.0)
    screen.let(0.2)
    assert not any("not live" in text for text in drawn.of(picture))
    link.ends()
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    for width in (1024, 1280, 1920):
        window.resize(width, 800)
        screen.let(0.1)
        placed = drawn.of(picture)
        says = f"As last read at {texts.clock(window.run.at)}, not live"
        label = placed.pop(says)
        assert not [text for text, place in placed.items() if place.intersects(label)], width


def test_every_strip_says_its_unit_beside_its_name(
    screen: Screen, real_run: list[Event], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = Drawn(strip_values, monkeypatch)
    window, link = screen.ready().window, screen.started()
    link.waiting = [e for e in real_run if e["kind"] in ("prepared", "readings")]
    screen.until(lambda: window.run.at > 100.0)
    for strip in STRIPS:
        window.run_page.show_strip(strip.id, True)
    screen.let(0.2)
    values = window.run_page.charts._values
    placed = drawn.of(values)
    written = [(text, place) for text, place in drawn.texts]
    for strip in STRIPS:
        name = placed[strip.title]
        beside = [text for text, place in written if place.top() == name.top() and place.left() > name.left()]
        assert f"in {strip.unit}" in beside


def test_the_axes_write_the_minus_sign_that_the_values_have(screen: Screen) -> None:
    axis = screen.window.run_page.charts.plots["power"].plot.getAxis("left")
    assert axis.tickStrings([-2.0, 0.0], 1.0, 2.0) == ["−2", "0"]


def test_where_every_check_passed_the_list_begins_at_its_top(screen: Screen, real_run: list[Event]) -> None:
    window: Any = screen.ready().window
    link: FakeLink = screen.started()
    link.waiting = list(real_run)
    link.alive = False
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.3)
    bar = window.run_page.ledger.list.verticalScrollBar()
    assert bar.maximum() > 0 and bar.value() == 0
