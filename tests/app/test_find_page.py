"""The page on which instruments are looked for, with a served bench behind it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from app_rig import Screen
from free_ports import free_base
from PySide6.QtWidgets import QPushButton

from benchrunner import data
from benchrunner.bench.find.looking import Port
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.files import check_any
from benchrunner.errors import Problem
from benchrunner.sim.served import Server


@pytest.fixture
def base() -> Iterator[int]:
    """The first port of a bench that is served."""
    port = free_base()
    bench = read_bench(data.find("loopback", "resources", "benches"))
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(bench, pairing, port_base=port, speed=1.0):
        yield port


def test_what_answers_is_listed_and_its_draft_saved(screen: Screen, base: int, tmp_path: Path) -> None:
    window = screen.window
    window.show_page("find")
    page = window.find_page
    assert window.pages.currentWidget() is page
    page.visa.setChecked(False)
    page.ports.setText(f"127.0.0.1:{base + 1}-{base + 4}")
    page.modbus.setText(f"127.0.0.1:{base + 12}")
    page.look.click()
    assert page.is_working and not page.look.isEnabled() and not page.save.isEnabled()
    screen.until(lambda: not page.is_working)
    rows = [
        [page.table.item(row, column).text() for column in range(4)] for row in range(page.table.rowCount())
    ]
    assert [row[2] for row in rows] == [
        "ac-load-scpi", "ac-meter-scpi", "dc-meter-scpi", "ac-meter-scpi", "battery-monitor-sunspec",
    ]  # fmt: skip
    assert rows[1][3] == "to choose: bus, pv, grid"
    path = tmp_path / "draft.toml"
    page.write(str(path))
    assert check_any(path)[:2] == ([], "bench card, a draft")
    assert str(path) in page.problems.toPlainText() and "finish each TODO" in page.problems.toPlainText()
    page.write(str(path))
    assert "is there already" in page.problems.toPlainText()


def test_what_is_not_clear_stays_when_a_draft_is_saved(screen: Screen, tmp_path: Path) -> None:
    page = screen.window.find_page
    ports = [Port("COM7", "n/a"), Port("COM8", "bridge")]
    page._show(ports, [], [Problem("127.0.0.1:1", "listens, and says nothing", "name it")])
    listed = page.problems.toPlainText()
    assert "Serial port COM7: there" in listed and "COM8 (bridge)" in listed and "n/a" not in listed
    page.write(str(tmp_path / "draft.toml"))
    assert page.problems.toPlainText().endswith(listed) and "draft.toml" in page.problems.toPlainText()
    page.write(str(tmp_path / "draft.toml"))
    assert page.problems.toPlainText().endswith(listed)
    assert "is there already" in page.problems.toPlainText()


def test_what_names_no_ports_is_told(screen: Screen) -> None:
    page = screen.window.find_page
    page.visa.setChecked(False)
    page.ports.setText("nowhere")
    page.begin()
    screen.until(lambda: not page.is_working)
    assert "names no ports" in page.problems.toPlainText()
    assert page.look.isEnabled() and not page.save.isEnabled()


def test_everything_on_it_has_a_name_for_those_who_cannot_see_it(screen: Screen) -> None:
    page = screen.window.find_page
    for part in (page.ports, page.modbus, page.table, page.problems):
        assert part.accessibleName()
    assert all(button.text() for button in page.findChildren(QPushButton))


def test_the_head_says_what_is_shown(screen: Screen) -> None:
    """Nothing is simulated about looking for instruments, whatever bench is chosen for a run."""
    window = screen.ready().window
    assert window.header.simulated.isVisible() and window.header.title.text() == "Prepare a run"
    window.show_page("find")
    assert not window.header.simulated.isVisible()
    assert window.header.title.text() == "Look for instruments" and window.header.pairing.text() == ""
    window.show_page("prepare")
    assert window.header.simulated.isVisible() and window.header.title.text() == "Prepare a run"
