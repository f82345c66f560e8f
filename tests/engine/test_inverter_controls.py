"""A run that orders a PV inverter by its own controls, in memory and over Modbus; and those controls as a fallback in the safe order."""

import re
from pathlib import Path

import pytest
from fault_matrix import SHIPPED, Case, Outcome, run_card, run_wire

ROOT = Path(__file__).resolve().parents[2]
RATED = 5000.0  # W, Corrie-5
STEPS = """
[[steps]]
id = "limit"
title = "Limited to 40 %"
do = [["pv_inverter.power_limit", "40 %"], ["pv_inverter.limited", true]]
until = { settled = "pv.power", within = "1 %", base = "pairing.pv_rated_power", for = "5 s" }
at_most = "30 s"

[[steps]]
id = "limited"
title = "Held"
until = { elapsed = "10 s" }
at_most = "15 s"

  [[steps.checks]]
  id = "most"
  measure = "maximum"
  of = "pv.power"
  low = "39 % * pairing.pv_rated_power"
  high = "41 % * pairing.pv_rated_power"

[[steps]]
id = "free"
title = "Free again"
do = [["pv_inverter.limited", false], ["pv_inverter.power_limit", "100 %"]]
until = { above = "pv.power", value = "pv_share", for = "5 s" }
at_most = "30 s"

[[steps]]
id = "leave"
title = "Told to leave the bus"
do = [["pv_inverter.connected", false]]
until = { below = "pv.current", value = "0.3 A", for = "5 s" }
at_most = "20 s"
"""


def procedure(folder: Path) -> str:
    """Export on the grid, with orders to the PV inverter instead of load steps."""
    text = (ROOT / "procedures/export-on-grid.toml").read_text(encoding="utf-8")
    head, _ = text.split('[[steps]]\nid = "levels"', 1)
    head = head.replace('pv_source = "pv_source"\n', 'pv_source = "pv_source"\npv_inverter = "inverter"\n')
    head = re.sub(r"\[parameters\.dwell\].*?(?=\n\[)", "", head, flags=re.S)
    path = folder / "limit.toml"
    path.write_text(head + STEPS, encoding="utf-8")
    return str(path)


def checked(outcome: Outcome) -> None:
    assert outcome.ended["exit"] == 0, outcome.ended
    assert outcome.record is not None
    (most,) = [check for check in outcome.record.checks if check["id"] == "most"]
    assert most["value"] == pytest.approx(0.4 * RATED, rel=0.02)
    orders = [event["data"] for event in outcome.events if event["kind"] == "order"]
    own = [order for order in orders if order["setting"].startswith("pv_inverter.")]
    assert [order["setting"] for order in own if order["phase"] == "confirmed"] == [
        f"pv_inverter.{name}" for name in ("power_limit", "limited", "limited", "power_limit", "connected")
    ]


def test_a_procedure_limits_a_pv_inverter_and_takes_it_off_the_bus(tmp_path: Path) -> None:
    from_memory = run_card(SHIPPED, tmp_path / "memory", procedure=procedure(tmp_path))
    checked(from_memory)
    over_wire = run_wire(SHIPPED, tmp_path / "wire", procedure(tmp_path))
    checked(over_wire)
    assert from_memory.record is not None and over_wire.record is not None
    digests = [outcome.record.header["digests"]["readings"] for outcome in (from_memory, over_wire)]  # type: ignore[union-attr]
    assert digests[0] == digests[1]


@pytest.mark.parametrize("fallback", [True, False])
def test_an_inverter_that_can_be_told_to_leave_is_a_fallback_for_a_welded_contactor(
    tmp_path: Path, fallback: bool
) -> None:
    """A bench in the sun, where the array cannot be switched off: with the fallback its current is gone."""
    order = SHIPPED.split("[[safe]]")
    (contactor,) = [part for part in order if 'id = "pv-contactor"' in part]
    other = contactor.replace(
        'fallback = ["pv_source.on", false]\n',
        'fallback = ["pv_inverter.connected", false]\n' if fallback else "",
    )
    assert other != contactor
    text = SHIPPED.replace(contactor, other)
    # the source goes late: until then the array is like one in the sun
    found = re.search(r'\[\[safe\]\]\nid = "pv-source".*?(?=\[\[safe\]\])', text, re.S)
    assert found is not None
    last = '[[safe]]\nid = "battery-contactor"'
    text = text.replace(found[0], "").replace(last, found[0] + last)
    outcome = run_card(Case("relays", "welded", 150.0).on(text), tmp_path, procedure="export-on-grid")
    said = [event for event in outcome.events if event["kind"] == "safe" and event["at"] > 150.0]
    told = [event["at"] for event in said if event["data"]["text"] == "pv_inverter.connected = 0"]
    (off, *_) = [event["at"] for event in said if event["data"]["text"] == "pv_source.on = 0"]
    assert bool(told) is fallback
    assert outcome.record is not None
    rows = outcome.record.readings
    watts = rows[(rows["channel"] == "pv.power") & (rows["time"] > off - 1.0) & (rows["time"] < off)][
        "value"
    ].abs()
    assert (watts.max() < 30.0) if fallback else (watts.min() > 500.0), watts
    # all contacts of the board are welded: whatever was done about the current, nothing calls this bench safe
    assert outcome.ended["exit"] == 5
