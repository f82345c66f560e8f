"""A bench card held against who answers at its addresses, on a served bench with cards that say otherwise."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.find import comparing
from benchrunner.bench.find.asking import Answer
from benchrunner.bench.find.comparing import compare
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.cli.main import main
from benchrunner.errors import Refused
from benchrunner.sim.served import Server

LOOPBACK = data.find("loopback", "resources", "benches")
TEXT = LOOPBACK.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def base() -> Iterator[int]:
    port = free_base()
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(read_bench(LOOPBACK), pairing, port_base=port, speed=1.0):
        yield port


def card(folder: Path, text: str) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def states(path: Path, base: int, elsewhere: tuple[Answer, ...] = ()) -> dict[str, comparing.Row]:
    return {row.name: row for row in compare(read_bench(path), base, elsewhere)}


def test_the_card_of_the_bench_itself_is_found_whole(base: int, capsys: pytest.CaptureFixture[str]) -> None:
    rows = compare(read_bench(LOOPBACK), base)
    assert [(row.state, row.what, row.mend) for row in rows] == [("found", "", "")] * len(rows)
    assert main(["find", "--bench", str(LOOPBACK), "--port-base", str(base)]) == 0
    assert "SIMULATED BENCH" in capsys.readouterr().out


def test_another_serial_number_is_someone_else(base: int, tmp_path: Path) -> None:
    found = states(card(tmp_path, TEXT.replace('"HTL-LB-01"', '"HTL-LB-77"')), base)
    strange = [row for row in found.values() if row.state != "found"]
    assert [(row.name, row.state) for row in strange] == [("load", "someone else there")]
    assert (
        "'HTL-LB-01'" in strange[0].what
        and "'HTL-LB-77'" in strange[0].what
        and "calibration" in strange[0].mend
    )


def test_two_exchanged_addresses_name_each_other(base: int, tmp_path: Path) -> None:
    swapped = (
        TEXT.replace("{port+1}", "{port+X}").replace("{port+5}", "{port+1}").replace("{port+X}", "{port+5}")
    )
    found = states(card(tmp_path, swapped), base)
    assert found["load"].state == found["pv_source"].state == "at another address"
    assert "that of pv_source" in found["load"].what and "that of load" in found["pv_source"].what
    assert sum(row.state != "found" for row in found.values()) == 2


def test_missing_until_it_is_found_elsewhere(
    base: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = card(tmp_path, TEXT.replace("{port+1}", "{port+19}"))
    assert states(path, base)["load"].state == "missing"
    code = main(
        ["find", "--bench", str(path), "--port-base", str(base), "--range", f"127.0.0.1:{base + 1}", "--json"]
    )
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)["instruments"]}
    assert code == 1
    assert rows["load"]["state"] == "at another address" and str(base + 1) in rows["load"]["what"]


def test_changed_firmware_is_told_from_another_instrument(base: int, tmp_path: Path) -> None:
    text = re.sub(r"(Simulated load bank,\*),\*", r"\1,0.9", TEXT)
    assert text != TEXT
    row = states(card(tmp_path, text), base)["load"]
    assert row.state == "changed firmware" and "'0.9'" in row.what and "wiring" in row.mend


def test_nobody_there_is_3_and_memory_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["find", "--bench", str(LOOPBACK), "--port-base", str(free_base())]) == 3
    with pytest.raises(Refused, match="in memory"):
        compare(read_bench(data.find("simulated", "resources", "benches")))
    assert main(["find", "--bench", "simulated"]) == 2


def test_a_role_that_a_draft_leaves_open_is_no_stranger(
    base: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = re.sub(r'(\[instruments\.pv_inverter\].*\n)role = "pv_inverter"', r'\1role = "inverter_2"', TEXT)
    assert text != TEXT
    draft = card(tmp_path, text.replace("simulated = true\n", "simulated = true\ndraft = true\n", 1))
    found = states(draft, base)
    assert {name: row.state for name, row in found.items() if row.state != "found"} == {
        "pv_inverter": "role open"
    }
    row = found["pv_inverter"]
    assert row.what == "answers as the card says; its role is still to be filled in"
    assert row.mend == "trace its wires, and write one of: battery_inverter, pv_inverter"
    assert main(["find", "--bench", str(draft), "--port-base", str(base)]) == 1
    assert "someone else" not in capsys.readouterr().out
    assert main(["check", str(draft)]) == 0
    line = text.splitlines().index('role = "inverter_2"') + 2  # behind draft = true
    assert (
        f":{line}: instruments.pv_inverter.role: the role of pv_inverter is still to be filled in"
        in capsys.readouterr().out
    )


def test_a_finished_card_with_a_role_that_the_class_cannot_have(base: int, tmp_path: Path) -> None:
    row = states(card(tmp_path, re.sub(r'role = "scope"', 'role = "bus"', TEXT)), base)["scope"]
    assert (
        row.state == "role open"
        and "waveform can be: scope" in row.what
        and "another driver card" in row.mend
    )
