"""Bench cards: the shipped ones, what a bench knows of its channels and settings, and mistakes named."""

import re
from pathlib import Path

import pytest

from benchrunner.cards import reading
from benchrunner.cards.bench import Bench, fit_bench, read_bench
from benchrunner.errors import Refused

ROOT = Path(__file__).parents[2]
SIMULATED = ROOT / "resources/benches/simulated.toml"
LOOPBACK = ROOT / "resources/benches/loopback.toml"


@pytest.fixture(scope="module")
def bench() -> Bench:
    return read_bench(SIMULATED)


def refused(text: str) -> list[str]:
    with pytest.raises(Refused) as caught:
        fit_bench(reading.parse(text.encode(), "bench.toml"))
    return [str(problem) for problem in caught.value.problems]


def test_shipped_benches_are_one_bench(bench: Bench) -> None:
    """In memory and on the wire differ in their addresses alone."""
    wire = read_bench(LOOPBACK)
    assert bench.in_memory and not wire.in_memory
    assert bench.simulated and wire.simulated
    assert list(bench.card.instruments) == list(wire.card.instruments)
    for name, part in bench.card.instruments.items():
        assert part == wire.card.instruments[name].model_copy(update={"address": "memory"})
    assert (bench.card.safe, bench.card.guards) == (wire.card.safe, wire.card.guards)
    ports = [int(re.findall(r"\{port\+(\d+)\}", part.address)[0]) for part in wire.card.instruments.values()]
    assert sorted(ports) == list(range(1, len(ports) + 1)), "each its own port, the control port is the base"


def test_addresses_follow_the_port_base() -> None:
    wire = read_bench(LOOPBACK)
    assert wire.card.instruments["load"].at(50000) == "TCPIP0::127.0.0.1::50001::SOCKET"
    assert wire.card.instruments["relays"].at(50000) == "socket://127.0.0.1:50010"
    assert wire.card.instruments["pv_inverter"].at(50000) == "modbus://127.0.0.1:50014/1"


def test_channels_carry_their_wiring(bench: Bench) -> None:
    placed = {place.quantity: place.channel for place in bench.placed("bus_meter")}
    assert placed["voltage"] == "bus.voltage"
    assert placed["power"] == "battery_inverter.power"
    assert "power_factor" not in placed
    assert bench.channel_units["battery.soc"] == "1"
    assert bench.channel_units["battery.temperature"] == "K"


def test_settings_are_narrowed_by_the_bench(bench: Bench) -> None:
    assert bench.settings["grid.closed"] == ("grid_switch", "closed")
    assert bench.allowed("load.power") == (0.0, 7000.0)
    assert bench.drivers["load"].allowed("power") == (0.0, 50000.0)
    assert bench.setting_value("pv_source.temperature", "25 degC") == pytest.approx(298.15)
    assert bench.setting_value("grid.closed", False) == 0.0


def test_values_for_procedures(bench: Bench) -> None:
    assert bench.values()["bench.bus_tolerance"].value == pytest.approx(6.9)


CHANGES = [
    ('driver = "ac-load-scpi"', 'driver = "no-such-driver"', "no driver card 'no-such-driver'"),
    ('driver = "ac-load-scpi"', 'driver = "dc-meter-scpi"', "drives class dc_meter"),
    ('class = "ac_load"', 'class = "ac_lod"', "no known class"),
    ('address = "memory"', 'address = "under the table"', "no address"),
    ('address = "memory"', 'address = "modbus://127.0.0.1:502/1"', "does not suit"),
    ('address = "memory"', 'address = "TCPIP0::127.0.0.1::{port+1}::SOCKET"', "no [served]"),
    ('period = "200 ms"', 'period = "200"', "period"),
    ('limits = { power = ["0 W", "7 kW"] }', 'limits = { power = ["0 W", "7 kHz"] }', "limits"),
    ('limits = { power = ["0 W", "7 kW"] }', 'limits = { colour = ["0 W", "7 kW"] }', "no such setting"),
    (
        'interlock = "interlock.closed"',
        'interlock = "interlock.shut"',
        "no instrument reads 'interlock.shut'",
    ),
    (
        'channel = "bus.voltage"\nhigh = "280 V"',
        'channel = "bus.volts"\nhigh = "280 V"',
        "no instrument reads",
    ),
    ('high = "280 V"', 'high = "280 A"', "guards"),
    ('high = "280 V"\n', "", "no bound"),
    ('set = ["pv_source.on", false]', 'set = ["pv_source.off", true]', "no instrument has 'pv_source.off'"),
    ('set = ["pv_source.on", false]', 'set = ["pv_source.on", "0 W"]', "switch"),
    ('at_latest = "3 s"\n', "", "without at_latest"),
    (
        'confirm = { channel = "grid.voltage", below = "30 V" }',
        'confirm = { channel = "grid.voltage" }',
        "no bound",
    ),
    ('frequency = "bus.frequency"', 'frequency = "bus.voltage"', "also comes from"),
    ('frequency = "bus.frequency"', 'frequency = "busfrequency"', "channel or setting"),
    ('1 = { channel = "bus.voltage"', '9 = { channel = "bus.voltage"', "no input"),
    ('2 = { channel = "battery.voltage"', '2 = { channel = "bus.voltage"', "two inputs"),
    ("due = 2027-03-09", "due = 2026-03-09", "not after the calibration"),
    ('bus_tolerance = "6.9 V"', 'bus_tolerance = "6.9 glugs"', "values"),
    ("simulated = true", "simulated = false", "not simulated"),
    ('id = "pv-source"', 'id = "pv-contactor"', "used twice"),
]


@pytest.mark.parametrize(
    ("change", "to", "expected"), CHANGES, ids=[c[2] + " / " + c[1][:20] for c in CHANGES]
)
def test_mistakes_are_named(change: str, to: str, expected: str) -> None:
    text = SIMULATED.read_text(encoding="utf-8")
    assert change in text
    found = refused(text.replace(change, to, 1))
    assert any(expected in problem for problem in found), found
    assert all("bench.toml:" in problem and "mend:" in problem for problem in found)


def test_all_mistakes_at_once() -> None:
    text = SIMULATED.read_text(encoding="utf-8")
    text = text.replace('high = "280 V"', 'high = "280 A"').replace(
        'interlock = "interlock.closed"', 'interlock = "x.y"'
    )
    assert len(refused(text)) == 2


def test_lines_are_right() -> None:
    text = SIMULATED.read_text(encoding="utf-8").replace('high = "280 V"', 'high = "280 A"')
    line = text.split("\n").index('high = "280 A"') + 1
    assert any(f"bench.toml:{line}:" in problem for problem in refused(text))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('period = "100 ms"', 'period = "1e300 s"'),
        ('window = "100 ms"', 'window = "1 h"'),
        ('delay = "200 ms"', 'delay = "1e300 s"'),  # a guard that never acts
        ('timeout = "3 s"', 'timeout = "1 d"'),
        ('of_reading = "0.2 %"', "of_reading = 20"),
    ],
)
def test_what_no_instrument_takes_is_a_slip(old: str, new: str) -> None:
    text = SIMULATED.read_text(encoding="utf-8")
    assert old in text
    said = "\n".join(refused(text.replace(old, new, 1)))
    assert "too large" in said and "give at most" in said


def test_a_channel_that_nothing_reads_is_told_with_the_way_to_it() -> None:
    """A meter given the role bus reads bus.power; the safe order asks for the battery inverter's."""
    text = SIMULATED.read_text(encoding="utf-8").replace('power = "battery_inverter.power"\n', "", 1)
    said = [problem for problem in refused(text) if "no instrument reads 'battery_inverter.power'" in problem]
    assert len(said) == 1 and ".confirm: " in said[0]
    assert "there are: battery.power, bus.power, grid.power, load.power" in said[0]
    assert 'under [instruments.NAME.channels], the line power = "battery_inverter.power"' in said[0]


def test_two_meters_in_one_role_are_one_problem() -> None:
    text = SIMULATED.read_text(encoding="utf-8").replace('role = "pv"\n', 'role = "grid"\n', 1)
    said = [problem for problem in refused(text) if "grid_meter" in problem or "'grid'" in problem]
    assert len(said) == 1 and "instruments.grid_meter.role: 'grid' is also the role of 'pv_meter'" in said[0]
