"""What a run that nobody ended leaves in the window: checks listed as not judged, no old values, a journal to be sealed."""

from pathlib import Path

from app_rig import Screen

from benchrunner.app.model.run import RunState
from benchrunner.app.model.texts import tally
from benchrunner.app.records import Records
from benchrunner.engine.client import Session
from benchrunner.engine.request import RunRequest
from benchrunner.record.verify import verify

Event = dict[str, object]
KILLED = {"exit": 4, "verdict": "not judged", "ended_by": "watchdog", "finished": False, "safe": "confirmed"}


def until_step(real_run: list[Event], index: int) -> list[Event]:
    """The events up to the start of a step."""
    found = []
    for event in real_run:
        found.append(event)
        if event["kind"] == "step" and event["data"]["index"] == index:  # type: ignore[index]
            break
    return found


def test_checks_that_nobody_told_of_are_listed_as_not_judged(screen: Screen, real_run: list[Event]) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = until_step(real_run, 3)
    link.ends(**KILLED)
    screen.until(lambda: window.run.ended is not None)
    run = window.run
    assert len(run.checks) == run.planned_checks > 0
    assert {check["verdict"] for check in run.checks} == {"not judged"}
    assert tally(run) == f"{run.planned_checks}: {run.planned_checks} not judged"
    screen.let(0.2)
    assert window.run_page.ledger._model.rowCount() == run.planned_checks


def test_a_run_that_told_of_all_its_checks_lists_none_twice(real_run: list[Event]) -> None:
    run = RunState()
    for event in real_run:
        run.feed(event)
    told = sum(event["kind"] == "check" for event in real_run)
    assert len(run.checks) == told == run.planned_checks


def test_what_a_killed_engine_left_is_sealed_by_a_button(screen: Screen, tmp_path: Path) -> None:
    out = tmp_path / "runs"
    session = Session.start(RunRequest("load-rejection", live=True, attended=True, speed=10.0, out=str(out)))
    for event in session.events():
        if event["kind"] == "readings" and event["at"] > 2.0:
            session._process.kill()
            break
    session.close()
    (journal,) = (path for path in out.iterdir() if path.is_dir())
    window, link = screen.ready().window, screen.started()
    link.ends(**KILLED, journal=str(journal))
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    end = window.run_page.outcome
    assert end.seal.isVisible() and not end.report.isVisible() and "recover" in end.record.text()
    end.seal.click()
    screen.until(lambda: bool((window.run.ended or {}).get("record")), what="the record")
    record = str((window.run.ended or {})["record"])
    assert verify(Path(record), allow_unsigned=True).ok
    assert not end.seal.isVisible() and end.report.isEnabled() and record in end.record.text()
    assert "not signed" in end.record.text()


def test_a_journal_that_cannot_be_sealed_says_so_and_leaves_the_button(
    screen: Screen, tmp_path: Path
) -> None:
    window, link = screen.ready().window, screen.started()
    link.ends(**KILLED, journal=str(tmp_path / "gone"))
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.2)
    said: list[str] = []
    window.records._page = lambda title, text: said.append(f"{title}: {text}")  # type: ignore[method-assign]
    window.run_page.outcome.seal.click()
    screen.until(lambda: bool(said), what="the answer")
    assert said[0].startswith("It could not be sealed") and isinstance(window.records, Records)
    assert window.run_page.outcome.seal.isVisible()


def test_make_safe_says_who_asked(screen: Screen) -> None:
    window = screen.ready().window
    link = screen.started()
    window.prepare.name.setText("A. Fell")
    asked: list[tuple[str, str]] = []
    link.make_safe = lambda why, by="": asked.append((why, by))  # type: ignore[method-assign]
    window.header.make_safe.setEnabled(True)
    window.header.make_safe.click()
    assert asked == [("the button Make safe", "A. Fell")]
    alarm = {"text": "the run ends here: a guard", "level": "error"}
    link.waiting.append({"at": 1.0, "kind": "note", "data": alarm})
    screen.until(lambda: "The run ends here" in window.notice.text.text(), what="the notice")
