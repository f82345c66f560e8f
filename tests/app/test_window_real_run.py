"""A whole run on a bench that is said to be real, over TCP, from the window: it is called a real bench from before power to its end."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from app_rig import Screen
from free_ports import free_base
from real_bench_rig import SHORT, prove_all, real_card, stand_ins

from benchrunner import data
from benchrunner.app.model.run import RunState
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.record.opened import Record
from benchrunner.sim.served import Server

PATIENCE = 120.0  # s; only so that a hang ends


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Serves instruments that do not call themselves simulated; the base of their ports."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    path = tmp_path / "served.toml"
    path.write_text(stand_ins(), encoding="utf-8")
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    base = free_base()
    with Server(read_bench(path), pairing, port_base=base, speed=1.0, start={"battery.soc": 0.6}):
        yield base


def named_real(screen: Screen) -> bool:
    head = screen.window.header
    return (
        head.real.isVisible()
        and "hazardous voltage" in head.real.text()
        and not head.simulated.isVisible()
        and "REAL BENCH" in screen.window.windowTitle()
    )


@pytest.mark.slow
def test_a_real_bench_is_called_one_from_before_power_to_the_end_of_a_whole_run(
    screen: Screen, served: int, tmp_path: Path
) -> None:
    window = screen.ready().window
    page = window.prepare
    card = real_card(tmp_path)
    prove_all(card, served)
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    page.setup.ports.setText(str(served))
    page._take_procedure(str(tmp_path / "short.toml"))
    screen.choose_bench(card)
    screen.let(0.5)
    screen.until(lambda: not page.is_working, what="the preview with its ports")
    assert named_real(screen) and page.cautions.toPlainText().startswith("REAL BENCH.")
    heads = [page.order.horizontalHeaderItem(column).text() for column in range(page.order.columnCount())]
    assert (heads[0], heads[-1]) == ("1 step", "1 check")
    assert not page.start.isEnabled()
    page.read.setChecked(True)
    page.checked.setChecked(True)
    assert not page.start.isEnabled() and "named person" in page.why_not.text()
    page.name.setText("A. Fell")
    assert page.start.isEnabled(), (page.why_not.text(), page.problems.toPlainText())
    page.start.click()
    seen: list[bool] = []

    def over(run: RunState) -> bool:
        seen.append(named_real(screen))
        return run.ended is not None

    screen.until(lambda: over(window.run), PATIENCE, "the end")
    screen.let(0.2)
    assert all(seen) and len(seen) > 10  # at no moment called anything else
    ended = window.run.ended or {}
    assert (ended["exit"], ended["safe"], ended["simulated"]) == (0, "confirmed", False), ended
    assert named_real(screen)
    says = window.run_page.outcome.says.text()
    assert says.count("terminals stay live") == 1 and "Simulated" not in says
    assert "Real bench: isolate and prove dead before touching anything." in says
    header = Record.open(ended["record"]).header
    assert (header["simulated"], header["operator"]) == (False, "A. Fell")
    # The next run asks for all of it anew.
    screen.until(lambda: not page.is_working, what="the preview after the run")
    assert not page.read.isChecked() and not page.checked.isChecked() and not page.start.isEnabled()
