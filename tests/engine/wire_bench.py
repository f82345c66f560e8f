"""One bench on every kind of wire at once, and a run over it held against the same run in memory.

TCP sockets by PyVISA and by our own link, raw serial by pyserial on pseudo-terminals, Modbus TCP and Modbus RTU by
pymodbus (RTU: two units on one line). In lockstep, so that both runs see the same plant at the same times.
"""

import re
import sys
import time
import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from fault_matrix import ROOT, Outcome, run
from free_ports import free_base

from benchrunner import data
from benchrunner.bench.links import tcp
from benchrunner.bench.wire import connect
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.request import RunRequest
from benchrunner.record.opened import Record
from benchrunner.sim.served import Server

PROCEDURES = tuple(sorted(path.stem for path in (ROOT / "procedures").glob("*.toml")))
ELSEWHERE = {"wiring-proof-legs": ("simulated-three-phase", "fell15-ridge12")}
SERIAL = ("relay_board", "interlock", "irradiance_sensor", "watchdog_relay")
MODBUS = ("inverter", "battery_monitor")
LONGEST = 3600.0  # s of wall time for one run: some last for hours on the bench's clock
LINKS = ("pyvisa", "pyvisa-serial", "socket", "pyserial", "modbus-tcp", "modbus-rtu")
_PART = re.compile(r"^\[instruments\.(\w+)\][^\n]*\n(?:[^\[\n][^\n]*\n)*", re.M)


@dataclass
class Compared:
    """A run over the wire beside its run in memory; readings of the wire by kind of link."""

    procedure: str
    wire: Outcome
    memory: Outcome
    readings: dict[str, int]
    seconds: tuple[float, float]  # of wall time: wire, memory

    def row(self) -> str:
        """One row of the table."""
        counts = " | ".join(str(self.readings.get(link, 0)) for link in LINKS)
        wire, memory = self.seconds
        return f"| {self.procedure} | {self.wire.ended['exit']} | {counts} | {wire:.1f} | {memory:.1f} |"


HEAD = f"| procedure | exit | {' | '.join(LINKS)} | wire, s | memory, s |\n|---|---:|" + "---:|" * (
    len(LINKS) + 2
)


def on_wires(text: str, folder: Path) -> tuple[str, dict[str, str]]:
    """A card in memory with its instruments on all kinds of links, and which instrument is on which."""
    places: dict[str, str] = {}
    ports = {"next": 0, "tcp": 0, "rtu": 0}

    def where(match: re.Match[str]) -> str:
        name, part = match[1], match[0]
        klass = re.search(r'^class = "(\w+)"', part, re.M)
        if klass is None:
            return part
        ports["next"] += 1
        port = f"{{port+{ports['next']}}}"
        if klass[1] in MODBUS:
            if sys.platform != "win32" and ports["rtu"] < 2:
                ports["rtu"] += 1
                places[name], address = "modbus-rtu", f"rtu:{folder / 'line'}/{ports['rtu']}"
            else:
                places[name], address = "modbus-tcp", f"modbus://127.0.0.1:{port}/1"
        elif klass[1] in SERIAL:
            places[name] = "pyserial"
            posix = sys.platform != "win32"
            address = f"serial:{folder / name}" if posix else f"socket://127.0.0.1:{port}"
        else:
            ports["tcp"] += 1
            kinds = ("pyvisa", "socket", "pyvisa-serial" if sys.platform != "win32" else "socket")
            places[name] = kinds[(ports["tcp"] - 1) % 3]
            address = f"TCPIP0::127.0.0.1::{port}::SOCKET"
            if places[name] == "pyvisa-serial":
                address = f"ASRL{folder / name}::INSTR"
        return part.replace('address = "memory"', f'address = "{address}"')

    text = _PART.sub(where, text)
    return text.replace("[wiring]", "[served]\nport_base = 27300\ncontrol = 0\n\n[wiring]", 1), places


def compare(procedure: str, folder: Path, seed: int = 1) -> Compared:
    """The same run over the wire and in memory. Fails where an instrument is not on the link that it should be."""
    bench, pairing = ELSEWHERE.get(procedure, ("simulated", "tarn6-corrie5"))
    folder.mkdir(parents=True, exist_ok=True)
    shipped = data.find(bench, "resources", "benches").read_text(encoding="utf-8")
    text, places = on_wires(shipped, folder)
    card = folder / "bench.toml"
    card.write_text(text, encoding="utf-8")
    path = ROOT / "resources/answers" / f"{procedure}.toml"
    answers = tomllib.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    more: dict[str, Any] = {"pairing": pairing, "seed": seed, "answers": answers}
    began = time.monotonic()
    memory = run(RunRequest(procedure, bench=bench, out=str(folder / "memory"), **more), LONGEST)
    in_memory = time.monotonic() - began
    twin = read_pairing(data.find(pairing, "resources", "pairings"))
    with (
        Server(read_bench(card), twin, port_base=free_base(60), lockstep=True) as server,
        pytest.MonkeyPatch.context() as patch,
    ):
        ports = {place.port: places[place.name] for place in server.places if place.link == "tcp"}
        plain = tcp.is_plain_socket
        patch.setattr(
            tcp, "is_plain_socket", lambda at: plain(at) and ports.get(int(at.split("::")[2])) != "pyvisa"
        )
        kinds = {name: one.link for name, one in connect(read_bench(card), server.control_port).items()}
        for name, link in kinds.items():
            assert type(link).__name__ == CLASSES[places[name]], (name, link)
        began = time.monotonic()
        request = RunRequest(
            procedure, bench=str(card), out=str(folder / "wire"), port_base=server.control_port, **more
        )
        wire = run(request, LONGEST)
        over_wire = time.monotonic() - began
    return Compared(procedure, wire, memory, counted(wire, places), (over_wire, in_memory))


CLASSES = {
    "pyvisa": "VisaLink", "pyvisa-serial": "VisaLink", "socket": "SocketLink", "pyserial": "SerialLink", "modbus-tcp": "ModbusLink",
    "modbus-rtu": "ModbusRtuLink",
}  # fmt: skip


def counted(outcome: Outcome, places: dict[str, str]) -> dict[str, int]:
    """Readings in the record by kind of link."""
    record = outcome.record
    assert record is not None, outcome.ended
    bench = read_bench(outcome.card)
    of = {placed.channel: places[name] for name in places for placed in bench.placed(name)}
    found: Counter[str] = Counter()
    for channel, count in record.readings["channel"].value_counts().items():
        found[of[str(channel)]] += int(count)
    return dict(found)


def assert_alike(compared: Compared) -> None:
    """Outcome, checks with their values, and every reading: the same over the wire as in memory."""
    wire, memory = compared.wire, compared.memory
    for key in ("exit", "verdict", "safe", "finished", "ended_by"):
        assert wire.ended.get(key) == memory.ended.get(key), (key, wire.ended, memory.ended)
    on_wire, in_memory = wire.record, memory.record
    assert isinstance(on_wire, Record) and isinstance(in_memory, Record)
    assert checks(on_wire) == checks(in_memory)
    assert on_wire.header["digests"]["readings"] == in_memory.header["digests"]["readings"]
    assert all(
        compared.readings.get(link) for link in LINKS if sys.platform != "win32" or link != "modbus-rtu"
    )


def checks(record: Record) -> list[tuple[Any, ...]]:
    """The checks of a record, as far as they must be the same."""
    return [(c["step"], c["id"], c["value"], c["uncertainty"], c["verdict"]) for c in record.checks]
