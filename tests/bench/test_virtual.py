"""The bench in simulated time, on a plant of constants: order, times, read-backs, repeats, faults, determinism."""

import math
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.links import base
from benchrunner.bench.plan import sources_and_channels
from benchrunner.bench.virtual import VirtualHost
from benchrunner.cards.bench import Bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.core.messages import ArmOrder, Captured, Fault, Input, OrderDone, Readings, SetOrder
from benchrunner.sim.emulators import build

ROOT = Path(__file__).parents[2]
Making = Callable[..., tuple[VirtualHost, SteadyPlant]]


def sources_of(host: VirtualHost) -> list[str]:
    """The instruments behind the source numbers, in order."""
    return [source.instrument.name for source in host._sources]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "REOPEN_AFTER", 0.02)


@pytest.fixture
def make(simulated: Bench) -> Making:
    def made(
        follow: float = 0.0, seed: int = 1, speed: float | None = None
    ) -> tuple[VirtualHost, SteadyPlant]:
        plant = SteadyPlant(follow)
        emulators = build(simulated, plant, seed)
        instruments = {name: hosts.memory_instrument(simulated, name, e) for name, e in emulators.items()}
        host = VirtualHost(instruments, hosts.PlantMover(plant), speed)
        host.emulators = emulators  # type: ignore[attr-defined]
        host.open()
        return host, plant

    return made


def drain(host: VirtualHost, until: float) -> list[Input]:
    found = []
    while (item := host.next(until)) is not None:
        found.append(item)
    return found


def test_sources_are_numbered_as_in_the_plan(make: Making, simulated: Bench) -> None:
    host, _ = make()
    sources, _, _ = sources_and_channels(simulated)
    assert sources_of(host) == [source.name for source in sources]
    for reading in drain(host, 1.1):
        assert isinstance(reading, Readings)
        assert len(reading.values) == len(sources[reading.source].channels)


def test_times_of_readings(make: Making) -> None:
    """A reading's time is the middle of its exchange less the card's latency; half of window and update widen it."""
    host, _ = make()
    items = drain(host, 10.0)
    assert [i.arrived for i in items] == sorted(i.arrived for i in items)
    number = sources_of(host).index("battery_meter")
    ours = [i for i in items if isinstance(i, Readings) and i.source == number]
    assert len(ours) == 99  # every 100 ms from 100 ms on; the last one's reply comes after 10 s
    assert ours[0].arrived == pytest.approx(0.103)
    assert ours[0].at == pytest.approx(0.1 + 0.0015 - 0.003)
    assert ours[0].spread == pytest.approx((0.003 + 0.05 + 0.05) / 2)
    assert ours[-1].at - ours[0].at == pytest.approx(98 * 0.1)
    assert host.now == 10.0


def test_values_have_the_meters_accuracy(make: Making) -> None:
    host, plant = make()
    number = sources_of(host).index("battery_meter")
    for item in drain(host, 5.0):
        if isinstance(item, Readings) and item.source == number:
            assert abs(item.values[0] - plant.numbers["battery.voltage"]) < 3e-4 * 53.2 + 0.01 + 0.001


def test_orders_are_carried_out_and_read_back(make: Making) -> None:
    host, plant = make()
    drain(host, 1.0)
    host.submit(SetOrder(7, "load.power", 1234.5))
    host.submit(SetOrder(8, "grid.closed", 0.0, safety=True))
    done = {i.order: i for i in drain(host, 1.5) if isinstance(i, OrderDone)}
    assert done[7].ok and done[7].read_back == 1234.5
    assert done[8].ok and done[8].read_back == 0.0
    assert (1.0, "load.power", 1234.5) in plant.sets and (1.0, "grid.closed", 0.0) in plant.sets
    assert 1.06 <= done[8].arrived <= 1.1, "after the contact's settling time"


def test_a_slow_contact_is_waited_for_and_a_stuck_one_reported(make: Making) -> None:
    host, _ = make(follow=0.2)
    host.submit(SetOrder(1, "grid.closed", 0.0))
    (done,) = [i for i in drain(host, 2.0) if isinstance(i, OrderDone)]
    assert done.ok and 0.2 <= done.arrived < 0.35
    host, _ = make(follow=100.0)
    host.submit(SetOrder(1, "grid.closed", 0.0))
    (done,) = [i for i in drain(host, 2.0) if isinstance(i, OrderDone)]
    assert not done.ok and done.read_back == 1.0 and "reads 1" in done.text


@pytest.mark.parametrize(
    ("setting", "value", "text"),
    [
        ("load.power", 7001.0, "out of range"),
        ("load.colour", 1.0, "no setting"),
        ("grid.closed", 0.5, "switch"),
    ],
)
def test_orders_that_cannot_be(make: Making, setting: str, value: float, text: str) -> None:
    host, plant = make()
    host.submit(SetOrder(1, setting, value))
    (done,) = [i for i in drain(host, 0.5) if isinstance(i, OrderDone)]
    assert not done.ok and text in done.text
    assert plant.sets == []


def test_same_seed_same_run_other_seed_other_noise(make: Making) -> None:
    first, second, third = (drain(make(seed=seed)[0], 3.0) for seed in (5, 5, 6))
    assert repr(first) == repr(second)
    assert repr(first) != repr(third)


def test_how_it_is_asked_does_not_change_what_is_read(make: Making) -> None:
    """Ticks of any length between the inputs leave them as they are."""
    whole = drain(make()[0], 3.0)
    host, _ = make()
    pieces = []
    for k in range(1, 301):
        pieces += drain(host, k * 0.01)
    assert repr(pieces) == repr(whole)


def test_replies_taken_in_one_go_are_those_taken_one_by_one(make: Making) -> None:
    """Orders in between, too: what waits aside joins everything else, in the same order and with the same clock."""

    def acts(item: Input) -> bool:
        return isinstance(item, Readings) and item.source in (4, 7) and int(item.at * 10) % 3 == 0

    def script(host: VirtualHost, at_once: bool) -> list[Input]:
        found: list[Input] = []
        for k in range(1, 60):
            while True:
                batch = host.replies(k * 0.05) if at_once else []
                count = next((n for n, item in enumerate(batch, 1) if acts(item)), len(batch))
                if count:
                    host.taken(count)
                    found += batch[:count]
                    assert host.now == found[-1].arrived
                elif (item := host.next(k * 0.05)) is not None:
                    found.append(item)
                else:
                    break
                if acts(found[-1]):
                    host.submit(SetOrder(len(found), "load.power", 100.0 + len(found)))
        return found

    one_by_one, at_once = script(make()[0], False), script(make()[0], True)
    assert sum(isinstance(item, OrderDone) for item in at_once) > 3
    assert [repr(item) for item in at_once] == [repr(item) for item in one_by_one]


def test_a_paced_bench_hands_out_nothing_in_one_go(make: Making) -> None:
    host, _ = make(speed=100.0)
    assert host.replies(0.2) == []
    assert host.next(0.2) is not None


def test_repeats_of_one_update_are_flagged(make: Making) -> None:
    """The load updates every 200 ms; asked every 50 ms, three of four replies are the same update."""
    host, _ = make()
    number = sources_of(host).index("load")
    host._sources[number].period = 0.05
    host._begin_polls()
    readings = [i for i in drain(host, 5.0) if isinstance(i, Readings) and i.source == number][8:]
    mask = sum(1 << (32 + k) for k in range(3))
    repeats = sum(1 for r in readings if r.flags == mask)
    assert all(r.flags in (0, mask) for r in readings)
    assert repeats / len(readings) == pytest.approx(0.75, abs=0.05)
    for before, after in pairwise(readings):
        if after.flags:
            assert before.values == after.values


def test_an_instrument_that_stops_answering(make: Making) -> None:
    """NaN at every poll for the stale guards, a word now and then for people, and it comes back."""
    host, _ = make()
    number = sources_of(host).index("bus_meter")
    link = host.instruments["bus_meter"].link
    honest = link._receive  # type: ignore[attr-defined]
    drain(host, 1.0)
    link._receive = lambda data: b""  # type: ignore[attr-defined]
    dead = drain(host, 3.0)
    link._receive = honest  # type: ignore[attr-defined]
    time.sleep(0.03)
    back = drain(host, 4.0)
    lost = [i for i in dead if isinstance(i, Readings) and i.source == number]
    faults = [i for i in dead if isinstance(i, Fault)]
    assert len(lost) == 20 and all(math.isnan(v) for r in lost[1:] for v in r.values)
    assert 1 <= len(faults) <= 4 and not any(f.fatal for f in faults)
    assert "bus_meter at memory" in faults[0].text
    assert any(isinstance(i, Fault) and "answers again" in i.text for i in back)
    last = [i for i in back if isinstance(i, Readings) and i.source == number][-1]
    assert last.values[0] == pytest.approx(230, abs=1)


FAULTS: list[tuple[str, dict[str, float]]] = [
    ("drop", {}), ("silent", {}), ("late", {"seconds": 5.0}), ("cut", {"keep": 3}), ("cut", {"keep": 20}),
    ("garbage", {}), ("overload", {}), ("missing", {}),
]  # fmt: skip
NOT_OF_ALL = {
    "overload": ("bus_meter",),
    "missing": ("bus_meter",),
    "cut": ("bus_meter", "interlock"),
    "garbage": ("bus_meter", "interlock"),
}


@pytest.mark.parametrize(
    ("name", "kind", "how"),
    [
        (name, kind, how)
        for name in ("bus_meter", "interlock", "battery_monitor")
        for kind, how in FAULTS
        if name
        in NOT_OF_ALL.get(kind, (name,))  # registers are neither cut nor garbled, contacts have no range
    ],
)
def test_no_fault_brings_a_number(make: Making, name: str, kind: str, how: dict[str, float]) -> None:
    """However an instrument misbehaves, what comes is NaN, and once it behaves again it is read again."""
    host, _ = make()
    number = sources_of(host).index(name)
    drain(host, 3.05)
    faults = host.emulators[name].faults  # type: ignore[attr-defined]
    faults.add(kind, **how)
    lost = [i for i in drain(host, 6.15) if isinstance(i, Readings) and i.source == number]
    faults.clear()
    time.sleep(1.1 * base.REOPEN_AFTER)
    back = [i for i in drain(host, 9.15) if isinstance(i, Readings) and i.source == number]
    assert lost and all(math.isnan(v) for i in lost for v in i.values)
    assert (any(i.flags for i in lost)) == (kind == "overload")
    assert not any(math.isnan(v) for v in back[-1].values)


def test_an_order_to_a_dead_instrument_fails(make: Making) -> None:
    host, _ = make()
    host.instruments["load"].link._receive = lambda data: b""  # type: ignore[attr-defined]
    host.submit(SetOrder(1, "load.power", 100.0))
    (done,) = [i for i in drain(host, 0.15) if isinstance(i, OrderDone)]
    assert not done.ok and "load at memory" in done.text


def test_pacing(make: Making) -> None:
    host, _ = make(speed=10.0)
    began = time.monotonic()
    drain(host, 2.0)
    assert 0.18 < time.monotonic() - began < 0.6


def test_arming_an_absent_channel_or_role(make: Making) -> None:
    host, _ = make()
    host.submit(ArmOrder(1, "scope", ("pv.power",), "bus.voltage", 5.0, 1.0, 0.2, 20_000.0))
    host.submit(ArmOrder(2, "camera", ("bus.voltage",), "bus.voltage", 5.0, 1.0, 0.2, 20_000.0))
    done = {i.order: i for i in drain(host, 0.5) if isinstance(i, OrderDone)}
    assert not done[1].ok and "pv.power" in done[1].text
    assert not done[2].ok and "camera" in done[2].text


def test_a_second_capture_ends_the_first(make: Making) -> None:
    host, _ = make()
    scope = host.instruments["scope"]
    scope.arm = lambda order: None  # type: ignore[method-assign]
    scope.triggered = lambda: False  # type: ignore[method-assign]
    for order in (1, 2):
        host.submit(ArmOrder(order, "scope", ("bus.voltage",), "bus.voltage", 5.0, 1.0, 0.2, 20_000.0))
    ended = [i for i in drain(host, 0.5) if isinstance(i, Captured)]
    assert [(c.order, c.ok) for c in ended] == [(1, False)]


def test_polling_costs_little_beyond_the_emulator(make: Making) -> None:
    """Less than 6 us for seven values in memory, beyond what the emulator takes; the best of many on a busy machine."""
    host, _ = make()
    instrument = host.instruments["bus_meter"]
    assert instrument._single is not None
    message = instrument._single[0]
    receive = host.emulators["bus_meter"].receive  # type: ignore[attr-defined]

    def best(what: Callable[[], object]) -> float:
        times = []
        for _ in range(30):
            began = time.perf_counter()
            for _ in range(300):
                what()
            times.append((time.perf_counter() - began) / 300)
        return min(times)

    assert best(instrument.poll) - best(lambda: receive(message)) < 6e-6


def test_a_dead_link_rests_for_exchanges_and_not_for_wall_time(
    make: Making, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same run twice gives the same readings, however busy the machine is."""
    monkeypatch.setattr(base, "REOPEN_AFTER", 100.0)

    def readings() -> list[tuple[float, ...]]:
        host, _ = make()
        number = sources_of(host).index("bus_meter")
        drain(host, 1.05)
        host.emulators["bus_meter"].faults.add("drop", count=4)  # type: ignore[attr-defined]
        return [i.values for i in drain(host, 5.0) if isinstance(i, Readings) and i.source == number]

    first, second = readings(), readings()
    lost = [k for k, values in enumerate(first) if any(math.isnan(v) for v in values)]
    assert lost == [k for k, values in enumerate(second) if any(math.isnan(v) for v in values)]
    assert 4 <= len([k for k in lost if k >= 10]) <= 12, lost
    assert not any(math.isnan(v) for v in first[-1])


def test_a_safety_order_opens_a_resting_link_at_once(make: Making) -> None:
    host, plant = make()
    faults = host.emulators["relays"].faults  # type: ignore[attr-defined]
    faults.add("drop")
    drain(host, 2.0)
    faults.clear()
    assert not host.instruments["relays"].link.is_open
    host.submit(SetOrder(1, "relays.pv_contactor", 0.0, safety=True))
    (done,) = [i for i in drain(host, host.now + 0.15) if isinstance(i, OrderDone)]
    assert done.ok
    assert plant.numbers["relays.pv_contactor"] == 0.0


def test_a_recorder_that_gives_up_says_so(simulated: Bench) -> None:
    pairing = read_pairing(ROOT / "resources/pairings/tarn6-corrie5.toml")
    for spoil in ("ABORt", "moved past"):
        host = hosts.memory_host(simulated, pairing)
        host.open()
        host.submit(ArmOrder(1, "scope", ("bus.voltage",), "bus.voltage", 50.0, 1.0, 0.2, 20_000.0))
        drain(host, 1.0)
        if spoil == "ABORt":
            host.instruments["scope"].link.write(b"ABORt\n")
        else:  # the plant runs away under it, past what the recorder can still see
            host._mover.plant.set("grid.closed", 0.0)  # type: ignore[attr-defined]
            host._mover.advance(60.0)
        (failed,) = [i for i in drain(host, 62.0) if isinstance(i, Captured)]
        assert not failed.ok
        assert "gave the capture up" in failed.text
        assert ("-230" in failed.text) == (spoil == "moved past")
        host.close()


@pytest.mark.parametrize("name", ["bus_meter", "battery_meter", "battery_monitor"])
def test_a_frozen_display_is_no_reading(make: Making, name: str) -> None:
    """`settled` would pass on it, and a maximum would be what it showed before the event."""
    host, _ = make()
    number = sources_of(host).index(name)
    after = host.instruments[name].part.frozen_after
    assert after > 0
    drain(host, 20.0)
    host.emulators[name].faults.add("stuck")  # type: ignore[attr-defined]
    items = drain(host, 20.0 + after + 3.0)
    host.emulators[name].faults.clear()  # type: ignore[attr-defined]
    ours = [i for i in items if isinstance(i, Readings) and i.source == number]
    early = [i for i in ours if i.at < 20.0 + after - 1.0]
    late = [i for i in ours if i.at > 20.0 + after + 1.0]
    assert not any(math.isnan(v) for i in early for v in i.values)
    assert late
    assert all(math.isnan(v) for i in late for v in i.values)
    assert any(isinstance(i, Fault) and "frozen" in i.text for i in items)
    back = [i for i in drain(host, host.now + 3.0) if isinstance(i, Readings) and i.source == number]
    assert not any(math.isnan(v) for v in back[-1].values)


def test_a_meter_on_a_dead_circuit_is_not_called_frozen(make: Making) -> None:
    host, _ = make()
    number = sources_of(host).index("battery_meter")
    link = host.instruments["battery_meter"].link
    honest = link._receive  # type: ignore[attr-defined]
    link._receive = lambda data: b"0.000,0.00,0.0\n" if data == b"FETCh?\n" else honest(data)  # type: ignore[attr-defined]
    ours = [i for i in drain(host, 10.0) if isinstance(i, Readings) and i.source == number]
    assert ours[-1].values == (0.0, 0.0, 0.0)
