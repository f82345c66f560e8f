"""Opens the window. `python -m benchrunner.app.main --theme dark` or BENCHRUNNER_THEME chooses the colours."""

import argparse
import contextlib
import gc
import os
import signal
import sys
import threading
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import Any

from PySide6.QtCore import QTimer
from PySide6.QtGui import QIcon
from PySide6.QtWidgets import QApplication, QStyleFactory

from benchrunner import data
from benchrunner.app.memory import Memory
from benchrunner.app.theme import CHOICES, Themes
from benchrunner.app.window import Window, error_text
from benchrunner.errors import Problem

_COLLECT = 2000  # ms between collections of garbage


def main(argv: Sequence[str] | None = None) -> int:
    """Show the window until it is closed; 0."""
    parser = argparse.ArgumentParser(prog="benchrunner", description="The window.")
    parser.add_argument("--theme", choices=CHOICES, default="", help="colours (also: BENCHRUNNER_THEME)")
    options = parser.parse_args([] if argv is None else list(argv))
    if (problem := no_screen(os.environ, sys.platform)) is not None:
        print(f"refused: {problem}", file=sys.stderr)
        return 2
    application = make_application()
    memory = Memory()
    chosen = options.theme or os.environ.get("BENCHRUNNER_THEME", "") or memory.choice("theme")
    window = Window(Themes(application, chosen if chosen in CHOICES else ""), memory=memory)
    QTimer.singleShot(0, lambda: application.setWindowIcon(_icon()))
    _catch_errors(window)
    _end_on_signals(window)
    _collect_here(application)
    window.show()
    return int(application.exec())


def no_screen(environment: Mapping[str, str], platform: str) -> Problem | None:
    """Why no window can be opened here, if none can: Qt would end the program without a word that helps."""
    if not platform.startswith("linux") or any(
        environment.get(k) for k in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    ):
        return None
    return Problem(
        "the window",
        "there is no screen here (neither DISPLAY nor WAYLAND_DISPLAY is set)",
        "start it from a desktop, or use the commands: benchrunner --help",
    )


def make_application() -> QApplication:
    """The one QApplication, in the style that both palettes are made for."""
    held = QApplication.instance()
    application = held if isinstance(held, QApplication) else QApplication(["benchrunner"])
    application.setApplicationName("benchrunner")
    style = QStyleFactory.create("Fusion")
    if style is not None:
        application.setStyle(style)
    return application


def _icon() -> QIcon:
    """The program's own picture; an installation without it does without."""
    try:
        return QIcon(str(data.folder("resources") / "icons" / "benchrunner.svg"))
    except FileNotFoundError:
        return QIcon()


def _catch_errors(window: Window) -> None:
    """An error that nobody caught makes the bench safe and is shown; the window goes on."""
    usual = sys.excepthook

    def caught(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        usual(kind, error, trace)
        if issubclass(kind, KeyboardInterrupt):
            window.close_safely()
            return
        window.report_error(error_text(kind, error, trace))

    def caught_in_thread(facts: Any) -> None:
        # No widget may be touched from here: the wish goes to the engine at once, the words to the window's timer.
        usual(facts.exc_type, facts.exc_value, facts.exc_traceback)
        text = error_text(facts.exc_type, facts.exc_value, facts.exc_traceback)
        link = window.link
        if link is not None and window.run.ended is None:
            with contextlib.suppress(Exception):
                link.make_safe(f"error in the window: {text[:200]}")
        window.late_errors.put(text)

    sys.excepthook = caught
    threading.excepthook = caught_in_thread


def _end_on_signals(window: Window) -> None:
    """Ctrl-C and a polite kill end a run as closing the window does. The window's timer lets Python see them."""
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            with contextlib.suppress(ValueError, OSError):
                signal.signal(number, lambda *_: QTimer.singleShot(0, window.close_safely))


def _collect_here(application: QApplication) -> None:
    """Garbage is collected by this thread only: another one might destroy a widget, which ends the program."""
    gc.disable()
    gc.collect()
    gc.freeze()
    timer = QTimer(application)
    timer.setInterval(_COLLECT)
    timer.timeout.connect(gc.collect)
    timer.start()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
