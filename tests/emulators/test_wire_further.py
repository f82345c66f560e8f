"""The further classes over the wire: our own sockets, PyVISA, pyserial and pymodbus against the served emulators at once."""

import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_further import PORTS, card

from benchrunner.bench.instrument import Instrument
from benchrunner.bench.links.visa import VisaLink
from benchrunner.bench.wire import connect
from benchrunner.cards.pairing import read_pairing
from benchrunner.errors import LinkError
from benchrunner.sim.served import Server


@pytest.fixture(scope="module")
def served() -> Iterator[Server]:
    pairing = read_pairing(Path(__file__).parents[2] / "resources/pairings/tarn6-corrie5.toml")
    with Server(card(memory=False), pairing, speed=1.0) as server:
        yield server


@pytest.fixture
def all_of_them(served: Server) -> Iterator[dict[str, Instrument]]:
    made = connect(card(memory=False), PORTS)
    for one in made.values():
        one.open()
    yield made
    for one in made.values():
        one.close()


def test_each_identifies_itself_and_is_read(all_of_them: dict[str, Instrument]) -> None:
    for name, one in all_of_them.items():
        assert one.identity is not None and one.identity.model.startswith("Simulated"), name
        assert len(one.poll()) == len(one.channels)


def test_settings_go_over_the_wire_and_come_back(all_of_them: dict[str, Instrument]) -> None:
    for name, setting, value in (
        ("source", "voltage", 24.0),
        ("source", "current", 3.0),
        ("source", "on", 1.0),
        ("sink", "resistance", 2.0),
        ("sink", "power", 100.0),
        ("load", "resistance", 100.0),
        ("load", "crest_factor", 2.0),
        ("load", "crest_factor", 1.41),
        ("grid_source", "frequency_rate", 0.5),
        ("analyser", "integrate", 1.0),
        ("meter", "range", 100.0),
    ):
        one = all_of_them[name]
        one.send(setting, value)
        assert one.followed(setting, value, one.read_back(setting)), (name, setting)
    assert all_of_them["source"].safe() == []
    assert all_of_them["source"].read_back("on") == 0.0


def test_out_of_range_is_refused_by_card_and_by_instrument(all_of_them: dict[str, Instrument]) -> None:
    with pytest.raises(LinkError, match="out of range"):
        all_of_them["source"].send("voltage", 81.0)
    with pytest.raises(LinkError, match="-222"):
        all_of_them["load"].send("resistance", 1.0)


def test_controls_of_the_older_models_are_written_and_read_back(all_of_them: dict[str, Instrument]) -> None:
    inverter = all_of_them["pv_inverter"]
    for setting, value in (("power_limit", 0.5), ("limited", 1.0), ("connected", 0.0)):
        inverter.send(setting, value)
        assert inverter.read_back(setting) == pytest.approx(value)
    for setting, value in (("connected", 1.0), ("limited", 0.0), ("power_limit", 1.0)):
        inverter.send(setting, value)
        assert inverter.read_back(setting) == value


def test_the_same_through_pyvisa(served: Server) -> None:
    bench = card(memory=False)
    for name in ("analyser", "meter", "logger", "source", "sink"):
        part, driver = bench.card.instruments[name], bench.drivers[name]
        one = Instrument(bench, name, VisaLink(name, part.at(PORTS), driver.link))
        one.open()
        values = one.poll()
        assert len(values) == len(one.channels) and any(not math.isnan(v) for v in values), name
        one.close()
