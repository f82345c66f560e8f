"""Replies kept in one go do to the runner what the same replies do one by one, whatever else comes between them."""

import random
from dataclasses import replace

import pytest
from core_rig import Bench, plan, world
from hypothesis import given, settings
from hypothesis import strategies as st
from test_runner_hostile import GROUPS, STEPS, hostile, number

from benchrunner.core.messages import Answer, Input, Readings
from benchrunner.core.runner import Runner

odd_reply = st.builds(
    Readings,
    st.floats(0.0, 60.0),
    st.integers(-1, 4),
    st.floats(0.0, 60.0) | number,
    st.floats(0.0, 0.3) | number,
    st.lists(
        st.sampled_from([53.0, 61.0, 230.0, 1.0, 0.0, float("nan")]) | number, min_size=1, max_size=2
    ).map(tuple),
    st.sampled_from([0, 0, 0, 1, 1 << 32, 3 << 32, 1 << 33]),
)


def inputs_of_a_run() -> list[Input]:
    """What a runner is fed on a bench that works, in order."""
    runner = Runner(plan(*STEPS, group_checks=GROUPS))
    return Bench(runner, world(), extra=[Answer(t, "yes") for t in range(1, 60)]).run(until=1e9).inputs


def one_by_one(items: list[Input]) -> tuple[Runner, list[str]]:
    runner = Runner(plan(*STEPS, group_checks=GROUPS))
    said = [repr(output) for output in runner.start(0.0)]
    for item in items:
        said += map(repr, runner.feed(item))
    return runner, said


def in_one_go(items: list[Input], draw: random.Random) -> tuple[Runner, list[str], int]:
    """As the engine does it, with batches of any length."""
    runner = Runner(plan(*STEPS, group_checks=GROUPS))
    said = [repr(output) for output in runner.start(0.0)]
    at = kept = 0
    while at < len(items):
        batch: list[Readings] = []
        most = draw.choice((1, 2, 5, 40))
        while len(batch) < most and at + len(batch) < len(items):
            item = items[at + len(batch)]
            if not isinstance(item, Readings):
                break
            batch.append(item)
        before = state_of(runner)
        count = runner.uneventful(batch)
        assert state_of(runner) == before, "looking changes nothing"
        runner.keep(batch[:count])
        kept += count
        at += count
        if count < len(batch) or not batch:
            said += map(repr, runner.feed(items[at]))
            at += 1
    return runner, said, kept


def state_of(runner: Runner) -> str:
    sources = [(s.last_at, s.fresh, s.values, s.troubled) for s in runner.board.sources]
    tracks = runner.step.tracks if runner.step is not None else {}
    kept = {
        name: (list(t.times), list(t.values), list(t.spreads), t.counted_at) for name, t in tracks.items()
    }
    return repr((runner.now, runner.state, sources, kept, runner.exit_code, runner.checks))


@given(st.lists(odd_reply | hostile, max_size=20), st.integers(0, 1000))
@settings(max_examples=50, deadline=None)
def test_in_one_go_is_one_by_one(strange: list[Input], seed: int) -> None:
    draw = random.Random(seed)
    items = inputs_of_a_run()
    for item in strange:
        items.insert(draw.randrange(len(items)), item)
    for place in sorted(
        draw.sample(range(len(items)), 60), reverse=True
    ):  # late, early, doubtful, repeated, overloaded
        item = items[place]
        if isinstance(item, Readings):
            at = item.at + draw.choice((-0.5, -0.15, 0.0, 0.3))
            spread = draw.choice((item.spread, 1e9, -1.0))
            changed = replace(item, at=at, spread=spread, flags=draw.choice((0, 0, 1, 1 << 32)))
            items.insert(place + draw.choice((0, 1)), changed)
    alone, said = one_by_one(items)
    together, said_together, _ = in_one_go(items, draw)
    assert said_together == said
    assert state_of(together) == state_of(alone)


def test_most_replies_of_a_quiet_step_are_uneventful() -> None:
    items = inputs_of_a_run()
    replies = sum(isinstance(item, Readings) for item in items)
    _, _, kept = in_one_go(items, random.Random(1))
    assert kept > 0.3 * replies


@pytest.mark.parametrize("value", [61.0, float("inf"), float("-inf"), float("nan")])
def test_a_reply_beyond_a_guard_is_never_uneventful(value: float) -> None:
    """The guard acts at the very input: what follows in the same batch is not fed before it."""
    runner = Runner(plan(*STEPS, group_checks=GROUPS))
    runner.start(0.0)
    for item in inputs_of_a_run():
        if item.arrived > 1.0:
            break
        runner.feed(item)
    at = runner.now + 0.01
    good = Readings(at, 3, at, 0.01, (1.0,))
    bad = Readings(at, 1, at, 0.01, (value, -10.0))
    assert runner.uneventful([good, good]) == 2
    assert runner.uneventful([good, bad, good]) == 1
