"""The menus and their shortcuts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QAbstractButton, QMainWindow, QMenu

from benchrunner.app.theme import CHOICES, Themes

Call = Callable[[], object]


@dataclass(frozen=True)
class Calls:
    """What the menus can ask for; the window says who does it."""

    show_page: Callable[[str], object]  # prepare, run, find
    start: Call
    pause: Call
    make_safe: Callable[[str], object]  # with what asked for it
    close: Call
    follow: Callable[[float], object]  # s; 0: the whole run
    show_strip: Callable[[str, bool], object]
    report: Call
    verify: Call
    folder: Call
    other_report: Call
    other_verify: Call
    help: Call
    themes: Themes


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

    def refresh(self, going: bool, may_start: bool, pause: QAbstractButton, record: bool) -> None:
        """Allow what makes sense now; `pause`: the button that the menu's line follows; `record`: there is one."""
        self.start.setEnabled(not going and may_start)
        self.pause.setEnabled(pause.isEnabled())
        self.pause.setText(pause.text())
        self.safe.setEnabled(going)
        for action in (self.report, self.verify, self.folder):
            action.setEnabled(record)


def build(window: QMainWindow, calls: Calls) -> Actions:
    """Make the menu bar."""
    made = Actions()
    bar = window.menuBar()

    def add(menu: QMenu, text: str, call: Call, keys: str = "") -> QAction:
        action = QAction(text, window)
        if keys:
            action.setShortcut(QKeySequence(keys))
        action.triggered.connect(lambda *_: call())
        menu.addAction(action)
        return action

    go = bar.addMenu("&Go")
    add(go, "&Prepare a run", lambda: calls.show_page("prepare"), "Ctrl+1")
    add(go, "Show the &run", lambda: calls.show_page("run"), "Ctrl+2")
    add(go, "&Find instruments", lambda: calls.show_page("find"), "Ctrl+3")
    go.addSeparator()
    made.start = add(go, "&Start the run", calls.start, "Ctrl+R")
    made.pause = add(go, "Pa&use", calls.pause, "F6")
    made.safe = add(go, "&Make safe (also: hold Esc)", lambda: calls.make_safe("the menu"))
    go.addSeparator()
    add(go, "&Close", calls.close, "Ctrl+Q")

    view = bar.addMenu("&View")
    times = QActionGroup(window)
    for text, seconds, keys in (
        ("&Whole run", 0.0, "F7"),
        ("Last &minute", 60.0, "F8"),
        ("Last &ten minutes", 600.0, "F9"),
    ):
        action = add(view, text, partial(calls.follow, seconds), keys)
        action.setCheckable(True)
        action.setChecked(seconds == 0.0)
        times.addAction(action)
    made.strips = view.addMenu("&Strips")
    made.strips.aboutToShow.connect(partial(_fill_strips, window, calls, made.strips))
    themes = view.addMenu("&Colours")
    group = QActionGroup(window)
    for choice in CHOICES:
        action = add(
            themes,
            {"system": "As the &system", "light": "&Light", "dark": "&Dark"}[choice],
            partial(calls.themes.choose, choice),
        )
        action.setCheckable(True)
        action.setChecked(choice == calls.themes.choice)
        group.addAction(action)

    record = bar.addMenu("Re&cord")
    made.report = add(record, "Open the &report of this run", calls.report, "Ctrl+Shift+R")
    made.verify = add(record, "&Verify the record of this run", calls.verify, "Ctrl+Shift+V")
    made.folder = add(record, "Show its &folder", calls.folder)
    record.addSeparator()
    add(record, "Report of &another record…", calls.other_report)
    add(record, "Verify an&other record…", calls.other_verify)

    help_menu = bar.addMenu("&Help")
    add(help_menu, "&Keys, signs and safety", calls.help, "F1")
    return made


def _fill_strips(window: QMainWindow, calls: Calls, menu: QMenu) -> None:
    """The strips to choose from, once somebody asks: they bring the charts with them."""
    if not menu.isEmpty():
        return
    from benchrunner.app.model.strips import STRIPS

    for strip in STRIPS:
        action = QAction(strip.title, window)
        action.setCheckable(True)
        action.setChecked(strip.shown)
        action.toggled.connect(partial(calls.show_strip, strip.id))
        menu.addAction(action)
