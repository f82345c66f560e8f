"""What is done with the record of a run, from the window: its report, its verification, its folder."""

import os
from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QFileDialog, QMainWindow

from benchrunner.app.model.mends import text_here
from benchrunner.app.model.run import RunState
from benchrunner.app.model.signs import with_minus
from benchrunner.app.tools import Tools
from benchrunner.app.widgets.notice import NoticeBar
from benchrunner.app.widgets.pages import TextPage, escaped


class Records:
    """Works on the record of the run that is shown, or on one that is chosen; the commands do the work."""

    def __init__(
        self,
        window: QMainWindow,
        tools: Tools,
        notice: NoticeBar,
        run: Callable[[], RunState],
        sealed: Callable[[], object],
    ) -> None:
        self._sealed = sealed  # called once the run that is shown has a record
        self._window, self._tools, self._notice, self._run = window, tools, notice, run

    def report(self, record: str = "") -> None:
        """Write the report of a record beside it and open it."""
        record = record or str((self._run().ended or {}).get("record") or "")
        if not record:
            return
        self._window.statusBar().showMessage("Writing the report…")
        out = str(Path(record).with_suffix(".html"))

        def done(code: int, said: str) -> None:
            self._window.statusBar().clearMessage()
            if code != 0:
                self._page("The report could not be written", text_here(said))
                return
            if not QDesktopServices.openUrl(QUrl.fromLocalFile(out)):
                self._notice.tell(f"The report is written, but nothing here opens it: {out}", "info")
            else:
                self._window.statusBar().showMessage(f"Report: {out}", 8000)

        self._tools.run(["report", record, "--out", out], done)

    def verify(self, record: str = "") -> None:
        """Verify a record and say what was found."""
        own = not record
        record = record or str((self._run().ended or {}).get("record") or "")
        if not record:
            return
        unsigned = own and not (self._run().ended or {}).get("signed")
        arguments = ["verify", record, *(["--allow-unsigned"] if unsigned else [])]
        self._window.statusBar().showMessage("Verifying the record…")

        def done(code: int, said: str) -> None:
            self._window.statusBar().clearMessage()
            headline = "The record verifies." if code == 0 else "THE RECORD DOES NOT VERIFY."
            if code == 0 and unsigned:
                headline = "The record is whole. It was not signed, so it does not say whose it is."
            self._page("Verification", f"{headline}\n\n{record}\n\n{with_minus(said)}")

        self._tools.run(arguments, done)

    def seal(self) -> None:
        """Seal what a run left that nobody sealed, as `benchrunner recover` does; then it has a record like any other."""
        run = self._run()
        ended = run.ended
        journal = str((ended or {}).get("journal") or "")
        if ended is None or not journal or ended.get("record"):
            return
        self._window.statusBar().showMessage("Sealing what was kept…")

        def done(code: int, said: str) -> None:
            self._window.statusBar().clearMessage()
            record = next((line[8:] for line in said.splitlines() if line.startswith("record: ")), "")
            if code != 0 or not record:
                self._page("It could not be sealed", text_here(said))
                return
            ended["record"], ended["signed"] = record, False
            self._sealed()
            self._page("Sealed", said)

        self._tools.run(["recover", journal], done)

    def show_folder(self) -> None:
        """Open the folder in which record or journal lies."""
        ended = self._run().ended or {}
        place = str(ended.get("record") or ended.get("journal") or "")
        if place:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(Path(place).resolve().parent)))

    def choose_record(self, then: Callable[[str], None]) -> None:
        """Ask for a record's file."""
        dialog = QFileDialog(
            self._window, "Open a record", "runs" if os.path.isdir("runs") else "", "Records (*.bench)"
        )
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(then)
        dialog.open()

    def _page(self, title: str, text: str) -> None:
        TextPage(title, f"<pre style='white-space:pre-wrap'>{escaped(text)}</pre>", self._window).show()
