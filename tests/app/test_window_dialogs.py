"""The dialogs for files, driven by keys: a draft saved, a file that is there, cancelled, one that cannot be read."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from app_rig import SERVED, Screen
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QDialogButtonBox, QFileDialog, QLineEdit, QMessageBox

from benchrunner.bench.find import looking, proposing


@pytest.fixture(autouse=True)
def own_dialogs(qapp: QApplication) -> Iterator[None]:
    """Qt's own dialogs: a system's cannot be driven."""
    name = Qt.ApplicationAttribute.AA_DontUseNativeDialogs
    qapp.setAttribute(name, True)
    yield
    qapp.setAttribute(name, False)


def dialog_of(screen: Screen) -> QFileDialog:
    screen.until(
        lambda: any(d.isVisible() for d in screen.window.findChildren(QFileDialog)),
        patience=8.0,
        what="the dialog",
    )
    screen.let(0.4)  # it reads its folder first
    return next(d for d in screen.window.findChildren(QFileDialog) if d.isVisible())


def typed(dialog: QFileDialog, text: str, key: Qt.Key = Qt.Key.Key_Return) -> None:
    field = dialog.findChild(QLineEdit, "fileNameEdit")
    assert field is not None
    field.setFocus()
    field.setCompleter(None)  # type: ignore[arg-type] # its list would take the return key
    field.selectAll()
    QTest.keyClicks(field, text)
    if key == Qt.Key.Key_Escape:
        QTest.keyClick(dialog, key)
        return
    box = dialog.findChild(QDialogButtonBox)
    assert box is not None
    (agree,) = (b for b in box.buttons() if box.buttonRole(b) == QDialogButtonBox.ButtonRole.AcceptRole)
    assert agree.isEnabled(), agree.text()
    agree.click()


def gone(screen: Screen) -> None:
    screen.until(
        lambda: not any(d.isVisible() for d in screen.window.findChildren(QFileDialog)),
        patience=8.0,
        what="no dialog",
    )
    assert not screen.window.findChildren(QMessageBox)  # nothing else was asked


def with_something_found(screen: Screen) -> Any:
    screen.window.show_page("find")
    page = screen.window.find_page
    answer = looking.Answer("TCPIP0::127.0.0.1::5::SOCKET", "Highmoor,Tester,1,1", "*IDN?")
    page._show([], [proposing.propose(answer)], [])
    assert page.save.isEnabled()
    return page


def test_a_draft_is_saved_under_the_name_that_is_typed(screen: Screen, tmp_path: Path) -> None:
    page = with_something_found(screen)
    page.save.click()
    dialog = dialog_of(screen)
    assert dialog.findChild(QLineEdit, "fileNameEdit").text() == "bench.toml"  # type: ignore[union-attr]
    typed(dialog, str(tmp_path / "mine"))
    gone(screen)
    assert "draft = true" in (tmp_path / "mine.toml").read_text(encoding="utf-8")
    assert "Draft saved" in page.state.text()


def test_a_file_that_is_there_is_neither_offered_to_be_overwritten_nor_changed(
    screen: Screen, tmp_path: Path
) -> None:
    held = tmp_path / "held.toml"
    held.write_text("kept", encoding="utf-8")
    page = with_something_found(screen)
    page.save.click()
    typed(dialog_of(screen), str(held))
    gone(screen)
    assert held.read_text(encoding="utf-8") == "kept" and "is there already" in page.problems.toPlainText()
    assert page.state.text() == "The draft was not saved"


def test_a_save_that_is_cancelled_or_cannot_be_written_changes_nothing(
    screen: Screen, tmp_path: Path
) -> None:
    page = with_something_found(screen)
    page.save.click()
    typed(dialog_of(screen), str(tmp_path / "never.toml"), Qt.Key.Key_Escape)
    gone(screen)
    assert not list(tmp_path.glob("*.toml")) and page.state.text() == "1 instrument found"
    page.write(str(tmp_path / "no such folder" / "b.toml"))
    assert page.state.text() == "The draft was not saved" and page.problems.toPlainText()


def test_a_cancelled_dialog_leaves_what_was_chosen(screen: Screen) -> None:
    page = screen.ready().window.prepare
    before = page.chosen()
    for box in (page.benches, page.pairings):
        box.setCurrentIndex(box.count() - 1)
        box.activated.emit(box.count() - 1)
        QTest.keyClick(dialog_of(screen), Qt.Key.Key_Escape)
        gone(screen)
        screen.until(lambda: not page.is_working, 10.0, "the preview")
        assert page.chosen() == before
    page.procedures.setCurrentRow(page.procedures.count() - 1)
    page.procedures.itemActivated.emit(page.procedures.currentItem())
    QTest.keyClick(dialog_of(screen), Qt.Key.Key_Escape)
    gone(screen)
    screen.until(lambda: not page.is_working, 10.0, "the preview")
    assert page.chosen() == before and page.start.isEnabled()


@pytest.mark.parametrize("content", [b"\xff\xfe\x00 no text", b"", b"a = [", b"format = 1\n"])
def test_a_file_that_cannot_be_read_is_told_and_stops_the_start(
    screen: Screen, tmp_path: Path, content: bytes
) -> None:
    page = screen.ready().window.prepare
    path = tmp_path / "odd.toml"
    path.write_bytes(content)
    page.benches.setCurrentIndex(page.benches.count() - 1)
    page.benches.activated.emit(page.benches.count() - 1)
    typed(dialog_of(screen), str(path))
    gone(screen)
    screen.until(lambda: not page.is_working and page.problems.isVisible(), 10.0, "what stands in the way")
    assert "odd.toml" in page.problems.toPlainText() and not page.start.isEnabled()
    assert not screen.window.header.simulated.isVisible()  # nobody knows what bench that is
    page._take_file(page.benches, str(SERVED))
    screen.until(
        lambda: not page.is_working and not page.problems.isVisible(), 10.0, "a bench that can be read"
    )
