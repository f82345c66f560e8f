"""A PV source follows the array of the pairing under test: four points of the nameplate, over TCP, before the run."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from free_ports import free_base

import benchrunner
from benchrunner import data
from benchrunner.bench.instrument import Instrument
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.engine.sources import POINTS, points, set_curves
from benchrunner.errors import LinkError, Refused
from benchrunner.sim.array import PvArray
from benchrunner.sim.parameters import array_of
from benchrunner.sim.served import Server

SERVED = "tarn6-corrie5"
OTHER = {"modules_in_series = ": "modules_in_series = 9 # "}  # another array than the one that is served


def pairing_card(folder: Path, changes: dict[str, str]) -> Path:
    text = data.find(SERVED, "resources", "pairings").read_text(encoding="utf-8")
    begin = text.index("[array]")
    part = text[begin:]
    for old, new in changes.items():
        assert old in part
        part = part.replace(old, new, 1)
    path = folder / "tested.toml"
    path.write_text(text[:begin] + part, encoding="utf-8")
    tomllib.loads(path.read_text(encoding="utf-8"))
    return path


@pytest.fixture
def rig() -> Iterator[tuple[Server, Instrument]]:
    """The served bench with its own pairing, and its PV source over TCP."""
    base = free_base()
    bench = read_bench(data.find("loopback", "resources", "benches"))
    pairing = read_pairing(data.find(SERVED, "resources", "pairings"))
    with Server(bench, pairing, port_base=base, lockstep=True) as server:
        source = connect(bench, base)["pv_source"]
        source.open()
        yield server, source
        source.close()


def power(server: Server, irradiance: float, temperature: float) -> float:
    """What the plant's array gives at its maximum power point, W."""

    def look() -> float:
        return float(server.plant._arrays[0].operating_point(irradiance, temperature)[0])

    return float(server.call(look))


def test_the_source_follows_the_array_of_the_card(rig: tuple[Server, Instrument], tmp_path: Path) -> None:
    """Nine modules in series where the served pairing has others: the same curve as the array itself has, by its data sheet."""
    server, source = rig
    tested = read_pairing(pairing_card(tmp_path, OTHER))
    assert tested.array.modules_in_series == 9
    (row,) = set_curves({"pv_source": source}, tested)
    assert row == {
        "instrument": "pv_source",
        **{name: pytest.approx(value, abs=0.01) for name, value in points(tested.array).items()},
    }
    array = array_of(tested.array)
    before = array_of(read_pairing(data.find(SERVED, "resources", "pairings")).array)
    for irradiance, temperature in ((1000.0, 298.15), (600.0, 298.15), (900.0, 330.0)):
        wanted = array.operating_point(irradiance, temperature)[0]
        # cells in series are told from the open-circuit voltage alone, which moves how it goes with temperature and light
        assert power(server, irradiance, temperature) == pytest.approx(
            wanted, rel=1e-3 if irradiance == 1000.0 else 0.02
        )
        assert abs(before.operating_point(irradiance, temperature)[0] - wanted) > 0.05 * wanted
    assert set_curves({"pv_source": source}, tested) == [row], "what it holds already is not set again"


def test_the_pairings_own_array_is_the_plants_own_to_the_last_bit(
    rig: tuple[Server, Instrument], pairing: PairingCard
) -> None:
    server, source = rig
    own = server.call(lambda: server.plant._arrays[0])
    set_curves({"pv_source": source}, pairing)
    assert source.read_back("curve") == 1.0
    assert server.call(lambda: server.plant._arrays[0]) is own


@pytest.fixture
def pairing() -> PairingCard:
    return read_pairing(data.find(SERVED, "resources", "pairings"))


def test_what_the_source_cannot_follow_is_refused(rig: tuple[Server, Instrument], tmp_path: Path) -> None:
    _, source = rig
    long_string = read_pairing(pairing_card(tmp_path, {"modules_in_series = ": "modules_in_series = 60 # "}))
    with pytest.raises(Refused, match=r"open_circuit_voltage = .* out of range"):
        set_curves({"pv_source": source}, long_string)
    for name, value in zip(POINTS, (400.0, 10.0, 410.0, 9.0), strict=True):
        source.send(name, value)
    with pytest.raises(LinkError, match="-221"):
        source.send("curve", 1.0)
    assert source.read_back("curve") == 0.0


def test_a_curve_through_any_sound_points_reaches_them(rig: tuple[Server, Instrument]) -> None:
    """By the definition of the points: the power at 1000 W/m^2 and 25 degC is voltage times current at maximum power."""
    server, source = rig
    for name, value in zip(POINTS, (520.0, 11.0, 430.0, 10.2), strict=True):
        source.send(name, value)
    source.send("curve", 1.0)
    assert power(server, 1000.0, 298.15) == pytest.approx(430.0 * 10.2, rel=1e-4)
    held: PvArray = server.call(lambda: server.plant._arrays[0])
    assert np.all(np.diff(held.curve(1000.0, 298.15)[1]) < 0.0)
    source.link.write(b"*RST\n")
    assert source.read_back("curve") == 0.0


@pytest.mark.slow
def test_a_run_sets_it_and_keeps_what_was_set(tmp_path: Path) -> None:
    record = benchrunner.run("load-rejection", out=tmp_path / "runs")
    (row,) = record.header["further"]["pv_curves"]
    pairing = read_pairing(data.find(SERVED, "resources", "pairings"))
    assert row["instrument"] == "pv_source"
    assert row["open_circuit_voltage"] == pytest.approx(
        points(pairing.array)["open_circuit_voltage"], abs=0.01
    )
