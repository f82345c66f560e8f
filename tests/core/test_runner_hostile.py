"""Invariants of the runner under anything that may come in: it does not raise, it ends, and nothing passes without data."""

import math
import random

import numpy as np
from core_rig import CAPTURE, NAN, Bench, above, check, elapsed, plan, run, set_load, settled, world
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.core.messages import (
    Answer,
    Captured,
    Event,
    Fault,
    Operator,
    OrderDone,
    Readings,
    SetOrder,
    Tick,
)
from benchrunner.core.runner import Runner
from benchrunner.core.states import MOVES, State
from benchrunner.procedure.running import Condition, GroupCheck, PlannedStep, Question

STEPS = (
    PlannedStep("a", "A", do=(set_load(3000.0, ramp=2.0, every=0.5),), until=settled(), at_most=10.0),
    PlannedStep("b", "B", requires=above("load.power", 10.0), capture=CAPTURE, do=(set_load(0.0),), until=elapsed(2.0), at_most=10.0,
                if_not="fail", checks=(check("top", "maximum", "battery.voltage", high=58.0), check("wave", "peak", "bus.voltage", high=400.0, needs="waveform"))),
    PlannedStep("c", "C", ask=Question("Warm?", ("yes", "no")), at_most=10.0),
    PlannedStep("d[1]/x", "D", do=(set_load(1.0),), until=above("load.power", 0.5), at_most=5.0, if_not="fail", group="d", repeat=1,
                random_delay=0.5, checks=(check("low", "minimum", "load.power", low=0.0),)),
    PlannedStep("d[2]/x", "D", do=(set_load(1.0),), until=above("load.power", 0.5), at_most=5.0, if_not="fail", group="d", repeat=2,
                random_delay=0.5, checks=(check("low", "minimum", "load.power", low=0.0),)),
)  # fmt: skip
GROUPS = (GroupCheck("spread", "d", "low", "spread", None, 1.0, "W", "simple"),)
# The longest that any sequence of waits can take: start, requires, arming, orders, at most, captures, pause, safe order
BOUND = 1500.0

number = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.floats(-1.0, 100.0))
short = st.text(max_size=5)
hostile = st.one_of(
    st.builds(Readings, number, st.integers(-3, 6), number, number, st.lists(number, max_size=4).map(tuple), st.integers(0, 2**36)),
    st.builds(OrderDone, number, st.integers(-1, 12), st.booleans(), st.none() | number, short),
    st.builds(Tick, number),
    st.builds(Answer, number, st.sampled_from(["yes", "no", "", "12", "1e999"]) | short, short),
    st.builds(Operator, number, st.sampled_from(["stop", "pause", "resume"]), short, short),
    st.builds(Fault, number, st.integers(-3, 6), short, st.sampled_from([False] * 9 + [True])),
    st.builds(
        Captured, number, st.integers(-1, 12), st.booleans(), st.lists(st.sampled_from(["bus.voltage", "x"]), max_size=3).map(tuple),
        number, number, number,
        st.sampled_from([np.zeros((0, 0)), np.zeros(3), np.zeros((1, 0)), np.full((1, 50), NAN), np.ones((2, 400))]),
    ),
)  # fmt: skip


def drive_to_the_end(runner: Runner) -> None:
    begin = runner.now
    step = max(0.1, abs(begin) * 1e-12)  # a clock that was thrown far ahead has coarse floats
    n = 0
    while not runner.ended:
        n += 1
        runner.feed(Tick(begin + n * step))
        assert n * step < BOUND + step, f"still {runner.state} after {n * step} s of ticks"


@given(st.lists(hostile, max_size=30))
@settings(max_examples=150, deadline=None)
def test_anything_may_come_in(items) -> None:  # type: ignore[no-untyped-def]
    runner = Runner(plan(*STEPS, group_checks=GROUPS))
    runner.start(0.0)
    for item in items:
        runner.feed(item)
    drive_to_the_end(runner)
    assert runner.exit_code in (2, 4, 5)  # a bench that never truly answered can't have passed


class Gremlins(Bench):
    """A bench that works, between whose inputs others come."""

    def run_with(self, items: list[object], seed: int) -> "Gremlins":
        chance = random.Random(seed)
        feed = self.runner.feed
        left = list(items)

        def between(item):  # type: ignore[no-untyped-def]
            out = feed(item)
            while left and chance.random() < 0.02:
                out = out + feed(left.pop())
            return out

        self.runner.feed = between  # type: ignore[method-assign]
        self.run(until=1e9)
        return self


@given(st.lists(hostile, max_size=15), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_anything_may_come_in_between(items, seed) -> None:  # type: ignore[no-untyped-def]
    sane = [item for item in items if not (isinstance(item.arrived, float) and item.arrived > 1e3)]
    bench = Gremlins(
        Runner(plan(*STEPS, group_checks=GROUPS)), extra=[Answer(t, "yes") for t in range(1, 60)]
    ).run_with(sane, seed)
    runner = bench.runner
    assert runner.ended
    assert runner.exit_code in (0, 1, 2, 3, 4, 5)
    judged = {(one["step"], one["id"]) for one in runner.checks}
    planned = {(step.id, one.id) for step in STEPS for one in step.checks} | {("d", "spread")}
    assert planned <= judged  # every check has a verdict, be it "not judged"
    if any(setting for setting, _ in bench.orders()):
        assert bench.orders(safety=True)  # whatever was switched on was driven to its safe state


BROKEN = ["nan", "inf", "missing", "overloaded", "repeat"]


@given(st.lists(st.sampled_from(BROKEN), min_size=1, max_size=7))
@settings(max_examples=40, deadline=None)
def test_nothing_passes_without_data(pattern) -> None:  # type: ignore[no-untyped-def]
    """The judged channel never has a valid reading after the first; everything else works."""
    kinds = {}

    def kind(t: float) -> str:
        return kinds.setdefault(round(t, 3), pattern[len(kinds) % len(pattern)]) if t > 0.15 else "good"

    spoilt = {"nan": NAN, "inf": math.inf}
    step = PlannedStep(
        "x", "X", do=(set_load(100.0),), until=elapsed(1.5), at_most=3.0, if_not="fail",
        checks=tuple(check(name, name, "load.power", low=-1e9, high=1e9) for name in ("maximum", "minimum", "mean", "last")),
    )  # fmt: skip
    reach = PlannedStep(
        "y",
        "Y",
        until=Condition("between", "any", "load.power", low=-1e9, high=1e9),
        at_most=1.5,
        if_not="fail",
    )
    bench = run(
        plan(step, reach, rounds=1.0),
        world=world(load__power=lambda t, s: spoilt.get(kind(t), 100.0)),
        silent=lambda name, t: name == "load" and kind(t) == "missing",
        flags=lambda name, t: {"overloaded": 1, "repeat": 1 << 32}.get(kind(t), 0) if name == "load" else 0,
    )
    checks = {one["id"]: one["verdict"] for one in bench.runner.checks}
    assert {checks[name] for name in ("maximum", "minimum", "mean", "last")} == {"inconclusive"}
    reached = [one["verdict"] for one in bench.runner.checks if one["id"] == "reached"]
    assert reached == ["pass", "inconclusive"]  # the first is a matter of time alone
    assert bench.runner.exit_code in (3, 5)


def scenario(seed: int) -> Bench:
    chance = random.Random(seed)
    times = sorted(round(chance.uniform(0.5, 20.0), 3) for _ in range(4))
    extra = [Answer(t, "yes") for t in range(1, 60)] + [
        Operator(times[0], "pause"),
        Operator(times[3], "resume"),
    ]
    if chance.random() < 0.3:
        extra.append(Fault(times[2], 1, "link closed", chance.random() < 0.5))  # type: ignore[arg-type]
    return run(plan(*STEPS, group_checks=GROUPS, seed=seed), extra=extra, link=chance.uniform(0.0, 0.4))


@given(st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_the_same_inputs_give_the_same_outputs(seed: int) -> None:
    bench = scenario(seed)
    again = Runner(bench.runner.plan)
    outputs = again.start(0.0)
    for item in bench.inputs:
        outputs = outputs + again.feed(item)
    assert outputs == bench.outputs
    assert again.checks == bench.runner.checks
    assert again.exit_code == bench.runner.exit_code


def test_every_move_of_the_table_is_made_somewhere() -> None:
    """Nothing in the table is decoration: each move is made by one of these runs."""
    made: set[tuple[str, str]] = set()
    good = PlannedStep("x", "X", do=(set_load(1.0),), until=elapsed(1.0))
    ask = PlannedStep("q", "Q", do=(set_load(1.0),), ask=Question("Warm?", ("yes",)), at_most=5.0)
    trip = world(battery__voltage=lambda t, s: 70.0 if t > 1.5 else 53.0)
    stop = {"extra": [Operator(1.5, "stop")]}
    fault = {"extra": [Fault(1.5, 0, "gone", True)]}
    pause = [Operator(0.5, "pause")]
    runs = [
        (good, {}), (PlannedStep("x", "X", until=elapsed(1.0)), {}), (good, {"extra": [Operator(0.005, "stop")]}),
        (good, {"dead": frozenset({"load"})}), (PlannedStep("x", "X", until=above("load.power", 9e9), at_most=2.0), {}),
        *((PlannedStep("x", "X", until=elapsed(9.0)), more) for more in ({"world": trip}, stop, fault)),
        *((ask, more) for more in ({"world": trip}, stop, fault, {"extra": [Answer(1.0, "yes")]}, {})),
        *((good, more) for more in ({"extra": [*pause, Operator(2.0, "resume")]}, {"extra": [*pause, Operator(2.0, "stop")]},
                                    {"extra": [*pause, Fault(2.0, 0, "gone", True)]},
                                    {"extra": pause, "world": world(battery__voltage=lambda t, s: 70.0 if t > 2.5 else 53.0)})),
    ]  # fmt: skip
    outputs = []
    for step, options in runs:
        bench = run(plan(step, PlannedStep("end", "End", until=elapsed(0.1))), **options)
        outputs.append(bench.outputs)
    for item in (Operator(0.0, "stop"), Fault(0.0, 0, "gone", True)):
        outputs.append(Runner(plan(good)).feed(item))
    for output in outputs:
        state = str(State.READY)
        for event in output:
            if isinstance(event, Event) and event.kind == "state":
                made.add((state, event.data["cause"]))
                state = event.data["state"]
    assert made == {(str(before), str(cause)) for before, cause in MOVES}


def test_orders_are_numbered_once() -> None:
    bench = scenario(3)
    numbers = [o.order for o in bench.outputs if isinstance(o, SetOrder)]
    assert len(numbers) == len(set(numbers)) > 3
