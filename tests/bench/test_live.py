"""The bench in real time: what goes first on a link, what is dropped, and that no owner is lost."""

import threading
import time
from collections.abc import Callable, Iterator

import pytest
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.live import LiveHost
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Fault, Input, OrderDone, Readings, SetOrder
from benchrunner.sim.emulators import build

Making = Callable[[], tuple[LiveHost, SteadyPlant]]


@pytest.fixture
def make(simulated: Bench) -> Iterator[Making]:
    """The simulated bench's emulators on a plant of constants, each with an owner of its own."""
    running: list[LiveHost] = []

    def made() -> tuple[LiveHost, SteadyPlant]:
        plant = SteadyPlant()
        emulators = build(simulated, plant, 1)
        host = LiveHost({name: hosts.memory_instrument(simulated, name, e) for name, e in emulators.items()})
        host.open()
        running.append(host)
        return host, plant

    yield made
    for host in running:
        host.close()


def until(host: LiveHost, holds: Callable[[Input], bool], patience: float = 5.0) -> list[Input]:
    """The inputs up to the first that `holds`."""
    found: list[Input] = []
    end = time.monotonic() + patience
    while time.monotonic() < end:
        item = host.next(host.now + 0.05)
        if item is not None:
            found.append(item)
            if holds(item):
                return found
    raise AssertionError(f"did not come within {patience} s: {found[-5:]}")


def done(number: int) -> Callable[[Input], bool]:
    return lambda item: isinstance(item, OrderDone) and item.order == number


def busy(host: LiveHost, name: str) -> threading.Event:
    """Keep the owner of an instrument busy until the event is set."""
    free, begun = threading.Event(), threading.Event()

    def wait() -> None:
        begun.set()
        free.wait(5.0)

    host._begin()
    host._owners[name]._add(0, 0.0, wait)
    assert begun.wait(2.0)
    return free


def test_an_order_is_carried_out_and_read_back(make: Making) -> None:
    host, plant = make()
    host.submit(SetOrder(1, "load.power", 1200.0))
    (*_, last) = until(host, done(1))
    assert isinstance(last, OrderDone)
    assert (last.ok, last.read_back) == (True, 1200.0)
    assert [(name, value) for _, name, value in plant.sets] == [("load.power", 1200.0)]


def test_a_safety_order_goes_first_and_the_waiting_ordinary_ones_are_dropped(make: Making) -> None:
    """Carried out after it, `load.on` would switch the load on again."""
    host, plant = make()
    free = busy(host, "load")
    host.submit(SetOrder(1, "load.power", 3000.0))
    host.submit(SetOrder(2, "load.on", 1.0))
    host.submit(SetOrder(3, "load.on", 0.0, safety=True))
    free.set()
    items = until(host, done(3))
    outcome = {item.order: item for item in items if isinstance(item, OrderDone)}
    assert outcome[3].ok
    assert not outcome[1].ok
    assert not outcome[2].ok
    assert "being made safe" in outcome[1].text
    host.submit(SetOrder(4, "load.on", 1.0))
    late = until(host, done(4))[-1]
    assert isinstance(late, OrderDone)
    assert not late.ok
    time.sleep(0.3)
    assert [(name, value) for _, name, value in plant.sets] == [("load.on", 0.0)]


def test_orders_waiting_on_other_links_are_dropped_too(make: Making) -> None:
    host, plant = make()
    free = busy(host, "relays")
    host.submit(SetOrder(1, "relays.inverter_enable", 1.0))
    host.submit(SetOrder(2, "load.on", 0.0, safety=True))
    until(host, done(2))
    free.set()
    time.sleep(0.3)
    assert [(name, value) for _, name, value in plant.sets] == [("load.on", 0.0)]


def test_an_owner_that_fails_says_so_and_still_carries_out_safety_orders(make: Making) -> None:
    host, plant = make()

    def broken() -> None:
        raise ZeroDivisionError("a fault of the program")

    host._begin()
    host._owners["load"]._add(0, 0.0, broken)
    fault = until(host, lambda item: isinstance(item, Fault))[-1]
    assert isinstance(fault, Fault)
    assert fault.fatal
    assert "ZeroDivisionError" in fault.text
    host.submit(SetOrder(1, "load.on", 0.0, safety=True))
    last = until(host, done(1))[-1]
    assert isinstance(last, OrderDone)
    assert last.ok
    assert plant.sets


def test_a_slow_instrument_holds_up_nobody_else(make: Making) -> None:
    host, _ = make()
    free = busy(host, "load")
    items = until(host, lambda item: item.arrived > 1.0)
    free.set()
    names = [owner.instrument.name for owner in host._owners.values() if owner.source is not None]
    counts = {name: 0 for name in names}
    for item in items:
        if isinstance(item, Readings):
            counts[names[item.source]] += 1
    assert counts["bus_meter"] >= 7
    assert counts["load"] == 0


def test_closing_ends_every_thread(make: Making) -> None:
    host, _ = make()
    until(host, lambda item: isinstance(item, Readings))
    host.close()
    assert not [owner for owner in host._owners.values() if owner.thread.is_alive()]
    assert all(owner.thread.daemon for owner in host._owners.values())
