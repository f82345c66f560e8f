"""The whole bench on the wire of this machine: PyVISA, pyserial and pymodbus against the served instruments."""

import contextlib
import math
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from free_ports import free_base
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.hosts import build_host
from benchrunner.bench.links import base
from benchrunner.bench.live import LiveHost
from benchrunner.bench.virtual import VirtualHost
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.core.messages import ArmOrder, Captured, Fault, Input, OrderDone, Readings, SetOrder
from benchrunner.errors import Refused
from benchrunner.sim.served import Server

PAIRING = Path(__file__).parents[2] / "resources/pairings/tarn6-corrie5.toml"


@pytest.fixture(scope="module")
def pairing() -> PairingCard:
    return read_pairing(PAIRING)


@pytest.fixture(autouse=True)
def _runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture
def steady(loopback: Bench) -> Iterator[tuple[Server, int, SteadyPlant]]:
    """The bench served in real time at ten times the pace, on a plant of constants."""
    plants: list[SteadyPlant] = []

    def plant(seed: int, start: dict[str, float]) -> SteadyPlant:
        plants.append(SteadyPlant())
        return plants[-1]

    port = free_base()
    with Server(loopback, plant_from=plant, port_base=port, speed=10.0) as server:
        yield server, port, plants[-1]


def collect(host: VirtualHost | LiveHost, until: float) -> list[Input]:
    found = []
    while (item := host.next(until)) is not None:
        found.append(item)
    return found


def scripted(host: VirtualHost) -> list[Input]:
    """Load, sun, grid loss with a capture, return; the same orders at the same times."""
    host.open()
    host.submit(SetOrder(1, "pv_source.irradiance", 900.0))
    host.submit(SetOrder(2, "load.power", 2000.0))
    found = collect(host, 2.0)
    host.submit(
        ArmOrder(3, "scope", ("bus.voltage", "battery.current"), "bus.voltage", 15.0, 0.3, 0.1, 20_000.0)
    )
    found += collect(host, 2.5)
    host.submit(SetOrder(4, "grid.closed", 0.0))
    found += collect(host, 5.0)
    host.submit(SetOrder(5, "relays.pv_contactor", 0.0))
    found += collect(host, 7.0)
    host.close()
    return found


def test_lockstep_gives_the_values_of_memory(simulated: Bench, loopback: Bench, pairing: PairingCard) -> None:
    """Every input of both runs, bit for bit: 44 channels over sockets, a serial line and Modbus."""
    start = {"battery.soc": 0.9}
    memory = build_host(simulated, pairing, "max", seed=3, start=start)
    assert isinstance(memory, VirtualHost)
    first = scripted(memory)
    port = free_base()
    with Server(loopback, pairing, lockstep=True, port_base=port) as _:
        wire = build_host(loopback, pairing, "max", seed=3, start=start, port_base=port)
        assert isinstance(wire, VirtualHost)
        second = scripted(wire)
    assert len(first) == len(second) > 400
    for a, b in zip(first, second, strict=True):
        if isinstance(a, Captured) and isinstance(b, Captured):
            assert (a.ok, a.start, a.trigger, a.rate, a.channels) == (
                b.ok,
                b.start,
                b.trigger,
                b.rate,
                b.channels,
            )
            assert np.array_equal(a.samples, b.samples)
        else:
            assert repr(a) == repr(b)
    done = {i.order: i for i in first if isinstance(i, OrderDone)}
    assert all(done[k].ok for k in (1, 2, 3, 4, 5)), done
    (caught,) = [i for i in first if isinstance(i, Captured)]
    assert caught.ok, caught.text
    # the switch opened at 2.5 s; a trigger on the measured edge comes within a few cycles, the record 0.1 s before it
    assert 2.5 <= caught.trigger < 2.6
    assert caught.start == pytest.approx(caught.trigger - 0.1, abs=2 / caught.rate)
    assert caught.samples.shape == (2, pytest.approx(0.4 * caught.rate, abs=2))
    assert np.abs(caught.samples[0]).max() > 300


def test_a_served_bench_that_dies_is_a_fatal_fault(loopback: Bench) -> None:
    port = free_base()
    server = Server(
        loopback, plant_from=lambda seed, start: SteadyPlant(), lockstep=True, port_base=port
    ).start()
    host = build_host(loopback, None, "max", port_base=port)
    host.open()
    assert not [i for i in collect(host, 1.0) if isinstance(i, Fault)]  # type: ignore[arg-type]
    server.stop()
    host.submit(SetOrder(1, "load.power", 100.0, safety=True))
    items = collect(host, 1.5)  # type: ignore[arg-type]
    host.close()
    assert [i.source for i in items if isinstance(i, Fault) and i.fatal] == [-1], "once, and naming the bench"
    (done,) = [i for i in items if isinstance(i, OrderDone)]
    assert not done.ok
    assert all(math.isnan(v) for i in items if isinstance(i, Readings) and i.at > 1.1 for v in i.values)


def test_no_control_port_is_refused(loopback: Bench) -> None:
    """No control port: the refusal says what to start."""
    with pytest.raises(Refused, match="lockstep"):
        build_host(loopback, None, "max", port_base=free_base())


def test_a_bench_that_is_not_there_is_one_problem(loopback: Bench) -> None:
    """Not one for each of its instruments: the mend is the same for all, to start the bench."""
    host = build_host(loopback, None, 1.0, port_base=free_base())
    with pytest.raises(Refused) as caught:
        host.open()
    (problem,) = caught.value.problems
    first, *others = loopback.card.instruments
    assert problem.where.startswith(first) and f"all {len(others)} others" in problem.where
    assert "benchrunner serve" in problem.mend
    host.close()


def test_single_instruments_that_are_not_there_are_each_named(loopback: Bench) -> None:
    """Where others of the bench answer, the bench is there."""
    base = free_base()
    silent = {"bus_meter", "battery_meter"}
    answering = [
        part.at(base).split("::")[2]
        for name, part in loopback.card.instruments.items()
        if name not in silent and part.at(base).startswith("TCPIP")
    ]
    with contextlib.ExitStack() as stack:
        for port in answering:
            stack.enter_context(socket.create_server(("127.0.0.1", int(port))))
        host = build_host(loopback, None, 1.0, port_base=base)
        with pytest.raises(Refused) as caught:
            host.open()
        named = {problem.where.split(" at ")[0] for problem in caught.value.problems}
        assert silent <= named and len(caught.value.problems) == len(named)
        host.close()


def test_live_run(loopback: Bench, steady: tuple[Server, int, SteadyPlant]) -> None:
    _, port, plant = steady
    host = build_host(loopback, None, 10.0, port_base=port)
    assert isinstance(host, LiveHost)
    host.open()
    rows = host.identify()
    assert len(rows) == 14 and all("Highmoor" in row["identity"] for row in rows)
    assert host.next(0.0) is None, "the clock starts with the run, not with opening the links"
    host.submit(SetOrder(1, "load.power", 1500.0))
    host.submit(SetOrder(2, "relays.pv_contactor", 0.0))
    host.submit(SetOrder(3, "load.power", 9000.0))
    host.submit(SetOrder(4, "load.colour", 1.0))
    began = time.monotonic()
    items = collect(host, 12.0)
    assert 1.0 < time.monotonic() - began < 2.5
    host.close()
    arrived = [i.arrived for i in items]
    assert arrived == sorted(arrived)
    done = {i.order: i for i in items if isinstance(i, OrderDone)}
    assert done[1].ok and done[1].read_back == 1500.0
    assert done[2].ok and plant.numbers["relays.pv_contactor"] == 0.0
    assert not done[3].ok and "out of range" in done[3].text
    assert not done[4].ok
    assert not [i for i in items if isinstance(i, Fault) and i.fatal]
    readings = [i for i in items if isinstance(i, Readings)]
    seen = {i.source for i in readings}
    assert seen == set(range(13))
    for item in readings:
        assert item.at <= item.arrived
        assert item.spread >= (item.arrived - item.at) * 0.3
    number = list(loopback.card.instruments).index("battery_meter")
    assert any(abs(i.values[0] - 53.2) < 0.1 for i in readings if i.source == number)


def test_one_dead_instrument_holds_up_no_other(
    loopback: Bench, steady: tuple[Server, int, SteadyPlant], monkeypatch: pytest.MonkeyPatch
) -> None:
    server, port, _ = steady
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.3)
    host = build_host(loopback, None, 10.0, port_base=port)
    host.open()
    assert isinstance(host, LiveHost)
    collect(host, 3.0)
    server.call(lambda: server.fault("bus_meter", "drop"))
    items = collect(host, 13.0)
    server.call(lambda: server.fault("bus_meter", "clear"))
    back = collect(host, 30.0)
    host.close()
    names = [n for n, part in loopback.card.instruments.items() if part.period > 0 and n != "scope"]
    dead = names.index("bus_meter")
    lost = [i for i in items if isinstance(i, Readings) and i.source == dead]
    assert lost and any(all(math.isnan(v) for v in i.values) for i in lost)
    faults = [i for i in items if isinstance(i, Fault)]
    assert faults and {i.source for i in faults if "missed" not in i.text} == {dead}
    assert any(port_text in faults[0].text for port_text in (f"::{port + 2}::",))
    others = [i for i in items if isinstance(i, Readings) and i.source == names.index("battery_meter")]
    assert len(others) >= 8 and not any(math.isnan(i.values[0]) for i in others)
    last = [i for i in back if isinstance(i, Readings) and i.source == dead][-1]
    assert last.values[0] == pytest.approx(230, abs=1)


def test_safety_orders_go_first(loopback: Bench, steady: tuple[Server, int, SteadyPlant]) -> None:
    """On one link, an order that makes safe overtakes what waits there."""
    _, port, plant = steady
    instruments = connect(loopback, port, ["relays"])
    host = LiveHost(instruments, 10.0)
    host.open()
    for k in range(5):
        host.submit(SetOrder(k, "relays.battery_contactor", float(k % 2)))
    host.submit(SetOrder(9, "relays.pv_contactor", 0.0, safety=True))
    done = [i.order for i in collect(host, 5.0) if isinstance(i, OrderDone)]
    host.close()
    assert sorted(done) == [0, 1, 2, 3, 4, 9]
    order = [name for _, name, _ in plant.sets]
    assert order.index("relays.pv_contactor") <= 2


def test_a_bench_cannot_be_half_in_memory(loopback: Bench) -> None:
    parts = dict(loopback.card.instruments)
    parts["load"] = parts["load"].model_copy(update={"address": "memory"})
    mixed = Bench(
        loopback.card.model_copy(update={"instruments": parts}),
        loopback.drivers,
        loopback.document,
        loopback.driver_documents,
    )
    with pytest.raises(Refused, match="mixes"):
        hosts.build_host(mixed, None)
