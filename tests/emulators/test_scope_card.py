"""The scope's accuracy on the shipped bench cards is not finer than the simulated recorder's converter."""

from pathlib import Path

import pytest

from benchrunner.cards.bench import read_bench
from benchrunner.cards.quantities import si
from benchrunner.sim.emulators.scope import BITS, CURRENT_RANGE, RANGES

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("card", ["simulated", "loopback"])
def test_one_digit_of_each_input_is_one_step_of_the_converter(card: str) -> None:
    bench = read_bench(ROOT / "resources/benches" / f"{card}.toml")
    inputs = bench.card.instruments["scope"].inputs
    assert len(inputs) == 8
    for plug in inputs.values():
        step = RANGES.get(plug.channel, CURRENT_RANGE) / 2 ** (BITS - 1)
        unit = "V" if plug.channel.endswith("voltage") else "A"
        assert plug.resolution is not None
        assert step <= si(plug.resolution, unit) < 1.05 * step, plug.channel
