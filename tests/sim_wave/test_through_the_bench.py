"""The recorder through the bench's own instrument, bench card and driver card, as a run uses it."""

from pathlib import Path

import numpy as np
import pytest

from benchrunner import measure
from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links.memory import MemoryLink
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.core.messages import ArmOrder
from benchrunner.sim.emulators import make
from benchrunner.sim.emulators.options import from_bench
from benchrunner.sim.plant import Plant

ROOT = Path(__file__).parents[2]
PAIRING = read_pairing(ROOT / "resources" / "pairings" / "tarn6-corrie5.toml")
BENCH = read_bench(ROOT / "resources" / "benches" / "simulated.toml")


@pytest.fixture
def at_work():
    plant = Plant(PAIRING, seed=4, start={"soc": 0.6, "load.power": 3000.0})
    plant.advance(1.0)
    emulator = make(plant, "scope", from_bench(BENCH, "scope"), seed=4)
    instrument = Instrument(BENCH, "scope", MemoryLink("scope", emulator, b"\n"))
    instrument.open()
    yield plant, instrument
    instrument.close()


def test_a_transfer_is_captured_and_its_gap_measured(at_work):
    plant, instrument = at_work
    channels = ("bus.voltage", "battery.voltage", "grid.current", "battery_inverter.current")
    instrument.arm(ArmOrder(1, "scope", channels, "grid.current", 3.0, 1.0, 0.2, 20_000.0))
    armed = plant.now
    assert not instrument.triggered()
    plant.advance(2.0037)
    plant.set("grid.closed", 0.0)
    for _ in range(200):
        plant.advance(plant.now + 0.05)
        if instrument.triggered():
            break
    wave = instrument.captured(channels)
    assert wave.samples.shape[0] == 4
    assert wave.not_carried == ("thd",)
    assert armed + wave.trigger == pytest.approx(2.0037, abs=0.011)
    lost, transfer = (next(e.t for e in plant.events if e.kind == kind) for kind in ("grid-lost", "transfer"))
    gap = measure.gap(wave.samples[0], wave.rate)
    assert -2e-4 < gap.duration - (transfer - lost) < 1.5e-3
    assert armed + wave.start + gap.start == pytest.approx(lost, abs=1.5e-3)
    t = armed + wave.start + np.arange(wave.samples.shape[1]) / wave.rate
    later = t > transfer + 0.1
    assert np.sqrt(np.mean(wave.samples[3][later] ** 2)) == pytest.approx(3000.0 / 230.0, rel=0.02)


@pytest.mark.parametrize(("rectifier", "load"), [(0.0, "noise"), (800.0, "noise, harmonics")])
def test_what_was_not_computed_is_named_for_each_channel(at_work, rectifier, load):
    plant, instrument = at_work
    plant.set("load.rectifier_power", rectifier)
    instrument.arm(
        ArmOrder(1, "scope", ("bus.voltage", "grid.current"), "grid.current", 3.0, 0.2, 0.2, 20_000.0)
    )
    plant.advance(2.0)
    plant.set("load.power", 0.0)
    while not instrument.triggered():
        plant.advance(plant.now + 0.05)
    wave = instrument.captured(("bus.voltage", "grid.current"))
    assert wave.prescribed == ("noise", load)
