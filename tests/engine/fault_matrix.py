"""Instruments that misbehave, one fault of one instrument from one moment on, and what a run may make of it.

The rule: a run ends refused, or made safe and sealed as not finished, or with the alarm that the safe state could not be
confirmed, or it finishes; never does it hang, never is a bench called safe that is not (the simulated plant knows), and
never does it pass on data that are not so: every passed check agrees with the undisturbed run within its uncertainty.
"""

import io
import json
import math
import random
import re
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from free_ports import free_base

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine import whole
from benchrunner.engine.process import run_request
from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify
from benchrunner.sim.served import Server

ROOT = Path(__file__).resolve().parents[2]
# the shipped bench has no instrument of these classes; on it they watch, and each stands on what the plant has there.
# A watchdog relay counts real time and is refused on a bench in simulated time: test_watchdog_relay.py
FURTHER = """
[instruments.analyser]
role = "analyser"
class = "power_analyser"
driver = "power-analyser-scpi"
address = "memory"
period = "200 ms"
update = "200 ms"
window = "200 ms"
channels = { voltage_1 = "analyser.bus_voltage", power_1 = "analyser.bus_power", voltage_2 = "analyser.pv_voltage", power_2 = "analyser.pv_power" }
simulated = { voltage_1_tap = "bus.voltage", power_1_tap = "battery_inverter.power", voltage_2_tap = "pv.voltage", power_2_tap = "pv.power" }

[instruments.multimeter]
role = "multimeter"
class = "multimeter"
driver = "multimeter-scpi"
address = "memory"
period = "500 ms"
simulated = { voltage_tap = "battery.voltage" }

[instruments.logger]
role = "logger"
class = "temperature_logger"
driver = "temperature-logger-scpi"
address = "memory"
period = "1 s"
simulated = { temperature_3_tap = "battery.temperature" }

[instruments.sun]
role = "sun"
class = "irradiance_sensor"
driver = "irradiance-sensor-ascii"
address = "memory"
period = "1 s"

[instruments.dc_source]
role = "dc_source"
class = "dc_source"
driver = "dc-source-scpi"
address = "memory"
period = "500 ms"

[instruments.dc_load]
role = "dc_load"
class = "dc_load"
driver = "dc-load-scpi"
address = "memory"
period = "500 ms"
"""
SHIPPED = (ROOT / "resources/benches/simulated.toml").read_text(encoding="utf-8")
CARD = SHIPPED.replace("[[guards]]", FURTHER + "\n[[guards]]", 1)
PROCEDURE = "load-rejection"
LONGEST = 180.0  # s of wall time for one run, on a busy machine
WIRE = ("drop", "silent", "late", "cut", "garbage", "previous")
DOWN = ("reboot", "unplugged")
VALUES = ("stuck", "overload", "missing")
METERS = ("bus_meter", "pv_meter", "grid_meter", "battery_meter")
SUNSPEC = ("battery_monitor", "battery_inverter", "pv_inverter")
WATCHING = ("analyser", "multimeter", "logger", "sun", "dc_source", "dc_load")
KINDS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(METERS, (*WIRE, *DOWN, *VALUES, "errors")),
    **dict.fromkeys(("load", "pv_source", "grid_source"), (*WIRE, *DOWN, *VALUES, "errors", "welded")),
    "grid_switch": (*WIRE, *DOWN, "stuck", "errors", "welded", "untrue"),
    "relays": (*WIRE, *DOWN, "stuck", "welded", "untrue"),
    "interlock": (*WIRE, *DOWN, "stuck"),
    "scope": (*WIRE, *DOWN, "errors"),
    # over Modbus TCP a reply carries the number of its query, so it cannot answer another one
    **dict.fromkeys(SUNSPEC, ("drop", "silent", "late", "cut", "garbage", *DOWN, *VALUES)),
    **dict.fromkeys(
        ("analyser", "multimeter", "logger", "dc_source", "dc_load"), (*WIRE, *DOWN, *VALUES, "errors")
    ),
    "sun": (*WIRE, *DOWN, *VALUES),
}
CLASSES = dict(re.findall(r'^\[instruments\.(\w+)\][^\n]*\n(?:[^\[\n]*\n)*?class = "(\w+)"', CARD, re.M))
DROP, SAFE = 164.0, 237.5  # s; just before the load is dropped, and while the bench is being made safe
TIMES = (0.0, 4.0, 100.0, DROP, 200.0, SAFE)  # s on the bench's clock
MOMENTS = dict(
    zip(TIMES, ("before", "energising", "with PV", "load drop", "at rest", "making safe"), strict=True)
)
DEAD = ("relays.pv_contactor", "relays.inverter_enable", "relays.battery_contactor", "grid.closed")
# closed with nothing on either side that drives a current: no meter of this bench can tell it from open
UNSEEN = ("relays.pv_contactor",)


@dataclass(frozen=True)
class Case:
    """One fault. `count`: for so many exchanges; 0: for good, but for a reboot, which takes 5 s."""

    instrument: str
    kind: str
    at: float
    count: int = 0

    def __str__(self) -> str:
        return f"{self.instrument}-{self.kind}-{self.at:g}" + (f"-{self.count}x" if self.count else "")

    def card(self) -> str:
        """The simulated bench with this fault."""
        return self.on(CARD)

    def on(self, card: str) -> str:
        """A bench card with this fault."""
        found = re.search(rf"^\[instruments\.{self.instrument}\][^\n]*\n(?:[^\[\n][^\n]*\n)*", card, re.M)
        assert found, self.instrument
        count = f', fault_count = "{self.count}"' if self.count else ""
        # "late" beyond every time-out of the drivers
        seconds = {"late": "8 s", "reboot": "5 s"}.get(self.kind, "0 s")
        fault = f'fault = "{self.kind}", fault_at = "{self.at} s", fault_seconds = "{seconds}"{count}'
        part = found[0]
        if "simulated = {" in part:
            return card.replace(part, part.replace("simulated = {", f"simulated = {{ {fault},"))
        head, rest = part.split("\n", 1)
        return card.replace(part, f"{head}\nsimulated = {{ {fault} }}\n{rest}")


def every_case() -> list[Case]:
    """The whole matrix, in the order of a seeded draw: a part of it is a sample."""
    lasting = [Case(name, kind, at) for name, kinds in KINDS.items() for kind in kinds for at in TIMES]
    passing = [
        Case(name, kind, DROP, 2) for name, kinds in KINDS.items() for kind in kinds if kind in WIRE[:5]
    ]
    cases = [*lasting, *passing]
    random.Random(4).shuffle(cases)
    return cases


@dataclass
class Outcome:
    """What became of a run."""

    ended: dict[str, Any] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    truth: dict[str, float] = field(default_factory=dict)  # of the plant, at the end
    card: str = ""  # the bench card's path

    @property
    def record(self) -> Record | None:
        return Record.open(self.ended["record"]) if self.ended.get("record") else None


class _Nobody:
    def take(self) -> list[dict[str, str]]:
        return []


def run_card(text: str, folder: Path, seed: int = 1, procedure: str = PROCEDURE) -> Outcome:
    """One run on a bench card in memory."""
    folder.mkdir(parents=True, exist_ok=True)
    card = folder / "bench.toml"
    card.write_text(text, encoding="utf-8")
    hosts: list[Any] = []
    build = whole.build_host

    def keep(*args: Any, **more: Any) -> Any:
        hosts.append(build(*args, **more))
        return hosts[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole, "build_host", keep)
        outcome = run(RunRequest(procedure, bench=str(card), out=str(folder), seed=seed))
    if hosts:
        outcome.truth = hosts[-1]._mover.plant.values()
    return outcome


def wire_card(text: str, folder: Path) -> str:
    """A card in memory with its instruments on the wire: TCP, Modbus TCP, and pseudo-terminals for the serial ones."""
    at = iter(range(1, 60))

    def where(match: re.Match[str]) -> str:
        name, part = match[1], match[0]
        link = {"relays": "serial", "interlock": "serial", "sun": "serial"}.get(name, "tcp")
        link = "modbus" if name in SUNSPEC else link
        port = next(at)
        address = {
            "serial": f"serial:{folder / name}", "modbus": f"modbus://127.0.0.1:{{port+{port}}}/1",
            "tcp": f"TCPIP0::127.0.0.1::{{port+{port}}}::SOCKET",
        }[link]  # fmt: skip
        if sys.platform == "win32" and link == "serial":
            address = f"socket://127.0.0.1:{{port+{port}}}"
        # a dead instrument costs a time-out of wall time for each question
        return part.replace('address = "memory"', f'address = "{address}"\ntimeout = "250 ms"')

    text = re.sub(r"^\[instruments\.(\w+)\][^\n]*\n(?:[^\[\n][^\n]*\n)*", where, text, flags=re.M)
    served = "[served]\nport_base = 27300\ncontrol = 0\n"
    return text.replace("[wiring]", f"{served}\n[wiring]", 1)


def run_wire(
    text: str, folder: Path, procedure: str = PROCEDURE, answers: dict[str, str] | None = None
) -> Outcome:
    """As `run_card`, on the wire: the bench is served in lockstep by a thread of this process."""
    folder.mkdir(parents=True, exist_ok=True)
    card = folder / "bench.toml"
    card.write_text(wire_card(text, folder), encoding="utf-8")
    pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
    with Server(read_bench(card), pairing, port_base=free_base(60), lockstep=True) as server:
        request = RunRequest(
            procedure,
            bench=str(card),
            out=str(folder),
            seed=1,
            port_base=server.control_port,
            answers=answers or {},
        )
        outcome = run(request)
        outcome.truth = server.call(lambda: server.plant.values())
    return outcome


def run(request: RunRequest, longest: float = LONGEST) -> Outcome:
    """A run in this process. Fails where it hangs, s of wall time."""
    outcome, sink = Outcome(card=str(request.bench)), io.StringIO()
    stream = EventStream(sink)

    def work() -> None:
        outcome.ended = run_request(request, stream, _Nobody())

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(longest)
    assert not thread.is_alive(), "the run hangs"
    stream.close()
    assert outcome.ended, "the run raised"
    outcome.events = [json.loads(line) for line in sink.getvalue().splitlines()]
    return outcome


def said(outcome: Outcome, *levels: str) -> list[str]:
    """The notes of these levels."""
    return [e["data"]["text"] for e in outcome.events if e["kind"] == "note" and e["data"]["level"] in levels]


def assert_dead(outcome: Outcome, but: tuple[str, ...] = ()) -> None:
    """The plant itself is as the run says that the bench is."""
    standing = {tap: outcome.truth[tap] for tap in DEAD if outcome.truth[tap] != 0.0 and tap not in but}
    assert not standing, f"called safe, but {standing}"
    assert outcome.truth["bus.voltage"] < 50.0


def assert_rule(case: Case, outcome: Outcome, honest: dict[str, dict[str, Any]], thorough: bool) -> str:
    """In one word what it came to. Raises `AssertionError` where the rule is broken."""
    ended = outcome.ended
    code, safe = ended["exit"], ended["safe"]
    assert code in (0, 1, 2, 3, 4, 5), ended
    if code == 2:
        assert not [e for e in outcome.events if e["kind"] == "order"]
        return "refused"
    record = outcome.record
    assert record is not None, "no record"
    assert record.header["exit"] == code
    if thorough:
        assert verify(ended["record"], allow_unsigned=True).ok
        again = record.rejudge()
        assert again.ok, again.says
    assert_no_silent_gap(case, outcome, record)
    if code == 5:
        assert safe == "not confirmed"
        assert any("COULD NOT BE CONFIRMED" in text for text in said(outcome, "alarm"))
        return "alarm"
    assert safe == "confirmed"
    assert_dead(outcome, UNSEEN if case.kind == "untrue" else ())
    if code == 4:
        assert ended["finished"] is False
        assert record.header["finished"] is False
        return "made safe"
    assert ended["finished"] is True
    if code in (1, 3):
        return "no pass"
    for check in record.checks:
        other = honest[f"{check['step']}/{check['id']}"]
        if check["uncertainty"] is None and "was not read for" in check["reason"]:
            continue  # a code has no uncertainty that could cover what was not seen: the check says so in words
        off = abs(check["value"] - other["value"])
        u = max(check["uncertainty"] or 0.0, other["uncertainty"] or 0.0)
        assert off <= u + 1e-9, f"passes with {check['value']}, undisturbed {other['value']}, U {u}"
    return "passed"


def assert_no_silent_gap(case: Case, outcome: Outcome, record: Record) -> None:
    """Each poll stands in the record, as a reading or as one that is missing; where a link failed, words say so."""
    rows = record.readings
    own = rows[rows["channel"].isin(channels_of(outcome, case.instrument))]
    for channel, of_one in own.groupby("channel", observed=True):
        times = of_one["time"].to_numpy()
        period = float(np.median(np.diff(times))) if len(times) > 2 else math.inf
        assert len(times) < 3 or np.diff(times).max() < 2.5 * period, f"a gap without a word in {channel}"
    blank = own["value"].isna() & ~own["overloaded"]
    if case.kind in (*WIRE, *DOWN) and blank.any() and case.at < float(own["time"].max()) - 2.0:
        named = [text for text in said(outcome, "warning", "alarm") if f"{case.instrument} at" in text]
        reason = outcome.ended.get("reason", "")
        # a meter on a dead circuit has no frequency to show, in an undisturbed run too
        all_blank = own.groupby("time")["value"].agg(lambda values: values.isna().all())
        assert named or case.instrument in reason or not all_blank.any(), (
            "readings are missing and nothing says so"
        )


def channels_of(outcome: Outcome, instrument: str) -> list[str]:
    """The polled channels of an instrument."""
    bench = read_bench(outcome.card)
    return [placed.channel for placed in bench.placed(instrument)]


def honest_checks(outcome: Outcome) -> dict[str, dict[str, Any]]:
    """The checks of the undisturbed run, by step and id."""
    assert outcome.ended["exit"] == 0, outcome.ended
    record = outcome.record
    assert record is not None
    return {f"{check['step']}/{check['id']}": check for check in record.checks}
