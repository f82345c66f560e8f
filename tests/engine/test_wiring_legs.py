"""The wiring proof of legs and phases: no false alarm on a sound bench, and each fault of an element found and named."""

from pathlib import Path

import pytest
from wiring_bench import found, prove

THREE, SPLIT = ("simulated-three-phase", "fell15-ridge12"), ("simulated-split-phase", "dune9-spit7")
BUS, GRID, PV = "bus_analyser", "grid_analyser", "pv_analyser"

# fault -> bench, options of the instruments, how many are found, words of the name
FAULTS = {
    "three: L1 and L2 exchanged at the bus": (THREE, {BUS: 'element_1_clamp = "l2", element_1_leads = "l2", element_2_clamp = "l1", element_2_leads = "l1"'}, 1, "phases L1 and L2 are exchanged at bus_analyser"),
    "three: L2 and L3 exchanged at the grid": (THREE, {GRID: 'element_2_clamp = "l3", element_2_leads = "l3", element_3_clamp = "l2", element_3_leads = "l2"'}, 1, "phases L2 and L3 are exchanged at grid_analyser"),
    "three: all phases one on": (THREE, {GRID: 'element_1_clamp = "l2", element_1_leads = "l2", element_2_clamp = "l3", element_2_leads = "l3", element_3_clamp = "l1", element_3_leads = "l1"'}, 1, "phases L1, L2 and L3 are exchanged at grid_analyser (grid): element 1 is on L2, element 2 is on L3, element 3 is on L1"),
    "three: clamps of L1 and L2 exchanged": (THREE, {BUS: 'element_1_clamp = "l2", element_2_clamp = "l1"'}, 1, "the current clamps of phases L1 and L2 are exchanged at bus_analyser"),
    "three: clamps of L2 and L3 exchanged at the PV": (THREE, {PV: 'element_2_clamp = "l3", element_3_clamp = "l2"'}, 1, "the current clamps of phases L2 and L3 are exchanged at pv_analyser"),
    "three: leads of L1 and L3 exchanged": (THREE, {GRID: 'element_1_leads = "l3", element_3_leads = "l1"'}, 1, "the voltage leads of phases L1 and L3 are exchanged at grid_analyser"),
    "three: a clamp on another phase": (THREE, {BUS: 'element_2_clamp = "l3"'}, 1, "the current clamp of element 2 of bus_analyser (battery_inverter, phase L2) is on phase L3"),
    "three: a lead on another phase": (THREE, {GRID: 'element_3_leads = "l1"'}, 1, "the voltage lead of element 3 of grid_analyser (grid, phase L3) is on phase L1"),
    "three: a reversed element": (THREE, {BUS: "element_3_reversed = true"}, 1, "the current clamp of element 3 of bus_analyser (battery_inverter, phase L3) is reversed"),
    "three: a reversed element at the PV": (THREE, {PV: "element_2_reversed = true"}, 1, "the current clamp of element 2 of pv_analyser (pv, phase L2) is reversed"),
    "three: a ratio of 2": (THREE, {GRID: "element_1_factor = 2.0"}, 1, "the current ratio of element 1 of grid_analyser (grid, phase L1) is wrong: it reads about 2 times"),
    "three: a ratio of 0.5 at the PV": (THREE, {PV: "element_3_factor = 0.5"}, 1, "the current ratio of element 3 of pv_analyser (pv, phase L3) is wrong: it reads about 0.5 times"),
    "three: reversed and a ratio of 2": (THREE, {BUS: "element_2_factor = 2.0, element_2_reversed = true"}, 1, "it reads about 2 times what the others show, and its clamp is reversed"),
    "three: two analysers exchanged": (THREE, {GRID: 'analyser_on = "pv"', PV: 'analyser_on = "grid"'}, 1, "grid_analyser and pv_analyser are exchanged"),
    "three: two elements reversed": (THREE, {BUS: "element_1_reversed = true", GRID: "element_2_reversed = true"}, 2, "the current clamp of element 1 of bus_analyser (battery_inverter, phase L1) is reversed"),
    "three: sum meter of the grid reversed": (THREE, {"grid_meter": "clamp_reversed = true"}, 1, "the current clamp of grid_meter (at grid) is reversed"),
    "split: legs exchanged at the bus": (SPLIT, {BUS: 'element_1_clamp = "l2", element_1_leads = "l2", element_2_clamp = "l1", element_2_leads = "l1"'}, 1, "legs L1 and L2 are exchanged at bus_analyser"),
    "split: legs exchanged at the grid": (SPLIT, {GRID: 'element_1_clamp = "l2", element_1_leads = "l2", element_2_clamp = "l1", element_2_leads = "l1"'}, 1, "legs L1 and L2 are exchanged at grid_analyser"),
    "split: clamps exchanged": (SPLIT, {BUS: 'element_1_clamp = "l2", element_2_clamp = "l1"'}, 1, "the current clamps of legs L1 and L2 are exchanged at bus_analyser"),
    "split: leads exchanged": (SPLIT, {GRID: 'element_1_leads = "l2", element_2_leads = "l1"'}, 1, "the voltage leads of legs L1 and L2 are exchanged at grid_analyser"),
    "split: a clamp on the other leg": (SPLIT, {GRID: 'element_1_clamp = "l2"'}, 1, "the current clamp of element 1 of grid_analyser (grid, leg L1) is on leg L2"),
    "split: a lead on the other leg": (SPLIT, {GRID: 'element_2_leads = "l1"'}, 1, "the voltage lead of element 2 of grid_analyser (grid, leg L2) is on leg L1"),
    "split: a reversed element": (SPLIT, {BUS: "element_2_reversed = true"}, 1, "the current clamp of element 2 of bus_analyser (battery_inverter, leg L2) is reversed"),
    "split: a ratio of 2 at the PV": (SPLIT, {PV: "element_1_factor = 2.0"}, 1, "the current ratio of element 1 of pv_analyser (pv, leg L1) is wrong: it reads about 2 times"),
}  # fmt: skip
# before PV gives power its clamps show nothing, and its voltage leads alone do not tell whether they go with them
BEFORE_PV = {
    "three: L1 and L3 exchanged at the PV": (THREE, {PV: 'element_1_clamp = "l3", element_1_leads = "l3", element_3_clamp = "l1", element_3_leads = "l1"'}, ("phases L1 and L3 are exchanged at pv_analyser", "the voltage leads of phases L1 and L3 are exchanged at pv_analyser")),
    "split: legs exchanged at the PV": (SPLIT, {PV: 'element_1_clamp = "l2", element_1_leads = "l2", element_2_clamp = "l1", element_2_leads = "l1"'}, ("legs L1 and L2 are exchanged at pv_analyser", "the voltage leads of legs L1 and L2 are exchanged at pv_analyser")),
}  # fmt: skip
# one and the same current flows through both legs of a PV inverter between them: two faults read alike, and both are told
ALIKE = {
    "split: a reversed element at the PV": (SPLIT, {PV: "element_1_reversed = true"}, ("element 1 of pv_analyser (pv, leg L1) is reversed", "element 1 of pv_analyser (pv, leg L1) is on leg L2, its voltage lead is not")),
}  # fmt: skip


def proved(folder: Path, bench, faults=None, seed: int = 7):
    return prove(folder, faults, seed=seed, procedure="wiring-proof-legs", bench=bench[0], pairing=bench[1])


@pytest.mark.parametrize(("bench", "seed"), [(THREE, 1), (SPLIT, 1), (THREE, 12)])
def test_a_sound_bench_is_proved(bench, seed: int, tmp_path: Path) -> None:
    ended, record = proved(tmp_path, bench, seed=seed)
    assert (ended["exit"], ended["safe"]) == (0, "confirmed"), found(record)["reason"]
    assert "every meter agrees with every other" in found(record)["reason"]
    assert record.rejudge().ok


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_found_and_named(name: str, tmp_path: Path) -> None:
    bench, faults, count, words = FAULTS[name]
    ended, record = proved(tmp_path, bench, faults)
    check = found(record)
    assert (ended["exit"], ended["safe"]) == (1, "confirmed"), check["reason"]
    assert check["value"] == count, check["reason"]
    assert words in check["reason"]
    assert not check["reason"].split("; ", 1)[1].startswith("either")


@pytest.mark.parametrize("name", {**ALIKE, **BEFORE_PV})
def test_faults_that_read_alike_are_both_told(name: str, tmp_path: Path) -> None:
    bench, faults, words = {**ALIKE, **BEFORE_PV}[name]
    ended, record = proved(tmp_path, bench, faults)
    assert found(record)["id"] == ("wiring" if name in ALIKE else "wiring-island")
    reason = found(record)["reason"]
    assert ended["exit"] == 1 and found(record)["value"] == 1, reason
    assert all(text in reason for text in words), reason


def test_the_plain_proof_does_not_pass_a_bench_whose_phases_it_never_told_apart(tmp_path: Path) -> None:
    ended, record = prove(tmp_path, bench=THREE[0], pairing=THREE[1])
    assert ended["exit"] == 3
    assert "wiring-proof-legs" in found(record)["reason"]
