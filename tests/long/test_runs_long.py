"""Whole runs by the dozen: every procedure on the sound pairing with ten seeds, weak pairings with five, random parameters.

Each run is judged again from its own record. The quick suite runs one seed of each.
"""

import random
from pathlib import Path

import pytest
from free_ports import free_base

import benchrunner
from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.served import Server

PROCEDURES = (
    "export-on-grid",
    "grid-loss",
    "island-load-steps",
    "load-rejection",
    "charge-to-full",
    "discharge-to-target",
    "grid-return",
)


def judged_again(record: "benchrunner.Record") -> None:
    again = record.rejudge()
    assert again.ok, again.says
    assert record.verify(allow_unsigned=True).ok


@pytest.mark.parametrize("seed", range(1, 11))
@pytest.mark.parametrize("procedure", PROCEDURES)
def test_sound_pairing_passes_with_any_seed(procedure: str, seed: int, tmp_path: Path) -> None:
    record = benchrunner.run(procedure, seed=seed, out=tmp_path)
    bad = [(c["id"], c["verdict"], c["reason"]) for c in record.checks if c["verdict"] != "pass"]
    assert record.header["exit"] == 0, bad
    judged_again(record)


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("pairing", ["tarn6-scree5", "tarn6-scree5-sawtooth"])
@pytest.mark.parametrize("procedure", ["charge-to-full", "load-rejection"])
def test_weak_pairing_never_passes(procedure: str, pairing: str, seed: int, tmp_path: Path) -> None:
    record = benchrunner.run(procedure, pairing, seed=seed, out=tmp_path)
    assert record.header["exit"] in (1, 4)
    judged_again(record)


@pytest.mark.parametrize("trial", range(30))
def test_load_rejection_from_any_load_under_any_sun(trial: int, tmp_path: Path) -> None:
    """A sound pairing rejects any load; where the sun is too weak for the test, the run says so and does not pass."""
    draw = random.Random(trial)
    load, sun = draw.uniform(500, 5000), draw.uniform(300, 1000)
    record = benchrunner.run(
        "load-rejection",
        seed=trial + 1,
        out=tmp_path,
        load_before=f"{load:.0f} W",
        irradiance=f"{sun:.0f} W/m^2",
    )
    assert record.header["exit"] in (0, 4), (load, sun, record.header["ended_by"])
    if record.header["exit"] == 4:
        assert record.header["ended_by"] == "step", (load, sun)
    judged_again(record)


def test_served_in_real_time_gives_the_verdicts_of_memory(tmp_path: Path) -> None:
    """Four minutes by the wall clock: the same verdicts wherever the margin exceeds 2 U."""
    bench = read_bench(data.find("loopback", "resources", "benches"))
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    base = free_base()
    with Server(bench, pairing, port_base=base, speed=1.0, start={"battery.soc": 0.975}):
        wire = benchrunner.run("load-rejection", bench="loopback", speed=1.0, port_base=base, out=tmp_path)
    memory = {c["id"]: c for c in benchrunner.run("load-rejection", out=tmp_path).checks}
    assert wire.header["exit"] == 0
    for check in wire.checks:
        other = memory[check["id"]]
        if other["uncertainty"] and abs(other["margin"]) > 2 * other["uncertainty"]:
            assert check["verdict"] == other["verdict"], check
