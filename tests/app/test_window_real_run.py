"""A whole run on a bench that is said to be real, over TCP, from the window: it is called a real bench from before power to its end."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_rig import SERVED, Screen, real_card
from free_ports import free_base

from benchrunner import data
from benchrunner.app.model import texts
from benchrunner.app.model.run import RunState
from benchrunner.bench.prechecks import CHECKS, enter, enter_wiring
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.record.opened import Record
from benchrunner.sim.served import Server

PATIENCE = 120.0  # s; only so that a hang ends
SHORT = """
format = 1
title = "A load on the grid"
purpose = "One load, one check: short enough for real time."
basis = ["common practice"]
cautions = ["Hazardous voltage on the load terminals."]

[roles]
load = "ac_load"

[[steps]]
id = "load"
title = "Load on"
do = [["load.power", "1 kW"], ["load.on", true]]
until = { settled = "load.power", within = "50 W", for = "2 s" }
at_most = "20 s"
if_not = "stop"

  [[steps.checks]]
  id = "load-power"
  measure = "mean"
  of = "load.power"
  low = "800 W"
  high = "1.2 kW"
  rule = "guarded"
"""


@pytest.fixture
def stand_ins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Serves instruments that do not call themselves simulated; the base of their ports."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    text = SERVED.read_text(encoding="utf-8")
    for name in re.findall(r"^\[instruments\.(\w+)\]", text, re.M):
        head = re.search(rf"^\[instruments\.{name}\][^\n]*\n", text, re.M)
        assert head
        model = re.search(rf"\[instruments\.{name}\].*?,(Simulated [^,]*),", text, re.S)
        shown = model[1].replace("Simulated", "Stand-in") if model else "Stand-in"
        text = text.replace(head[0], head[0] + f'simulated = {{ model = "{shown}" }}\n')
    path = tmp_path / "served.toml"
    path.write_text(text.replace(",Simulated ", ",Stand-in "), encoding="utf-8")
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    base = free_base()
    with Server(read_bench(path), pairing, port_base=base, speed=1.0, start={"battery.soc": 0.6}):
        yield base


def proved(card: Path, base: int) -> None:
    """The checks before power and the wiring proof, as if people had done them."""
    bench = read_bench(card)
    for name, kind in CHECKS.items():
        measured = {"value": "> 200 Mohm", "instrument": "HTL-IT-01"} if kind.measured else {}
        enter(bench, name, "A. Fell", port_base=base, **measured)
    enter_wiring(bench, True, "A. Fell", "proof.bench", port_base=base)


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
    screen: Screen, stand_ins: int, tmp_path: Path
) -> None:
    window = screen.ready().window
    page = window.prepare
    card = real_card(tmp_path)
    proved(card, stand_ins)
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    page.setup.ports.setText(str(stand_ins))
    page._take_procedure(str(tmp_path / "short.toml"))
    page._take_file(page.benches, str(card))
    screen.until(
        lambda: (
            not page.is_working
            and page.current_preview is not None
            and page.current_preview.bench == str(card)
        ),
        what="the preview",
    )
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
    assert texts.REAL_END in says and "Simulated" not in says
    header = Record.open(ended["record"]).header
    assert (header["simulated"], header["operator"]) == (False, "A. Fell")
    # The next run asks for all of it anew.
    screen.until(lambda: not page.is_working, what="the preview after the run")
    assert not page.read.isChecked() and not page.checked.isChecked() and not page.start.isEnabled()
