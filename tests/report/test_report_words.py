"""What a report says in words: channels, parameters, sources of limits, deviations beside messages, and clause 7.8.2.2."""

from pathlib import Path
from typing import Any

import pytest
from test_report import Reader

from benchrunner.procedure.running import GroupCheck, PlannedCheck, PlannedStep, RunningOrder
from benchrunner.record.doors.importing import import_csv
from benchrunner.record.doors.mapping import from_words
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify
from benchrunner.report import notes, spoken, subject, words
from benchrunner.report.clauses import responsibility
from benchrunner.report.content import check_row, content, outcome, step_row, summary, word_of_margin
from benchrunner.report.html import render
from benchrunner.report.laboratory import Work

CHANNELS = ("battery.voltage", "battery.cell_voltage_max", "pv.power", "bus.frequency", "relays.pv_contactor")
PROCEDURE = b"""format = 1
[parameters.charge]
value = "97.5 %"
range = ["50 %", "99 %"]
says = "State of charge to begin at; give or take 1 %"
[parameters.load_before]
value = "3 kW"
range = ["0 W", "6 kW"]
says = "Load before the drop"
[parameters.repeats]
value = 3
range = [2, 20]
says = "How often"
[values]
steady = "5 % * pairing.battery_inverter.rated_voltage"
"""


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("battery.voltage", "battery voltage"),
        ("battery.cell_voltage_max", "battery highest cell voltage"),
        ("battery.soc", "battery state of charge"),
        ("pv_inverter.own_dc_voltage", "PV inverter own DC voltage"),
        ("grid.power_l2", "grid power L2"),
        ("relays.pv_contactor", "PV contactor"),
        ("bus.voltage_2", "bus voltage (2)"),
    ],
)
def test_channels_in_words(name: str, said: str) -> None:
    assert spoken.channel(name) == said


def test_a_sentence_of_the_program_in_words() -> None:
    said = spoken.in_words(
        "14.10 s is above 10.00 s, by U = 0.1172 s or more; battery.voltage was high. See pv.power, battery.voltage.", CHANNELS
    )  # fmt: skip
    assert said == (
        "14.10 s is above 10.00 s, by more than the measurement uncertainty of 0.1172 s; battery voltage was high. "
        "See PV power, battery voltage."
    )
    assert (
        spoken.in_words("own.battery.voltage, battery.voltage_l1, battery.voltage.x", CHANNELS)
        == "own.battery.voltage, battery.voltage_l1, battery.voltage.x"
    )


def test_a_limit_in_words() -> None:
    named = {"steady": "(5 % * pairing.battery_inverter.rated_voltage)", "load": "the parameter load"}
    assert (
        spoken.limit_words("at most steady", named) == "at most (5 % \u00d7 battery inverter rated voltage)"
    )
    assert spoken.limit_words("at least 90 % * load", named) == "at least 90 % \u00d7 the parameter load"
    assert spoken.limit_words("from -4 Hz/s to 4 Hz/s", {}) == "from \u22124 Hz/s to 4 Hz/s"


@pytest.mark.parametrize(
    ("value", "low", "high", "said"),
    [
        (0.4401, 0.47, 0.53, "44.01 % is below 47 %, by U = 1.16 percentage points or more"),
        (0.475, 0.47, 0.53, "47.5 % is not below 47 %, but by less than U = 1.16 percentage points"),
        (
            0.5,
            0.495,
            0.51,
            "50 % is not below 49.5 %, but U = 1.16 percentage points is wider than the limits allow for",
        ),
        (0.5, 0.47, 0.53, "50 % lies between 47 % and 53 %, by U = 1.16 percentage points or more"),
    ],
)
def test_the_reason_of_a_percentage_is_said_in_per_cent(
    value: float, low: float, high: float, said: str
) -> None:
    """The record keeps the words that were judged, which are in the SI unit of a ratio."""
    from benchrunner.judge import judge
    from benchrunner.report.words import reason

    judged = judge(value, 0.0058, low, high, "guarded", unit="1", note="missed polls")
    check = {"unit": "1", "of": "battery.soc", "measure": "last", "reason": judged.reason}
    assert reason(check) == f"{said}; missed polls"
    for other in (
        {"of": "pv.state"},
        {"measure": "trips"},
        {"unit": "V"},
        {"reason": "no reading of battery.soc"},
    ):
        assert reason({**check, **other}) == {**check, **other}["reason"]


def test_per_cent_added_to_per_cent_are_percentage_points() -> None:
    named = {"target": "the parameter target"}
    said = spoken.limit_words("from target - 3 % to target + 3 %", named, True)
    assert said == "from the parameter target - 3 % points to the parameter target + 3 % points"
    assert spoken.limit_words("at least 92 %", named, True) == "at least 92 %"
    assert spoken.limit_words("at least target - 3 % * target", named, True).endswith(
        "- 3 % \u00d7 the parameter target"
    )
    assert spoken.limit_words("at most rated + 3 %", {}) == "at most rated + 3 %"


def test_an_accuracy_in_words() -> None:
    given = "soc 1 %; cell_voltage_max 5 mV; apparent_power 0.2 % of reading"
    assert (
        spoken.quantities(given)
        == "state of charge 1 % points; highest cell voltage 5 mV; apparent power 0.2 % of reading"
    )
    both = "soc 0.5 % of reading + 1 %; power 0.1 %"
    assert spoken.quantities(both) == "state of charge 0.5 % of reading + 1 % points; power 0.1 %"


def test_parameters_by_what_they_are_with_units() -> None:
    header = {
        "parameters": {"charge": {"value": 0.975, "unit": "1"}, "load_before": {"value": 2500.0, "unit": "W"},
                       "repeats": {"value": 3, "unit": "1"}},
        "overrides": {"load_before": "2.5 kW"},
    }  # fmt: skip
    rows = subject.parameters(header, PROCEDURE)
    assert [(r["what"], r["name"], r["value"], r["origin"]) for r in rows] == [
        ("State of charge to begin at; give or take 1 %", "charge", "97.5 %", "as the procedure says"),
        ("Load before the drop", "load_before", "2.5 kW", "set for this run"),
        ("How often", "repeats", "3", "as the procedure says"),
    ]
    assert subject.parameters(header, b"\xff")[0]["what"] == "charge", (
        "a procedure that cannot be read: the name"
    )


def test_where_limits_come_from_once_for_the_repeats() -> None:
    check = PlannedCheck("rest", "deviation", "bus.voltage", "V", None, 11.5, "guarded", "At its target",
                         basis="EN 50160:2010, 4.2.1", limit_text="at most steady")  # fmt: skip
    steps = tuple(PlannedStep(id=f"outage[{n}]/rest", title="Rest", checks=(check,)) for n in (1, 2))
    group = (
        GroupCheck(
            "worst",
            "outage",
            "rest",
            "worst",
            None,
            11.5,
            "V",
            "guarded",
            title="Worst",
            limit_text="at most 11.5 V",
        ),
    )
    order = RunningOrder("x", "x", (), (), {}, {}, (), steps, group_checks=group)
    assert subject.sources(order, PROCEDURE) == [
        {"title": "At its target", "limit": "at most (5 % \u00d7 battery inverter rated voltage)", "basis": "EN 50160:2010, 4.2.1"},
        {"title": "Worst", "limit": "at most 11.5 V", "basis": "common practice"},
    ]  # fmt: skip


def test_deviations_answers_and_messages_are_three_lists() -> None:
    header: dict[str, Any] = {
        "deviations": ["load_before set to 2.5 kW", "fan blocked"], "overridden": [], "overrides": {"load_before": "2.5 kW"},
        "notes": [
            {"at": 3.0, "text": "answered (J. Marr): yes", "level": "info"},
            {"at": 9.0, "text": "the run ends here: a fault", "level": "error"},
            {"at": 9.5, "text": "Sources off", "level": "safe"},
        ],
    }  # fmt: skip
    assert notes.deviations(header, PROCEDURE) == [
        "Deviation: fan blocked",
        "Parameter set for this run: Load before the drop = 2.5 kW (load_before)",
    ]
    assert notes.changed(header) == 2, "a parameter set is counted once"
    assert notes.of_the_operator(header) == ["3.0 s: answered (J. Marr): yes"]
    assert notes.messages(header) == ["9.0 s: error: the run ends here: a fault", "9.5 s: Sources off"]


def test_the_summary_speaks_to_who_knows_no_channels() -> None:
    def row(verdict: str, value: float, title: str = "") -> dict[str, Any]:
        check = {"id": "x", "title": title or "battery.voltage stays within \u00b1 1 V", "step": "drop", "measure": "maximum", "of": "battery.voltage",
                 "unit": "V", "low": None, "high": 58.4, "value": value, "uncertainty": 0.13, "margin": 58.4 - value, "k": 2, "rule": "guarded",
                 "verdict": verdict, "reason": "battery.voltage is 59.00 V, by U = 0.13 V or more"}  # fmt: skip
        return check_row(check, 1, CHANNELS)

    header = {
        "verdict": "fail",
        "finished": True,
        "deviations": [],
        "overridden": [],
        "overrides": {},
        "notes": [],
    }
    rows = [
        row("inconclusive", 58.4),
        row("pass", 57.0),
        row("fail", 59.0),
        row("pass", 56.0),
        row("pass", 55.0, "Other"),
    ]
    made = summary(rows, header, type("V", (), {"signatures": ()})())  # type: ignore[arg-type]
    assert [r["verdict"] for r in made["wrong"]] == ["fail", "inconclusive"], "what failed comes first"
    assert made["wrong"][0]["spoken"] == "Battery voltage stays within \u00b1 1 V"
    assert (
        made["wrong"][0]["spoken_reason"]
        == "Battery voltage is 59.00 V, by more than the measurement uncertainty of 0.13 V"
    )
    assert [r["value"] for r in made["near"]] == ["57.00 V", "55.00 V"], (
        "of repeats the one nearest to its limit"
    )
    assert made["near"][0]["spare"] == "1.40 V inside the limit, 10.8 times the measurement uncertainty"
    assert "1 of 5 judged checks did not meet its limit." in made["sense"]


def test_margins_in_words() -> None:
    assert (
        word_of_margin("\u22120.60 V", -6.0)
        == "0.60 V beyond the limit, 6.0 times the measurement uncertainty"
    )
    assert (
        word_of_margin("+3 V", 400.0)
        == "3 V inside the limit, more than 100 times the measurement uncertainty"
    )
    assert word_of_margin("+0", None) == "0 inside the limit, uncertainty not evaluated"
    assert word_of_margin(words.DASH, None) == ""


def test_how_a_run_ended_is_said_once() -> None:
    header = {"ended_by": "operator", "reason": "the operator stopped the run: Ctrl-C", "finished": False, "verdict": "not judged",
              "safe": {"state": "confirmed"}, "duration": 102.0, "gap": None, "further": None}  # fmt: skip
    assert outcome(header, [])["ending"] == "The operator stopped it: Ctrl-C."
    header |= {"ended_by": "guard", "reason": "High: bus.frequency is 52.6 Hz"}
    assert (
        outcome(header, [], ["bus.frequency"])["ending"]
        == "A guard was crossed: High: bus frequency is 52.6 Hz."
    )


def test_dates_for_people() -> None:
    assert words.day("2026-11-25T21:12:32.211Z") == "25 November 2026, 21:12 UTC"
    assert words.day("2026-03-02T09:15:00Z") == "2 March 2026, 09:15 UTC"
    assert words.day("yesterday") == "yesterday"
    assert words.day("2026-13-25T21:12:32Z") == "2026-13-25T21:12:32Z"


def test_clause_7_8_2_2_names_and_disclaims_what_the_customer_provided() -> None:
    """ISO/IEC 17025:2017, 7.8.2.2: responsibility, customer's data identified with a disclaimer, sample as received."""
    silent = responsibility(Work())
    assert "customer provided: not stated" in silent
    assert "responsible for everything in this report" in silent
    said = responsibility(Work(provided="Nameplates.", items_chosen_by="customer"))
    assert said.startswith("Provided by the customer: Nameplates. The laboratory did not verify that;")
    assert said.endswith("the results apply to the items as received.")
    assert "The laboratory chose the items." in responsibility(Work(items_chosen_by="laboratory"))
    foreign = responsibility(Work(), foreign=True)
    assert "responsible for everything" not in foreign


def test_the_clause_stands_in_the_table(record: Path) -> None:
    made = content(Record.open(record), verify(record, allow_unsigned=True))
    rows = {r["clause"]: r["says"] for r in made["clauses"]}
    assert "not stated" in rows["7.8.2.2"]
    assert made["uncertainty"].endswith(words.FIXED)


def test_a_step_that_was_begun_and_broken_off_was_not_skipped(record: Path) -> None:
    from benchrunner.report.pictures import Pictures

    picture = Pictures(Record.open(record)).steps()[0]
    picture.phase, picture.text = "skipped", ""
    assert "broken off" in step_row(picture, 1)["timing"]
    assert "skipped" not in step_row(picture, 1)["timing"]
    check = picture.step.checks[0] if picture.step.checks else None
    if check is not None:
        picture.checks = [{"id": check.id, "title": "In words", "verdict": "fail"}]
        picture.phase, picture.text = "failed", check.id
        assert "failed: In words" in step_row(picture, 1)["timing"]


def test_imported_readings_are_not_reported_as_a_test(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(
        "Time,Ubus [V]\n" + "".join(f"{k},{230 + k / 10}\n" for k in range(20)), encoding="utf-8"
    )
    given = from_words("Time", ("bus.voltage=Ubus [V]",), title="Evening")
    made, _ = import_csv(tmp_path / "log.csv", given, tmp_path, started="2026-03-02T17:00:00Z")
    text = Reader(render(Record.open(made))).text
    for wanted in (
        "Report of imported readings: Evening", words.SENSE_IMPORTED, words.UNJUDGED, words.NO_CAUTIONS_IMPORTED, "as stated at import",
        "bus.voltage from 230 to 231.9 V",  # from the first reading to the last, which stands at the record's very end
        "Not known: imported; surroundings: not stated", words.NO_SAFE_ORDER["not known"], "All readings of the record", "on the logger's clock", "No statement of conformity is made", "None applied: nothing was judged",
    ):  # fmt: skip
        assert wanted in text, wanted
    for unfit in (
        "Test report",
        words.FIXED,
        words.NEXT[""],
        "responsible for everything",
        words.COURSE,
        "guards, settings and digests",
        "The run has no checks",
        "No step was begun",
    ):
        assert unfit not in text, unfit


def test_what_moved_between_two_percentages_is_in_percentage_points() -> None:
    from benchrunner.record.compare import Row
    from benchrunner.record.compare.shift import Shift
    from benchrunner.report.compare_words import figures

    moved = Shift("no change", "within", 0.5, 0.499, 0.001, margin_shift=0.001, expanded=0.0163, needed=0.021)
    level = Row("discharge", "soc", "", "last", "battery.soc", "1", 0.47, 0.53, "pass", "pass", moved)
    said = figures(level)
    assert (said.reference, said.value, said.limit) == ("49.9 %", "50.0 %", "47 % to 53 %")
    assert (said.shift, said.margin_shift, said.needed) == ("+0.1 % points", "+0.1 % points", "2.1 % points")


def test_percentage_points_are_explained_where_a_check_has_them() -> None:
    from benchrunner.report import words
    from benchrunner.report.content import how_uncertain, word_of_margin

    charge = {
        "value": 0.499,
        "low": 0.47,
        "uncertainty": 0.012,
        "margin": 0.029,
        "unit": "1",
        "of": "battery.soc",
    }
    volts = {
        "value": 230.0,
        "high": 240.0,
        "uncertainty": 0.3,
        "margin": 10.0,
        "unit": "V",
        "of": "bus.voltage",
    }
    assert words.POINTS_SAID in how_uncertain([volts, charge])
    assert words.POINTS_SAID not in how_uncertain([volts])
    said = word_of_margin(words.figures(charge).margin, 2.4)
    assert said == "2.9 percentage points inside the limit, 2.4 times the measurement uncertainty"
