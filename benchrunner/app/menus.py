"""The menus and their shortcuts."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QMenu

from benchrunner.app.theme import CHOICES

if TYPE_CHECKING:
    from benchrunner.app.window import Window


class Actions:
    """Those whose state follows the run."""

    def __init__(self) -> None:
        self.strips: QMenu
        self.start: QAction
        self.pause: QAction
        self.safe: QAction
        self.report: QAction
        self.verify: QAction
        self.folder: QAction

    def refresh(self, window: Window) -> None:
        """Allow what makes sense now."""
        record = bool((window.run.ended or {}).get("record"))
        self.start.setEnabled(not window.going and window.prepare.start.isEnabled())
        self.pause.setEnabled(window.header.pause.isEnabled())
        self.pause.setText(window.header.pause.text())
        self.safe.setEnabled(window.going)
        for action in (self.report, self.verify, self.folder):
            action.setEnabled(record)


def build(window: Window) -> Actions:
    """Make the menu bar."""
    made = Actions()
    bar = window.menuBar()

    def add(menu: QMenu, text: str, call: Callable[[], object], keys: str = "") -> QAction:
        action = QAction(text, window)
        if keys:
            action.setShortcut(QKeySequence(keys))
        action.triggered.connect(lambda *_: call())
        menu.addAction(action)
        return action

    go = bar.addMenu("&Go")
    add(go, "&Prepare a run", lambda: window.show_page("prepare"), "Ctrl+1")
    add(go, "Show the &run", lambda: window.show_page("run"), "Ctrl+2")
    add(go, "&Find instruments", lambda: window.show_page("find"), "Ctrl+3")
    go.addSeparator()
    made.start = add(go, "&Start the run", window.start_run, "Ctrl+R")
    made.pause = add(go, "Pa&use", window.pause_or_resume, "F6")
    made.safe = add(go, "&Make safe (also: hold Esc)", lambda: window.make_safe("the menu"))
    go.addSeparator()
    add(go, "&Close", window.close, "Ctrl+Q")

    view = bar.addMenu("&View")
    times = QActionGroup(window)
    for text, seconds, keys in (
        ("&Whole run", 0.0, "F7"),
        ("Last &minute", 60.0, "F8"),
        ("Last &ten minutes", 600.0, "F9"),
    ):
        action = add(view, text, partial(window.follow, seconds), keys)
        action.setCheckable(True)
        action.setChecked(seconds == 0.0)
        times.addAction(action)
    made.strips = view.addMenu("&Strips")
    made.strips.aboutToShow.connect(partial(_fill_strips, window, made.strips))
    themes = view.addMenu("&Colours")
    group = QActionGroup(window)
    for choice in CHOICES:
        action = add(
            themes,
            {"system": "As the &system", "light": "&Light", "dark": "&Dark"}[choice],
            partial(window.themes.choose, choice),
        )
        action.setCheckable(True)
        action.setChecked(choice == window.themes.choice)
        group.addAction(action)

    record = bar.addMenu("Re&cord")
    made.report = add(record, "Open the &report of this run", window.open_report, "Ctrl+Shift+R")
    made.verify = add(record, "&Verify the record of this run", window.verify, "Ctrl+Shift+V")
    made.folder = add(record, "Show its &folder", window.show_folder)
    record.addSeparator()
    add(record, "Report of &another record…", lambda: window.choose_record(window.open_report))
    add(record, "Verify an&other record…", lambda: window.choose_record(window.verify))

    help_menu = bar.addMenu("&Help")
    add(help_menu, "&Keys, signs and safety", window.show_help, "F1")
    return made


def _fill_strips(window: Window, menu: QMenu) -> None:
    """The strips to choose from, once somebody asks: they bring the charts with them."""
    if not menu.isEmpty():
        return
    from benchrunner.app.model.strips import STRIPS

    for strip in STRIPS:
        action = QAction(strip.title, window)
        action.setCheckable(True)
        action.setChecked(strip.shown)
        action.toggled.connect(partial(window.run_page.show_strip, strip.id))
        menu.addAction(action)
