"""Runs other commands of this program (report, verify) in processes of their own, so that the window never waits."""

import sys
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QObject, QProcess, QProcessEnvironment

import benchrunner

_LONGEST = 20_000  # characters of output that are shown


class Tools(QObject):
    """Starts commands and brings exit code and output to a function."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._running: list[QProcess] = []

    def run(self, arguments: list[str], done: Callable[[int, str], None]) -> None:
        """`benchrunner ARGUMENTS`; `done` gets the exit code and what it said."""
        process = QProcess(self)
        environment = QProcessEnvironment.systemEnvironment()
        root = str(Path(benchrunner.__file__).resolve().parents[1])
        rest = environment.value("PYTHONPATH")
        environment.insert("PYTHONPATH", root + (f"{_separator()}{rest}" if rest else ""))
        environment.insert("PYTHONIOENCODING", "utf-8")
        process.setProcessEnvironment(environment)
        process.setProcessChannelMode(QProcess.ProcessChannelMode.MergedChannels)
        self._running.append(process)

        def finished(code: int = -1, *_: object) -> None:
            if process not in self._running:
                return
            self._running.remove(process)
            said = bytes(process.readAll().data()).decode("utf-8", errors="replace")[-_LONGEST:]
            if process.error() == QProcess.ProcessError.FailedToStart:
                code, said = -1, f"could not be started: {process.errorString()}"
            process.deleteLater()
            done(code, said.strip())

        process.finished.connect(finished)
        process.errorOccurred.connect(
            lambda error: finished() if error == QProcess.ProcessError.FailedToStart else None
        )
        process.start(sys.executable, ["-m", "benchrunner", *arguments])

    @property
    def busy(self) -> bool:
        """Whether a command still runs."""
        return bool(self._running)

    def close(self, patience: int = 3000) -> None:
        """End what still runs: commands that only read a record."""
        for process in list(self._running):
            self._running.remove(process)
            process.kill()
            process.waitForFinished(patience)


def _separator() -> str:
    import os

    return os.pathsep
