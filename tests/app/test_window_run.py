"""The window with a real engine on the simulated bench: a whole run, its report and record, and a close in the middle."""

from pathlib import Path
from typing import Any

import pytest
from app_rig import Screen
from PySide6.QtGui import QDesktopServices

from benchrunner.app.widgets.pages import TextPage
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify


def choose_speed(screen: Screen, value: Any) -> None:
    box = screen.window.prepare.speed
    box.setCurrentIndex(next(k for k in range(box.count()) if box.itemData(k) == value))


def test_a_whole_run_with_report_and_verification(screen: Screen, monkeypatch: pytest.MonkeyPatch) -> None:
    window = screen.ready().window
    choose_speed(screen, "max")
    window.prepare.name.setText("A. Trainer")
    window.prepare.start.click()
    assert window.pages.currentWidget() is window.run_page and window.going
    screen.until(lambda: window.run.ended is not None, 90.0, "the end of the run")
    ended = window.run.ended or {}
    assert (ended["exit"], ended["verdict"], ended["safe"]) == (0, "pass", "confirmed"), ended
    assert window.run.count("pass") == len(window.run.checks) == window.run.planned_checks
    screen.until(lambda: window.run_page.outcome.isVisible())
    assert window.run_page.outcome.headline.text() == "Pass"

    opened: list[str] = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: opened.append(url.toLocalFile()) or True)
    window.run_page.outcome.report.click()
    screen.until(lambda: bool(opened) or bool(window.findChildren(TextPage)), 60.0, "the report")
    assert opened, window.findChildren(TextPage)[0].text.toPlainText()
    report = Path(opened[0]).read_text(encoding="utf-8")
    assert "SIMULATED BENCH" in report and "A. Trainer" in report

    window.run_page.outcome.verify.click()
    screen.until(lambda: bool(window.findChildren(TextPage)), 60.0, "the verification")
    page = window.findChildren(TextPage)[0]
    assert "The record is whole. It was not signed" in page.text.toPlainText()
    page.close()


def test_closing_in_the_middle_makes_safe_and_seals(screen: Screen) -> None:
    window = screen.ready().window
    choose_speed(screen, 10.0)
    window.prepare.start.click()
    screen.until(
        lambda: window.run.current is not None and window.run.current.index >= 2, 60.0, "the third step"
    )
    window.close()
    assert window.isVisible()  # it asks
    window.closing_bar.close_now.click()
    screen.until(lambda: not window.isVisible(), 60.0, "the window's own closing")
    ended = window.run.ended or {}
    assert (ended["exit"], ended["finished"], ended["safe"]) == (4, False, "confirmed"), ended
    assert window.link is not None and window.link.gone
    result = verify(Path(ended["record"]), allow_unsigned=True)
    assert result.ok, list(result.findings)
    assert Record.open(ended["record"]).header["finished"] is False


def test_make_safe_in_the_middle_ends_the_run_and_keeps_the_window(screen: Screen) -> None:
    window = screen.ready().window
    choose_speed(screen, 10.0)
    window.prepare.start.click()
    screen.until(lambda: window.run.current is not None, 60.0, "the first step")
    window.header.make_safe.click()
    screen.until(lambda: window.run.ended is not None, 60.0, "the end")
    ended = window.run.ended or {}
    assert (ended["exit"], ended["ended_by"], ended["safe"]) == (4, "operator", "confirmed"), ended
    assert window.isVisible()
    screen.until(window.run_page.outcome.isVisible)
    assert window.run_page.outcome.headline.text() == "Did not finish"


def test_an_engine_that_is_killed_raises_the_alarm(screen: Screen) -> None:
    window = screen.ready().window
    choose_speed(screen, 10.0)
    window.prepare.start.click()
    screen.until(lambda: window.run.current is not None, 60.0, "the first step")
    assert window.link is not None
    window.link._session._process.kill()
    screen.until(lambda: window.run.ended is not None, 10.0, "the loss to be noticed")
    assert (window.run.ended or {})["safe"] == "not confirmed"
    assert window.notice.isVisible() and window.notice.text.text().startswith("ALARM")
