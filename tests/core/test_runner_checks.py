"""Checks of steps and of repeats: values, uncertainties, windows, data classes, and what becomes of missing data."""

import math
from dataclasses import replace

import pytest
from core_rig import (
    CAPTURE,
    CHANNELS,
    GUARDS,
    NAN,
    WAVEFORMS,
    Bench,
    above,
    check,
    elapsed,
    plan,
    run,
    set_load,
    settled,
    world,
)

from benchrunner.core.judging import _judged, _Value, judge_group
from benchrunner.core.rejudge import differences, rejudge
from benchrunner.judge import judge
from benchrunner.procedure.running import GroupCheck, PlannedCheck, PlannedStep


def wait(*checks: PlannedCheck, seconds: float = 5.0, **more: object) -> PlannedStep:
    return PlannedStep(
        "x",
        "X",
        do=(set_load(1000.0),),
        until=elapsed(seconds),
        at_most=seconds + 10.0,
        checks=checks,
        **more,
    )  # type: ignore[arg-type]


def flat(volts: float):  # type: ignore[no-untyped-def]
    return world(battery__voltage=lambda t, s: volts)


def by_id(bench: Bench) -> dict[str, dict[str, object]]:
    return {one["id"]: one for one in bench.runner.checks}


# U of a reading of 53 V: half-width 0.001 * 53 = 0.053 V, resolution 1 mV; JCGM 100:2008, 4.3.7 worked by hand:
# u = sqrt(0.053^2 / 3 + 0.001^2 / 12) = 0.030601 V, U = 2 u = 0.061202 V
U_53 = 2.0 * math.sqrt(0.053**2 / 3.0 + 0.001**2 / 12.0)

RULES = [
    # measured 53 V; high limit, rule, verdict, exit code
    (53.5, "simple", "pass", 0),
    (52.9, "simple", "fail", 1),
    (53.03, "simple", "pass", 0),
    (53.5, "guarded", "pass", 0),
    (53.03, "guarded", "inconclusive", 3),
    (52.97, "guarded", "inconclusive", 3),
    (52.5, "guarded", "fail", 1),
]


@pytest.mark.parametrize(("high", "rule", "verdict", "code"), RULES)
def test_value_uncertainty_and_verdict(high: float, rule: str, verdict: str, code: int) -> None:
    bench = run(plan(wait(check("v", "maximum", "battery.voltage", high=high, rule=rule))), world=flat(53.0))
    one = by_id(bench)["v"]
    assert one["value"] == pytest.approx(53.0)
    assert one["uncertainty"] == pytest.approx(U_53, rel=1e-6)
    assert one["margin"] == pytest.approx(high - 53.0)
    assert one["verdict"] == verdict
    assert (bench.runner.exit_code, bench.runner.verdict) == (code, verdict)
    assert bench.events("check")[0].data == one


def test_reached_says_how_long_it_took_and_how_well_that_is_known() -> None:
    until = above("load.power", 50.0, 2.0)
    step = PlannedStep("x", "X", do=(set_load(100.0),), until=until, at_most=10.0, if_not="fail")
    one = by_id(run(plan(step)))["reached"]
    assert one["verdict"] == "pass"
    assert one["value"] == pytest.approx(2.2, abs=0.2)
    assert one["uncertainty"] == pytest.approx(2.0 * 0.2 / math.sqrt(3.0))  # the load is polled every 0.2 s
    assert one["margin"] == pytest.approx(10.0 - one["value"])  # type: ignore[operator]


def test_the_worst_verdict_counts() -> None:
    good, bad = (
        check("good", "maximum", "battery.voltage", high=60.0),
        check("bad", "maximum", "battery.voltage", high=50.0),
    )
    vague = check("vague", "maximum", "battery.voltage", high=53.03, rule="guarded")
    for checks, verdict, code in (
        ((good, vague), "inconclusive", 3),
        ((good, vague, bad), "fail", 1),
        ((good,), "pass", 0),
    ):
        bench = run(plan(wait(*checks)), world=flat(53.0))
        assert (bench.runner.verdict, bench.runner.exit_code) == (verdict, code)


def test_an_uncertainty_that_was_not_evaluated_is_said() -> None:
    channels = CHANNELS | {"battery.voltage": replace(CHANNELS["battery.voltage"], evaluated=False)}
    bench = run(
        plan(wait(check("v", "maximum", "battery.voltage", high=60.0)), channels=channels), world=flat(53.0)
    )
    one = by_id(bench)["v"]
    assert (one["verdict"], one["uncertainty"]) == ("pass", None)
    assert "not evaluated" in str(one["reason"])


def test_the_window_of_a_check() -> None:
    """A spike at the start of the step: seen by the whole step, not by its settled end nor by its last second."""
    spike = world(
        battery__voltage=lambda t, s: 55.0 if t < 1.0 else 53.0,
        bus__frequency=lambda t, s: 50.0 + (t < 3.0) * math.sin(9 * t),
    )
    step = PlannedStep(
        "x", "X", do=(set_load(1.0),), until=settled(hold=2.0), at_most=30.0,
        checks=(
            check("whole", "maximum", "battery.voltage", high=60.0),
            check("settled", "maximum", "battery.voltage", high=60.0, window="settled"),
            check("after", "maximum", "battery.voltage", high=60.0, window="after-settled"),
            check("last", "maximum", "battery.voltage", high=60.0, last=1.0),
            check("span", "span", "bus.frequency", high=0.1, window="settled"),
        ),
    )  # fmt: skip
    found = by_id(run(plan(step), world=spike))
    assert found["whole"]["value"] == pytest.approx(55.0)
    for name in ("settled", "after", "last"):
        assert found[name]["value"] == pytest.approx(53.0)
    assert found["span"]["value"] == pytest.approx(0.0, abs=1e-9)


def test_what_never_settled_has_no_settled_part() -> None:
    hunting = world(bus__frequency=lambda t, s: 50.0 + math.sin(5 * t))
    step = PlannedStep(
        "x", "X", do=(set_load(1.0),), until=settled(), at_most=5.0, if_not="fail",
        checks=(check("mean", "mean", "bus.frequency", high=60.0, window="settled"), check("top", "maximum", "bus.frequency", high=60.0)),
    )  # fmt: skip
    bench = run(plan(step), world=hunting)
    found = by_id(bench)
    assert {name: one["verdict"] for name, one in found.items()} == {
        "reached": "fail",
        "mean": "inconclusive",
        "top": "pass",
    }
    assert bench.runner.exit_code == 1


LOST = [
    ("gap of a second", {"silent": lambda name, t: name == "load" and 2.0 < t < 3.2}),
    ("silent from then on", {"silent": lambda name, t: name == "load" and t > 3.0}),
    ("one overloaded reading", {"flags": lambda name, t: int(name == "load" and 2.0 < t < 2.25)}),
    ("no value for a second", {"world": world(load__power=lambda t, s: NAN if 2.0 < t < 3.2 else 1000.0)}),
]


@pytest.mark.parametrize("options", [row[1] for row in LOST], ids=[row[0] for row in LOST])
def test_lost_data_is_inconclusive(options) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(wait(check("p", "mean", "load.power", low=0.0, high=2000.0)), rounds=1.0), **options)
    one = by_id(bench)["p"]
    assert one["verdict"] == "inconclusive", one
    assert one["value"] is None


def test_a_single_missed_poll_is_no_loss() -> None:
    bench = run(
        plan(wait(check("p", "mean", "load.power", low=0.0, high=2000.0))),
        silent=lambda name, t: name == "load" and 2.1 < t < 2.3,
    )
    assert by_id(bench)["p"]["verdict"] == "pass"


def test_missed_polls_that_are_no_loss_are_said_with_the_check() -> None:
    one = check("p", "maximum", "load.power", high=2000.0)
    missed = run(plan(wait(one)), silent=lambda name, t: name == "load" and 2.05 < t < 2.35)
    whole = run(plan(wait(one)))
    said = by_id(missed)["p"]
    assert said["verdict"] == "pass"
    assert "load.power was not read for 0.4 s (stale after" in str(said["reason"])
    assert "not read" not in str(by_id(whole)["p"]["reason"])


def test_one_value_that_is_none_in_a_good_reply_is_a_loss() -> None:
    """The meter answers and says that it has no frequency: that is no missed poll."""
    odd = world(bus__frequency=lambda t, s: NAN if 2.05 < t < 2.15 else 50.0)
    assert (
        by_id(run(plan(wait(check("f", "minimum", "bus.frequency", low=49.0))), world=odd))["f"]["verdict"]
        == "inconclusive"
    )


# -- waveforms -----------------------------------------------------------------------------------------------------

PEAK = check("peak", "peak", "bus.voltage", high=400.0, needs="waveform")
DROP = PlannedStep(
    "drop", "Drop", capture=CAPTURE, do=(set_load(0.0),), until=elapsed(0.5), at_most=30.0, checks=(PEAK,)
)


def test_a_waveform_check_looks_at_the_capture() -> None:
    one = by_id(run(plan(DROP)))["peak"]
    assert one["verdict"] == "pass"
    assert one["value"] == pytest.approx(230.0 * math.sqrt(2.0), rel=5e-3)
    scope = WAVEFORMS["bus.voltage"]
    least = 2.0 * math.hypot(scope.of_reading * 325.0, scope.of_range) / math.sqrt(3.0)
    assert one["uncertainty"] >= 0.99 * least  # type: ignore[operator]


NO_WAVE = [
    ("edge never came", {"edge": None}, "did not move"),
    ("capture failed", {"capture_ok": False}, "memory full"),
    ("model does not carry it", {"not_carried": ("peak",)}, "the model does not carry this"),
]


@pytest.mark.parametrize(("options", "reason"), [row[1:] for row in NO_WAVE], ids=[row[0] for row in NO_WAVE])
def test_a_waveform_check_without_its_data_is_inconclusive(options, reason: str) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(DROP), **options)
    one = by_id(bench)["peak"]
    assert (one["verdict"], bench.runner.exit_code) == ("inconclusive", 3)
    assert reason in str(one["reason"])


def test_a_waveform_check_is_never_made_from_polled_readings() -> None:
    bench = run(plan(wait(PEAK)))
    assert by_id(bench)["peak"]["verdict"] == "inconclusive"


def test_a_measure_that_does_not_exist_or_fails_is_inconclusive_and_the_run_goes_on() -> None:
    bench = run(plan(wait(check("odd", "no_such_measure", "battery.voltage", high=1.0),
                          check("target", "deviation", "battery.voltage", high=1.0))))  # its argument is missing  # fmt: skip
    found = by_id(bench)
    assert found["odd"]["verdict"] == found["target"]["verdict"] == "inconclusive"
    assert bench.runner.finished


# -- repeats -------------------------------------------------------------------------------------------------------


def repeats(count: int = 3) -> list[PlannedStep]:
    return [
        PlannedStep(f"r[{n}]/set", "Set", do=(set_load(100.0 * n),), until=above("load.power", 100.0 * n - 50.0, 1.0), at_most=8.0, if_not="fail",
                    group="r", repeat=n, checks=(check("top", "maximum", "load.power", high=1e4),))
        for n in range(1, count + 1)
    ]  # fmt: skip


WORST = GroupCheck("worst-top", "r", "top", "worst", None, 350.0, "W", "simple")
SPREAD = GroupCheck("spread-top", "r", "top", "spread", None, 100.0, "W", "simple")


def test_worst_and_spread_over_repeats() -> None:
    bench = run(plan(*repeats(), group_checks=(WORST, SPREAD)))
    found = by_id(bench)
    assert found["worst-top"]["value"] == pytest.approx(300.0, abs=0.1)
    assert found["worst-top"]["verdict"] == "pass"
    assert found["spread-top"]["value"] == pytest.approx(200.0, abs=0.1)
    assert found["spread-top"]["verdict"] == "fail"
    ends = [2.0 * math.sqrt((0.005 * p) ** 2 / 3.0 + 0.1**2 / 12.0) for p in (100.0, 300.0)]
    assert found["spread-top"]["uncertainty"] == pytest.approx(math.hypot(*ends), rel=1e-3)
    assert bench.runner.exit_code == 1
    order = [event.data["id"] for event in bench.events("check")]
    assert order[-2:] == ["worst-top", "spread-top"]


def row(value: float | None, step: str = "r[1]/set") -> dict[str, object]:
    return {"step": step, "id": "top", "value": value, "uncertainty": 0.2, "k": 2.0}


@pytest.mark.parametrize(("check_", "values", "verdict"), [
    (WORST, [300.0, 340.0, 10.0], "pass"),
    (WORST, [300.0, None, 10.0], "inconclusive"),
    (WORST, [360.0, None, 10.0], "fail"),  # a missing repeat can't make it better
    (WORST, [None, None, None], "inconclusive"),
    (SPREAD, [300.0, 340.0, 310.0], "pass"),
    (SPREAD, [300.0, None, 310.0], "inconclusive"),
    (SPREAD, [300.0, None, 410.0], "fail"),
    (SPREAD, [300.0, None, None], "inconclusive"),
    (replace(WORST, low=5.0, high=None), [300.0, 4.0, 10.0], "fail"),
    (replace(WORST, low=5.0), [300.0, 6.0, 10.0], "pass"),
])  # fmt: skip
def test_missing_repeats(check_: GroupCheck, values: list[float | None], verdict: str) -> None:
    assert judge_group(check_, [row(value) for value in values], len(values))["verdict"] == verdict  # type: ignore[misc]


def test_what_the_run_never_came_to_is_not_judged() -> None:
    trip = world(battery__voltage=lambda t, s: 61.0 if t > 2.0 else 53.0)
    bench = run(plan(*repeats(), group_checks=(WORST, SPREAD), guards=GUARDS), world=trip)
    verdicts = [(one["step"], one["verdict"]) for one in bench.runner.checks if one["id"] != "reached"]
    assert verdicts[0] == ("r[1]/set", "pass")
    assert {verdict for _, verdict in verdicts[1:]} == {"not judged"}
    assert len(verdicts) == 3 + 2
    assert bench.runner.exit_code == 4
    assert bench.runner.verdict == "pass"  # of what was judged; the run did not finish


def test_an_early_end_is_four_even_after_a_failed_check() -> None:
    trip = world(battery__voltage=lambda t, s: 61.0 if t > 8.0 else 53.0)
    late = PlannedStep("late", "Late", until=elapsed(20.0), at_most=30.0)
    bench = run(plan(wait(check("v", "maximum", "battery.voltage", high=50.0)), late), world=trip)
    assert (bench.runner.exit_code, bench.runner.verdict) == (4, "fail")


# -- judged again --------------------------------------------------------------------------------------------------


def test_judged_again_it_comes_out_the_same() -> None:
    the_plan = plan(*repeats(), DROP, group_checks=(WORST, SPREAD))
    bench = run(the_plan)
    again = rejudge(the_plan, bench.inputs)
    assert again == bench.runner.checks
    assert differences(bench.runner.checks, again) == []


def test_differences_are_listed() -> None:
    bench = run(
        plan(
            wait(
                check("v", "maximum", "battery.voltage", high=60.0),
                check("w", "mean", "battery.voltage", high=60.0),
            )
        )
    )
    checks = bench.runner.checks
    assert (
        differences(checks, [{**checks[0], "value": checks[0]["value"] + 1e-8}, checks[1]]) == []
    )  # 1e-9 of 53 V
    moved = differences(checks, [{**checks[0], "value": checks[0]["value"] + 1e-6}, checks[1]])
    assert [(one.check, one.key) for one in moved] == [("x/v", "value")]
    other = differences(checks, [{**checks[0], "verdict": "fail", "uncertainty": None}])
    assert [(one.check, one.key) for one in other] == [
        ("x/w", "check"),
        ("x/v", "verdict"),
        ("x/v", "uncertainty"),
    ]
    assert "x/v" in str(other[1])


def test_the_hand_worked_uncertainty_is_the_judges() -> None:
    assert judge(53.0, U_53 / 2.0, None, 53.5, "guarded").expanded == pytest.approx(U_53)


@pytest.mark.parametrize(("low", "high", "value", "at_least", "verdict"), [
    (None, 5.0, 3.0, False, "pass"),
    (None, 5.0, 3.0, True, "inconclusive"),  # it may still grow past the limit
    (None, 5.0, 6.0, True, "fail"),  # more of it makes it no better
    (2.0, None, 3.0, True, "pass"),  # more of it makes it no worse
    (2.0, None, 1.0, True, "inconclusive"),
])  # fmt: skip
def test_a_lower_bound_is_judged_as_one(low, high, value, at_least, verdict) -> None:  # type: ignore[no-untyped-def]
    planned = check("d", "duration_above", "battery.voltage", low=low, high=high)
    assert _judged("x", planned, _Value(value, 0.01, at_least=at_least))["verdict"] == verdict


def test_readings_that_were_missing_widen_what_is_known_of_the_time_it_took() -> None:
    until = above("load.power", 50.0, 1.0)
    step = PlannedStep("x", "X", do=(set_load(100.0),), until=until, at_most=20.0, if_not="fail")
    there = by_id(run(plan(step)))["reached"]
    dark = world(load__power=lambda t, s: NAN if 1.0 < t < 6.0 else s.get("load.power", 0.0))
    one = by_id(run(plan(step), world=dark))["reached"]
    assert one["verdict"] == "pass"
    off = one["value"] - there["value"]
    assert 3.0 < off <= one["uncertainty"]


def test_a_sum_over_a_step_that_may_have_ended_late_is_the_less_certain() -> None:
    """What came in while the step could not end is within U of what it would have been."""
    until = above("load.power", 50.0, 1.0)
    energy = check("drawn", "charge", "battery.current", low=-1000.0, high=1000.0)
    step = PlannedStep(
        "x", "X", do=(set_load(100.0),), until=until, at_most=20.0, if_not="fail", checks=(energy,)
    )
    there = by_id(run(plan(step)))["drawn"]
    dark = world(load__power=lambda t, s: NAN if 1.0 < t < 6.0 else s.get("load.power", 0.0))
    one = by_id(run(plan(step), world=dark))["drawn"]
    off = abs(one["value"] - there["value"])
    assert 30.0 < off <= one["uncertainty"] < 200.0
    assert "late" in one["reason"] and "late" not in there["reason"]
    assert there["uncertainty"] < 2.0


@pytest.mark.parametrize(
    ("high", "verdict", "later", "exit_code"), [(52.0, "fail", "not judged", 1), (54.0, "pass", "pass", 0)]
)
def test_a_check_may_end_the_run_where_it_fails(
    high: float, verdict: str, later: str, exit_code: int
) -> None:
    first = replace(check("early", "mean", "battery.voltage", high=high), ends=True)
    second = replace(wait(check("late", "mean", "battery.voltage", high=60.0)), id="y")
    the_plan = plan(wait(first), second)
    bench = run(the_plan, world=flat(53.0))
    assert (by_id(bench)["early"]["verdict"], by_id(bench)["late"]["verdict"]) == (verdict, later)
    assert bench.runner.finished and bench.runner.safe_confirmed
    assert (bench.runner.ended_by, bench.runner.exit_code) == ("procedure", exit_code)
    assert ("early failed" in bench.runner.reason) is (verdict == "fail")
