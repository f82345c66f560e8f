"""A run in memory whose load and sun follow a file: what was ordered is what the file says, and the record can show it."""

import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from benchrunner import data
from benchrunner.procedure.running import PlannedProfile
from benchrunner.record.again import _strayed
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify


@pytest.fixture
def ended(tmp_path: Path, start: Callable[..., Any]) -> dict[str, Any]:
    """The shipped procedure on a shorter file of its own: the load in steps, no lines between."""
    text = (data.folder("procedures") / "island-profile.toml").read_text(encoding="utf-8")
    for line in text.splitlines():
        if line.strip().startswith("{ set = "):
            plain = line.replace(', every = "closest"', "").replace("island-profile.csv", "Short-Day.csv")
            text = text.replace(line, plain)
    (tmp_path / "short.toml").write_text(text, encoding="utf-8")
    rows = "time (s),load.power (%),pv_source.irradiance (W/m^2)\r\n0,20,700\r\n4,45,\r\n8,10,500\r\n12.5,30,650\r\n"
    (tmp_path / "Short-Day.csv").write_bytes(rows.encode())
    found = start(str(tmp_path / "short.toml")).end()
    assert found["exit"] == 0, found
    return found


def test_the_orders_are_those_of_the_file_and_the_load_follows(ended: dict[str, Any]) -> None:
    record = Record.open(ended["record"])
    begun = next(e["at"] for e in record.events if e["kind"] == "step" and e["data"]["id"] == "follow")
    sent: dict[str, list[tuple[float, float]]] = {"load.power": [], "pv_source.irradiance": []}
    for event in record.events:
        if event["kind"] != "order" or event["data"]["phase"] != "sent" or event["at"] < begun:
            continue
        if event["data"]["setting"] in sent:
            sent[event["data"]["setting"]].append((event["at"] - begun, event["data"]["value"]))
    load = [(at, value) for at, value in sent["load.power"] if at < 14.0]
    assert [value for _, value in load[:4]] == pytest.approx([1200.0, 2700.0, 600.0, 1800.0])  # % of 6 kW
    assert [at for at, _ in load[:4]] == pytest.approx([0.0, 4.0, 8.0, 12.5], abs=0.2)
    sun = sent["pv_source.irradiance"][:3]
    assert [value for _, value in sun] == [700.0, 500.0, 650.0]  # an empty cell leaves it as it is
    assert [at for at, _ in sun] == pytest.approx([0.0, 8.0, 12.5], abs=0.2)
    table = record.readings[record.readings["channel"] == "load.power"]
    for (at, value), (end, _) in itertools.pairwise(load[:4]):
        within = table[(table["time"] > begun + at + 1.5) & (table["time"] < begun + end)]
        assert within["value"].median() == pytest.approx(value, rel=0.03)


def test_the_record_carries_the_file_word_for_word(ended: dict[str, Any], tmp_path: Path) -> None:
    record = Record.open(ended["record"])
    (entry,) = record.header["profiles"]
    raw = (tmp_path / "Short-Day.csv").read_bytes()
    assert entry["file"] == "Short-Day.csv"
    assert bytes(record.part(entry["part"])) == raw
    assert verify(ended["record"], allow_unsigned=True).ok
    assert record.rejudge().identical


def test_a_plan_that_follows_other_values_than_the_file_is_noticed(ended: dict[str, Any]) -> None:
    record = Record.open(ended["record"])
    assert _strayed(record) == []
    steps = []
    for step in record.plan.order.steps:
        orders = [
            replace(order, profile=replace(order.profile, values=(0.0, *order.profile.values[1:])))
            if isinstance(order.profile, PlannedProfile)
            else order
            for order in step.do
        ]
        steps.append(replace(step, do=tuple(orders)))
    plan = replace(record.plan, order=replace(record.plan.order, steps=tuple(steps)))
    forged: Any = SimpleNamespace(header=record.header, plan=plan, part=record.part)
    assert [said.split(" did not")[0] for said in _strayed(forged)] == [
        "step follow: load.power", "step follow: pv_source.irradiance",
    ]  # fmt: skip
