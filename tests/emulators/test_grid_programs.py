"""Sag, swell and ramp inside a grid source: when it moves, how far, and what ends it; over TCP through a step's orders."""

import math
from pathlib import Path

import numpy as np
import pytest
from free_ports import free_base

import benchrunner
from benchrunner import data
from benchrunner.bench.hosts import memory_instrument
from benchrunner.bench.instrument import Instrument
from benchrunner.cards import reading
from benchrunner.cards.bench import fit_bench, read_bench
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.errors import LinkError
from benchrunner.sim.agenda import MOST, Agenda
from benchrunner.sim.emulators import build
from benchrunner.sim.plant import Plant
from benchrunner.sim.served import Server

PORTS = free_base()
CARD = """format = 1
title = "a grid source"
simulated = true
[instruments.grid_source]
role = "grid_source"
class = "grid_source"
driver = "grid-source-scpi"
address = "memory"
period = "200 ms"
"""


@pytest.fixture(scope="module")
def pairing() -> PairingCard:
    return read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))


@pytest.fixture
def rig(pairing: PairingCard) -> tuple[Plant, Instrument]:
    plant = Plant(pairing)
    bench = fit_bench(reading.parse(CARD.encode(), "grid.toml"))
    source = memory_instrument(bench, "grid_source", build(bench, plant)["grid_source"])
    source.open()
    plant.advance(1.0)
    return plant, source


def program(source: Instrument, **values: float) -> None:
    for name, value in values.items():
        source.send(f"program_{name}", value)
        back = source.read_back(f"program_{name}")
        assert source.followed(f"program_{name}", value, back), (name, back)
    source.send("program_armed", 1.0)
    assert source.read_back("program_armed") == 1.0


def seen(plant: Plant, tap: str, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    times, rows = plant.rows(begin, end)
    return times, rows[:, plant.taps.index(tap)]


def test_a_sag_lasts_as_long_as_it_was_told_and_no_longer(rig: tuple[Plant, Instrument]) -> None:
    plant, source = rig
    program(source, voltage=115.0, duration=0.2)
    plant.advance(1.5)
    assert plant.value("grid.source_voltage") == pytest.approx(230.0), "armed is not triggered"
    source.send("program_triggered", 1.0)
    assert source.read_back("program_triggered") == 1.0 and source.read_back("program_armed") == 0.0
    plant.advance(3.0)
    times, volts = seen(plant, "grid.source_voltage", 1.4, 2.9)
    low = times[volts < 116.0]
    assert volts.min() == pytest.approx(115.0) and volts[0] == volts[-1] == pytest.approx(230.0)
    assert low[0] == pytest.approx(1.5, abs=0.0051)
    assert low.size * plant.step == pytest.approx(0.2, abs=0.0051)
    assert source.read_back("program_triggered") == 1.0, "it says that it was triggered, though it is over"
    assert source.read_back("voltage") == pytest.approx(230.0, abs=0.01)


def test_a_swell_ramps_there_and_back(rig: tuple[Plant, Instrument]) -> None:
    """23 V at 46 V/s take 0.5 s each way: the middle of the way after a quarter of a second."""
    plant, source = rig
    program(source, voltage=253.0, rate=46.0, duration=2.0)
    source.send("program_triggered", 1.0)
    plant.advance(5.0)
    times, volts = seen(plant, "grid.source_voltage", 0.9, 4.9)
    expected = 230.0 + 23.0 * np.clip(np.minimum((times - 1.0) / 0.5, (3.5 - times) / 0.5), 0.0, 1.0)
    assert np.max(np.abs(volts - expected)) < 46.0 * 2.1 * plant.step


def test_a_ramp_of_the_frequency(rig: tuple[Plant, Instrument]) -> None:
    plant, source = rig
    program(source, frequency=51.0, frequency_rate=2.0, duration=3.0)
    source.send("program_triggered", 1.0)
    plant.advance(7.0)
    times, hertz = seen(plant, "grid.source_frequency", 0.9, 6.9)
    expected = 50.0 + np.clip(np.minimum((times - 1.0) * 2.0, (4.5 - times) * 2.0), 0.0, 1.0)
    assert np.max(np.abs(hertz - expected)) < 2.0 * 2.1 * plant.step
    assert plant.setting("grid.frequency_rate") == 0.0, "the rate outside the program is as it was"


@pytest.mark.parametrize("setting", ["program_triggered", "program_armed", "voltage", "frequency"])
def test_it_ends_at_once_when_told(rig: tuple[Plant, Instrument], setting: str) -> None:
    """The safe order sets the voltage to zero: no program may bring it back."""
    plant, source = rig
    program(source, voltage=115.0, frequency=49.0, duration=10.0)
    source.send("program_triggered", 1.0)
    plant.advance(2.0)
    assert plant.value("grid.source_voltage") == pytest.approx(115.0)
    value = {"frequency": 50.0}.get(setting, 0.0)
    source.send(setting, value)
    plant.advance(20.0)
    volts = seen(plant, "grid.source_voltage", 2.01, 19.9)[1]
    wanted = 0.0 if setting == "voltage" else 230.0
    assert volts == pytest.approx(np.full(volts.size, wanted))
    assert plant.value("grid.source_frequency") == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("orders", "code"),
    [
        ((("program_triggered", 1.0),), "-211"),  # not armed
        ((("program_voltage", 100.0), ("program_rate", 10.0), ("program_duration", 1.0), ("program_armed", 1.0)), "-221"),
        ((("program_armed", 1.0), ("program_voltage", 100.0)), "-221"),
        ((("program_frequency", 5.0),), "-222"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_its_error_queue(
    rig: tuple[Plant, Instrument], orders: tuple[tuple[str, float], ...], code: str
) -> None:
    plant, source = rig
    for setting, value in orders[:-1]:
        source.send(setting, value)
    with pytest.raises(LinkError, match=code):
        source.send(*orders[-1])
    plant.advance(3.0)
    assert plant.value("grid.source_voltage") == pytest.approx(230.0)


def test_a_reset_ends_it(rig: tuple[Plant, Instrument]) -> None:
    plant, source = rig
    program(source, voltage=0.0, duration=100.0)
    source.send("program_triggered", 1.0)
    plant.advance(2.0)
    source.link.write(b"*RST\n")
    plant.advance(3.0)
    assert plant.value("grid.source_voltage") == pytest.approx(230.0)


def test_the_agenda_holds_a_bounded_number_and_gives_them_in_order() -> None:
    agenda = Agenda()
    for k in range(MOST):
        agenda.add("a" if k % 2 else "b", float(MOST - k), "load.power", float(k))
    with pytest.raises(ValueError, match="wait"):
        agenda.add("a", 1.0, "load.power", 0.0)
    assert agenda.first == 1.0 and agenda.drop("a") and not agenda.drop("a") and not agenda.waits("a")
    assert [at for at, _, _ in agenda.due(9.0)] == [2.0, 4.0, 6.0, 8.0] and agenda.waits("b")
    assert agenda.first == 10.0 and agenda.drop("b") and agenda.first == math.inf


SAG = """
format = 1
title = "A sag of the grid"
purpose = "The grid's voltage falls by a third for a second, by the source's own program."
basis = ["common practice"]
cautions = ["Hazardous voltage on the grid's terminals."]

[roles]
grid_source = "grid_source"

[[steps]]
id = "sag"
title = "Sag"
do = [
    ["grid_source.program_voltage", "150 V"], ["grid_source.program_duration", "1 s"],
    ["grid_source.program_armed", true], ["grid_source.program_triggered", true],
]
until = { elapsed = "4 s" }
at_most = "10 s"

  [[steps.checks]]
  id = "lowest"
  measure = "minimum"
  of = "grid_source.voltage"
  low = "148 V"
  high = "152 V"
  rule = "simple"
"""


def test_through_the_orders_of_a_step_over_tcp(pairing: PairingCard, tmp_path: Path) -> None:
    text = data.find("loopback", "resources", "benches").read_text(encoding="utf-8")
    card = tmp_path / "bench.toml"
    begin = text.index("[instruments.grid_source]")
    quick = (
        text[begin:]
        .replace('period = "1 s"', 'period = "100 ms"', 1)
        .replace('update = "200 ms"', 'update = "100 ms"', 1)
    )
    card.write_text(text[:begin] + quick, encoding="utf-8")
    (tmp_path / "sag.toml").write_text(SAG, encoding="utf-8")
    with Server(read_bench(card), pairing, port_base=PORTS, lockstep=True) as server:
        record = benchrunner.run(
            tmp_path / "sag.toml", bench=card, port_base=server.control_port, out=tmp_path / "runs"
        )
    assert {check["id"]: check["verdict"] for check in record.checks} == {"reached": "pass", "lowest": "pass"}
    volts = record.readings
    low = volts[(volts["channel"] == "grid_source.voltage") & (volts["value"] < 160.0)]
    assert 8 <= len(low) <= 11, "one second of readings at 100 ms"
