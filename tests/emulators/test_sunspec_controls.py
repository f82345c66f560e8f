"""Controls of the simulated PV inverter over pymodbus: limit and connection act on the plant, revert, and refuse.

Offsets and types: the published SunSpec models 123, 703 and 704 (data in `resources/sunspec`); here they
are written out as numbers from the model's first register, so that a slip in our table shows.
"""

from collections.abc import Callable, Iterator

import pytest
from free_ports import free_base
from pymodbus.client import ModbusTcpClient
from stand_in import StandInPlant

from benchrunner import data
from benchrunner.cards import reading
from benchrunner.cards.bench import fit_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.sim.emulators import make
from benchrunner.sim.emulators.options import Options
from benchrunner.sim.emulators.sunspec import RegistersRefusedError
from benchrunner.sim.served import Server

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3  # Modbus Application Protocol V1.1b3, chapter 7
# register offsets from the model's ID (SunSpec models 704, 703, 123)
ENABLED, LIMIT, REVERT_LIMIT, REVERT_ENABLED, REVERT_AFTER, REVERT_LEFT = 14, 15, 16, 17, 18, 20
ENTER_SERVICE = 2
CONN_REVERT, CONN, OLD_LIMIT, OLD_REVERT, OLD_ENABLED = 3, 4, 5, 7, 9
RATED = 5000.0  # W, Corrie-5


def starts(read: Callable[[int, int], list[int]]) -> dict[int, int]:
    """Model -> address of its ID register."""
    found, at = {}, 40002
    while True:
        model, length = read(at, 2)
        if model == 0xFFFF:
            return found
        found[model] = at
        at += 2 + length


class Client:
    """The served PV inverter through pymodbus."""

    def __init__(self, port: int) -> None:
        self.modbus = ModbusTcpClient("127.0.0.1", port=port, timeout=2.0, retries=0)
        assert self.modbus.connect()
        self.at = starts(self.read)

    def read(self, address: int, count: int = 1) -> list[int]:
        return list(self.modbus.read_holding_registers(address, count=count, device_id=1).registers)

    def write(self, model: int, offset: int, *values: int) -> int:
        """The exception code of the answer, 0 for none."""
        reply = self.modbus.write_registers(self.at[model] + offset, list(values), device_id=1)
        return reply.exception_code if reply.isError() else 0


def served(older: bool) -> Iterator[tuple[Server, Client]]:
    text = data.find("simulated", "resources", "benches").read_text(encoding="utf-8")
    if older:
        head, rest = text.split("[instruments.pv_inverter]", 1)
        rest = rest.replace("inverter-sunspec", "inverter-sunspec-103", 1).replace(
            'address = "memory"', 'address = "memory"\nsimulated = { models = "103" }', 1
        )
        text = f"{head}[instruments.pv_inverter]{rest}"
    bench = fit_bench(reading.parse(text.encode(), "bench.toml"))
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    start = {"pv_inverter.on": 1.0, "pv_source.irradiance": 900.0, "soc": 0.5}
    with Server(bench, pairing, port_base=free_base(60), lockstep=True, start=start) as server:
        (port,) = [place.port for place in server.places if place.name == "pv_inverter"]
        client = Client(port)
        yield server, client
        client.modbus.close()


@pytest.fixture
def newer() -> Iterator[tuple[Server, Client]]:
    yield from served(older=False)


@pytest.fixture
def older() -> Iterator[tuple[Server, Client]]:
    yield from served(older=True)


def power(server: Server, seconds: float) -> float:
    """PV power of the plant so many seconds on, W."""

    def look() -> float:
        server.plant.advance(server.plant.now + seconds)
        return float(server.plant.value("pv.power"))

    return float(server.call(look))


def test_a_limit_acts_on_the_plant_is_read_back_and_reverts(newer: tuple[Server, Client]) -> None:
    server, client = newer
    free = power(server, 5.0)
    assert free > 0.75 * RATED
    assert client.write(704, LIMIT, 400) == 0
    assert power(server, 5.0) == pytest.approx(free, rel=0.02), "a limit that is not enabled limits nothing"
    assert client.write(704, REVERT_AFTER, 0, 30) == 0
    assert client.write(704, ENABLED, 1) == 0
    assert power(server, 10.0) == pytest.approx(0.4 * RATED, rel=0.01)
    at = client.at[704]
    assert client.read(at + ENABLED, 2) == [1, 400]
    assert client.read(at + REVERT_LEFT, 2) == [0, 20]
    assert power(server, 19.0) == pytest.approx(0.4 * RATED, rel=0.01)
    assert power(server, 11.0) == pytest.approx(free, rel=0.02)
    assert client.read(at + ENABLED, 2) == [0, 1000]
    assert client.read(at + REVERT_LEFT, 2) == [0, 0]


def test_the_reversion_values_come_into_force(newer: tuple[Server, Client]) -> None:
    server, client = newer
    assert client.write(704, ENABLED, 1, 200, 600, 1, 0, 10) == 0  # limit 20 %, from 10 s on 60 %
    assert power(server, 9.0) == pytest.approx(0.2 * RATED, rel=0.01)
    assert power(server, 6.0) == pytest.approx(0.6 * RATED, rel=0.01)
    assert client.read(client.at[704] + ENABLED, 2) == [1, 600]


def test_a_time_that_runs_begins_anew_when_the_control_is_written_again(newer: tuple[Server, Client]) -> None:
    server, client = newer
    assert client.write(704, ENABLED, 1, 200, 1000, 0, 0, 10) == 0
    power(server, 8.0)
    assert client.write(704, ENABLED, 1) == 0
    assert power(server, 8.0) == pytest.approx(0.2 * RATED, rel=0.01)
    assert client.write(704, ENABLED, 0) == 0
    assert power(server, 5.0) > 0.75 * RATED


def test_it_leaves_the_bus_and_comes_back_as_it_enters_service(newer: tuple[Server, Client]) -> None:
    server, client = newer
    assert power(server, 2.0) > 0.75 * RATED
    assert client.write(703, ENTER_SERVICE, 0) == 0
    assert abs(power(server, 1.0)) < 5.0
    assert abs(power(server, 200.0)) < 5.0
    assert client.read(client.at[703] + ENTER_SERVICE) == [0]
    assert client.write(703, ENTER_SERVICE, 1) == 0
    assert abs(power(server, 1.0)) < 5.0, "it waits before it enters service"
    assert power(server, 700.0) > 0.75 * RATED


def test_what_it_does_not_take_is_refused_whole(newer: tuple[Server, Client]) -> None:
    server, client = newer
    for model, offset, values, code in (
        (704, LIMIT, (1001,), ILLEGAL_VALUE),  # beyond 100.0 %
        (704, ENABLED, (2,), ILLEGAL_VALUE),
        (704, ENABLED, (1, 1001), ILLEGAL_VALUE),
        (704, LIMIT, (0xFFFF,), ILLEGAL_VALUE),  # the mark of a point that is not there
        (703, ENTER_SERVICE, (7,), ILLEGAL_VALUE),
        (704, REVERT_LEFT, (0, 5), ILLEGAL_ADDRESS),  # it counts down by itself
        (704, REVERT_AFTER, (0,), ILLEGAL_ADDRESS),  # half a point
        (704, 24, (0, 100), ILLEGAL_ADDRESS),  # WSet: not implemented
        (704, 54, (0,), ILLEGAL_ADDRESS),  # the scale factor
        (701, 10, (100,), ILLEGAL_ADDRESS),  # a measurement
        (1, 68, (5,), ILLEGAL_ADDRESS),
    ):
        assert client.write(model, offset, *values) == code, (model, offset, values)
    assert client.read(client.at[704] + ENABLED, 2) == [0, 1000]
    assert power(server, 3.0) > 0.75 * RATED


def test_the_older_model_limits_disconnects_and_reverts(older: tuple[Server, Client]) -> None:
    server, client = older
    free = power(server, 5.0)
    assert client.write(123, OLD_LIMIT, 30) == 0
    assert client.write(123, OLD_REVERT, 20) == 0
    assert client.write(123, OLD_ENABLED, 1) == 0
    assert power(server, 15.0) == pytest.approx(0.3 * RATED, rel=0.01)
    assert power(server, 15.0) == pytest.approx(free, rel=0.02)
    assert client.read(client.at[123] + OLD_ENABLED) == [0]
    assert client.write(123, CONN_REVERT, 30, 0) == 0  # for 30 s off the bus
    assert abs(power(server, 20.0)) < 5.0
    assert client.read(client.at[123] + CONN) == [0]
    power(server, 11.0)
    assert client.read(client.at[123] + CONN) == [1]
    assert power(server, 700.0) > 0.75 * RATED
    assert client.write(123, OLD_LIMIT, 101) == ILLEGAL_VALUE
    assert client.write(123, 10, 100) == ILLEGAL_ADDRESS  # power factor: not implemented


def test_a_battery_inverter_takes_no_orders() -> None:
    device = make(StandInPlant(), "one", Options("inverter", "battery_inverter"))
    with pytest.raises(RegistersRefusedError) as refused:
        device.write_registers(1, 40072, [1])
    assert refused.value.code == ILLEGAL_FUNCTION


def test_a_reboot_forgets_the_controls() -> None:
    plant = StandInPlant()
    device = make(plant, "one", Options("inverter", "pv_inverter"))
    at = starts(lambda address, count: device.read_registers(1, address, count))[704]
    device.write_registers(1, at + ENABLED, [1, 250])
    assert plant.settings["pv_inverter.cut_back"] == 0.75
    device.faults.add("reboot", at=1.0, seconds=2.0)
    plant.advance(1.5)
    with pytest.raises(TimeoutError):
        device.read_registers(1, at, 4)
    plant.advance(4.0)
    assert device.read_registers(1, at + ENABLED, 2) == [0, 1000]
    assert plant.settings["pv_inverter.cut_back"] == 0.0


def test_a_control_that_is_acknowledged_and_not_carried_out() -> None:
    plant = StandInPlant()
    device = make(plant, "one", Options("inverter", "pv_inverter"))
    at = starts(lambda address, count: device.read_registers(1, address, count))[704]
    device.faults.add("welded")
    device.write_registers(1, at + ENABLED, [1, 250])
    assert device.read_registers(1, at + ENABLED, 2) == [1, 250]
    assert plant.settings["pv_inverter.cut_back"] == 0.0
