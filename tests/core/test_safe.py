"""The make-safe sequence on its own, as a watchdog runs it: no runner, readings of its own."""

import math

import pytest
from core_rig import CHANNELS, NAN, SAFE, SOURCES, Bench, elapsed, plan, run, set_load, world
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrunner.core.messages import Event, OrderDone, Output, Readings, SetOrder, Tick
from benchrunner.core.plan import Channel, SafeStep, Source
from benchrunner.core.safe import END_STATEMENT, SafeSequence
from benchrunner.procedure.running import PlannedStep

METERS = (Source("pv_meter", ("pv.current", "pv.power"), 0.1), Source("load", ("load.power",), 0.1))
PV = SafeStep(
    "pv",
    "relays.pv_contactor",
    0.0,
    "PV contactor",
    "pv.power",
    -30.0,
    30.0,
    2.0,
    fallback_setting="pv_source.on",
    fallback_value=0.0,
)
STANDBY = SafeStep(
    "standby", "relays.inverter_enable", 0.0, "Standby", "pv.power", -30.0, 30.0, 2.0, "pv.current", 0.3, 3.0
)
LOAD = SafeStep("load", "load.on", 0.0, "Load off", "load.power", None, 30.0, 2.0)


class Hand:
    """Drives a sequence by hand: `at` moves time on in steps of 0.1 s, with the readings given as functions."""

    def __init__(self, *steps: SafeStep, rounds: float = 10.0) -> None:
        self.sequence = SafeSequence(steps, METERS, rounds)
        self.outputs: list[Output] = self.sequence.start(0.0)
        self.now = 0.0
        self.pv = (10.0, 2000.0)
        self.load = 3000.0
        self.outcome: dict[
            str, OrderDone | None
        ] = {}  # by setting; None: never answered, missing: carried out
        self._answered = 0

    def go(self, until: float) -> "Hand":
        while self.now < until - 1e-9 and not self.sequence.ended:
            self.now = round(self.now + 0.1, 6)
            orders = [o for o in self.outputs if isinstance(o, SetOrder)]
            for order in orders[self._answered :]:
                done = self.outcome.get(order.setting, OrderDone(self.now, order.order, True, order.value))
                if done is not None:
                    done = OrderDone(self.now - 0.05, order.order, done.ok, done.read_back, done.text)
                    self.outputs += self.sequence.feed(done)
            self._answered = len(orders)
            for index, values in enumerate((self.pv, (self.load,))):
                self.outputs += self.sequence.feed(Readings(self.now, index, self.now - 0.01, 0.01, values))
            self.outputs += self.sequence.feed(Tick(self.now))
        return self

    @property
    def sent(self) -> list[str]:
        return [o.setting for o in self.outputs if isinstance(o, SetOrder)]

    def said(self, phase: str) -> list[str]:
        return [
            o.data["id"]
            for o in self.outputs
            if isinstance(o, Event) and o.kind == "safe" and o.data["phase"] == phase
        ]


def test_each_order_goes_once_and_waits_for_its_meter() -> None:
    hand = Hand(PV, LOAD).go(1.0)
    assert hand.sent == ["relays.pv_contactor"]
    hand.pv = (0.0, 0.0)
    hand.go(1.2)
    assert hand.sent == ["relays.pv_contactor", "load.on"]
    hand.load = 0.0
    hand.go(2.0)
    assert hand.sequence.ended
    assert hand.sequence.confirmed
    assert hand.said("confirmed") == ["pv", "load"]
    assert isinstance(hand.outputs[-1], Event)
    assert hand.outputs[-1].data["text"] == END_STATEMENT
    assert all(o.safety for o in hand.outputs if isinstance(o, SetOrder))


def test_the_next_follows_regardless_and_the_fallback_is_sent() -> None:
    hand = Hand(PV, LOAD).go(2.3)
    assert hand.sent == ["relays.pv_contactor", "pv_source.on", "load.on"]
    assert hand.said("missed") == ["pv"]
    hand.pv, hand.load = (0.0, 0.0), 0.0  # the fallback helped
    hand.go(3.0)
    assert hand.sequence.confirmed
    assert hand.sent.count("relays.pv_contactor") == 1


@pytest.mark.parametrize("back", ["obeys", "welded", "gone"])
def test_what_only_a_fallback_stands_for_is_tried_once_more(back: str) -> None:
    hand = Hand(PV, LOAD, rounds=8.0)
    hand.outcome = {"relays.pv_contactor": DEAD}
    hand.go(1.0)
    hand.pv, hand.load = (0.0, 0.0), 0.0
    if back != "gone":
        hand.outcome = {"relays.pv_contactor": WELDED} if back == "welded" else {}
    hand.go(60.0)
    assert hand.sequence.ended
    assert hand.sent.count("relays.pv_contactor") == 2 or back == "welded"
    assert hand.sequence.confirmed is (back != "welded")
    notes = [o.data["text"] for o in hand.outputs if isinstance(o, Event) and o.kind == "note"]
    assert any("stands for it" in text for text in notes) is (back == "gone")


DEAD = OrderDone(0.0, 0, False, None, "link lost")
WELDED = OrderDone(0.0, 0, False, 1.0, "was set to 0 and reads 1")
BARE = SafeStep("bare", "relays.pv_contactor", 0.0, "PV contactor", "pv.power", -30.0, 30.0, 2.0)


@pytest.mark.parametrize(
    ("step", "contactor", "source", "confirmed"),
    [
        (BARE, DEAD, None, False),  # the meter reads nothing, but nobody opened the contactor
        (BARE, WELDED, None, False),
        (BARE, None, None, False),  # never answered
        (PV, DEAD, OrderDone(0.0, 0, True, 0.0), True),  # the fallback was carried out, and the meter agrees
        (PV, DEAD, DEAD, False),
        (PV, WELDED, OrderDone(0.0, 0, True, 0.0), False),  # the contactor itself says that it is closed
    ],
)
def test_a_meter_that_reads_nothing_does_not_make_up_for_an_order_that_was_not_carried_out(
    step: SafeStep, contactor: OrderDone | None, source: OrderDone | None, confirmed: bool
) -> None:
    hand = Hand(step, rounds=5.0)
    hand.pv = (0.0, 0.0)
    hand.outcome = {"relays.pv_contactor": contactor, "pv_source.on": source}
    hand.go(60.0)
    assert hand.sequence.ended
    assert hand.sequence.confirmed is confirmed
    assert hand.sequence.missed == (() if confirmed else (step.id,))


def test_a_retry_that_is_carried_out_is_confirmed() -> None:
    hand = Hand(BARE)
    hand.pv = (0.0, 0.0)
    hand.outcome = {"relays.pv_contactor": WELDED}
    hand.go(1.5)
    hand.outcome = {}
    hand.go(5.0)
    assert hand.sequence.confirmed


def test_a_reading_from_before_the_order_was_carried_out_confirms_nothing() -> None:
    sequence = SafeSequence((BARE,), METERS)
    (order, _) = sequence.start(0.0)
    assert isinstance(order, SetOrder)
    sequence.feed(Readings(0.5, 0, 0.4, 0.0, (0.0, 0.0)))  # sent, not yet carried out
    sequence.feed(OrderDone(0.6, order.order, True, 0.0))
    assert not sequence.ended
    sequence.feed(Readings(0.8, 0, 0.7, 0.8, (0.0, 0.0)))  # its window reaches back to before the order
    assert not sequence.ended
    sequence.feed(
        Readings(0.9, 0, 0.7, 0.1, (0.0, 0.0))
    )  # a display that may be from 0.5 s on: before it too
    assert not sequence.ended
    sequence.feed(Readings(1.0, 0, 0.9, 0.1, (0.0, 0.0)))
    assert sequence.confirmed


def test_a_failed_order_does_not_wait_for_its_time() -> None:
    hand = Hand(PV, LOAD).go(0.2)
    number = next(o.order for o in hand.outputs if isinstance(o, SetOrder))
    hand.outputs += hand.sequence.feed(OrderDone(0.25, number, False, None, "link lost"))
    assert hand.sent == ["relays.pv_contactor", "pv_source.on", "load.on"]


def test_missed_ones_are_tried_again_in_rounds_loudly_and_then_given_up() -> None:
    hand = Hand(PV, rounds=10.0).go(60.0)
    assert hand.sequence.ended
    assert not hand.sequence.confirmed
    assert hand.sequence.missed == ("pv",)
    assert 12.0 <= hand.now <= 12.2
    assert hand.sent.count("relays.pv_contactor") == 1 + 5  # once, then every 2 s from 3 s on
    alarms = [o.data["text"] for o in hand.outputs if isinstance(o, Event) and o.data.get("level") == "alarm"]
    assert len(alarms) == 6
    assert "COULD NOT BE CONFIRMED" in alarms[-1]
    assert END_STATEMENT not in alarms


def test_a_round_that_helps_ends_it() -> None:
    hand = Hand(PV, LOAD).go(5.5)
    hand.pv, hand.load = (0.0, 0.0), 0.0
    hand.go(6.0)
    assert hand.sequence.confirmed


def test_a_confirmation_that_is_contradicted_is_taken_back() -> None:
    hand = Hand(PV, LOAD, rounds=5.0)
    hand.pv = (0.0, 0.0)
    hand.go(0.5)
    hand.pv, hand.load = (10.0, 2000.0), 0.0  # it comes back
    hand.go(1.0)
    assert not hand.sequence.ended
    assert "pv" in hand.said("missed")
    hand.go(30.0)
    assert not hand.sequence.confirmed
    assert hand.sent.count("relays.pv_contactor") > 1


@pytest.mark.parametrize(
    ("current", "sent_at"), [(0.1, 0.1), (-0.1, 0.1), (5.0, 3.0), (-5.0, 3.0), (NAN, 3.0)]
)
def test_an_order_waits_for_its_condition_but_not_for_ever(current: float, sent_at: float) -> None:
    hand = Hand(STANDBY)
    hand.pv = (current, 2000.0)
    assert hand.sent == []
    hand.go(sent_at - 0.15)
    assert hand.sent == []
    hand.go(sent_at + 0.2)
    assert hand.sent[0] == "relays.inverter_enable"


BAD = [
    ("not a number", Readings(1.0, 0, 0.95, 0.01, (NAN, NAN))),
    ("overloaded", Readings(1.0, 0, 0.95, 0.01, (0.0, 0.0), flags=2)),
    ("a repeat", Readings(1.0, 0, 0.95, 0.01, (0.0, 0.0), flags=2 << 32)),
    ("infinite", Readings(1.0, 0, 0.95, 0.01, (0.0, -math.inf))),
    ("from before the order", Readings(1.0, 0, -0.1, 0.01, (0.0, 0.0))),
    ("of another instrument", Readings(1.0, 1, 0.95, 0.01, (0.0,))),
    ("cut short", Readings(1.0, 0, 0.95, 0.01, (0.0,))),
    ("of no instrument", Readings(1.0, 7, 0.95, 0.01, (0.0, 0.0))),
    ("its own read-back", OrderDone(1.0, 1, True, 0.0)),
]


@pytest.mark.parametrize("item", [row[1] for row in BAD], ids=[row[0] for row in BAD])
def test_what_confirms_nothing(item) -> None:  # type: ignore[no-untyped-def]
    sequence = SafeSequence((PV,), METERS)
    sequence.start(0.0)
    sequence.feed(item)
    assert sequence.missed == ("pv",)


def test_in_a_run_each_outcome_has_its_exit_code() -> None:
    step = PlannedStep("x", "X", do=(set_load(3000.0),), until=elapsed(1.0))
    assert run(plan(step)).runner.exit_code == 0
    stuck = run(plan(step, rounds=8.0), ignored=frozenset({"load.on"}))
    assert (stuck.runner.exit_code, stuck.runner.verdict) == (5, "not judged")
    assert stuck.runner.now < 20.0
    with_fallback = (
        SafeStep(
            "load-off",
            "load.on",
            0.0,
            "Load off",
            "load.power",
            None,
            50.0,
            1.0,
            fallback_setting="load.power",
            fallback_value=0.0,
        ),
        SAFE[1],
    )
    helped = run(plan(step, safe=with_fallback), ignored=frozenset({"load.on"}))
    assert (helped.runner.exit_code, helped.runner.safe_confirmed) == (0, True)


def test_a_dead_confirming_meter_ends_in_five() -> None:
    step = PlannedStep("x", "X", do=(set_load(3000.0),), until=elapsed(1.0))
    bench = run(plan(step, rounds=5.0), silent=lambda name, t: name == "load" and t > 0.9)
    assert bench.runner.exit_code == 5
    assert bench.orders(safety=True)[:2] == [
        ("load.on", 0.0),
        ("relays.inverter_enable", 0.0),
    ]  # the rest is done all the same


numbers = st.floats(allow_nan=True, allow_infinity=True)
hostile = st.one_of(
    st.builds(
        Readings,
        numbers,
        st.integers(-2, 4),
        numbers,
        numbers,
        st.lists(numbers, max_size=4).map(tuple),
        st.integers(0, 2**36),
    ),
    st.builds(OrderDone, numbers, st.integers(-1, 20), st.booleans()),
    st.builds(Tick, numbers),
)


@settings(deadline=None)
@given(st.lists(hostile, max_size=40))
def test_no_input_raises_and_ticks_end_it(items) -> None:  # type: ignore[no-untyped-def]
    sequence = SafeSequence((PV, STANDBY, LOAD), METERS, rounds=10.0)
    sequence.start(0.0)
    for item in items:
        sequence.feed(item)
    begin = sequence.now
    for n in range(300):
        sequence.feed(Tick(begin + 0.1 * n) if begin < 1e12 else Tick(begin * (1.0 + 1e-3 * n)))
    assert sequence.ended


def test_the_bench_of_these_tests_has_what_the_sequence_names() -> None:
    assert (
        {step.confirm for step in SAFE}
        <= {name for source in SOURCES for name in source.channels}
        <= set(CHANNELS)
    )
    assert Bench.__name__ == "Bench"
    assert world()["load.power"](0.0, {"load.power": 5.0}) > 4.9


RELAYS = Source("relay_board", ("relays.inverter_enable",), 0.2)


@pytest.mark.parametrize(("silence", "word", "code"), [(30.0, "stale", 4), (6.0, "procedure", 0)])
def test_what_makes_the_bench_safe_must_answer_during_the_whole_run(
    silence: float, word: str, code: int
) -> None:
    """No guard looks at the relay board, but a run must not go on for hours without it."""
    step = PlannedStep("x", "X", do=(set_load(3000.0),), until=elapsed(40.0))
    sources = (*SOURCES, RELAYS)
    channels = CHANNELS | {"relays.inverter_enable": Channel("relays.inverter_enable", "1")}
    enabled = world(relays__inverter_enable=lambda t, s: s.get("relays.inverter_enable", 1.0))
    bench = run(
        plan(step, sources=sources, channels=channels),
        world=enabled,
        silent=lambda name, t: name == "relay_board" and 5.0 < t < 5.0 + silence,
    )
    assert (bench.runner.ended_by, bench.runner.exit_code) == (word, code)
    if word == "stale":
        assert 15.0 < bench.runner.now < 25.0
        assert "relay_board has not answered" in bench.runner.reason


def test_what_makes_the_bench_safe_must_answer_at_the_start() -> None:
    step = PlannedStep("x", "X", do=(set_load(3000.0),), until=elapsed(5.0))
    channels = CHANNELS | {"relays.inverter_enable": Channel("relays.inverter_enable", "1")}
    enabled = world(relays__inverter_enable=lambda t, s: 1.0)
    bench = run(
        plan(step, sources=(*SOURCES, RELAYS), channels=channels),
        world=enabled,
        dead=frozenset({"relay_board"}),
    )
    assert bench.runner.exit_code == 2
    assert any(problem.where == "relay_board" for problem in bench.runner.refusals)
