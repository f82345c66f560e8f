"""Scenarios of the runner: what steps do, and how runs end. Each row says what the bench does and what must come out."""

import math

import pytest
from core_rig import (
    CAPTURE,
    GUARDS,
    NAN,
    SAFE,
    SOURCES,
    Bench,
    above,
    below,
    elapsed,
    order,
    plan,
    run,
    set_load,
    settled,
    world,
)

from benchrunner.core.messages import Answer, ArmOrder, Event, Fault, Operator, Readings, SetOrder, Tick
from benchrunner.core.plan import SafeStep, Source
from benchrunner.core.runner import Runner
from benchrunner.core.starting import not_at_start
from benchrunner.core.states import State
from benchrunner.errors import Refused
from benchrunner.procedure.running import (
    Condition,
    PlannedGuard,
    PlannedOrder,
    PlannedProfile,
    PlannedStep,
    Question,
    StartCondition,
)

LOAD = PlannedStep("load", "Load on", do=(set_load(3000.0),), until=settled(), at_most=30.0)


def trip_at(time: float, value: float = 61.0):  # type: ignore[no-untyped-def]
    return world(battery__voltage=lambda t, s: value if t >= time else 53.0)


ENDINGS = [
    # name, options of the bench, exit code, ended_by, finished, safe
    ("all well", {}, 0, "procedure", True, True),
    ("guard crossed", {"world": trip_at(1.0)}, 4, "guard", False, True),
    ("guard blind", {"silent": lambda name, t: name == "battery_meter" and t > 1.0}, 4, "stale", False, True),
    ("guard NaN", {"world": trip_at(1.0, NAN)}, 4, "stale", False, True),
    (
        "interlock opens",
        {"world": world(interlock__closed=lambda t, s: 0.0 if t > 1.0 else 1.0)},
        4,
        "interlock",
        False,
        True,
    ),
    ("interlock blind", {"silent": lambda name, t: name == "door" and t > 1.0}, 4, "stale", False, True),
    (
        "overloaded",
        {"flags": lambda name, t: int(name == "battery_meter" and t > 1.0)},
        4,
        "guard",
        False,
        True,
    ),
    ("order fails", {"broken": frozenset({"load.power"})}, 4, "fault", False, True),
    ("order unanswered", {"deaf": frozenset({"load.power"})}, 4, "fault", False, True),
    ("operator", {"extra": [Operator(1.0, "stop", "smoke")]}, 4, "operator", False, True),
    ("fatal fault", {"extra": [Fault(1.0, 1, "link closed", True)]}, 4, "fault", False, True),
    ("missed poll", {"extra": [Fault(1.0, 1, "no answer", False)]}, 0, "procedure", True, True),
    ("never settles", {"world": world(bus__frequency=lambda t, s: 50 + math.sin(t))}, 4, "step", False, True),
    ("no data to settle", {"world": world(bus__frequency=lambda t, s: NAN)}, 4, "step", False, True),
    ("not made safe", {"ignored": frozenset({"load.on"})}, 5, "procedure", True, False),
    (
        "guard, not made safe",
        {"world": trip_at(1.0), "ignored": frozenset({"load.on"})},
        5,
        "guard",
        False,
        False,
    ),
    (
        "interlock open at start",
        {"world": world(interlock__closed=lambda t, s: 0.0)},
        2,
        "start",
        False,
        False,
    ),
    ("guard crossed at start", {"world": trip_at(-1.0)}, 2, "start", False, False),
    ("instrument silent at start", {"dead": frozenset({"load"})}, 2, "start", False, False),
    ("guarded channel NaN at start", {"world": trip_at(-1.0, NAN)}, 2, "start", False, False),
]


@pytest.mark.parametrize(
    ("options", "code", "ended_by", "finished", "safe"),
    [row[1:] for row in ENDINGS],
    ids=[row[0] for row in ENDINGS],
)
def test_endings(options, code, ended_by, finished, safe) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(LOAD), **options)
    runner = bench.runner
    assert (runner.exit_code, runner.ended_by, runner.finished, runner.safe_confirmed) == (
        code,
        ended_by,
        finished,
        safe,
    )
    assert runner.state is State.ENDED
    assert bench.states[-1] == "ended"
    last = bench.outputs[-1]
    assert isinstance(last, Event)
    assert last.kind == "ended"
    assert last.data["exit"] == code
    if code == 2:
        assert bench.orders() == bench.orders(safety=True) == []
        assert runner.refusals
    else:
        assert bench.orders(safety=True)[0] == ("load.on", 0.0)
    statement = [note.data["text"] for note in bench.events("note") if note.data["level"] == "safe"]
    wanted = ["Sources off, confirmed by meter. NOT proved dead: battery and PV terminals stay live."]
    assert statement == (wanted if safe else [])


def test_a_silent_instrument_that_nothing_safe_depends_on_is_only_noted() -> None:
    sources = (*SOURCES, Source("logger", ("room.temperature",), 1.0))
    bench = run(plan(LOAD, sources=sources), dead=frozenset({"logger"}))
    assert bench.runner.exit_code == 0
    assert any("logger has not answered" in note.data["text"] for note in bench.events("note"))


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"silent": lambda name, t: name == "battery_meter" and t > 1.0}, "battery_meter does not answer"),
        ({"world": trip_at(1.0, NAN)}, "battery_meter answers without one"),
    ],
)
def test_a_blind_guard_says_why(options, why: str) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(LOAD), **options)
    assert why in bench.runner.reason
    assert 1.2 < bench.events("guard")[0].at < 1.5


@pytest.mark.parametrize("nothing", [(NAN, NAN), (NAN,)])
def test_a_reply_without_any_value_is_a_missed_poll(nothing: tuple[float, ...]) -> None:
    """Two in a row are borne, as two missed polls are; for longer the guard is blind."""
    for end, ended_by in ((1.25, "procedure"), (1.65, "stale")):
        gap = world(
            **{
                name: (lambda t, s, end=end: NAN if 1.05 < t < end else 53.0)
                for name in ("battery__voltage", "battery__current")
            }
        )
        assert run(plan(LOAD), world=gap).runner.ended_by == ended_by
    runner = Runner(plan(LOAD))
    runner.start(0.0)
    assert runner.feed(Readings(0.1, 1, 0.1, 0.0, nothing)) == []


def test_refusal_names_everything_at_once() -> None:
    bench = run(
        plan(LOAD, start=(StartCondition("battery.voltage", 54.0, 56.0, "V"),)),
        world=world(interlock__closed=lambda t, s: 0.0),
        dead=frozenset({"load"}),
    )
    said = [problem.where for problem in bench.runner.refusals]
    assert said == ["load", "interlock.closed", "battery.voltage"]
    assert "52.99" in bench.runner.reason or "53.0" in bench.runner.reason
    assert bench.runner.now < 6.0


def test_a_dead_bus_at_the_start_is_told_from_a_broken_meter() -> None:
    bench = run(
        plan(LOAD, start=(StartCondition("bus.frequency", 49.0, 51.0, "Hz"),)),
        world=world(bus__frequency=lambda t, s: float("nan")),
    )
    (problem,) = [one for one in bench.runner.refusals if one.where == "bus.frequency"]
    assert problem.what == "no valid reading" and "a run leaves the bench dead" in problem.mend


@pytest.mark.parametrize(("low", "high", "code"), [(52.0, 54.0, 0), (54.0, 56.0, 2), (50.0, 52.0, 2)])
def test_start_state(low: float, high: float, code: int) -> None:
    bench = run(plan(LOAD, start=(StartCondition("battery.voltage", low, high, "V"),)))
    assert bench.runner.exit_code == code
    assert bool(bench.orders()) is (code == 0)


def test_a_start_state_is_told_as_a_person_says_it() -> None:
    told = not_at_start(StartCondition("battery.soc", 0.94, 0.98, "1"), 0.601, simulated=False)
    assert told.what == "is 60.10 %; the procedure starts from 94.00 % to 98.00 %"


@pytest.mark.parametrize("delay", [0.0, 0.25, 1.0])
def test_guard_acts_within_poll_period_delay_and_link_time(delay: float) -> None:
    guard = PlannedGuard("g", "battery.voltage", None, 60.0, "V", delay, "too high", "bench card")
    bench = run(plan(LOAD, guards=(guard,)), world=trip_at(1.05))
    at = bench.events("guard")[0].at
    late = (
        0.103 + 0.01 + (0.1 if delay else 0.0)
    )  # poll and link; a delay is noticed with the next input or tick
    assert 1.05 + delay <= at <= 1.05 + delay + late + 1e-9


def test_a_crossing_shorter_than_the_delay_does_not_trip() -> None:
    guard = PlannedGuard("g", "battery.voltage", None, 60.0, "V", 0.5, "too high", "bench card")
    spikes = world(battery__voltage=lambda t, s: 61.0 if t % 1.0 < 0.35 else 53.0)
    slow = PlannedStep("wait", "Wait", do=(set_load(1.0),), until=elapsed(5.0), at_most=10.0)
    assert run(plan(slow, guards=(guard,)), world=spikes, link=0.02).runner.exit_code in (0, 2)
    late = world(battery__voltage=lambda t, s: 61.0 if t > 1.0 and t % 1.0 < 0.35 else 53.0)
    assert run(plan(slow, guards=(guard,)), world=late).runner.exit_code == 0


def test_orders_are_confirmed_one_after_the_other() -> None:
    two = PlannedStep(
        "two", "Two", do=(set_load(100.0), PlannedOrder("load.on", 1.0, "1", "load on")), until=elapsed(1.0)
    )
    bench = run(plan(two), link=0.5)
    phases = [(e.data["setting"], e.data["phase"]) for e in bench.events("order")]
    assert phases == [
        ("load.power", "sent"),
        ("load.power", "confirmed"),
        ("load.on", "sent"),
        ("load.on", "confirmed"),
    ]


def test_orders_together_do_not_wait() -> None:
    orders = (set_load(100.0, together=True), PlannedOrder("load.on", 1.0, "1", "load on"))
    bench = run(plan(PlannedStep("two", "Two", do=orders, until=elapsed(1.0))), link=0.5)
    phases = [(e.data["setting"], e.data["phase"]) for e in bench.events("order")]
    assert phases == [
        ("load.power", "sent"),
        ("load.on", "sent"),
        ("load.power", "confirmed"),
        ("load.on", "confirmed"),
    ]


def test_elapsed_counts_from_the_last_confirmation() -> None:
    bench = run(plan(PlannedStep("one", "One", do=(set_load(100.0),), until=elapsed(3.0))), link=1.0)
    confirmed = next(e.at for e in bench.events("order") if e.data["phase"] == "confirmed")
    done = next(e.at for e in bench.events("step") if e.data["phase"] == "done")
    assert confirmed + 3.0 <= done <= confirmed + 3.11


def test_ramp_is_linear_in_confirmed_steps() -> None:
    bench = run(
        plan(PlannedStep("ramp", "Ramp", do=(set_load(1000.0, ramp=5.0, every=1.0),), until=elapsed(0.5)))
    )
    sent = [(e.at, e.data["value"]) for e in bench.events("order") if e.data["phase"] == "sent"]
    begin = sent[0][0] - 1.0
    assert [value for _, value in sent] == pytest.approx([200.0, 400.0, 600.0, 800.0, 1000.0], abs=0.01)
    assert [at - begin for at, _ in sent] == pytest.approx([1.0, 2.0, 3.0, 4.0, 5.0], abs=0.11)


def test_ramp_starts_from_the_last_confirmed_value_and_goes_down_too() -> None:
    first = PlannedStep("up", "Up", do=(set_load(900.0),), until=elapsed(0.5))
    second = PlannedStep("down", "Down", do=(set_load(0.0, ramp=1.5, every=0.5),), until=elapsed(0.5))
    bench = run(plan(first, second))
    assert [v for s, v in bench.orders()] == pytest.approx([900.0, 600.0, 300.0, 0.0])


def follow(times: tuple[float, ...], values: tuple[float, ...], **more: object) -> PlannedStep:
    profile = PlannedProfile("day.csv", "0" * 64, tuple(range(2, 2 + len(times))), times, values, **more)  # type: ignore[arg-type]
    order = PlannedOrder("load.power", values[-1], "W", "load as day.csv says", every=1.0, profile=profile)
    return PlannedStep("follow", "Follow", do=(order,), until=elapsed(0.5))


def sent_values(bench: Bench) -> tuple[list[float], list[float]]:
    """Times from the begin of the step, and values of the orders sent."""
    begin = next(e.at for e in bench.events("step") if e.data["phase"] == "started")
    sent = [(e.at - begin, e.data["value"]) for e in bench.events("order") if e.data["phase"] == "sent"]
    return [at for at, _ in sent], [value for _, value in sent]


def test_a_profile_is_followed_by_its_own_clock() -> None:
    times, values = sent_values(run(plan(follow((1.0, 3.0, 3.5), (500.0, 2000.0, 0.0)))))
    assert values == [500.0, 2000.0, 0.0]
    assert times == pytest.approx([1.0, 3.0, 3.5], abs=0.11)


def test_straight_lines_between_its_values_in_steps() -> None:
    times, values = sent_values(run(plan(follow((0.0, 3.0, 4.5), (0.0, 900.0, 600.0), straight=True))))
    assert values == pytest.approx([0.0, 300.0, 600.0, 900.0, 600.0])
    assert times == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.5], abs=0.11)


def test_a_slow_instrument_keeps_to_the_profile_and_says_what_it_left_out() -> None:
    times = tuple(0.5 * k for k in range(13))
    bench = run(plan(follow(times, tuple(100.0 * k for k in range(13)))), link=1.2)
    at, values = sent_values(bench)
    assert values[-1] == 1200.0, "the last value is never left out"
    assert len(values) < 13
    for time, value in zip(at, values, strict=True):  # never behind by more than one exchange and a tick
        assert time - value / 200.0 < 1.2 + 0.2, value
    assert bench.runner.exit_code == 0
    notes = [e.data["text"] for e in bench.events("note") if "left out" in e.data["text"]]
    assert len(notes) == 1
    assert notes[0].startswith(f"load.power: {13 - len(values)} values of day.csv")


def test_a_value_that_is_refused_ends_the_profile() -> None:
    bench = run(plan(follow((0.0, 1.0, 2.0), (1.0, 2.0, 3.0))), broken=frozenset({"load.power"}))
    assert (bench.runner.exit_code, bench.runner.ended_by) == (4, "fault")
    assert [value for _, value in bench.orders()] == [1.0]


@pytest.mark.parametrize(
    ("times", "values", "more"),
    [
        ((), (1.0,), {}), ((0.0, 0.0), (1.0, 1.0), {}), ((0.0, math.inf), (1.0, 1.0), {}), ((0.0,), (math.nan,), {}),
        ((-1.0,), (1.0,), {}), ((0.0, 1.0), (1.0,), {}), ((0.0, 1e9), (1.0, 1.0), {"straight": True}),
    ],
)  # fmt: skip
def test_a_profile_that_is_none_is_refused(times, values, more) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Refused, match="follows a profile that is none"):
        Runner(plan(follow(times, values, **more)))


@pytest.mark.parametrize(
    ("requires", "code"),
    [(above("bus.voltage", 200.0), 0), (above("bus.voltage", 240.0), 4), (above("bus.frequency", 1.0), 4)],
)
def test_requires_refuses_to_go_on(requires: Condition, code: int) -> None:
    blind = {"world": world(bus__frequency=lambda t, s: NAN)}
    bench = run(plan(LOAD, PlannedStep("drop", "Drop", requires=requires, do=(set_load(0.0),), until=elapsed(1.0))) if code == 0
                else plan(PlannedStep("drop", "Drop", requires=requires, do=(set_load(0.0),), until=elapsed(1.0))),
                **(blind if requires.channel == "bus.frequency" else {}))  # fmt: skip
    assert bench.runner.exit_code == code
    if code == 4:
        assert bench.runner.ended_by == "step"
        assert "requires" in bench.runner.reason
        assert bench.orders() == []


@pytest.mark.parametrize("if_not", ["fail", "stop"])
def test_at_most(if_not: str) -> None:
    never = PlannedStep(
        "never", "Never", do=(set_load(100.0),), until=above("load.power", 5000.0), at_most=4.0, if_not=if_not
    )  # type: ignore[arg-type]
    after = PlannedStep("after", "After", do=(set_load(0.0),), until=elapsed(1.0))
    bench = run(plan(never, after))
    checks = {c["id"]: c for c in bench.runner.checks}
    if if_not == "fail":
        assert (bench.runner.exit_code, bench.runner.ended_by, bench.runner.finished) == (
            1,
            "procedure",
            True,
        )
        assert checks["reached"]["verdict"] == "fail"
        assert ("load.power", 0.0) in bench.orders()
    else:
        assert (bench.runner.exit_code, bench.runner.ended_by, bench.runner.finished) == (4, "step", False)
        assert ("load.power", 0.0) not in bench.orders()
    stop = next(e.at for e in bench.events("step") if e.data["phase"] == "failed")
    assert stop == pytest.approx(4.04, abs=0.11)


def test_reached_without_any_data_is_inconclusive() -> None:
    step = PlannedStep(
        "x", "X", do=(set_load(1.0),), until=above("bus.frequency", 1.0), at_most=2.0, if_not="fail"
    )
    bench = run(plan(step), world=world(bus__frequency=lambda t, s: NAN))
    assert bench.runner.checks[0]["verdict"] == "inconclusive"
    assert bench.runner.exit_code == 3


def test_readings_from_before_the_order_do_not_satisfy_until() -> None:
    slow = PlannedStep("x", "X", do=(set_load(3000.0),), until=below("load.power", 10.0), at_most=3.0)
    bench = run(plan(slow), link=0.3)
    assert bench.runner.ended_by == "step"  # it was below only before the order took effect


@pytest.mark.parametrize(("kind", "parts", "reached"), [
    ("all", (above("load.power", 10.0), settled()), True),
    ("all", (above("load.power", 10.0), above("load.power", 5000.0)), False),
    ("any", (above("load.power", 5000.0), elapsed(2.0)), True),
    ("any", (above("load.power", 5000.0), below("bus.voltage", 10.0)), False),
    ("all", (), False),
])  # fmt: skip
def test_conditions_together(kind: str, parts: tuple[Condition, ...], reached: bool) -> None:
    until = Condition(kind, kind, parts=parts)  # type: ignore[arg-type]
    bench = run(plan(PlannedStep("x", "X", do=(set_load(100.0),), until=until, at_most=5.0)))
    assert (bench.runner.ended_by == "procedure") is reached


@pytest.mark.parametrize(("condition", "reached"), [
    (Condition("between", "b", "load.power", low=99.0, high=101.0, hold=1.0), True),
    (Condition("between", "b", "load.power", low=101.0, high=102.0), False),
    (Condition("is", "i", "interlock.closed", low=1.0), True),
    (Condition("is", "i", "interlock.closed", low=0.0), False),
    (Condition("is", "i", "load.power", low=100.0, within=1.0), True),
])  # fmt: skip
def test_bounds(condition: Condition, reached: bool) -> None:
    bench = run(plan(PlannedStep("x", "X", do=(set_load(100.0),), until=condition, at_most=3.0)))
    assert (bench.runner.ended_by == "procedure") is reached


# -- questions and pauses ------------------------------------------------------------------------------------------

ASK = PlannedStep(
    "ask", "Ask", ask=Question("Which lamp is lit?", ("green", "red")), do=(set_load(1.0),), at_most=20.0
)
MEASURE = PlannedStep("ask", "Ask", ask=Question("Resistance?", unit="V"), do=(set_load(1.0),), at_most=20.0)


@pytest.mark.parametrize(("step", "answers", "asked", "ended_by"), [
    (ASK, [Answer(2.0, "green", "A. Fell")], 1, "procedure"),
    (ASK, [Answer(2.0, "blue"), Answer(3.0, "red")], 2, "procedure"),
    (ASK, [], 1, "step"),
    (MEASURE, [Answer(2.0, "many"), Answer(3.0, "nan"), Answer(4.0, "12.5")], 3, "procedure"),
    (MEASURE, [Answer(2.0, "12.5 A"), Answer(3.0, "12.5 V")], 2, "procedure"),
    (ASK, [Operator(2.0, "stop")], 1, "operator"),
])  # fmt: skip
def test_questions(step, answers, asked, ended_by) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(step), extra=answers)
    assert len(bench.events("ask")) == asked
    assert bench.runner.ended_by == ended_by
    assert "waiting for the operator" in bench.states


def test_an_answer_to_no_question_is_ignored() -> None:
    assert run(plan(LOAD), extra=[Answer(1.0, "green")]).runner.exit_code == 0


def test_guards_live_while_the_operator_thinks() -> None:
    bench = run(plan(ASK), world=trip_at(3.0))
    assert bench.runner.ended_by == "guard"
    assert bench.runner.now < 5.0


TWO = (
    PlannedStep("a", "A", do=(set_load(1.0),), until=elapsed(2.0)),
    PlannedStep("b", "B", until=elapsed(1.0)),
)


def test_pause_holds_between_steps_only() -> None:
    bench = run(plan(*TWO), extra=[Operator(0.5, "pause"), Operator(10.0, "resume")])
    paused = next(e.at for e in bench.events("state") if e.data["state"] == "paused")
    assert paused == pytest.approx(2.1, abs=0.15)
    started = [e.at for e in bench.events("step") if e.data["phase"] == "started"]
    assert started[1] == pytest.approx(10.0, abs=0.11)
    assert bench.runner.exit_code == 0


def test_a_pause_taken_back_in_time_does_not_hold() -> None:
    bench = run(plan(*TWO), extra=[Operator(0.5, "pause"), Operator(0.6, "resume")])
    assert "paused" not in bench.states


def test_a_pause_too_long_counts_as_a_stop() -> None:
    bench = run(plan(*TWO, pause_limit=30.0), extra=[Operator(0.5, "pause")])
    assert (bench.runner.exit_code, bench.runner.ended_by) == (4, "operator")
    assert 32.0 < bench.runner.now < 34.0


@pytest.mark.parametrize(
    "options", [{"world": trip_at(5.0)}, {"silent": lambda name, t: name == "battery_meter" and t > 5.0}]
)
def test_guards_live_during_a_pause(options) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(*TWO), extra=[Operator(0.5, "pause")], **options)
    assert bench.runner.ended_by in ("guard", "stale")
    assert bench.runner.now < 7.0


# -- the operator's stop in every state ----------------------------------------------------------------------------


def test_stop_before_the_start() -> None:
    runner = Runner(plan(LOAD))
    out = runner.feed(Operator(0.0, "stop", "Ctrl-C"))
    assert runner.ended
    assert runner.exit_code == 4
    assert not [o for o in out if isinstance(o, SetOrder)]


STOPS = [
    # when, in which state, exit code; the question comes at 3 s and is answered at 6 s
    (0.005, "starting", 4, []),
    (1.0, "running", 4, []),
    (5.0, "waiting for the operator", 4, []),
    (20.0, "paused", 4, [Operator(3.5, "pause")]),
    (7.2, "making safe", 0, []),  # the procedure had come to its end: the stop changes nothing
]


@pytest.mark.parametrize(("when", "state", "code", "extra"), STOPS, ids=[row[1] for row in STOPS])
def test_stop_in_every_state(when: float, state: str, code: int, extra: list[Operator]) -> None:
    last = PlannedStep("b", "B", until=elapsed(1.0))
    steps = (PlannedStep("a", "A", do=(set_load(1.0),), until=elapsed(3.0)), ASK, last)
    bench = Bench(Runner(plan(*steps)), extra=[*extra, Answer(6.0, "red"), Operator(when, "stop", "Ctrl-C")])
    found: list[str] = []
    feed = bench.runner.feed

    def look(item):  # type: ignore[no-untyped-def]
        if isinstance(item, Operator) and item.wish == "stop":
            found.append(str(bench.runner.state))
        return feed(item)

    bench.runner.feed = look  # type: ignore[method-assign]
    bench.run()
    assert found == [state]
    assert bench.runner.exit_code == code
    assert bench.runner.ended_by == ("operator" if code == 4 else "procedure")
    assert bool(bench.orders(safety=True)) is (state != "starting")


# -- captures ------------------------------------------------------------------------------------------------------

DROP = PlannedStep("drop", "Drop", capture=CAPTURE, do=(set_load(0.0),), until=elapsed(0.5), at_most=30.0)


def test_capture_is_armed_and_confirmed_before_the_order() -> None:
    bench = run(plan(DROP))
    kinds = [type(o).__name__ for o in bench.outputs if isinstance(o, SetOrder | ArmOrder)]
    assert kinds[:2] == ["ArmOrder", "SetOrder"]
    armed = next(e.at for e in bench.events("capture") if e.data["phase"] == "armed")
    sent = next(e.at for e in bench.events("order"))
    assert armed <= sent.at if isinstance(sent, Event) else armed <= sent
    captured = next(e.at for e in bench.events("capture") if e.data["phase"] == "in")
    done = next(e.at for e in bench.events("step") if e.data["phase"] == "done")
    assert done >= captured  # the condition held at 0.5 s, the record came after 1.4 s


@pytest.mark.parametrize("options", [{"deaf": frozenset({"scope"})}, {"broken": frozenset({"scope"})}])
def test_a_capture_that_cannot_be_armed_stops_before_the_stimulus(options) -> None:  # type: ignore[no-untyped-def]
    bench = run(plan(LOAD, DROP), **options)
    assert (bench.runner.exit_code, bench.runner.ended_by) == (4, "fault")
    assert ("load.power", 0.0) not in bench.orders()


def test_a_capture_whose_edge_never_comes_is_given_up() -> None:
    bench = run(plan(DROP), edge=None)
    assert bench.runner.exit_code == 0
    assert [e.data["phase"] for e in bench.events("capture")][-1] == "given up"
    assert bench.runner.now < 25.0


# -- repeats at random points on the wave --------------------------------------------------------------------------


def test_random_delays_differ_between_repeats_and_follow_the_seed() -> None:
    steps = [
        PlannedStep(
            f"r[{n}]/x", "X", do=(set_load(n),), until=elapsed(0.5), group="r", repeat=n, random_delay=1.0
        )
        for n in (1, 2, 3, 4)
    ]

    def delays(seed: int) -> list[float]:
        bench = run(plan(*steps, seed=seed, tick=0.001))
        started = [e.at for e in bench.events("step") if e.data["phase"] == "started"]
        sent = [e.at for e in bench.events("order") if e.data["phase"] == "sent"]
        return [round(b - a, 6) for a, b in zip(started, sent, strict=True)]

    assert delays(1) == delays(1)
    assert delays(1) != delays(2)
    assert len(set(delays(1))) == 4
    assert all(0.0 <= one <= 1.002 for one in delays(1))


# -- meter updates -------------------------------------------------------------------------------------------------


def test_a_flagged_repeat_is_no_evidence() -> None:
    """A display that shows one update for ever: without the flag it settles, with it it never does."""
    still = world(bus__frequency=lambda t, s: 50.0)
    assert run(plan(LOAD), world=still).runner.exit_code == 0
    bench = run(
        plan(LOAD), world=still, flags=lambda name, t: (3 << 32) if name == "bus_meter" and t > 0.3 else 0
    )
    assert bench.runner.ended_by == "step"


def test_one_update_counts_once_where_the_meter_is_slower_than_the_poll() -> None:
    from dataclasses import replace

    from core_rig import CHANNELS

    slow = CHANNELS | {"bus.frequency": replace(CHANNELS["bus.frequency"], update=1.0)}
    once = PlannedStep("x", "X", do=(set_load(1.0),), until=settled(hold=0.5), at_most=20.0)
    staircase = world(bus__frequency=lambda t, s: 50.0 + 0.2 * math.floor(t))  # moves on once a second
    assert run(plan(once), world=staircase).runner.ended_by == "procedure"  # polled at 10 Hz it looks settled
    assert run(plan(once, channels=slow), world=staircase).runner.ended_by == "step"


# -- plans that do not fit -----------------------------------------------------------------------------------------

BAD_PLANS = [
    ("no safe order", lambda: plan(LOAD, safe=()), "safe order"),
    ("guard on an unread channel", lambda: plan(LOAD, guards=(PlannedGuard("g", "pv.power", None, 1.0, "W", 0.0, "", "procedure"),)), "guard g"),
    ("guard without a bound", lambda: plan(LOAD, guards=(PlannedGuard("g", "bus.voltage", None, None, "V", 0.0, "", "procedure"),)), "guard g"),
    ("interlock unread", lambda: plan(LOAD, interlock="door.closed"), "interlock"),
    ("step twice", lambda: plan(LOAD, LOAD), "step load"),
    ("unread condition", lambda: plan(PlannedStep("x", "X", until=above("pv.power", 1.0))), "step x"),
    ("endless step", lambda: plan(PlannedStep("x", "X", until=elapsed(1.0), at_most=math.inf)), "step x"),
    ("order NaN", lambda: plan(PlannedStep("x", "X", do=(set_load(NAN),))), "step x"),
    ("answer to nothing", lambda: plan(PlannedStep("x", "X", until=Condition("answered", "a"))), "step x"),
    ("unconfirmable", lambda: plan(LOAD, safe=(SafeStep("s", "load.on", 0.0, "", "", None, 1.0, 1.0),)), "safe order s"),
    ("confirmed by anything", lambda: plan(LOAD, safe=(SafeStep("s", "load.on", 0.0, "", "load.power", None, None, 1.0),)), "safe order s"),
]  # fmt: skip


@pytest.mark.parametrize(("make", "where"), [row[1:] for row in BAD_PLANS], ids=[row[0] for row in BAD_PLANS])
def test_a_plan_that_does_not_fit_is_refused_before_anything(make, where) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Refused) as refused:
        Runner(make())
    assert [problem.where for problem in refused.value.problems] == [where]


def test_a_run_that_sets_nothing_needs_no_safe_order() -> None:
    bench = run(plan(PlannedStep("look", "Look", until=elapsed(1.0)), safe=()))
    assert (bench.runner.exit_code, bench.runner.safe_needed) == (0, False)
    assert bench.runner.verdict == "not judged"


def test_nothing_is_read_or_done_after_the_end() -> None:
    bench = run(plan(LOAD))
    for item in (
        Tick(1e4),
        Readings(1e4, 0, 1e4, 0.0, (1.0, 1.0)),
        Operator(1e4, "stop"),
        Fault(1e4, 0, "x", True),
    ):
        assert bench.runner.feed(item) == []


def test_the_rig_is_what_the_rows_mean() -> None:
    """The bench of these tests obeys its settings and polls at its periods: else the rows above show nothing."""
    bench = run(plan(LOAD))
    times = [item.at for item in bench.inputs if isinstance(item, Readings) and item.source == 0]
    assert times[:3] == pytest.approx([0.0, 0.1, 0.2])
    assert bench.settings["load.on"] == bench.settings["relays.inverter_enable"] == 0.0
    assert [source.name for source in SOURCES] == ["bus_meter", "battery_meter", "load", "door"]
    assert order().steps == ()
    assert len(SAFE) == 2
    assert len(GUARDS) == 1


@pytest.mark.parametrize("if_not", ["fail", "stop"])
def test_what_did_not_come_says_how_it_stands(if_not: str) -> None:
    never = PlannedStep(
        "x", "X", do=(set_load(100.0),), until=above("load.power", 5000.0), at_most=2.0, if_not=if_not
    )  # type: ignore[arg-type]
    runner = run(plan(never)).runner
    said = runner.reason if if_not == "stop" else runner.checks[0]["reason"]
    assert "did not come within 2 s: load.power above 5000 (at the end load.power: 100" in said
