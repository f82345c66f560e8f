"""Small flaws of the window, each mended: a page that moves, sentences said twice, cut lines, signs, and what a dialog says."""

import re
from pathlib import Path
from typing import Any

import pytest
from app_rig import Screen, assert_written_out
from PySide6.QtCore import QPoint, QRect, Qt
from PySide6.QtGui import QFontMetrics, QGuiApplication
from PySide6.QtWidgets import QAbstractButton, QApplication, QLabel, QPlainTextEdit, QTextEdit, QWidget
from real_bench_rig import real_card

from benchrunner import units
from benchrunner.app.model import texts
from benchrunner.app.model.gates import Lock
from benchrunner.app.model.signs import for_programs, units_kept, with_minus
from benchrunner.app.widgets.named import ReleaseDialog
from benchrunner.bench.find.asking import Answer
from benchrunner.bench.find.proposing import Proposal
from benchrunner.errors import Problem

Event = dict[str, Any]
HYPHEN_SIGN = re.compile(r"(?<![\w.:/-])-\d")
SKEW = (
    "pv_meter shows steps of the load +312 ms after bus_meter (standard uncertainty 12 ms, 3 steps)",
    "battery_meter shows steps of the load -56 ms after bus_meter (standard uncertainty 9 ms, 3 steps)",
    "grid_meter shows steps of the load +104 ms after bus_meter (standard uncertainty 31 ms, 2 steps)",
)


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Locks and proofs of this test alone."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def note(text: str, at: float = 300.0, **more: Any) -> Event:
    return {"at": at, "kind": "note", "data": {"text": text, "level": "info", **more}}


def shown(part: QWidget) -> list[str]:
    """Every text that can be read on a part of the window now."""
    found = []
    for widget in part.findChildren(QWidget):
        if not widget.isVisible():
            continue
        if isinstance(widget, QTextEdit | QPlainTextEdit):
            found.append(widget.toPlainText())
        elif isinstance(widget, QLabel | QAbstractButton):
            found.append(re.sub(r"<[^>]+>", " ", widget.text()).replace("&", ""))
    return found


def sentences(part: QWidget) -> list[str]:
    """What is said there, a sentence each, without what is short enough to be a mere label."""
    said = [
        one.strip(" .:•\n").lower() for text in shown(part) for one in re.split(r"[.:;\n]\s", text + "\n ")
    ]
    return [one for one in said if len(one) > 24]


def on_real_bench(screen: Screen, folder: Path) -> None:
    screen.ready().choose_bench(real_card(folder))
    screen.let(0.1)


def ended(screen: Screen, events: list[Event], size: tuple[int, int] = (1280, 800)) -> Any:
    """The page of a run that came to its end, in a window of this size."""
    window, link = screen.ready().window, screen.started()
    window.resize(*size)
    link.waiting = list(events)
    link.alive = False
    screen.until(lambda: window.run.ended is not None)
    screen.let(0.3)
    return window.run_page


# ---------------------------------------------------------------- nothing moves


def test_a_message_at_the_foot_moves_nothing(screen: Screen, real_run: list[Event]) -> None:
    ended(screen, real_run)
    window = screen.window
    for page in ("run", "prepare", "find"):
        window.show_page(page)
        screen.let(0.1)

        def places() -> list[QRect]:
            parts = [window.header, window.pages, *window.pages.currentWidget().findChildren(QWidget)]
            return [
                QRect(part.mapTo(window, QPoint(0, 0)), part.size()) for part in parts if part.isVisible()
            ]

        before = places()
        window.statusBar().showMessage("Writing the report…")
        screen.let(0.1)
        assert places() == before, page
        window.statusBar().clearMessage()
        screen.let(0.1)
        assert places() == before, page
    assert window.statusBar().isVisible()


# ---------------------------------------------------------------- said once


def test_on_a_real_bench_nothing_is_said_twice_before_power(screen: Screen, tmp_path: Path) -> None:
    on_real_bench(screen, tmp_path)
    page = screen.window.prepare
    said = sentences(page)
    assert len(said) > 12
    problems = page.problems.toPlainText().lower()  # each names its own mend, which may be the next one's too
    assert not {one for one in said if said.count(one) > 1 and one not in problems}
    whole = "\n".join(shown(page))
    for once in ("terminals stay live", "re-power checks are done and recorded", "emergency stop proved"):
        assert whole.count(once) == 1, once
    assert whole.count(texts.NO_EMERGENCY_STOP) == 1
    assert page.cautions.toPlainText().startswith("REAL BENCH. ")


def test_a_procedure_that_does_not_say_it_is_told_that_terminals_stay_live() -> None:
    assert "battery and PV terminals stay live" in texts.real_says(["Hazardous voltage."])
    assert "stay live" not in texts.real_says(["Battery and PV: battery and PV terminals stay live."])


@pytest.mark.parametrize(
    ("safe", "safe_text"),
    [
        (
            "confirmed",
            "Sources off, confirmed by meter. NOT proved dead: battery and PV terminals stay live.",
        ),
        ("confirmed", ""),
        ("not confirmed", ""),
        ("not needed", ""),
    ],
)
def test_the_end_of_a_real_run_says_once_what_stays_live(safe: str, safe_text: str) -> None:
    _, _, said = texts.outcome(
        {"exit": 4, "verdict": "not judged", "safe": safe, "safe_text": safe_text, "simulated": False, "finished": False}
    )  # fmt: skip
    whole = " ".join(said)
    assert whole.count("terminals stay live") == 1
    assert whole.count("prove dead before touching anything") == 1


# ---------------------------------------------------------------- nothing is cut


def whole(label: QLabel) -> bool:
    """Whether all of a label's text can be read where it stands."""
    needed = label.fontMetrics().boundingRect(
        QRect(0, 0, label.contentsRect().width(), 10_000), int(Qt.TextFlag.TextWordWrap), label.text()
    )
    room = label.contentsRect()
    return needed.height() <= room.height() and needed.width() <= room.width()


@pytest.mark.parametrize("size", [(1024, 680), (1280, 800), (1920, 1080)])
def test_the_polling_line_can_be_read_in_full(
    screen: Screen, real_run: list[Event], size: tuple[int, int]
) -> None:
    missed = {"at": 300.0, "kind": "polling", "data": {"missed": {"bus_meter": 1204, "battery_meter": 33}}}
    page = ended(
        screen, [*real_run[:-1], missed, *(note(text, about="skew") for text in SKEW), real_run[-1]], size
    )
    text = page.polling.text()
    assert "…" not in text and "bus_meter 1204, battery_meter 33" in text
    for figure in ("pv_meter +312 ms after bus_meter", "−56 ms", "+104 ms", "uncertainty 31 ms"):
        assert figure in text
    assert whole(page.polling)
    foot = page.polling.mapTo(page, QPoint(0, page.polling.height())).y()
    assert foot <= page.height()  # inside the window
    assert page.charts.height() > 150  # and the charts still have room


def test_what_a_step_waits_for_can_be_read_in_full(screen: Screen, real_run: list[Event]) -> None:
    window, link = screen.ready().window, screen.started()
    window.resize(1280, 800)
    long = " or ".join(f"battery.cell_voltage_max above {3.4 + k / 100:.2f} V for 30 s" for k in range(6))
    link.waiting = [
        *[e for e in real_run if e["kind"] == "prepared"],
        {"at": 1.0, "kind": "state", "data": {"state": "running", "cause": ""}},
        {"at": 1.0, "kind": "step", "data": {"index": 0, "id": "energise", "phase": "started", "text": ""}},
        {"at": 1.0, "kind": "step", "data": {"index": 0, "id": "energise", "phase": "waiting", "text": long}},
    ]
    screen.until(lambda: long in window.run_page.wait.text(), what="what it waits for")
    screen.let(0.2)
    assert whole(window.run_page.wait)


@pytest.mark.parametrize("size", [(1024, 680), (1280, 800), (1920, 1080)])
def test_checks_are_written_out_in_full(screen: Screen, real_run: list[Event], size: tuple[int, int]) -> None:
    ledger = ended(screen, real_run, size).ledger
    model, view, rows = ledger.list.model(), ledger.list, ledger._rows
    assert model.rowCount() == 19
    width, edge = view.viewport().width(), 0
    deep = False
    for row in range(model.rowCount()):
        index = model.index(row, 0)
        place = view.visualRect(index)
        if row:
            assert place.top() >= edge  # no row covers another
        edge = place.bottom()
        check = index.data(Qt.ItemDataRole.UserRole + 1)
        lines = rows.lines(check, view.font(), width)
        written = [line.text.replace("\u00a0", " ") for line in lines]
        assert written == [check["verdict"], texts.check_name(check), *texts.check_lines(check)]
        for line in lines:
            metrics = QFontMetrics(line.font)
            needed = metrics.boundingRect(QRect(0, 0, line.place.width(), 10_000), line.flags, line.text)
            assert needed.height() <= line.place.height() + 1 and needed.width() <= line.place.width()
            assert line.place.bottom() < place.height() and line.place.right() <= width
        deep = deep or lines[2].place.height() > 1.5 * QFontMetrics(lines[2].font).height()
    assert size[0] < 1920 or ledger.width() > 420  # a wide window gives the checks their share
    assert deep or size[0] > 1280  # a title here does need a second line, or this shows nothing


def test_rows_of_checks_follow_the_width_of_the_window(screen: Screen, real_run: list[Event]) -> None:
    view = ended(screen, real_run).ledger.list

    def heights() -> list[int]:
        rows = [view.model().index(row, 0) for row in range(view.model().rowCount())]
        return [view.visualRect(index).height() for index in rows]

    narrow = heights()
    screen.window.resize(1920, 1080)
    screen.let(0.3)
    wide = heights()
    assert sum(wide) < sum(narrow) and all(a <= b for a, b in zip(wide, narrow, strict=True))
    screen.window.resize(1280, 800)
    screen.let(0.3)
    assert heights() == narrow


def test_a_name_that_is_as_wide_as_the_row_is_written_out_as_well(screen: Screen) -> None:
    rows = screen.window.run_page.ledger._rows
    font = screen.window.font()
    check = {"id": "a-check-with-quite-a-long-name-of-its-own[12]", "step": "island-with-every-load-step[12]",
             "title": "x" * 90, "verdict": "inconclusive", "value": 1.0, "unit": "V", "high": 2.0}  # fmt: skip
    for line in rows.lines(check, font, 290):
        needed = QFontMetrics(line.font).boundingRect(
            QRect(0, 0, line.place.width(), 10_000), line.flags, line.text
        )
        assert needed.width() <= line.place.width() and needed.height() <= line.place.height() + 1


def test_a_number_stays_with_its_unit_and_nothing_else_is_bound() -> None:
    assert units_kept("within ± 0.1 Hz for 10 s and on") == "within ±\u00a00.1\u00a0Hz for 10\u00a0s and on"
    assert units_kept("900 W/m^2 in 3 sentences") == "900\u00a0W/m^2 in 3 sentences"


def test_a_strip_leaves_room_for_the_names_of_its_outermost_lines(
    screen: Screen, real_run: list[Event]
) -> None:
    charts = ended(screen, real_run).charts
    held = charts.plots["frequency"]
    axis, box = held.plot.getAxis("left"), held.plot.getViewBox().sceneBoundingRect()
    low, high = held.height
    assert low < 50.0  # the bus at its nominal frequency: the lowest that was read
    half = QFontMetrics(axis.style["tickFont"]).height() / 2 - 1
    assert (50.0 - low) / (high - low) * box.height() >= half


# ---------------------------------------------------------------- one minus sign


def test_what_is_a_minus_sign_and_what_is_none() -> None:
    assert with_minus("-56 ms, (-3.0 A), from -150 A to -.5 A") == "−56 ms, (−3.0 A), from −150 A to −.5 A"
    for plain in (
        "2026-11-26T03:33",
        "HTL-LB-01",
        "127.0.0.1:15700-15720",
        "1e-5 s",
        "x-2",
        "a -- 5",
        "/x/-1",
    ):
        assert with_minus(plain) == plain
    said = "margin −4.10 s = −35.0 U; Tarn − Corrie"
    assert for_programs(said) == "margin -4.10 s = -35.0 U; Tarn − Corrie"


def test_no_number_on_the_page_of_a_run_has_a_hyphen_for_its_sign(
    screen: Screen, real_run: list[Event]
) -> None:
    window, link = screen.ready().window, screen.started()
    page = window.run_page
    begun = [e for e in real_run if e["kind"] in ("prepared", "readings") and e["at"] < 100.0]
    check = {
        "id": "a", "step": "drop", "title": "Current above -12 A", "verdict": "fail", "value": -14.25, "unit": "A",
        "low": -12.0, "uncertainty": 0.2, "margin": -2.25, "reason": "-14.25 A is below -12 A", "rule": "guarded",
        "measure": "minimum", "of": "battery.current",
    }  # fmt: skip
    link.waiting = [
        *begun,
        {"at": 100.0, "kind": "state", "data": {"state": "running", "cause": ""}},
        {"at": 100.0, "kind": "step", "data": {"index": 0, "id": "e", "phase": "started", "text": ""}},
        {
            "at": 100.0,
            "kind": "step",
            "data": {"index": 0, "id": "e", "phase": "waiting", "text": "below -10 A"},
        },
        {"at": 100.0, "kind": "check", "data": check},
        *(note(text, 100.0, about="skew") for text in SKEW),
        {
            "at": 100.0,
            "kind": "guard",
            "data": {"id": "g", "text": "battery.current is -181 A, beyond -180 A"},
        },
    ]
    screen.until(lambda: bool(window.run.checks), what="what was told")
    screen.let(0.2)
    waits = page.wait.text()
    link.waiting = [
        {
            "at": 100.0,
            "kind": "ask",
            "data": {"id": "q", "text": "Does it read -5 A?", "choices": [], "unit": ""},
        }
    ]
    screen.until(page.question.isVisible, what="the question")
    page.ledger.list.setCurrentIndex(page.ledger.list.model().index(0, 0))
    screen.let(0.2)
    page.side.setCurrentIndex(1)
    told = (
        shown(page)
        + shown(window.notice)
        + [waits, window.notice.text.text(), page.ledger.details.toPlainText()]
    )
    told += [str(page.ledger.list.model().index(0, 0).data(role)) for role in (
        Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole)]  # fmt: skip
    page.describe()
    told += [page.charts.accessibleDescription(), page.picture.accessibleDescription()]
    everything = "\n".join(told)
    for figure in ("−56 ms", "−181 A", "−14.25 A", "−10 A", "−12 A", "−5 A"):
        assert figure in everything, figure
    assert not HYPHEN_SIGN.findall(everything)


def test_the_end_and_a_refusal_write_the_minus_sign_too() -> None:
    end = {"exit": 4, "verdict": "not judged", "finished": False, "safe": "confirmed", "simulated": True}
    assert "is −181 A, beyond −180 A" in " ".join(
        texts.outcome(end | {"reason": "battery.current is -181 A, beyond -180 A"})[2]
    )
    problem = {"where": "load", "what": "reads -3 W", "mend": "look"}
    assert "reads −3 W" in " ".join(texts.outcome(end | {"exit": 2, "problems": [problem]})[2])


def test_what_is_copied_can_be_read_by_other_programs(screen: Screen, real_run: list[Event]) -> None:
    page = ended(screen, real_run)
    clipboard = QGuiApplication.clipboard()
    copying = screen.window.copying
    copying.ours = lambda: True  # without a screen the platform does not tell whose it is
    for text, field in (("margin −4.10 s", page.ledger.details), ("0:01\t−56 ms after", page.events)):
        field.setPlainText(text)
        field.selectAll()
        field.copy()
        QApplication.processEvents()
        assert clipboard.text() == text.replace("−", "-")
        assert field.toPlainText() == text  # on the screen the sign stays
    copying.ours = lambda: False
    clipboard.setText("by another program: −3 V")
    QApplication.processEvents()
    assert clipboard.text() == "by another program: −3 V"
    copying.ours = lambda: True
    clipboard.setText("Tarn − Corrie")
    QApplication.processEvents()
    assert clipboard.text() == "Tarn − Corrie"  # no sign of a number
    assert units.parse("−5.5 kW").value == -5500.0  # and what the window shows may be typed or pasted into it


# ---------------------------------------------------------------- make safe before the run began


@pytest.mark.parametrize(
    ("simulated", "says"),
    [(True, "nothing is switched on yet"), (False, "this run has switched nothing on yet")],
)
def test_make_safe_while_it_gets_ready_says_at_once_that_it_was_heard_and_when(
    screen: Screen, simulated: bool, says: str
) -> None:
    window, link = screen.ready().window, screen.started()
    window.run.prepared["simulated"] = simulated
    if simulated:
        link.waiting = [note("compiling the simulated bench", 0.0, about="compiling")]
        screen.until(lambda: bool(window.run.compiling))
    window.header.make_safe.click()  # nothing is waited for: it is there now
    notice, step = window.notice.text.text(), window.run_page.step.text()
    when = "as soon as the simulated bench is compiled" if simulated else "as soon as the engine has got the"
    assert notice.startswith(f"Make safe was heard: {says}; the run ends {when}")
    assert step.startswith(f"Make safe was heard and takes hold {when}") and step not in notice
    assert window.header.state.text() == "Ending"


def test_closing_while_it_compiles_does_not_claim_to_make_safe(screen: Screen) -> None:
    window, link = screen.ready().window, screen.started()
    link.waiting = [note("compiling the simulated bench", 0.0, about="compiling")]
    screen.until(lambda: bool(window.run.compiling))
    window.close()
    window.closing_bar.close_now.click()
    said = window.closing_bar.text.text()
    assert said.startswith(
        "Nothing is switched on yet; the run ends as soon as the simulated bench is compiled."
    )
    assert "closes by itself" in said and "Making the bench safe" not in said
    assert ("hang up", "") in link.wishes
    link.ends(safe="not needed")
    screen.until(lambda: not window.isVisible(), what="the window to close")


# ---------------------------------------------------------------- the release dialog, the find page, tables


def test_the_release_dialog_speaks_of_a_release_and_has_no_hole(screen: Screen) -> None:
    lock = Lock("Highmoor bench 2", "guard battery-low: -181 A", "2026-11-26T03:44:05Z", "runs/one.bench")
    dialog = ReleaseDialog(lock, screen.window)
    dialog.show()
    screen.let(0.1)
    said = "\n".join(shown(dialog))
    assert "Passing it by name" not in said and "A release removes no hazard" in said
    assert "stay live" in said and "not an emergency stop" in said
    assert "26 November 2026, 03:44 UTC" in said and "T03:44" not in said
    assert "−181 A" in said and "runs/one.bench" in said
    layout = dialog.layout()
    assert layout is not None
    assert layout.totalHeightForWidth(dialog.width()) <= dialog.height()
    assert dialog.height() <= layout.totalHeightForWidth(dialog.width()) + 24
    dialog.reject()


def test_column_names_stand_over_their_texts(screen: Screen) -> None:
    page = screen.ready().window.prepare
    for table in (page.order, page.guards):
        for column in range(table.columnCount()):
            head, cell = table.horizontalHeaderItem(column), table.item(0, column)
            assert head is not None and cell is not None
            right = bool(Qt.AlignmentFlag(cell.textAlignment()) & Qt.AlignmentFlag.AlignRight)
            assert bool(Qt.AlignmentFlag(head.textAlignment()) & Qt.AlignmentFlag.AlignRight) is right
            assert right is (column > 0)
    header = screen.window.find_page.table.horizontalHeader()
    assert header.defaultAlignment() & Qt.AlignmentFlag.AlignLeft


@pytest.mark.parametrize("width", [1024, 1280])
def test_what_was_found_can_be_read_in_full(screen: Screen, width: int) -> None:
    window = screen.window
    window.resize(width, 800)
    window.show_page("find")
    page = window.find_page
    page._show([], [
        Proposal(Answer("TCPIP0::127.0.0.1::20302::SOCKET", "Highmoor Training Laboratory,Simulated AC meter,HTL-AM-01,1.0"),
                 ("ac-meter-scpi",), ("bus", "pv", "grid")),
        Proposal(Answer("modbus://127.0.0.1:20313/1", "Highmoor Training Laboratory,Simulated inverter,battery_inverter,1.0"),
                 ("inverter-sunspec", "battery-monitor-sunspec"), ("battery_inverter", "pv_inverter")),
    ], [])  # fmt: skip
    screen.let(0.2)
    assert_written_out(page.table)


def test_the_find_page_tells_a_refusal_as_it_tells_what_is_not_clear(screen: Screen, tmp_path: Path) -> None:
    page = screen.window.find_page
    path = tmp_path / "draft.toml"
    path.write_text("x = 1\n", encoding="utf-8")
    page._show([], [], [Problem("127.0.0.1:1", "listens, and says nothing", "name it")])
    page.write(str(path))
    lines = page.problems.toPlainText().splitlines()
    assert lines == [
        f"{path}: is there already", "    give another name; no card is overwritten",
        "127.0.0.1:1: listens, and says nothing", "    name it",
    ]  # fmt: skip
