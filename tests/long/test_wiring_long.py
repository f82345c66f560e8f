"""The wiring proofs over many seeds: never a false alarm, and each kind of fault found and named with any noise."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "engine"))
from test_wiring_legs import FAULTS as LEG_FAULTS
from test_wiring_legs import SPLIT, THREE, proved
from test_wiring_proof import BEFORE_A_GUARD, FAULTS
from wiring_bench import found, prove


@pytest.mark.parametrize("seed", range(1, 101))
def test_no_false_alarm(seed: int, tmp_path: Path) -> None:
    ended, record = prove(tmp_path, seed=seed)
    assert ended["exit"] == 0, found(record)["reason"]


@pytest.mark.parametrize("seed", range(1, 11))
@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_with_any_noise(name: str, seed: int, tmp_path: Path) -> None:
    faults, count, words = FAULTS[name]
    ended, record = prove(tmp_path, faults, seed=seed)
    check = found(record)
    assert (ended["exit"], check["value"]) == (1, count), check["reason"]
    assert words in check["reason"]


@pytest.mark.parametrize("seed", range(1, 11))
@pytest.mark.parametrize("name", BEFORE_A_GUARD)
def test_named_before_a_guard_with_any_noise(name: str, seed: int, tmp_path: Path) -> None:
    faults, where, words = BEFORE_A_GUARD[name]
    ended, record = prove(tmp_path, faults, seed=seed)
    (check,) = [check for check in record.checks if check["id"] == where]
    assert check["verdict"] == "fail" and words in check["reason"], check["reason"]
    assert ended["safe"] == "confirmed"


@pytest.mark.parametrize("seed", range(1, 31))
@pytest.mark.parametrize("bench", [THREE, SPLIT], ids=["three", "split"])
def test_no_false_alarm_of_legs(bench: tuple[str, str], seed: int, tmp_path: Path) -> None:
    ended, record = proved(tmp_path, bench, seed=seed)
    assert ended["exit"] == 0, found(record)["reason"]


@pytest.mark.parametrize("seed", range(1, 4))
@pytest.mark.parametrize("name", LEG_FAULTS)
def test_each_fault_of_a_leg_with_any_noise(name: str, seed: int, tmp_path: Path) -> None:
    bench, faults, count, words = LEG_FAULTS[name]
    ended, record = proved(tmp_path, bench, faults, seed=seed)
    check = found(record)
    assert (ended["exit"], check["value"]) == (1, count), check["reason"]
    assert words in check["reason"]
