"""The wiring proof on the simulated bench: no false alarm, and every fault is found and named."""

from pathlib import Path

import pytest
from wiring_bench import ANSWERS, found, prove

from benchrunner.bench.prechecks import WIRING, card_digest, history
from benchrunner.cards.bench import read_bench

# fault on the bench -> how many are found, and words of the name
FAULTS = {
    "grid clamp reversed": ({"grid_meter": "clamp_reversed = true"}, 1, "current clamp of grid_meter (at grid) is reversed"),
    "PV clamp reversed": ({"pv_meter": "clamp_reversed = true"}, 1, "current clamp of pv_meter (at pv) is reversed"),
    "inverter clamp reversed": ({"bus_meter": "clamp_reversed = true"}, 1, "current clamp of bus_meter (at battery_inverter) is reversed"),
    "battery shunt reversed": ({"battery_meter": "clamp_reversed = true"}, 1, "current clamp of battery_meter (at battery) is reversed"),
    "grid ratio 2": ({"grid_meter": "clamp_factor = 2.0"}, 1, "current ratio of grid_meter (at grid) is wrong: it reads about 2 times"),
    "PV ratio 0.5": ({"pv_meter": "clamp_factor = 0.5"}, 1, "current ratio of pv_meter (at pv) is wrong: it reads about 0.5 times"),
    "inverter ratio 0.1": ({"bus_meter": "clamp_factor = 0.1"}, 1, "current ratio of bus_meter (at battery_inverter) is wrong: it reads about 0."),
    "battery ratio 2": ({"battery_meter": "clamp_factor = 2.0"}, 1, "current ratio of battery_meter (at battery) is wrong"),
    "load ratio 2": ({"load": "clamp_factor = 2.0"}, 1, "current ratio of load (at load) is wrong: it reads about 2 times"),
    "PV source ratio 2": ({"pv_source": "clamp_factor = 2.0"}, 1, "current ratio of pv_source (at pv_source) is wrong"),
    "grid divider": ({"grid_meter": "leads_factor = 1.1"}, 1, "voltage ratio of grid_meter (at grid) is wrong: it reads about 1.1 times"),
    "grid and PV meters exchanged": ({"grid_meter": 'meter_on = "pv"', "pv_meter": 'meter_on = "grid"'}, 1, "grid_meter and pv_meter are exchanged"),
    "grid and PV clamps exchanged": ({"grid_meter": 'clamp_on = "pv"', "pv_meter": 'clamp_on = "grid"'}, 1, "the current clamps of grid_meter and pv_meter are exchanged"),
    "inverter and grid clamps exchanged": ({"bus_meter": 'clamp_on = "grid"', "grid_meter": 'clamp_on = "battery_inverter"'}, 1, "the current clamps of grid_meter and bus_meter are exchanged"),
    "grid meter on the load": ({"grid_meter": 'meter_on = "load"'}, 1, "grid_meter (at grid) is on the wrong circuit: it reads that of load"),
    "PV meter on the grid": ({"pv_meter": 'meter_on = "grid"'}, 1, "pv_meter (at pv) is on the wrong circuit: it reads that of grid"),
    "PV clamp on the load": ({"pv_meter": 'clamp_on = "load"'}, 1, "pv_meter (at pv) is on the wrong circuit: it reads that of load, as the meter there does (the whole meter, or its current clamp alone)"),
    "inverter clamp on the load": ({"bus_meter": 'clamp_on = "load"'}, 1, "bus_meter (at battery_inverter) is on the wrong circuit"),
    "PV clamp round nothing": ({"pv_meter": "clamp_factor = 0.0001"}, 1, "clamp of pv_meter (at pv) is round no conductor"),
    "reversed and wrong ratio": ({"pv_meter": "clamp_reversed = true, clamp_factor = 2.0"}, 1, "about 2 times what the others show, and its clamp is reversed"),
}  # fmt: skip

# the battery alone shows that something is wrong, and only an open PV contactor would tell which of two it is: both are told
ALIKE = {
    "inverter and PV clamps exchanged": {"bus_meter": 'clamp_on = "pv"', "pv_meter": 'clamp_on = "battery_inverter"'},
    "inverter and PV meters exchanged": {"bus_meter": 'meter_on = "pv"', "pv_meter": 'meter_on = "battery_inverter"'},
}  # fmt: skip
# seen before PV, and so the end of the proof; with these a guard tripped later, where the proof went on
FAULTS["inverter ratio 10"] = ({"bus_meter": "clamp_factor = 10.0"}, 1, "current ratio of bus_meter (at battery_inverter) is wrong: it reads about")  # fmt: skip
# only PV shows these: the proof goes to its end
NEEDS_PV = {"PV clamp reversed", "PV ratio 0.5", "PV source ratio 2", "PV clamp round nothing", "reversed and wrong ratio"}  # fmt: skip

# faults with which a guard ends the run later: fault, the check that names it before, words of the name
BEFORE_A_GUARD = {
    "inverter and grid meters exchanged": ({"bus_meter": 'meter_on = "grid"', "grid_meter": 'meter_on = "battery_inverter"'}, "wiring-on-grid", "grid_meter and bus_meter are exchanged"),
}  # fmt: skip


@pytest.mark.parametrize("name", BEFORE_A_GUARD)
def test_what_would_trip_a_guard_is_named_before(name: str, tmp_path: Path) -> None:
    faults, where, words = BEFORE_A_GUARD[name]
    ended, record = prove(tmp_path, faults, seed=7)
    (check,) = [check for check in record.checks if check["id"] == where]
    assert check["verdict"] == "fail" and words in check["reason"], check["reason"]
    assert ended["exit"] == 4 and ended["safe"] == "confirmed"


@pytest.mark.parametrize("name", ALIKE)
def test_two_explanations_are_both_told(name: str, tmp_path: Path) -> None:
    ended, record = prove(tmp_path, ALIKE[name], seed=7)
    check = found(record)
    assert (ended["exit"], check["id"], check["value"]) == (1, "wiring-island", 1), check["reason"]
    said = check["reason"].partition("; ")[2].partition(" (seen by")[0]
    assert said == (
        "either pv_meter and bus_meter are exchanged: each reads the other's circuit (pv, battery_inverter), "
        "or the current clamps of pv_meter and bus_meter are exchanged (pv, battery_inverter)"
    )


def test_a_fault_found_ends_the_proof_before_pv_charges_the_battery(tmp_path: Path) -> None:
    """The guards of the battery read the very meters that are known to be wrong."""
    ended, record = prove(tmp_path, {"battery_meter": "clamp_factor = 2.0"}, seed=7)
    assert (ended["exit"], ended["finished"], ended["safe"]) == (1, True, "confirmed")
    assert found(record)["id"] == "wiring-island" and "battery_meter" in found(record)["reason"]
    orders = [(e["data"]["setting"], e["data"]["value"]) for e in record.events if e["kind"] == "order"]
    assert ("grid.closed", 0.0) in orders and ("pv_source.on", 1.0) not in orders
    (last,) = [check for check in record.checks if check["id"] == "wiring"]
    assert last["verdict"] == "not judged" and "wiring-island failed" in last["reason"]


def test_two_faults_are_found_one_after_the_other_where_only_pv_shows_the_second(tmp_path: Path) -> None:
    second = {"pv_meter": "clamp_reversed = true"}
    for k, faults in enumerate(({**second, "grid_meter": "clamp_reversed = true"}, second)):
        (folder := tmp_path / str(k)).mkdir()
        ended, record = prove(folder, faults, seed=7)
        check = found(record)
        assert (ended["exit"], check["value"], check["id"]) == (1, 1, ("wiring-island", "wiring")[k])
        assert f"current clamp of {('grid_meter', 'pv_meter')[k]} " in check["reason"]


@pytest.mark.parametrize("seed", [1, 23, 71])
def test_a_sound_bench_is_proved(seed: int, tmp_path: Path) -> None:
    ended, record = prove(tmp_path, seed=seed)
    assert (ended["exit"], ended["safe"]) == (0, "confirmed"), found(record)["reason"]
    assert "every meter agrees with every other" in found(record)["reason"]
    assert record.rejudge().ok


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_found_and_named(name: str, tmp_path: Path) -> None:
    faults, count, words = FAULTS[name]
    ended, record = prove(tmp_path, faults, seed=7)
    check = found(record)
    assert (ended["exit"], ended["safe"]) == (1, "confirmed"), check["reason"]
    assert check["value"] == count, check["reason"]
    assert words in check["reason"]
    assert check["id"] == ("wiring" if name in NEEDS_PV else "wiring-island")
    assert not check["reason"].split("; ", 1)[1].startswith("either")


def test_its_outcome_is_kept_for_later_runs_on_this_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for faults, result in ((None, "pass"), ({"grid_meter": "clamp_reversed = true"}, "fail")):
        _, record = prove(tmp_path, faults)
        bench = read_bench(tmp_path / "bench.toml")
        proof = history(bench)[-1]
        assert (proof.check, proof.result, proof.card) == (WIRING, result, card_digest(bench))
        assert proof.record == record.path.name
    assert "grid_meter (at grid) is reversed" in proof.note


def test_a_bench_that_was_not_proved_dead_is_not_switched_on(tmp_path: Path) -> None:
    ended, record = prove(tmp_path, answers={**ANSWERS, "dead-check": "not proved dead"})
    assert ended["exit"] == 4
    assert "goes on only with proved dead" in ended["reason"]
    ordered = [
        (event["data"]["setting"], event["data"]["value"])
        for event in record.events
        if event["kind"] == "order"
    ]
    assert ordered == []  # what makes safe is told as such, and switches nothing on


def test_the_answers_stand_in_the_record_and_two_runs_are_alike(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir(), (tmp_path / "b").mkdir()
    records = [prove(tmp_path / name)[1] for name in "ab"]
    assert records[0].header["digests"]["readings"] == records[1].header["digests"]["readings"]
    said = [event["data"]["text"] for event in records[0].events if event["kind"] == "note"]
    assert any("nobody: the bench is simulated" in text for text in said)
