"""The further classes: each driver card on its emulator in memory, through real libraries over the wire in test_wire_further."""

import math

import pytest
from free_ports import free_base
from hypothesis import given
from hypothesis import strategies as st
from stand_in import StandInPlant

from benchrunner.bench.hosts import memory_instrument
from benchrunner.bench.instrument import Instrument
from benchrunner.cards import reading
from benchrunner.cards.bench import Bench, fit_bench
from benchrunner.errors import LinkError
from benchrunner.sim.emulators import build

PORTS = free_base()
TEXT = f"""format = 1
title = "further classes"
simulated = true
[served]
port_base = {PORTS}
"""
CARDS = {
    "analyser": ("power_analyser", "power-analyser-scpi", "TCPIP0::127.0.0.1::{port+1}::SOCKET", """
channels = { voltage_1 = "x.v1", power_1 = "x.p1", voltage_2 = "x.v2", power_2 = "x.p2" }
simulated = { noise = 0.0, fixed_error = 0.0, voltage_1_tap = "bus.voltage", power_1_tap = "battery_inverter.power", voltage_2_tap = "battery.voltage", power_2_tap = "battery.power" }
"""),
    "meter": ("multimeter", "multimeter-scpi", "TCPIP0::127.0.0.1::{port+2}::SOCKET", 'simulated = { voltage_tap = "battery.voltage" }'),
    "logger": ("temperature_logger", "temperature-logger-scpi", "TCPIP0::127.0.0.1::{port+3}::SOCKET", 'simulated = { temperature_3_tap = "battery.temperature" }'),
    "sun": ("irradiance_sensor", "irradiance-sensor-ascii", "socket://127.0.0.1:{port+4}", ""),
    "source": ("dc_source", "dc-source-scpi", "TCPIP0::127.0.0.1::{port+5}::SOCKET", 'simulated = { load_resistance = "10 ohm" }'),
    "sink": ("dc_load", "dc-load-scpi", "TCPIP0::127.0.0.1::{port+6}::SOCKET", 'simulated = { source_voltage = "52 V", source_resistance = "0.02 ohm" }'),
    "load": ("ac_load", "ac-load-scpi", "TCPIP0::127.0.0.1::{port+7}::SOCKET", ""),
    "grid_source": ("grid_source", "grid-source-scpi", "TCPIP0::127.0.0.1::{port+8}::SOCKET", ""),
    "pv_inverter": ("inverter", "inverter-sunspec-103", "modbus://127.0.0.1:{port+9}/1", 'simulated = { models = "103" }'),
}  # fmt: skip
ROLES = {"load": "load", "grid_source": "grid_source", "pv_inverter": "pv_inverter"}


def card(memory: bool) -> Bench:
    text = TEXT
    for name, (klass, driver, address, more) in CARDS.items():
        where = "memory" if memory else address
        text += f'[instruments.{name}]\nrole = "{ROLES.get(name, name)}"\nclass = "{klass}"\ndriver = "{driver}"\n'
        text += f'address = "{where}"\nperiod = "200 ms"\ntimeout = "1 s"\n{more}\n'
    return fit_bench(reading.parse(text.encode(), "further.toml"))


class Rig:
    """Every instrument of the card, on one plant."""

    def __init__(self) -> None:
        self.plant = StandInPlant()
        self.plant.settings |= {"load.rectifier_power": 0.0, "grid.frequency_rate": 0.0}
        bench = card(memory=True)
        emulators = build(bench, self.plant, 3)
        self.of: dict[str, Instrument] = {n: memory_instrument(bench, n, e) for n, e in emulators.items()}
        for one in self.of.values():
            one.open()
        self.plant.advance(1.0)

    def read(self, name: str) -> dict[str, float]:
        one = self.of[name]
        return dict(zip((p.quantity for p in one.placed), one.poll(), strict=True))

    def set(self, name: str, setting: str, value: float) -> None:
        one = self.of[name]
        one.send(setting, value)
        assert one.followed(setting, value, one.read_back(setting)), (name, setting, value)


@pytest.fixture
def rig() -> Rig:
    return Rig()


def test_power_analyser_reads_its_elements_and_integrates(rig: Rig) -> None:
    rig.plant.curves["battery_inverter.power"] = lambda t: 1800.0
    rig.set("analyser", "integrate", 1.0)
    assert rig.read("analyser")["energy_1"] == 0.0
    for k in range(1, 101):
        rig.plant.advance(1.0 + 0.1 * k)
        values = rig.read("analyser")
    assert values["voltage_1"] == pytest.approx(230.0) and values["voltage_2"] == pytest.approx(53.0)
    assert values["energy_1"] == pytest.approx(18_000.0, abs=1.0)  # 1800 W for 10 s
    assert values["energy_2"] == pytest.approx(-10_600.0, abs=1.0)
    assert math.isnan(values["power_3"]) and math.isnan(values["energy_3"]), "nothing is wired to element 3"
    rig.set("analyser", "integrate", 0.0)
    rig.plant.advance(30.0)
    assert rig.read("analyser")["energy_1"] == pytest.approx(18_000.0, abs=1.0)


def test_multimeter_overloads_beyond_its_range(rig: Rig) -> None:
    assert rig.read("meter")["voltage"] == pytest.approx(53.0, abs=0.2)
    rig.set("meter", "range", 100.0)
    assert rig.read("meter")["voltage"] == pytest.approx(53.0, abs=0.2)
    rig.set("meter", "range", 10.0)
    assert math.isnan(rig.read("meter")["voltage"]) and rig.of["meter"].flags == 1


def test_temperature_logger_leaves_out_inputs_without_a_sensor(rig: Rig) -> None:
    values = rig.read("logger")
    assert values["temperature_3"] == pytest.approx(298.15, abs=0.2)
    assert sum(math.isnan(v) for v in values.values()) == 7


def test_irradiance_sensor_follows_the_array_with_checksums(rig: Rig) -> None:
    rig.plant.set("pv_source.irradiance", 812.0)
    rig.plant.advance(2.0)
    values = rig.read("sun")
    assert values["irradiance"] == pytest.approx(812.0, abs=1.0)
    assert values["temperature"] == pytest.approx(298.15, abs=0.2)


def test_dc_source_obeys_its_current_limit(rig: Rig) -> None:
    """Ohm's law on the declared 10 ohm."""
    rig.set("source", "voltage", 48.0)
    rig.set("source", "current", 10.0)
    assert rig.read("source")["current"] == 0.0, "still off"
    rig.set("source", "on", 1.0)
    rig.plant.advance(2.0)
    assert rig.read("source") == pytest.approx({"voltage": 48.0, "current": 4.8, "power": 230.4}, abs=0.05)
    rig.set("source", "current", 2.0)
    rig.plant.advance(3.0)
    assert rig.read("source") == pytest.approx({"voltage": 20.0, "current": 2.0, "power": 40.0}, abs=0.05)
    assert rig.of["source"].safe() == []
    rig.plant.advance(4.0)
    assert rig.read("source")["voltage"] == 0.0


def test_dc_load_in_its_three_modes(rig: Rig) -> None:
    """52 V behind 20 mohm: the closed forms for current, power and resistance."""
    rig.set("sink", "on", 1.0)
    for setting, value, current in (
        ("current", 40.0, 40.0),
        ("resistance", 1.0, 52.0 / 1.02),
        ("power", 1000.0, (52.0 - math.sqrt(52.0**2 - 4 * 0.02 * 1000.0)) / 0.04),
    ):
        rig.set("sink", setting, value)
        rig.plant.advance(rig.plant.now + 1.0)
        values = rig.read("sink")
        assert values["current"] == pytest.approx(current, abs=0.02), setting
        assert values["power"] == pytest.approx(values["voltage"] * values["current"], rel=0.01)


def test_ac_load_in_its_modes(rig: Rig) -> None:
    plant = rig.plant
    rig.set("load", "on", 1.0)
    rig.set("load", "resistance", 52.9)
    assert plant.settings["load.power"] == pytest.approx(1000.0)  # 230 V squared over 52.9 ohm
    rig.set("load", "current", 10.0)
    assert plant.settings["load.power"] == pytest.approx(2300.0)
    rig.set("load", "crest_factor", 2.5)
    assert plant.settings["load.power"] == 0.0 and plant.settings["load.rectifier_power"] == pytest.approx(
        2300.0
    )
    rig.set("load", "power", 500.0)
    assert plant.settings["load.rectifier_power"] == pytest.approx(500.0)
    rig.set("load", "crest_factor", 1.41)
    assert plant.settings["load.rectifier_power"] == 0.0 and plant.settings["load.power"] == pytest.approx(
        500.0
    )
    with pytest.raises(LinkError, match="refused"):
        rig.of["load"].send("resistance", 1.0)  # 53 kW, more than it bears


def test_grid_source_ramps(rig: Rig) -> None:
    rig.set("grid_source", "frequency_rate", 0.5)
    assert rig.plant.settings["grid.frequency_rate"] == 0.5


def test_older_inverter_reads_as_the_newer_one_would(rig: Rig) -> None:
    rig.plant.advance(3.0)
    values = rig.read("pv_inverter")
    assert values["own_power"] == pytest.approx(1800.0, rel=0.03)
    assert values["own_voltage"] == pytest.approx(230.0, rel=0.03)
    assert values["own_dc_voltage"] == pytest.approx(380.0, rel=0.03)
    assert values["state"] == 4.0  # model 103 counts from 1: 3 of model 701
    assert rig.of["pv_inverter"].read_back("power_limit") == 1.0
    assert rig.of["pv_inverter"].read_back("connected") == 1.0


@given(st.binary(max_size=60))
def test_irradiance_sensor_bears_any_line(data: bytes) -> None:
    emulator = build(card(memory=True), StandInPlant(), 1)["sun"]
    reply = emulator.receive(data + b"\r\n")
    assert reply == b"" or reply.endswith(b"\r\n")
