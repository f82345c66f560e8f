"""What the time of a reading means: on a ramp each value tells when it was true, in simulated and in real time alike."""

from itertools import pairwise

import pytest
from conftest import bench_of, instrument_text
from free_ports import free_base
from plants import SteadyPlant

from benchrunner.bench import hosts
from benchrunner.bench.live import LiveHost
from benchrunner.bench.virtual import VirtualHost, time_of_reading
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import Bench
from benchrunner.core.messages import Readings
from benchrunner.sim.emulators import build
from benchrunner.sim.served import Server

PORTS = free_base()
START, SLOPE = 100.0, 10.0  # V, V/s
LATENCY, WINDOW, UPDATE = 0.008, 0.01, 0.014  # s; the first as the driver card of a load says
DIGIT = 0.5 * 0.01 / SLOPE  # s, what rounding to 0.01 V may move


class RampPlant(SteadyPlant):
    """Every voltage rises by SLOPE, so that a mean over a window is the value at its middle."""

    def window_mean(self, taps, t_from, t_to):  # type: ignore[no-untyped-def]
        found = super().window_mean(taps, t_from, t_to)
        for place, tap in enumerate(taps):
            if self.taps[int(tap)].endswith("voltage"):
                found[place] = START + SLOPE * (t_from + t_to) / 2
        return found


@pytest.fixture(scope="module")
def card() -> Bench:
    text = f"[served]\nport_base = {PORTS}\n" + instrument_text(
        "load", "load", "ac_load", "ac-load-scpi", "TCPIP0::127.0.0.1::{port+1}::SOCKET",
        f'update = "{UPDATE * 1e3:g} ms"\nwindow = "{WINDOW * 1e3:g} ms"',
    ).replace('"300 ms"', '"1 s"')  # fmt: skip
    bench = bench_of(text, simulated=True)
    assert bench.drivers["load"].latency == LATENCY
    return bench


def ages(readings: list[Readings], offset: float) -> list[float]:
    """For each reading its time less the moment at which its value was true, s. `offset`: plant time at bench time 0."""
    return [item.at + offset - (item.values[0] - START) / SLOPE for item in readings]


@pytest.fixture(scope="module")
def simulated_time(card: Bench) -> tuple[list[Readings], list[float]]:
    plant = RampPlant()
    instruments = {n: hosts.memory_instrument(card, n, e) for n, e in build(card, plant, 1).items()}
    host = VirtualHost(instruments, hosts.PlantMover(plant))
    host.open()
    found = []
    while (item := host.next(5.0)) is not None:
        assert isinstance(item, Readings)
        found.append(item)
    return found, ages(found, 0.0)


@pytest.fixture(scope="module")
def real_time(card: Bench) -> tuple[list[Readings], list[float]]:
    with Server(card, plant_from=lambda seed, start: RampPlant()) as server:
        host = LiveHost(connect(card, PORTS))
        host.open()
        found: list[Readings] = []
        while host.now < 3.0:
            item = host.next(host.now + 0.1)
            if isinstance(item, Readings):
                found.append(item)
        assert host._clock._zero is not None
        offset = server.clock._offset + host._clock._zero - server.clock._began
        host.close()
    return found, ages(found, offset)


def test_in_simulated_time_each_value_was_true_within_the_stated_uncertainty(simulated_time) -> None:  # type: ignore[no-untyped-def]
    found, age = simulated_time
    assert len(found) == 49
    for item, one in zip(found, age, strict=True):
        assert item.spread == pytest.approx((LATENCY + WINDOW + UPDATE) / 2)
        assert abs(one) <= item.spread + DIGIT


def test_in_real_time_too(real_time) -> None:  # type: ignore[no-untyped-def]
    """However long the exchange took on a busy machine: half of it stands in the uncertainty."""
    found, age = real_time
    assert len(found) > 10
    for item, one in zip(found, age, strict=True):
        assert item.spread >= (LATENCY + WINDOW + UPDATE) / 2
        assert abs(one) <= item.spread + DIGIT
    assert all(one.at < other.at for one, other in pairwise(found))


def test_both_mean_the_same(simulated_time, real_time) -> None:  # type: ignore[no-untyped-def]
    """The least disturbed exchanges on the wire beside those in memory: the same age within a fraction of the uncertainty."""
    (memory, ours), (wire, theirs) = simulated_time, real_time
    quickest = sorted(zip(wire, theirs, strict=True), key=lambda pair: pair[0].spread)[:5]
    middle = sum(ours) / len(ours)
    for item, one in quickest:
        assert abs(one - middle) <= (item.spread + memory[0].spread) / 2


def test_an_exchange_shorter_than_the_card_says_is_not_dated_before_it_was_asked_for() -> None:
    assert time_of_reading(10.0, 0.1, 0.03) == pytest.approx(10.02)  # the middle less the latency
    assert time_of_reading(10.0, 0.03, 0.03) == pytest.approx(9.985)
    assert time_of_reading(10.0, 0.004, 0.03) == pytest.approx(9.998)  # asking lies within half the exchange
