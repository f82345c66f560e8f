"""Gates and locks of a real bench in the window: which stand, who passes them and why, who releases a bench after a trip."""

from pathlib import Path

import pytest
from app_rig import FakeLink, Screen
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from real_bench_rig import real_card

from benchrunner.app.model.gates import standing
from benchrunner.app.widgets.named import NamedDialog, PassDialog, ReleaseDialog
from benchrunner.app.widgets.prove_dialog import MOST_HOURS, ProveDialog
from benchrunner.bench import locks, prechecks
from benchrunner.bench.prechecks import CHECKS, enter
from benchrunner.cards.bench import read_bench
from benchrunner.engine.request import RunRequest
from benchrunner.errors import Problem


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Locks and proofs of this test alone."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def fill(dialog: NamedDialog, by: str, why: str) -> None:
    dialog.read.setChecked(True)
    QTest.keyClicks(dialog.by, by)
    QTest.keyClicks(dialog.why, why)


def settled(screen: Screen) -> None:
    screen.until(lambda: not screen.window.prepare.is_working, what="the preview")


def test_gates_that_stand_are_named_and_passed_only_by_name_with_a_reason(
    screen: Screen, tmp_path: Path
) -> None:
    window = screen.ready().window
    screen.choose_bench(real_card(tmp_path))
    page, clear = window.prepare, window.prepare.clearance
    shown = page.current_preview
    assert shown is not None and shown.simulated is False
    assert {gate.name for gate in shown.gates if gate.stops} >= {*CHECKS, "wiring-proof"}
    assert "wiring-proof" in page.problems.toPlainText() and not page.start.isEnabled()
    assert clear.pass_gates.isVisible() and not clear.release.isVisible()

    clear.pass_gates.click()
    dialog = screen.window.findChild(PassDialog)
    assert dialog is not None
    said = " ".join(label.text() for label in dialog.findChildren(type(dialog.lacking)))
    assert "hazardous voltage" in said and "not an emergency stop" in said
    assert not any(box.isChecked() for box in dialog.boxes.values()) and dialog.by.text() == ""
    assert not dialog.agree.isEnabled()
    for name in ("wiring-proof", *CHECKS):
        dialog.boxes[name].setChecked(True)
    assert not dialog.agree.isEnabled()
    QTest.keyClicks(dialog.by, "C. Beck")
    QTest.keyClick(dialog.by, Qt.Key.Key_Return)
    dialog.read.setChecked(True)
    assert not dialog.agree.isEnabled() and "reason" in dialog.lacking.text()
    QTest.keyClicks(dialog.why, "proved by hand, one load")
    dialog.agree.click()
    settled(screen)
    assert page.current_preview is not None and page.current_preview.problems == ()
    assert clear.passed.isVisible() and "C. Beck" in clear.passed.text()

    page.read.setChecked(True)
    page.checked.setChecked(True)
    page.name.setText("A. Fell")
    assert page.start.isEnabled(), page.why_not.text()
    asked: list[RunRequest] = []
    link = FakeLink()
    window._start_link = lambda request: (asked.append(request), link)[1]  # type: ignore[assignment,func-returns-value,return-value]
    window.start_run()
    assert set(asked[0].override) == {"wiring-proof", *CHECKS}
    assert (asked[0].override_by, asked[0].override_why) == ("C. Beck", "proved by hand, one load")
    link.ends(simulated=False)
    screen.until(lambda: window.run.ended is not None)
    settled(screen)
    assert not clear.passing.gates and not page.start.isEnabled()  # for one run only


def test_what_was_passed_is_taken_back_and_does_not_hold_for_another_bench(
    screen: Screen, tmp_path: Path
) -> None:
    window = screen.ready().window
    screen.choose_bench(real_card(tmp_path))
    clear = window.prepare.clearance
    for take_back in (clear.take_back.click, lambda: window.prepare.benches.setCurrentIndex(0)):
        clear.pass_gates.click()
        dialog = window.findChildren(PassDialog)[-1]
        dialog.boxes["polarity"].setChecked(True)
        fill(dialog, "C. Beck", "seen this morning")
        dialog.agree.click()
        settled(screen)
        assert clear.passing.gates == ("polarity",)
        assert "polarity" not in {g.name for g in window.prepare.current_preview.gates}  # type: ignore[union-attr]
        take_back()
        settled(screen)
        assert clear.passing.gates == () and not clear.passed.isVisible()


def test_a_check_that_is_recorded_is_no_gate_any_more(screen: Screen, tmp_path: Path) -> None:
    card = real_card(tmp_path)
    enter(read_bench(card), "polarity", "A. Fell")
    screen.ready().choose_bench(card)
    shown = screen.window.prepare.current_preview
    assert shown is not None
    assert "polarity" not in {gate.name for gate in shown.gates} and "emergency-stop" in {
        g.name for g in shown.gates
    }


def test_a_gate_that_the_engine_finds_is_offered_too(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    problem = {
        "where": "warm-up",
        "what": "the operator stopped it with 5 min left",
        "mend": "or --override warm-up --by NAME",
    }
    link.ends(
        exit=2,
        verdict="not judged",
        ended_by="refused",
        finished=False,
        safe="not needed",
        problems=[problem],
    )
    screen.until(lambda: window.run.ended is not None)
    settled(screen)
    assert "stopped it with 5 min left" in window.prepare.problems.toPlainText()
    gates = standing(
        [Problem(**problem), Problem("x.toml: polarity", "p: nobody", "do it"), Problem("a", "b", "c")]
    )
    assert [gate.name for gate in gates] == ["warm-up", "polarity"]


def test_a_locked_bench_says_why_and_is_released_by_name_with_a_reason(
    screen: Screen, tmp_path: Path
) -> None:
    card = real_card(tmp_path)
    bench = read_bench(card)
    assert locks.lock(bench, None, "guard battery-high: 58.6 V, run by A. Fell", "runs/one.bench")
    window = screen.ready().window
    screen.choose_bench(card)
    clear = window.prepare.clearance
    said = window.prepare.problems.toPlainText()
    assert "locked" in said and "58.6 V, run by A. Fell" in said and "runs/one.bench" in said
    assert "locked after a trip" in window.prepare.why_not.text()
    assert clear.release.isVisible()
    clear.release.click()
    dialog = window.findChild(ReleaseDialog)
    assert dialog is not None and not dialog.agree.isEnabled()
    fill(dialog, "B. Rigg", "")
    assert not dialog.agree.isEnabled()
    QTest.keyClicks(dialog.why, "a loose clamp, mended")
    dialog.agree.click()
    screen.until(lambda: locks.locked(bench) is None, what="the release")
    screen.until(lambda: not clear.release.isVisible(), what="the window's notice of it")
    assert "released by B. Rigg" in window.notice.text.text()
    told = locks.untold(bench)
    assert [(one.by, one.why) for one in told] == [("B. Rigg", "a loose clamp, mended")]


def test_the_plan_is_shown_while_gates_and_a_lock_stand_in_the_way(screen: Screen, tmp_path: Path) -> None:
    card = real_card(tmp_path)
    assert locks.lock(read_bench(card), None, "guard battery-high: 58.6 V", "")
    page = screen.ready().window.prepare
    steps = page.order.rowCount()
    screen.choose_bench(card)
    shown = page.current_preview
    assert shown is not None and shown.lock is not None and shown.problems and not page.start.isEnabled()
    assert page.order.rowCount() == steps > 0 and page.guards.rowCount() > 0
    assert page.order.horizontalHeaderItem(0).text() == f"{steps} steps"
    assert screen.window.header.pairing.text() == "Tarn-6 + Corrie-5"
    page.read.setChecked(True)
    page.checked.setChecked(True)
    page.name.setText("A. Fell")
    screen.window.start_run()
    assert not page.start.isEnabled() and screen.window.link is None  # shown, and nothing more


def test_no_plan_is_shown_where_the_files_themselves_are_wrong(screen: Screen, tmp_path: Path) -> None:
    card = real_card(tmp_path)
    card.write_text(
        card.read_text(encoding="utf-8").replace("[instruments.load]", "[instruments.lood]"), "utf-8"
    )
    page = screen.ready().window.prepare
    screen.choose_bench(card)
    assert page.order.rowCount() == 0 and not page.start.isEnabled() and page.problems.toPlainText()


def test_a_check_before_power_is_recorded_from_the_window_by_keyboard(screen: Screen, tmp_path: Path) -> None:
    assert MOST_HOURS == prechecks.MOST_HOURS
    card = real_card(tmp_path)
    bench = read_bench(card)
    window = screen.ready().window
    screen.choose_bench(card)
    clear = window.prepare.clearance
    assert "Record a check" in window.prepare.problems.toPlainText() and clear.record.isVisible()
    assert clear.record.shortcut().toString() == "Ctrl+K" and "Ctrl+K" in clear.record.text()
    QTest.keyClick(clear.record, Qt.Key.Key_Space)
    dialog = window.findChild(ProveDialog)
    assert dialog is not None and dialog.chosen is None and not dialog.agree.isEnabled()
    said = " ".join(label.text() for label in dialog.findChildren(type(dialog.lacking)))
    assert "proved dead" in said and "not an emergency stop" in said and "qualified" in said
    assert not dialog.passed.isChecked() and not dialog.failed.isChecked() and not dialog.read.isChecked()
    QTest.keyClicks(dialog.check, "insul")  # a list takes the first letters
    assert dialog.chosen is not None and dialog.chosen.name == "insulation"
    assert (
        "insulation resistance" in dialog.stands.text() and "nobody has recorded it" in dialog.stands.text()
    )
    QTest.keyClick(dialog.passed, Qt.Key.Key_Space)
    QTest.keyClicks(dialog.by, "A. Fell")
    QTest.keyClick(dialog.read, Qt.Key.Key_Space)
    assert not dialog.agree.isEnabled() and "unit" in dialog.lacking.text()
    QTest.keyClicks(dialog.value, "> 200 Mohm at 500 V")
    assert not dialog.agree.isEnabled() and "serial number" in dialog.lacking.text()
    QTest.keyClicks(dialog.instrument, "tester 4, SN 17")
    assert dialog.agree.isEnabled()
    for wrong in ("0", "nan", "2209", "soon"):
        dialog.hours.setText(wrong)
        assert not dialog.agree.isEnabled() and "hours" in dialog.lacking.text(), wrong
    dialog.hours.setText("12")
    QTest.keyClick(dialog.agree, Qt.Key.Key_Space)
    screen.until(lambda: "Kept: insulation" in window.notice.text.text(), what="the entry")
    settled(screen)
    (kept,) = prechecks.history(bench)
    assert (kept.check, kept.result, kept.by, kept.value) == (
        "insulation",
        "pass",
        "A. Fell",
        "> 200 Mohm at 500 V",
    )
    assert kept.instrument == "tester 4, SN 17"
    shown = window.prepare.current_preview
    assert shown is not None and "insulation" not in {gate.name for gate in shown.gates}
    assert next(view for view in shown.checks if view.name == "insulation").holds


def test_a_check_that_failed_is_kept_as_failed_and_goes_on_standing(screen: Screen, tmp_path: Path) -> None:
    card = real_card(tmp_path)
    prechecks.enter(read_bench(card), "polarity", "B. Rigg")
    window = screen.ready().window
    screen.choose_bench(card)
    window.prepare.clearance.record.click()
    dialog = window.findChildren(ProveDialog)[-1]
    dialog.check.setCurrentIndex(2)
    assert "B. Rigg" in dialog.stands.text()
    dialog.failed.setChecked(True)
    dialog.read.setChecked(True)
    dialog.by.setText("A. Fell")
    dialog.note.setText("L and N swapped at the load")
    assert dialog.agree.isEnabled(), dialog.lacking.text()
    dialog.check.setCurrentIndex(4)
    assert not dialog.failed.isChecked() and not dialog.agree.isEnabled()  # another check is answered anew
    dialog.check.setCurrentIndex(2)
    dialog.failed.setChecked(True)
    dialog.agree.click()
    screen.until(lambda: "Kept: polarity" in window.notice.text.text(), what="the entry")
    settled(screen)
    assert "it failed (A. Fell" in window.prepare.problems.toPlainText()
    assert prechecks.history(read_bench(card))[-1].note == "L and N swapped at the load"


def test_a_simulated_bench_is_asked_for_no_check(screen: Screen) -> None:
    assert not screen.ready().window.prepare.clearance.record.isVisible()
