"""Settings that change without an order: found while the run lasts, whatever changed them; what an order moves is not taken for it."""

import pytest
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.instrument import HELD_EVERY, Instrument, LostSettingError
from benchrunner.bench.links import base
from benchrunner.bench.virtual import VirtualHost
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Fault, OrderDone, SetOrder
from benchrunner.sim.emulators import build

Rig = tuple[dict[str, Instrument], dict, SteadyPlant]


@pytest.fixture
def rig(simulated: Bench, monkeypatch: pytest.MonkeyPatch) -> Rig:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.0)
    plant = SteadyPlant(0.0)
    emulators = build(simulated, plant, 1)
    return {n: hosts.memory_instrument(simulated, n, e) for n, e in emulators.items()}, emulators, plant


def polls(one: Instrument, plant: SteadyPlant, seconds: float) -> None:
    for _ in range(round(seconds / one.part.period)):
        plant.advance(plant.now + one.part.period)
        one.poll()


def order(one: Instrument, setting: str, value: float) -> None:
    one.send(setting, value)
    assert one.followed(setting, value, one.read_back(setting))
    one.hold(setting, value)


def test_a_setting_that_somebody_changed_is_named(rig: Rig) -> None:
    of, _, plant = rig
    load = of["load"]
    load.open()
    order(load, "power", 1200.0)
    order(load, "on", 1.0)
    polls(load, plant, 10.0)  # as it was set: nothing to say
    found = load._settings["on"].part
    assert found.command is not None and found.words is not None
    load.link.write(load.message(found.command.replace("{value}", found.words.off)))  # at the front panel
    with pytest.raises(LostSettingError, match="on: reads 0, where 1 was set") as caught:
        polls(load, plant, 3 * HELD_EVERY)
    assert caught.value.fatal and "load" in caught.value.problem.where


def test_what_another_order_moves_is_no_loss(rig: Rig) -> None:
    """All phases of a grid source follow the one voltage; a trigger goes back by itself."""
    of, _, plant = rig
    grid = of["grid_source"]
    grid.open()
    order(grid, "voltage_l1", 225.0)
    order(grid, "voltage", 231.0)
    order(grid, "program_voltage", 150.0)
    grid.hold("program_triggered", 1.0)
    grid.send("voltage", 228.0)  # and this ends a program
    grid.hold("voltage", 228.0)
    polls(grid, plant, 20.0)
    assert "program_triggered" not in grid._held and len(grid._held) == 3


def test_the_run_is_told_that_it_cannot_go_on(rig: Rig) -> None:
    """An instrument that restarts has its settings of the factory, and answers as if nothing had been."""
    of, emulators, plant = rig
    host = VirtualHost({"load": of["load"]}, hosts.PlantMover(plant))
    host.open()
    host.submit(SetOrder(1, "load.power", 1500.0))
    host.submit(SetOrder(2, "load.on", 1.0))
    found = []
    while host.now < 8.0:
        item = host.next(host.now + 0.1)
        if item is not None:
            found.append(item)
        if host.now > 4.0 and "reset" not in of:
            emulators["load"].receive(b"*RST\n")
            of["reset"] = of["load"]
    assert [item.ok for item in found if isinstance(item, OrderDone)] == [True, True]
    (fault, *_) = [item for item in found if isinstance(item, Fault)]
    assert fault.fatal and "lost its settings" in fault.text and 4.0 < fault.arrived < 4.0 + 3 * HELD_EVERY


def test_a_reply_that_was_right_is_wrong_after_another_order(rig: Rig) -> None:
    """The reply to compare with is that to the last order, not one of before."""
    of, _, plant = rig
    load = of["load"]
    load.open()
    order(load, "power", 1200.0)
    polls(load, plant, 5.0)
    order(load, "power", 800.0)
    found = load._settings["power"].part
    assert found.command is not None
    load.link.write(load.message(found.command.replace("{value}", "1200")))  # what it was before, by hand
    with pytest.raises(LostSettingError, match="power: reads 1200, where 800 was set"):
        polls(load, plant, 3 * HELD_EVERY)
