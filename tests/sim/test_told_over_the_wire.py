"""What the simulated load bank and grid source can be told over SCPI reaches the plant, and `*RST` takes it back."""

import pytest

from benchrunner.sim.emulators.ac_load import BESIDE as LOADS
from benchrunner.sim.emulators.ac_load import AcLoad
from benchrunner.sim.emulators.grid_source import BESIDE as GRID
from benchrunner.sim.emulators.grid_source import GridSource
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.plant import Plant


def say(device, text):
    return device.receive(text.encode() + b"\n").decode().strip()


@pytest.mark.parametrize("name", ["dune9-spit7", "fell15-ridge12"])
def test_every_command_reaches_its_setting(card, name):
    plant = Plant(card(name))
    load, grid = (
        AcLoad(plant, "load", Options("ac_load", "load")),
        GridSource(plant, "grid", Options("grid_source", "grid")),
    )
    missing = {"load.power_l3", "grid.voltage_l3"} if plant.pairing.phases == 2 else {"load.power_l1_l2"}
    for device, table in ((load, LOADS), (grid, GRID)):
        for header, (setting, _, _, _, places) in table.items():
            say(device, f"{header} 1.25")
            error = say(device, "SYSTem:ERRor?")
            if setting in missing:
                assert error.startswith("-222")
                continue
            assert error.startswith("0"), (header, error)
            assert plant.setting(setting) == pytest.approx(1.25, abs=0.06)
            assert say(device, f"{header}?") == f"{plant.setting(setting):.{places}f}"
    say(load, "*RST")
    plant.advance(1.0)
    assert plant.value("load.power") == 0.0


def test_a_motor_on_the_load_bank_starts(card):
    plant = Plant(card(), start={"soc": 0.7, "grid.closed": 0})
    load = AcLoad(plant, "load", Options("ac_load", "load"))
    plant.advance(1.0)
    say(load, "MOTor:POWer 750")
    plant.advance(1.1)
    standing = plant.value("load.current")
    plant.advance(4.0)
    assert standing > 4.5 * plant.value("load.current")
