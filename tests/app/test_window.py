"""The window as a person meets it: gates, questions, make safe, keyboard, names, themes. The engine is played here."""

import itertools
import re
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from app_rig import FakeLink, Screen
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPalette
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QApplication, QComboBox, QLabel, QLineEdit, QMenu, QWidget

from benchrunner.app import main as entry
from benchrunner.app.theme import DARK, LIGHT, Themes, palette
from benchrunner.app.widgets.pages import KEYS, TextPage, help_html
from benchrunner.app.window import Window

Event = dict[str, Any]


def until_time(events: list[Event], at: float) -> list[Event]:
    return [e for e in events if e["at"] < at and e["kind"] != "ended"]


def in_the_drop(events: list[Event]) -> float:
    """A moment some seconds after the load was dropped, s."""
    drop = next(e for e in events if e["kind"] == "step" and e["data"]["id"] == "drop")
    return float(drop["at"]) + 6.0


@pytest.fixture
def running(screen: Screen, real_run: list[Event]) -> tuple[Screen, FakeLink]:
    """A window in the middle of a run."""
    link = screen.started()
    at = in_the_drop(real_run)
    link.waiting = until_time(real_run, at)
    screen.until(lambda: screen.window.run.at > at - 6.0)
    screen.let(0.2)
    return screen, link


# ---------------------------------------------------------------- before a run


def test_a_run_starts_only_once_the_cautions_were_acknowledged(screen: Screen) -> None:
    page = screen.ready().window.prepare
    assert "emergency stop" in page.cautions.toPlainText()
    assert "Stay clear of the bench" in page.cautions.toPlainText()  # a step's own caution
    assert page.start.isEnabled()
    page.read.setChecked(False)
    assert not page.start.isEnabled() and page.why_not.text()
    screen.window.start_run()
    assert screen.window.link is None


def test_another_procedure_has_to_be_acknowledged_anew(screen: Screen) -> None:
    page = screen.ready().window.prepare
    row = page.procedures.currentRow()
    page.procedures.setCurrentRow(0 if row else 1)
    screen.until(lambda: not page.is_working and page.holds(page.chosen()[0]))
    assert not page.read.isChecked()
    assert not page.start.isEnabled()


def test_a_value_out_of_range_is_told_and_stops_the_start(screen: Screen) -> None:
    page = screen.ready().window.prepare
    field = page.findChild(QLineEdit, "parameter load_before")
    assert field is not None
    field.selectAll()
    QTest.keyClicks(field, "70 kW")
    assert not page.start.isEnabled()  # at once, not only once the answer is there
    screen.until(lambda: not page.is_working)
    assert "range" in page.problems.toPlainText()
    assert not page.start.isEnabled()
    field.selectAll()
    QTest.keyClicks(field, "2.5 kW")
    screen.until(lambda: not page.is_working and page.start.isEnabled())
    assert page.settings() == {"load_before": "2.5 kW"}


def test_a_real_bench_asks_for_pre_power_checks_and_a_name(screen: Screen, tmp_path: Any) -> None:
    from benchrunner import data

    text = data.find("simulated", "resources", "benches").read_text(encoding="utf-8")
    real = tmp_path / "real.toml"
    real.write_text(text.replace("simulated = true", "simulated = false"), encoding="utf-8")
    page = screen.ready().window.prepare
    page._take_file(page.benches, str(real))
    screen.until(lambda: not page.is_working and page.chosen()[2] == str(real))
    shown = page.current_preview
    assert shown is not None and shown.simulated is False
    assert page.checked.isVisible() and not page.speed.isEnabled() and page.speed_chosen() == 1.0
    assert not screen.window.header.simulated.isVisible()


def test_what_the_engine_refuses_is_listed_with_its_mend(screen: Screen) -> None:
    link = screen.started()
    link.ends(
        exit=2,
        verdict="not judged",
        ended_by="refused",
        finished=False,
        safe="not needed",
        problems=[{"where": "meter at 10.0.0.9", "what": "did not answer", "mend": "switch it on"}],
    )
    screen.until(lambda: screen.window.run.ended is not None)
    page = screen.window.prepare
    assert screen.window.pages.currentWidget() is page
    said = page.problems.toPlainText()
    assert "meter at 10.0.0.9" in said and "switch it on" in said


# ---------------------------------------------------------------- during a run


def test_a_run_shows_itself(running: tuple[Screen, FakeLink]) -> None:
    screen, _ = running
    window, page = screen.window, screen.window.run_page
    assert window.header.simulated.isVisible() and "SIMULATED" in window.header.simulated.text()
    assert "Drop the load" in page.step.text()
    assert "Caution: The load drops now. Stay clear of the bench." in page.says.text()
    curve = page.charts.plots["frequency"].curves[0]
    assert len(curve.xData) == len(window.run.traces["bus.frequency"])
    low, high = page.charts.span()
    for held in page.charts.plots.values():
        if page.charts.shown[held.strip.id]:
            assert held.plot.getViewBox().viewRange()[0] == pytest.approx([low, high])
    assert page.course._span == pytest.approx((low, high))
    page.describe()
    assert "Frequency" in page.charts.accessibleDescription()
    assert "grid switch" in page.picture.accessibleDescription().lower()
    assert "going on" in page.course.accessibleDescription()


def test_checks_fall_into_the_ledger(running: tuple[Screen, FakeLink], real_run: list[Event]) -> None:
    screen, link = running
    link.waiting = [e for e in real_run if e["at"] >= in_the_drop(real_run)]
    link.alive = False
    screen.until(lambda: screen.window.run.ended is not None)
    screen.let(0.2)
    ledger = screen.window.run_page.ledger
    assert ledger.list.model().rowCount() == len(screen.window.run.checks) > 10
    ledger.only.setChecked(True)
    assert ledger.list.model().rowCount() == 0
    ledger.only.setChecked(False)
    ledger.list.setFocus()
    QTest.keyClick(ledger.list, Qt.Key.Key_Home)
    QTest.keyClick(ledger.list, Qt.Key.Key_Down)
    assert "Uncertainty U" in ledger.details.toPlainText()
    outcome = screen.window.run_page.outcome
    assert outcome.isVisible() and outcome.headline.text() == "Pass"
    assert "NOT proved dead" in outcome.says.text()


def test_make_safe_by_button_and_menu(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    QTest.mouseClick(screen.window.header.make_safe, Qt.MouseButton.LeftButton)
    assert link.wishes[-1][0] == "make safe"
    assert "no emergency stop" in screen.window.notice.text.text()
    screen.window.actions_.safe.trigger()
    assert [wish for wish, _ in link.wishes].count("make safe") == 2


def test_esc_held_for_a_second_makes_safe_and_a_tap_does_not(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    target = screen.window.run_page.charts
    QTest.keyPress(target, Qt.Key.Key_Escape)
    screen.let(0.4)
    assert 0.2 < screen.window.header.make_safe.held < 0.9
    QTest.keyRelease(target, Qt.Key.Key_Escape)
    screen.let(0.9)
    assert not link.wishes and screen.window.header.make_safe.held == 0.0
    QTest.keyPress(target, Qt.Key.Key_Escape)
    screen.until(lambda: bool(link.wishes), 3.0)
    assert link.wishes == [("make safe", "Esc held")]
    QTest.keyRelease(target, Qt.Key.Key_Escape)


def test_esc_does_nothing_without_a_run(screen: Screen) -> None:
    screen.let(0.1)
    QTest.keyPress(screen.window.prepare.procedures, Qt.Key.Key_Escape)
    screen.let(1.2)
    assert screen.window.header.make_safe.held == 0.0
    assert not screen.window.header.make_safe.isEnabled()


def test_pause_and_resume(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    window = screen.window
    window.pause_or_resume()
    screen.let(0.15)
    assert link.wishes == [("pause", "")] and "Pausing" in window.header.state.text()
    link.waiting.append({"at": 161.0, "kind": "state", "data": {"state": "paused", "cause": "pause"}})
    screen.until(lambda: "Resume" in window.header.pause.text().replace("&", ""))
    QTest.mouseClick(window.header.pause, Qt.MouseButton.LeftButton)
    assert link.wishes[-1] == ("resume", "")


def test_questions_are_answered_by_button_or_field(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    panel = screen.window.run_page.question
    waits = {"at": 161.0, "kind": "state", "data": {"state": "waiting for the operator", "cause": "asked"}}
    link.waiting += [
        waits,
        {
            "at": 161.0,
            "kind": "ask",
            "data": {"id": "a", "text": "Lamp on?", "choices": ["yes", "no"], "unit": ""},
        },
    ]
    screen.until(panel.isVisible)
    no = next(b for b in panel.findChildren(QAbstractButton) if b.text() == "no")
    no.click()
    assert link.wishes == [("answer", "no to a")]
    link.waiting += [{"at": 162.0, "kind": "state", "data": {"state": "running", "cause": "answered"}}]
    screen.until(lambda: not panel.isVisible())
    link.waiting += [
        waits,
        {"at": 163.0, "kind": "ask", "data": {"id": "b", "text": "Ambient?", "choices": [], "unit": "K"}},
    ]
    screen.until(panel.isVisible)
    QTest.keyClicks(panel.field, "21 degC")
    QTest.keyClick(panel.field, Qt.Key.Key_Return)
    assert link.wishes[-1] == ("answer", "21 degC to b")


def test_an_alarm_stays(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    link.waiting.append(
        {
            "at": 170.0,
            "kind": "note",
            "data": {"text": "THE SAFE STATE COULD NOT BE CONFIRMED: Load off.", "level": "alarm"},
        }
    )
    screen.until(screen.window.notice.isVisible)
    link.ends(exit=5, finished=False, safe="not confirmed", safe_text="", ended_by="operator")
    screen.until(lambda: screen.window.run.ended is not None)
    notice = screen.window.notice
    assert notice.isVisible() and notice.text.text().startswith("ALARM") and not notice.dismiss.isVisible()
    notice.tell("something small", "info")
    assert notice.text.text().startswith("ALARM")
    assert "NOT CONFIRMED" in screen.window.run_page.outcome.headline.text()


def test_closing_asks_once_and_can_be_taken_back(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    window = screen.window
    window.close()
    assert window.isVisible() and window.closing_bar.isVisible() and not link.wishes
    window.closing_bar.keep.click()
    assert not window.closing_bar.isVisible()
    window.close()
    window.closing_bar.close_now.click()
    assert ("hang up", "") in link.wishes
    assert window.isVisible() and "Making the bench safe" in window.closing_bar.text.text()
    link.ends(exit=4, finished=False, ended_by="operator")
    screen.until(lambda: not window.isVisible())


def test_a_close_that_nobody_takes_back_is_carried_out(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    screen.window.close()
    screen.window.closing_bar._left = 1
    screen.until(lambda: ("hang up", "") in link.wishes, 5.0)


def test_an_unconfirmed_safe_state_keeps_the_window_open(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    screen.window.close()
    screen.window.close()
    link.ends(exit=5, finished=False, safe="not confirmed", ended_by="operator")
    screen.until(lambda: screen.window.run.ended is not None)
    screen.let(0.2)
    assert screen.window.isVisible() and screen.window.notice.text.text().startswith("ALARM")
    screen.window.close()
    assert not screen.window.isVisible()


# ---------------------------------------------------------------- errors


@pytest.fixture
def hooks(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    held, held_thread = sys.excepthook, threading.excepthook
    sys.excepthook = sys.__excepthook__  # not the one by which pytest-qt counts errors
    yield
    sys.excepthook, threading.excepthook = held, held_thread


@pytest.mark.usefixtures("hooks")
def test_an_error_in_the_window_makes_safe_and_is_shown(
    running: tuple[Screen, FakeLink], capsys: pytest.CaptureFixture[str]
) -> None:
    screen, link = running
    entry._catch_errors(screen.window)
    try:
        raise RuntimeError("a fault of the window")
    except RuntimeError as error:
        sys.excepthook(type(error), error, error.__traceback__)
    assert link.wishes[0][0] == "make safe" and "a fault of the window" in link.wishes[0][1]
    assert "a fault of the window" in screen.window.notice.text.text()
    assert "a fault of the window" in capsys.readouterr().err


@pytest.mark.usefixtures("hooks")
def test_an_error_in_a_thread_makes_safe_too(
    running: tuple[Screen, FakeLink], capsys: pytest.CaptureFixture[str]
) -> None:
    screen, link = running
    entry._catch_errors(screen.window)

    def fails() -> None:
        raise RuntimeError("a fault of a thread")

    thread = threading.Thread(target=fails)
    thread.start()
    thread.join()
    assert link.wishes[0][0] == "make safe"
    screen.until(lambda: "a fault of a thread" in screen.window.notice.text.text())


# ---------------------------------------------------------------- keyboard, names, looks


def focusable(window: QWidget) -> list[QWidget]:
    return [
        w
        for w in window.findChildren(QWidget)
        if w.isVisibleTo(window) and w.isEnabled() and w.focusPolicy() & Qt.FocusPolicy.TabFocus
    ]


def spoken(widget: QWidget) -> str:
    """What a screen reader says: the accessible name, the text, or a buddy's text."""
    if widget.accessibleName():
        return widget.accessibleName()
    if isinstance(widget, QAbstractButton):
        return widget.text()
    for label in widget.window().findChildren(QLabel):
        if label.buddy() is widget:
            return label.text()
    return ""


def test_everything_that_takes_the_focus_has_a_name(running: tuple[Screen, FakeLink]) -> None:
    screen, link = running
    window = screen.window
    link.waiting += [
        {"at": 161.0, "kind": "state", "data": {"state": "waiting for the operator", "cause": ""}},
        {"at": 161.0, "kind": "ask", "data": {"id": "b", "text": "Ambient?", "choices": [], "unit": "K"}},
    ]
    screen.until(window.run_page.question.isVisible)
    for page in ("run", "prepare"):
        window.show_page(page)
        screen.let(0.1)
        found = focusable(window)
        assert len(found) > 6
        for widget in found:
            assert spoken(widget), f"{type(widget).__name__} in {widget.parent()} on {page} has no name"
    for held in window.run_page.charts.plots.values():
        assert held.strip.title


def test_tab_reaches_everything(screen: Screen) -> None:
    window = screen.ready().window
    window.activateWindow()
    window.prepare.procedures.setFocus()
    wanted = {w for w in focusable(window.prepare)}
    seen: set[QWidget] = set()
    for _ in range(80):
        widget = QApplication.focusWidget()
        if widget is not None:
            seen.add(widget)
        QTest.keyClick(widget or window, Qt.Key.Key_Tab)
    missing = wanted - seen
    assert not missing, [f"{type(w).__name__}: {spoken(w)}" for w in missing]


def test_no_two_underlined_letters_are_the_same(running: tuple[Screen, FakeLink]) -> None:
    screen, _ = running
    window = screen.window

    def letters(texts: list[str]) -> Counter[str]:
        return Counter(
            m.group(1).upper() for text in texts if (m := re.search(r"&([A-Za-z])", text.replace("&&", "")))
        )

    bar = [a.text() for a in window.menuBar().actions()]
    for page in (window.prepare, window.run_page):
        texts = [*bar, window.header.pause.text(), window.header.make_safe.text()]
        for widget in page.findChildren(QWidget):
            if isinstance(widget, QAbstractButton | QLabel) and (
                not isinstance(widget, QLabel) or widget.buddy() is not None
            ):
                texts.append(widget.text())
        if page is window.run_page:
            texts += [page.side.tabText(k) for k in range(page.side.count())]
        twice = {k: n for k, n in letters(texts).items() if n > 1}
        assert not twice, (type(page).__name__, twice, texts)
    for menu in window.menuBar().findChildren(QMenu):
        assert not {k: n for k, n in letters([a.text() for a in menu.actions()]).items() if n > 1}, (
            menu.title()
        )


def test_every_shortcut_stands_on_the_help_page(screen: Screen) -> None:
    listed = " ".join(key for key, _ in KEYS)
    for menu in screen.window.menuBar().findChildren(QMenu):
        for action in menu.actions():
            if not action.shortcut().isEmpty():
                assert action.shortcut().toString() in listed, action.text()
    assert "emergency stop" in help_html()
    screen.window.show_help()
    pages = screen.window.findChildren(TextPage)
    assert pages and pages[0].isVisible()
    pages[0].close()


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_nothing_is_clipped(running: tuple[Screen, FakeLink], size: tuple[int, int]) -> None:
    screen, _ = running
    window = screen.window
    window.resize(*size)
    for page in ("run", "prepare"):
        window.show_page(page)
        screen.let(0.2)
        assert (window.width(), window.height()) == size
        for widget in window.findChildren(QWidget):
            if not widget.isVisibleTo(window) or widget.width() <= 0:
                continue
            if isinstance(widget, QAbstractButton) and not widget.text():
                continue
            if isinstance(widget, QAbstractButton | QComboBox):
                assert widget.width() >= widget.minimumSizeHint().width() - 2, (
                    type(widget).__name__,
                    spoken(widget),
                )
            if isinstance(widget, QLabel) and widget.text() and widget.wordWrap():
                assert widget.height() >= widget.heightForWidth(widget.width()) - 1, widget.text()[:60]
        for widget in (window.header, *(p for p in (window.prepare, window.run_page) if p.isVisible())):
            assert widget.width() <= size[0]


def luminance(colour: str) -> float:
    """WCAG 2.1, relative luminance."""
    parts = [
        c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in QColor(colour).getRgbF()[:3]
    ]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda t: t.name)
def test_colours_can_be_told_from_their_background(theme: Any) -> None:
    """WCAG 2.1, 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1)."""
    for back in (theme.window, theme.base, theme.raised):
        assert contrast(theme.text, back) >= 7.0
        assert contrast(theme.muted, back) >= 4.5, back
    assert contrast(theme.warn_text, theme.warn) >= 7.0
    assert contrast(theme.alarm_text, theme.alarm) >= 3.0  # bold and large
    for role, colour in {**theme.roles, **theme.verdicts}.items():
        if role not in ("grid", "inconclusive"):
            assert contrast(colour, theme.base) >= 3.0, role
        else:
            assert contrast(colour, theme.base) >= 2.9, role


def test_the_theme_can_be_chosen_and_reaches_every_part(
    running: tuple[Screen, FakeLink], qapp: QApplication
) -> None:
    screen, _ = running
    themes = screen.window.themes
    before = screen.window.grab().toImage()
    themes.choose("dark")
    screen.let(0.2)
    after = screen.window.grab().toImage()
    assert qapp.palette().color(QPalette.ColorRole.Window) == QColor(DARK.window)
    points = [
        (30, after.height() // 2),
        (after.width() // 2 + 60, 160),
        (after.width() - 60, after.height() - 200),
        (400, after.height() - 8),
    ]
    for x, y in points:
        assert after.pixelColor(x, y).lightness() < 90 < before.pixelColor(x, y).lightness()
    themes.choose("light")
    assert qapp.palette().color(QPalette.ColorRole.Window) == QColor(LIGHT.window)


def test_the_environment_names_the_theme(qapp: QApplication, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHRUNNER_THEME", "dark")
    assert Themes(qapp).current is DARK
    monkeypatch.setenv("BENCHRUNNER_THEME", "plaid")
    assert Themes(qapp).choice == "system"
    assert Themes(qapp, "light").current is LIGHT
    assert palette(DARK).color(QPalette.ColorRole.Text) == QColor(DARK.text)
    qapp.setPalette(palette(LIGHT))


def test_plots_are_made_once(running: tuple[Screen, FakeLink], real_run: list[Event]) -> None:
    screen, link = running
    page = screen.window.run_page
    held = {strip: (plot.plot, plot.curves[0]) for strip, plot in page.charts.plots.items()}
    link.ends()
    screen.until(lambda: screen.window.run.ended is not None)
    screen.window.show_page("prepare")
    again = screen.started()
    again.waiting = until_time(real_run, 100.0)
    screen.until(lambda: screen.window.run.at > 40.0)
    screen.let(0.2)
    for strip, plot in page.charts.plots.items():
        assert held[strip] == (plot.plot, plot.curves[0])
    assert screen.window.run.checks == []
    assert page.ledger.list.model().rowCount() == 0


def test_the_charts_are_read_by_keyboard(running: tuple[Screen, FakeLink]) -> None:
    screen, _ = running
    charts = screen.window.run_page.charts
    whole = charts.span()
    QTest.keyClick(charts, Qt.Key.Key_Left)
    assert charts.reading_line is not None and charts.reading_line < screen.window.run.at
    QTest.keyClick(charts, Qt.Key.Key_Plus)
    screen.let(0.1)
    near = charts.span()
    assert near[1] - near[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=0.01)
    assert screen.window.run_page.course._span == pytest.approx(near)
    QTest.keyClick(charts, Qt.Key.Key_Home)
    screen.let(0.2)
    assert charts.span() == pytest.approx(whole, rel=0.01)
    screen.window.follow(60.0)
    screen.let(0.2)
    low, high = charts.span()
    assert high - low == pytest.approx(60.0)
    course = screen.window.run_page.course
    QTest.keyClick(course, Qt.Key.Key_Right)
    assert course.accessibleDescription().startswith("1. ")


def test_strips_can_be_shown_and_hidden(running: tuple[Screen, FakeLink]) -> None:
    screen, _ = running
    charts = screen.window.run_page.charts
    before = len(charts.strip_tops())
    screen.window.run_page.show_strip("bus-voltage", True)
    screen.let(0.1)
    assert len(charts.strip_tops()) == before + 1
    screen.window.run_page.show_strip("bus-voltage", False)
    screen.window.run_page.show_strip("soc", False)
    screen.let(0.1)
    tops = charts.strip_tops()
    assert len(tops) == before - 1
    for (_, upper), (_, lower) in itertools.pairwise(tops):
        assert upper.bottom() <= lower.top() + 1


# ---------------------------------------------------------------- guards, ports, and what is remembered


def test_the_guards_say_within_how_long_they_act(screen: Screen) -> None:
    page = screen.ready().window.prepare
    shown = page.current_preview
    assert shown is not None
    guards = shown.prepared["guards"]
    assert page.guards.rowCount() == len(guards) > 0
    texts_ = [page.guards.item(row, 2).text() for row in range(len(guards))]
    assert all(re.fullmatch(r"[\d.]+ m?s", text) for text in texts_), texts_
    assert "acts within" in page.guards.accessibleDescription()


def test_ports_can_be_chosen_of_a_served_bench_only(screen: Screen) -> None:
    page = screen.ready().window.prepare
    assert not page.setup.ports.isEnabled() and page.setup.port_base() is None
    row = next(k for k in range(page.benches.count()) if "loopback" in str(page.benches.itemData(k)))
    page.benches.setCurrentIndex(row)
    screen.until(lambda: not page.is_working and page.setup.ports.isEnabled())
    assert page.setup.port_base() is None
    QTest.keyClicks(page.setup.ports, "48500")
    assert page.setup.port_base() == 48500
    page.setup.ports.setText("80")
    assert page.setup.port_base() is None  # a system port is no port for a bench


def test_choices_are_remembered_and_names_are_not(screen: Screen, qapp: QApplication, tmp_path: Any) -> None:
    page = screen.ready().window.prepare
    row = next(
        k for k in range(page.procedures.count()) if "grid-loss" in str(page.procedures.item(k).data(256))
    )
    page.procedures.setCurrentRow(row)
    page.name.setText("A. Trainer")
    page.passphrase.setText("not to be kept")
    page.speed.setCurrentIndex(2)
    screen.window.close()
    kept = (tmp_path / "config" / "benchrunner" / "window.ini").read_text(encoding="utf-8")
    assert "grid-loss" in kept and "A. Trainer" not in kept and "not to be kept" not in kept
    again = Window(Themes(qapp, "light"))
    again.show()
    other = Screen(again, tmp_path / "runs").ready()
    assert "grid-loss" in again.prepare.chosen()[0]
    assert again.prepare.speed_chosen() == "max"
    assert again.prepare.name.text() == ""
    again.close()
    other.let(0.01)


def test_a_damaged_memory_only_means_that_nothing_is_remembered(qapp: QApplication, tmp_path: Any) -> None:
    folder = tmp_path / "config" / "benchrunner"
    folder.mkdir(parents=True)
    (folder / "window.ini").write_bytes(
        b"[choice\x00\nprocedure=@Invalid()\nspeed=@Variant(\x00)\nout=" + b"x" * 9000
    )
    window = Window(Themes(qapp, "light"))
    window.show()
    screen = Screen(window, tmp_path / "runs").ready()
    assert "load-rejection" in window.prepare.chosen()[0]
    window.close()
    screen.let(0.01)
