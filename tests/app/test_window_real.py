"""A real bench says itself that it is one, in words and with its caution: before power, during the run, at its end."""

from pathlib import Path
from typing import Any

import pytest
from app_rig import Screen
from PySide6.QtCore import QPoint, QRect
from real_bench_rig import real_card

from benchrunner.app.model import texts

REAL = {"simulated": False}


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Locks and proofs of this test alone."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def on_real_bench(screen: Screen, folder: Path) -> None:
    screen.ready().choose_bench(real_card(folder))
    screen.let(0.1)


def test_a_real_bench_is_named_before_power_with_its_caution(screen: Screen, tmp_path: Path) -> None:
    on_real_bench(screen, tmp_path)
    window = screen.window
    head = window.header
    assert head.real.isVisible() and not head.simulated.isVisible()
    assert "REAL BENCH" in head.real.text() and "hazardous voltage" in head.real.text()
    assert head.real.accessibleName() == "REAL BENCH"
    assert "no emergency stop" in head.real.accessibleDescription()
    assert "REAL BENCH" in window.windowTitle()
    said = window.prepare.cautions.toPlainText()
    assert said.startswith("REAL BENCH.") and "Make safe is no emergency stop" in said.partition("\n")[0]
    assert window.prepare.start.text().replace("&", "") == "Start on the real bench"


def test_a_real_bench_is_named_during_the_run_and_at_its_end(
    screen: Screen, real_run: list[dict[str, Any]]
) -> None:
    window, link = screen.ready().window, screen.started()
    events = [{**e, "data": {**e["data"], **REAL}} if e["kind"] == "prepared" else e for e in real_run]
    link.waiting = [e for e in events if e["kind"] != "ended"]
    screen.until(lambda: window.run.at > 100.0)
    screen.let(0.2)
    assert window.header.real.isVisible() and not window.header.simulated.isVisible()
    assert "REAL BENCH" in window.windowTitle()
    link.ends(**REAL)
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    assert window.header.real.isVisible() and "REAL BENCH" in window.windowTitle()
    assert texts.REAL_END in window.run_page.outcome.says.text()


def test_the_end_of_a_real_run_is_still_called_real_after_another_page_was_looked_at(
    screen: Screen, real_run: list[dict[str, Any]]
) -> None:
    window = screen.ready().window
    window.show_page("run")
    assert window.header.title.text() == "No run yet" and not window.header.simulated.isVisible()
    window.show_page("prepare")
    link = screen.started()
    events = [{**e, "data": {**e["data"], **REAL}} if e["kind"] == "prepared" else e for e in real_run]
    link.waiting = [e for e in events if e["kind"] != "ended"]
    link.ends(**REAL)
    screen.until(lambda: window.run.ended is not None)
    named = (window.header.title.text(), window.header.pairing.text())
    for page in ("find", "prepare"):  # the prepared run is one on the simulated bench
        window.show_page(page)
        assert not window.header.real.isVisible()
        window.show_page("run")
        assert (window.header.title.text(), window.header.pairing.text()) == named
        assert window.header.real.isVisible() and not window.header.simulated.isVisible()
        screen.until(lambda: "REAL BENCH" in window.windowTitle(), what="the title")


def test_the_head_never_calls_another_bench_what_the_last_one_was(screen: Screen, tmp_path: Path) -> None:
    head = screen.ready().window.header
    page = screen.window.prepare
    page.speed.setEditText("60")
    assert head.simulated.isVisible()
    page._take_file(page.benches, str(real_card(tmp_path)))
    assert not head.simulated.isVisible() and not head.real.isVisible()  # its card is not read yet
    screen.until(head.real.isVisible, what="the mark of the real bench")
    # Nor is it shown a pace that it does not run at; what was chosen is not lost.
    assert page.speed.currentText() == "1× (real time)" and page.speed_chosen() == 1.0
    assert page.setup.speed_text() == "60.0"
    page.benches.setCurrentIndex(0)
    assert not head.real.isVisible()
    screen.until(head.simulated.isVisible, what="the mark of the simulated bench")
    assert page.speed.currentText() == "60" and page.speed_chosen() == 60.0


def test_the_cautions_can_be_read_after_the_colours_were_changed(screen: Screen) -> None:
    page = screen.ready().window.prepare
    for theme in ("dark", "light", "dark"):
        screen.window.themes.choose(theme)
        screen.let(0.2)
        place = page.title.mapTo(screen.window, QPoint(0, 0))
        image = screen.window.grab(QRect(place, page.title.size())).toImage()
        seen = [
            image.pixelColor(x, y).lightness() for x in range(image.width()) for y in range(image.height())
        ]
        assert max(seen) - min(seen) > 120, theme  # letters stand out from their ground
