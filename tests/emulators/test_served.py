"""The served bench over the real wire: PyVISA, pyserial and pymodbus against the shipped loopback bench."""

import contextlib
import socket
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.cards.pairing import PairingCard, read_pairing
from benchrunner.errors import Refused
from benchrunner.sim.emulators import build
from benchrunner.sim.served import Server

SPAN = 20  # ports that the loopback bench may use


@pytest.fixture(scope="module")
def bench() -> Bench:
    return read_bench(data.find("loopback", "resources", "benches"))


@pytest.fixture(scope="module")
def pairing() -> PairingCard:
    return read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))


class Control:
    """A client of the control port."""

    def __init__(self, server: Server) -> None:
        self.socket = socket.create_connection(("127.0.0.1", server.control_port), timeout=60)
        self.file = self.socket.makefile("rwb")

    def __call__(self, line: str) -> str:
        self.file.write(line.encode() + b"\n")
        self.file.flush()
        return str(self.file.readline().decode().strip())

    def close(self) -> None:
        self.file.close()
        self.socket.close()


@pytest.fixture(scope="module")
def lockstep(bench: Bench, pairing: PairingCard) -> Iterator[tuple[Server, Control]]:
    with Server(
        bench, pairing, port_base=free_base(), lockstep=True, seed=5, start={"battery.soc": 0.945}
    ) as server:
        control = Control(server)
        yield server, control
        control.close()


@pytest.fixture
def served(lockstep: tuple[Server, Control]) -> tuple[Server, Control]:
    assert lockstep[1]("PREPARE soc=0.945") == "OK"
    return lockstep


@pytest.fixture(scope="module")
def manager() -> Iterator[Any]:
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@contextlib.contextmanager
def visa(manager: Any, server: Server, name: str, timeout: int = 1000) -> Iterator[Any]:
    place = next(p for p in server.places if p.name == name)
    resource = manager.open_resource(
        server.address(place), read_termination="\n", write_termination="\n", timeout=timeout
    )
    try:
        yield resource
    finally:
        resource.close()


def port(server: Server, name: str) -> int:
    return next(p.port for p in server.places if p.name == name)


def raw(server: Server, name: str) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port(server, name)), timeout=5)


def test_pyvisa_reads_and_sets(served: tuple[Server, Control], manager: Any) -> None:
    server, control = served
    with visa(manager, server, "load") as load, visa(manager, server, "bus_meter") as meter:
        assert load.query("*IDN?").startswith("Highmoor Training Laboratory,Simulated load bank,HTL-LB-01,")
        assert meter.query("FETCh?") == ",".join(["9.91E37"] * 7)
        load.write("POWer 3000.0;INPut ON")
        assert load.query("POWer?;INPut?;*OPC?") == "3000.0;1;1"
        assert control("ADVANCE 2.0") == "OK 2.0"
        values = [float(v) for v in meter.query("FETCh?").split(",")]
        assert values[0] == pytest.approx(230, abs=5)
        assert values[6] == pytest.approx(50, abs=0.01)
        watts = float(load.query("FETCh?").split(",")[2])
        assert watts == pytest.approx(3000, rel=0.03)
        assert load.query("SYST:ERR?") == '0,"No error"'


def test_the_same_values_in_memory_and_over_tcp(
    served: tuple[Server, Control], manager: Any, bench: Bench, pairing: PairingCard
) -> None:
    from benchrunner.sim.plant import Plant

    server, control = served
    plant = Plant(pairing, seed=5, start={"soc": 0.945})
    here = build(bench, plant, 5)
    names = ("bus_meter", "grid_meter", "pv_meter", "battery_meter", "load", "pv_source")
    with contextlib.ExitStack() as stack:
        there = {name: stack.enter_context(visa(manager, server, name)) for name in names}
        for text in ("POW 2500", "INP ON"):
            there["load"].write(text)
            there["load"].query("*OPC?")
            here["load"].receive(text.encode() + b"\n")
        there["pv_source"].query("IRR 800;:OUTP ON;*OPC?")
        here["pv_source"].receive(b"IRR 800;:OUTP ON\n")
        pairs = []
        for k in range(1, 60):
            t = k * 0.17
            control(f"ADVANCE {t!r}")
            for part in range(4):  # in other steps than over there
                plant.advance(t - 0.17 + (part + 1) * 0.0425 if part < 3 else t)
            for name in names if k % 2 else reversed(names):
                if k % 3:
                    here[name].receive(b"MEAS:VOLT?\n")  # and with other questions in between
                pairs.append((there[name].query("FETCh?"), here[name].receive(b"FETCh?\n").decode().strip()))
    assert len(pairs) > 300
    assert all(a == b for a, b in pairs)
    assert len({a for a, _ in pairs}) > 200


def test_pyserial_over_socket(served: tuple[Server, Control]) -> None:
    import serial

    server, _ = served
    with serial.serial_for_url(f"socket://127.0.0.1:{port(server, 'relays')}", timeout=2) as board:
        board.write(b"N?\r\n")
        assert board.readline().startswith(b"Highmoor Training Laboratory,Simulated relay board,HTL-RB-01,")
        board.write(b"R*?\r\n")
        assert board.readline() == b"1,1,1\r\n"


@pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are a POSIX thing; Windows uses socket://"
)
def test_pyserial_over_a_pseudo_terminal(served: tuple[Server, Control]) -> None:
    import serial

    server, control = served
    device = server.devices["relays"]
    with serial.Serial(str(device), 115200, timeout=2, exclusive=True) as board:
        board.write(b"W1=0\r\n")
        assert board.readline() == b"OK\r\n"
        control("ADVANCE 0.2")
        board.write(b"R*?\r\n")
        assert board.readline() == b"0,1,1\r\n"
    with serial.Serial(str(server.devices["interlock"]), timeout=2) as interlock:  # a client may come again
        interlock.write(b"I?\r\n")
        assert interlock.readline() == b"1\r\n"


def registers(server: Server, name: str, address: int, count: int, unit: int = 1) -> Any:
    from pymodbus.client import ModbusTcpClient

    client = ModbusTcpClient("127.0.0.1", port=port(server, name), timeout=2, retries=0)
    try:
        assert client.connect()
        return client.read_holding_registers(address, count=count, device_id=unit)
    finally:
        client.close()


def test_pymodbus_walks_the_sunspec_map(served: tuple[Server, Control]) -> None:
    server, control = served
    control("ADVANCE 3")
    for name, chain in (
        ("battery_monitor", [1, 802, 803]),
        ("battery_inverter", [1, 701, 714]),
        ("pv_inverter", [1, 701, 703, 704, 714]),
    ):
        assert registers(server, name, 40000, 2).registers == [0x5375, 0x6E53]
        found, at = [], 40002
        while True:
            model, length = registers(server, name, at, 2).registers
            if model == 0xFFFF:
                break
            found.append(model)
            at += 2 + length
        assert found == chain
    first = 40002 + 68
    block = registers(server, "battery_monitor", first, 64).registers
    scale = block[56] - 65536
    assert block[11] * 10.0**scale == pytest.approx(94.5, abs=1.1)  # the card allows 1 % and one digit
    assert block[37] * 10.0 ** (block[60] - 65536) == pytest.approx(3.33, abs=0.05)


def test_modbus_refusals(
    served: tuple[Server, Control],
) -> None:  # Modbus Application Protocol V1.1b3, chapter 7
    server, _ = served
    assert registers(server, "pv_inverter", 100, 2).exception_code == 2
    assert registers(server, "pv_inverter", 40300, 120).exception_code == 2
    assert registers(server, "pv_inverter", 40000, 2, unit=9).exception_code == 11
    from pymodbus.client import ModbusTcpClient

    with ModbusTcpClient("127.0.0.1", port=port(server, "pv_inverter"), timeout=2, retries=0) as client:
        assert client.write_register(40070, 1, device_id=1).exception_code == 2
        assert client.write_coil(0, True, device_id=1).exception_code == 1
    with ModbusTcpClient("127.0.0.1", port=port(server, "battery_inverter"), timeout=2, retries=0) as client:
        assert (
            client.write_register(40070, 1, device_id=1).exception_code == 1
        )  # nothing of it can be written
    with ModbusTcpClient("127.0.0.1", port=port(server, "pv_inverter"), timeout=2, retries=0) as client:
        assert client.read_coils(0, count=1, device_id=1).exception_code == 1


def test_lockstep_control(served: tuple[Server, Control], manager: Any) -> None:
    server, control = served
    assert control("NOW?") == "0.0"
    assert control("ADVANCE 0.25") == "OK 0.25"
    assert control("ADVANCE 100") == "OK 100.0"
    assert control("NOW?") == "100.0"
    for wrong in ("ADVANCE 99", "ADVANCE nan", "ADVANCE 1e300", "ADVANCE x", "HELLO", "", "FAULT nobody silent",
                  "FAULT load explode", "FAULT load silent times=3", "PREPARE soc=7", "PREPARE soc", "SEED x"):  # fmt: skip
        assert control(wrong).startswith("ERROR"), wrong
    assert control("ADVANCE 101") == "OK 101.0"
    with visa(manager, server, "bus_meter") as meter:
        before = meter.query("FETC?")
        assert control("SEED 6") == "OK"
        control("ADVANCE 101")
        other = meter.query("FETC?")
        assert control("SEED 5") == "OK"
        control("ADVANCE 101")
        assert meter.query("FETC?") == before != other


def test_no_control_port_in_real_time(bench: Bench, pairing: PairingCard) -> None:
    with Server(bench, pairing, port_base=free_base(), speed=1) as server:
        with pytest.raises(OSError):  # noqa: PT011 - refused or unreachable, as the system puts it
            socket.create_connection(("127.0.0.1", server.control_port), timeout=1)
        assert not any("lockstep" in line for line in server.describe())


def test_faults_on_the_wire(served: tuple[Server, Control], manager: Any) -> None:
    import pyvisa

    server, control = served
    control("ADVANCE 1")
    with visa(manager, server, "battery_meter", timeout=200) as meter:
        good = meter.query("FETC?")
        control("FAULT battery_meter silent count=1")
        with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
            meter.query("FETC?")
        assert meter.query("FETC?") == good
        control("FAULT battery_meter garbage count=1")
        meter.write("FETC?")
        assert meter.read_raw() != good.encode() + b"\n"
        control("FAULT battery_meter late count=1 seconds=0.4")
        with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
            meter.query("FETC?")
        time.sleep(0.3)
        assert (
            meter.query("*OPC?") == good
        )  # the late answer is still there: what a driver must guard against
    with visa(manager, server, "battery_meter", timeout=200) as meter:
        control("FAULT battery_meter drop count=1")
        with pytest.raises((pyvisa.errors.VisaIOError, OSError)):
            meter.query("FETC?")
    with visa(manager, server, "battery_meter") as meter:  # a new connection works
        assert meter.query("FETC?") == good


def test_modbus_faults(served: tuple[Server, Control]) -> None:
    from pymodbus.exceptions import ModbusException

    server, control = served
    control("ADVANCE 2")
    good = registers(server, "battery_monitor", 40070, 60).registers
    control("FAULT battery_monitor missing count=1")
    assert registers(server, "battery_monitor", 40070, 60).registers[11] == 0xFFFF
    control("FAULT battery_monitor garbage count=1")
    assert registers(server, "battery_monitor", 40070, 60).registers != good
    control("FAULT battery_monitor drop count=1")
    with pytest.raises(ModbusException):
        registers(server, "battery_monitor", 40070, 60)
    assert registers(server, "battery_monitor", 40070, 60).registers == good


def test_hostile_clients_harm_nobody(served: tuple[Server, Control], manager: Any) -> None:
    server, _ = served
    with visa(manager, server, "bus_meter") as meter:
        good = meter.query("*IDN?")
        for name in ("bus_meter", "relays", "battery_monitor", "grid_switch"):
            with raw(server, name) as client:
                client.sendall(bytes(range(256)) * 400)
        with raw(server, "bus_meter") as client:
            client.sendall(b"y" * 3_000_000)
        half = raw(server, "bus_meter")
        half.sendall(b"*ID")  # half a message, then gone
        half.close()
        deaf = raw(server, "bus_meter")
        deaf.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            for _ in range(2000):
                deaf.send(b"*IDN?\n" * 200)  # asks and never listens
        assert meter.query("*IDN?") == good
        deaf.close()
        assert meter.query("*IDN?") == good
    assert registers(server, "battery_monitor", 40000, 2).registers == [0x5375, 0x6E53]


def test_half_messages_of_two_clients_do_not_mix(served: tuple[Server, Control]) -> None:
    server, _ = served
    with raw(server, "load") as one, raw(server, "load") as two:
        one.sendall(b"POW")
        time.sleep(0.05)
        two.sendall(b"*OPC?\n")
        assert two.recv(100) == b"1\n"
        one.sendall(b"?\n")
        assert one.recv(100) == b"0.0\n"


def test_a_port_in_use_is_named(bench: Bench, pairing: PairingCard) -> None:
    base = free_base()
    with socket.socket() as one, socket.socket() as two:
        for taken, offset in ((one, 2), (two, 12)):
            taken.bind(("127.0.0.1", base + offset))
            taken.listen()
        with pytest.raises(Refused) as refused:
            Server(bench, pairing, port_base=base).start()
    wheres = [problem.where for problem in refused.value.problems]
    assert wheres == [f"127.0.0.1:{base + 2} (bus_meter)", f"127.0.0.1:{base + 12} (battery_monitor)"]
    assert "in use" in refused.value.problems[0].what
    with Server(bench, pairing, port_base=base):  # what had been opened is closed again
        pass


def test_loopback_only_and_a_clean_stop(bench: Bench, pairing: PairingCard) -> None:
    base = free_base()
    server = Server(bench, pairing, port_base=base, lockstep=True).start()
    client = raw(server, "load")
    devices = list(server.devices.values())
    assert devices or sys.platform == "win32"
    server.stop()
    server.stop()
    assert client.recv(10) == b""
    client.close()
    assert not any(device.is_symlink() for device in devices)
    for offset in range(SPAN):
        with pytest.raises(OSError):  # noqa: PT011
            socket.create_connection(("127.0.0.1", base + offset), timeout=0.5)
    with Server(bench, pairing, port_base=base), socket.socket() as other:
        other.bind(
            ("127.0.0.2", base + 2)
        )  # the same port of another address is free: nothing else was bound


def test_real_time_moves_and_latency_is_waited(bench: Bench, pairing: PairingCard, manager: Any) -> None:
    with Server(bench, pairing, port_base=free_base(), speed=10) as server:
        began, first = time.monotonic(), float(server.plant.now)
        time.sleep(0.5)
        moved = server.call(lambda: server.plant.now) - first
        assert moved == pytest.approx(10 * (time.monotonic() - began), rel=0.3)
    slow = build(bench, server.plant)["load"].latency
    assert slow == pytest.approx(0.008)
    with (
        Server(bench, pairing, port_base=free_base(), speed=1) as server,
        visa(manager, server, "load") as load,
    ):
        load.query("*OPC?")
        began = time.monotonic()
        for _ in range(10):
            load.query("*OPC?")
        assert (time.monotonic() - began) / 10 == pytest.approx(slow, abs=0.006)


def test_a_bench_in_memory_can_be_served_too(pairing: PairingCard) -> None:
    bench = read_bench(data.find("simulated", "resources", "benches"))
    base = free_base()
    with Server(bench, pairing, port_base=base, lockstep=True) as server:
        assert len(server.places) == len(bench.card.instruments)
        assert len({place.port for place in server.places}) == len(server.places)
        with raw(server, next(iter(bench.card.instruments))) as client:
            client.sendall(b"*OPC?\n")
            assert client.recv(10) == b"1\n"


def test_speed_must_make_sense(bench: Bench, pairing: PairingCard) -> None:
    for speed in (0.0, -1.0, 1e9):
        with pytest.raises(Refused):
            Server(bench, pairing, speed=speed)
