"""What the bus meter shows while the bus is handed over: no frequency that no wave had."""

import math

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.emulators import build
from benchrunner.sim.plant import Plant


def test_a_transfer_gap_does_not_pull_the_frequency_towards_zero() -> None:
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    bench = read_bench(data.find("simulated", "resources", "benches"))
    for seed in range(1, 6):
        plant = Plant(pairing, seed=seed, start={"soc": 0.6, "load.on": 1, "load.power": 2000.0})
        meter = build(bench, plant, seed)["bus_meter"].meter
        assert meter is not None
        plant.advance(5.0)
        plant.set("grid.closed", 0.0)
        least = math.inf
        for tenth in range(51, 90):
            plant.advance(tenth / 10)
            shown = float(meter.values()[meter.shown.index("frequency")])
            assert math.isnan(shown) or 49.5 < shown < 50.5, (seed, tenth, shown)
            least = min(
                least,
                float(plant.window_mean(plant.tap_indices(("bus.voltage",)), plant.now - 0.1, plant.now)[0]),
            )
        assert least < 220.0  # there was a gap for the meter to see
