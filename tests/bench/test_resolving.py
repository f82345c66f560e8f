"""Limits that a meter cannot resolve, ranges that end below them, times between two polls: told before power."""

import re
from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.bench.resolving import Found, resolving
from benchrunner.cards.bench import read_bench
from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.errors import Refused
from benchrunner.procedure.running import PlannedCheck, PlannedStep, RunningOrder

CARD = data.find("simulated", "resources", "benches").read_text(encoding="utf-8")
# bus.voltage: 0.1 % + 0.1 V, one digit 10 mV; battery.current: 0.1 % + 60 mA, one digit 10 mA, read every 0.1 s


def said(
    tmp_path: Path,
    measure: str,
    of: str,
    unit: str,
    low: float | None,
    high: float | None,
    rule: str = "guarded",
    card: str = CARD,
    rate: float = 1.0,
) -> Found:
    path = tmp_path / "bench.toml"
    path.write_text(card, encoding="utf-8")
    check = PlannedCheck("c", measure, of, unit, low, high, rule)  # type: ignore[arg-type]
    order = RunningOrder("test", "", (), (), {}, {}, (), (PlannedStep("s", "step", checks=(check,)),))
    return resolving(order, read_bench(path), rate)


def test_what_a_meter_resolves_is_not_mentioned(tmp_path: Path) -> None:
    assert said(tmp_path, "mean", "bus.voltage", "V", 223.0, 237.0) == Found((), ())


def test_an_uncertainty_larger_than_a_third_of_the_limit_is_noted(tmp_path: Path) -> None:
    # half-width 0.1 % of 231 V + 0.1 V = 0.331 V; U = 2 * 0.331 / sqrt(3) = 0.382 V: more than a third of 1 V
    found = said(tmp_path, "mean", "bus.voltage", "V", 230.0, 231.0)
    assert found.problems == ()
    (note,) = found.notes
    assert "known to 0.382 V (k = 2)" in note and "leaves 1 V" in note


def test_a_limit_in_which_nothing_could_pass_is_refused(tmp_path: Path) -> None:
    found = said(tmp_path, "mean", "bus.voltage", "V", 230.0, 230.7)  # 2 U = 0.76 V
    assert len(found.problems) == 1 and "better meter" in found.problems[0].mend
    assert not said(tmp_path, "mean", "bus.voltage", "V", 230.0, 230.7, rule="simple").problems


def test_a_display_too_coarse_for_the_limit_is_told(tmp_path: Path) -> None:
    noted = said(tmp_path, "maximum", "battery.current", "A", None, 0.05, rule="simple")
    assert any("0.01 A a digit" in note for note in noted.notes)
    refused = said(tmp_path, "maximum", "battery.current", "A", None, 0.005, rule="simple")
    assert any("0.01 A a digit" in problem.what for problem in refused.problems)


def test_a_limit_beyond_the_range_is_refused(tmp_path: Path) -> None:
    card = re.sub(r"(\[instruments\.bus_meter\][^\n]*\n)", r'\1largest = { voltage = "250 V" }' + "\n", CARD)
    found = said(tmp_path, "maximum", "bus.voltage", "V", None, 276.0, card=card)
    assert any("beyond the range" in problem.what for problem in found.problems)
    assert not said(tmp_path, "maximum", "bus.voltage", "V", None, 240.0, card=card).problems
    bad = card.replace('"250 V"', '"250 A"')
    with pytest.raises(Refused, match="largest"):
        said(tmp_path, "mean", "bus.voltage", "V", None, 240.0, card=bad)


def test_a_time_between_two_polls_is_told(tmp_path: Path) -> None:
    def of(high: float) -> Found:
        return said(tmp_path, "duration_above", "battery.current", "s", None, high)

    assert of(1.0) == Found((), ())
    assert any("read every 0.1 s" in note for note in of(0.2).notes)
    assert any("poll it more often" in problem.mend for problem in of(0.04).problems)


def test_a_rate_over_a_time_that_holds_too_few_polls_is_refused(tmp_path: Path) -> None:
    """As `slope` has it, which would give no value: four readings within its 0.5 s, or nearly."""
    assert said(tmp_path, "slope", "bus.frequency", "Hz/s", -4.0, 4.0) == Found((), ())
    slow = CARD.replace('period = "100 ms"', 'period = "200 ms"')
    (problem,) = said(tmp_path, "slope", "bus.frequency", "Hz/s", -4.0, 4.0, card=slow).problems
    assert "a rate over 0.5 s" in problem.what and "read every 0.2 s" in problem.what
    assert "poll it every 0.15 s" in problem.mend


def test_a_rate_on_a_display_that_changes_too_seldom_is_refused_however_often_it_is_polled(
    tmp_path: Path,
) -> None:
    """Repeats of one update count once, so `slope` would find readings 0.25 s apart and give no value."""
    slow = re.sub(
        r'(\[instruments\.bus_meter\].*?update = )"[^"]*"', r'\1"250 ms"', CARD, count=1, flags=re.S
    )
    (problem,) = said(tmp_path, "slope", "bus.frequency", "Hz/s", -4.0, 4.0, card=slow).problems
    assert "the meter of bus.frequency updates every 0.25 s" in problem.what
    assert "a meter that updates every 0.15 s or oftener" in problem.mend


def test_what_a_served_bench_hides_by_its_speed_alone_is_noted_not_refused(tmp_path: Path) -> None:
    """Served at four times real time it is polled every 0.4 s of its clock, whatever its card says."""
    found = said(tmp_path, "slope", "bus.frequency", "Hz/s", -4.0, 4.0, rate=4.0)
    assert found.problems == ()
    (note,) = found.notes
    assert "is read every 0.4 s" in note and "comes out inconclusive" in note
    (note,) = said(tmp_path, "duration_above", "battery.current", "s", None, 1.0, rate=4.0).notes
    assert "judges a time of 1 s, and at the speed that the bench is served" in note
    slow = CARD.replace('period = "100 ms"', 'period = "200 ms"')  # by its card already
    assert said(tmp_path, "slope", "bus.frequency", "Hz/s", -4.0, 4.0, card=slow, rate=4.0).problems


def test_the_speed_that_a_run_is_given_is_heard(tmp_path: Path) -> None:
    noted = prepare(RunRequest("load-rejection", bench="loopback", speed=4.0)).deviations
    assert any("frequency-rate" in text and "read every 0.4 s" in text for text in noted)
    for speed in (1.0, "max"):
        assert prepare(RunRequest("load-rejection", bench="loopback", speed=speed)).deviations == ()
    assert prepare(RunRequest("load-rejection", bench="simulated", speed=10.0)).deviations == ()


def test_a_state_of_charge_is_known_to_percentage_points(tmp_path: Path) -> None:
    (note,) = said(
        tmp_path, "last", "battery.soc", "1", 0.91, 0.94
    ).notes  # half-width 1 %: U = 1.155 % points
    assert "battery.soc is known to 1.16 % points (k = 2), and the limit leaves 3 % points" in note


def test_a_run_is_refused_and_what_is_noted_goes_into_the_record(tmp_path: Path) -> None:
    path = tmp_path / "coarse.toml"
    coarse = 'voltage = { of_reading = "0.1 %", of_range = "0.1 V", resolution = "10 mV" }'
    path.write_text(CARD.replace(coarse, coarse.replace('"0.1 V"', '"6 V"')), encoding="utf-8")
    noted = prepare(RunRequest("export-on-grid", bench=str(path)))
    assert (
        noted.deviations == ()
    )  # `deviation` from a target is not compared: its limit is one-sided and wide
    path.write_text(CARD.replace('of_range = "60 mA"', 'of_range = "6 A"'), encoding="utf-8")
    with pytest.raises(Refused, match=r"battery\.current is known to"):
        prepare(RunRequest("charge-to-full", bench=str(path)))
