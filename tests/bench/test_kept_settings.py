"""The inverters' settings before and after a run: read over a link, and every difference named."""

from typing import Any

import pytest

from benchrunner import data
from benchrunner.bench.hosts import memory_instrument
from benchrunner.bench.kept_settings import differences, read_settings
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.emulators import build
from benchrunner.sim.plant import Plant


@pytest.fixture
def bench() -> tuple[dict[str, Any], dict[str, Any]]:
    """Emulators and instruments of the simulated bench."""
    card = read_bench(data.find("simulated", "resources", "benches"))
    plant = Plant(read_pairing(data.find("tarn6-corrie5", "resources", "pairings")), seed=1, start={})
    emulators = build(card, plant, 1)
    instruments = {name: memory_instrument(card, name, emulator) for name, emulator in emulators.items()}
    plant.advance(2.0)
    for instrument in instruments.values():
        instrument.link.open()
    return emulators, instruments


def test_nothing_changes_by_itself(bench: tuple[dict[str, Any], dict[str, Any]]) -> None:
    emulators, instruments = bench
    before, silent = read_settings(instruments)
    assert silent == [] and set(before) == {"battery_monitor", "battery_inverter", "pv_inverter"}
    assert before["pv_inverter"]["1.Vr"] == "1.0"
    emulators["pv_inverter"].plant.advance(10.0)
    assert differences(before, read_settings(instruments)[0]) == []


def test_new_firmware_in_the_middle_of_a_run_is_named(bench: tuple[dict[str, Any], dict[str, Any]]) -> None:
    emulators, instruments = bench
    before, _ = read_settings(instruments)
    emulators["pv_inverter"].map.put(1, "Vr", "1.1")
    (said,) = differences(before, read_settings(instruments)[0])
    assert said == "pv_inverter: setting 1.Vr was 1.0 before the run and is 1.1 after it"


def test_one_that_does_not_answer_is_told_and_not_compared(
    bench: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    emulators, instruments = bench
    before, _ = read_settings(instruments)
    emulators["battery_monitor"].faults.add("silent")
    after, silent = read_settings(instruments)
    assert len(silent) == 1 and silent[0].startswith("battery_monitor: its settings could not be read")
    assert differences(before, after) == []


def test_points_that_come_and_go_are_differences() -> None:
    said = differences({"a": {"702.WMax": 5000.0, "711.K": None}}, {"a": {"702.WMax": 4600.0, "711.H": 1.0}})
    assert said == [
        "a: setting 702.WMax was 5000.0 before the run and is 4600.0 after it",
        "a: setting 711.H was not there before the run and is 1.0 after it",
        "a: setting 711.K was not implemented before the run and is not there after it",
    ]
    many = differences({"a": {f"705.P{k}": k for k in range(50)}}, {"a": {}})
    assert len(many) == 21 and many[-1] == "30 more settings differ"
