"""Replies that answer the query before: found by another question in between, in simulated and in real time."""

import math
from collections.abc import Callable

import pytest
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.instrument import PROVED_EVERY, Instrument, OutOfStepError
from benchrunner.bench.links import base
from benchrunner.bench.live import LiveHost
from benchrunner.bench.virtual import VirtualHost
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Fault, Input, Readings
from benchrunner.errors import LinkError
from benchrunner.sim.emulators import build

TEXT = ("bus_meter", "battery_meter", "load", "relays", "interlock", "grid_switch")
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


@pytest.mark.parametrize("name", TEXT)
def test_it_is_found_within_seconds(name: str, rig: Rig) -> None:
    of, emulators, plant = rig
    one = of[name]
    one.open()
    polls(one, plant, 3 * PROVED_EVERY)
    emulators[name].faults.add("previous")
    with pytest.raises(OutOfStepError, match="earlier queries"):
        polls(one, plant, PROVED_EVERY + 2 * one.part.period)
    assert not one.link.is_open


def test_another_instrument_at_the_address_is_found_too(rig: Rig) -> None:
    of, emulators, plant = rig
    one = of["bus_meter"]
    one.open()
    emulators["bus_meter"].scpi.identity = "Highmoor Training Laboratory,Simulated AC meter,HTL-AM-77,1.0"
    with pytest.raises(LinkError, match="HTL-AM-01") as caught:
        polls(one, plant, PROVED_EVERY + 1.0)
    assert not caught.value.fatal
    with pytest.raises(LinkError, match="serial number"):
        one.poll()


def take(next_: Callable[[float], Input | None], until: float) -> list[Input]:
    found = []
    while (item := next_(until)) is not None:
        found.append(item)
    return found


@pytest.mark.parametrize("live", [False, True])
def test_the_run_cannot_go_on(live: bool, rig: Rig) -> None:
    of, emulators, plant = rig
    host = LiveHost(of, rate=20.0) if live else VirtualHost(of, hosts.PlantMover(plant))
    if live:
        of["bus_meter"]._proved_every = 10.0  # polls; a test in real time cannot wait for long
    host.open()
    try:
        take(host.next, 1.0 if not live else 10.0)  # it has been polled well before
        emulators["bus_meter"].faults.add("previous")
        items = take(host.next, 2 * PROVED_EVERY if not live else 60.0)
    finally:
        host.close()
    faults = [item for item in items if isinstance(item, Fault) and item.fatal]
    assert faults
    assert "earlier queries" in faults[0].text
    there = [item for item in items if isinstance(item, Readings) and item.source == faults[0].source]
    assert any(all(math.isnan(value) for value in item.values) for item in there)
