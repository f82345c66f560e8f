"""The table of `archive search`: what a record passed with can be read at every width."""

from pathlib import Path

import pytest

from benchrunner.cli.found import found_lines
from benchrunner.record.archive import Device, Found

TITLES = ("Fell-15 + Ridge-8 + Corrie-2", "Load rejection on a nearly full battery")


def found(letter: str, *, simulated: bool = True, signatures: int = 0) -> Found:
    return Found(
        letter * 64, letter * 64, Path("one.bench"), "2026-11-26T03:36:17.058Z", 242.9, *TITLES, "bench", "", "pass",
        True, simulated, False, signatures,
    )  # fmt: skip


def devices(battery: str, *pv: str) -> tuple[Device, ...]:
    names = ("pv_inverter", "pv_inverter_2")
    others = (
        Device("battery", "Moraine-200", "HM-M2", "9.9"),
        Device("pv_inverter_panel", "none of them", "", "8.8"),
    )
    return (
        Device("battery_inverter", "Fell-15", "HM-F5", battery),
        *(Device(name, "Ridge-8", "HM-R8", version) for name, version in zip(names, pv, strict=False)),
        *others,
    )


@pytest.mark.parametrize("columns", [80, 100, 110, 120, 160])
@pytest.mark.parametrize("long", ["2.0.7", "2.0.7-release-candidate-of-the-third-of-march"])
def test_firmware_of_both_inverters_can_be_read_and_lines_fit(
    columns: int, long: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    records = [found("a"), found("b", simulated=False, signatures=1), found("c")]
    equipment = {
        "a" * 64: devices("7.1.0", long, "1.9.0"), "b" * 64: devices("7.1.0", "2.0.7"), "c" * 64: devices(""),
    }  # fmt: skip
    lines = found_lines(records, equipment)
    assert max(map(len, lines)) <= columns
    head, *others = lines
    rows = {
        line[0]: number for number, line in enumerate(others) if line[:1] in "abc" and line[12:14] == "  "
    }
    assert list(rows) == ["a", "b", "c"]
    ends = [*list(rows.values())[1:], len(others)]
    of = {
        name: " ".join(" ".join(others[at:end]).split())
        for (name, at), end in zip(rows.items(), ends, strict=True)
    }
    if "firmware" in head:
        assert lines[-1] == "firmware: battery inverter / PV inverter"
        if long == "2.0.7":
            assert "7.1.0 / 2.0.7 + 1.9.0" in of["a"]
        else:  # below its row, whole
            assert f"firmware: battery inverter 7.1.0, PV inverter {long} + 1.9.0" in of["a"]
        assert "7.1.0 / 2.0.7" in of["b"]
        assert "- / -" in of["c"]
    else:
        assert columns < 110
        assert f"firmware: battery inverter 7.1.0, PV inverter {long} + 1.9.0; simulated, unsigned" in of["a"]
        assert "firmware: battery inverter 7.1.0, PV inverter 2.0.7" in of["b"]
        assert "firmware: battery inverter not stated, PV inverter not stated" in of["c"]
    assert "9.9" not in " ".join(lines)
    assert "8.8" not in " ".join(lines)
    assert all("Load rejection o" in others[at] for at in rows.values())  # the titles stay readable


def test_what_is_one_firmware_in_two_inverters_is_said_once_and_one_not_stated_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    (_, row, _, _) = found_lines([found("a")], {"a" * 64: devices("7.1.0", "2.0.7", "2.0.7")})
    assert row.endswith("7.1.0 / 2.0.7")
    (_, row, _, _) = found_lines([found("a")], {"a" * 64: devices("7.1.0", "2.0.7", "")})
    assert row.endswith("7.1.0 / 2.0.7 + -")
