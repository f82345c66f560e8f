"""Instruments that misbehave, one fault of one instrument from one moment on, and what a run may make of it.

The rule: a run ends refused, or made safe and sealed as not finished, or with the alarm that the safe state could not be
confirmed, or it finishes; never does it hang, never is a bench called safe that is not (the simulated plant knows), and
never does it pass on data that are not so: every passed check agrees with the undisturbed run within its uncertainty.
"""

import io
import json
import re
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchrunner.engine import whole
from benchrunner.engine.process import run_request
from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

ROOT = Path(__file__).resolve().parents[2]
CARD = (ROOT / "resources/benches/simulated.toml").read_text(encoding="utf-8")
PROCEDURE = "load-rejection"
LONGEST = 180.0  # s of wall time for one run, on a busy machine
WIRE = ("drop", "silent", "late", "cut", "garbage", "previous")
VALUES = ("stuck", "overload", "missing")
METERS = ("bus_meter", "pv_meter", "grid_meter", "battery_meter")
SUNSPEC = ("battery_monitor", "battery_inverter", "pv_inverter")
KINDS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(METERS, (*WIRE, *VALUES, "errors")),
    **dict.fromkeys(("load", "pv_source", "grid_source"), (*WIRE, *VALUES, "errors", "welded")),
    "grid_switch": (*WIRE, "stuck", "errors", "welded"),
    "relays": (*WIRE, "stuck", "welded"),
    "interlock": (*WIRE, "stuck"),
    "scope": (*WIRE, "errors"),
    **dict.fromkeys(SUNSPEC, ("drop", "silent", "late", "cut", "garbage", *VALUES)),
}
# s on the bench's clock: before the start, energising, alone with PV coming back, just before and in the drop, at rest,
# while the bench is being made safe
TIMES = (0.0, 4.0, 100.0, 154.5, 200.0, 226.2)
DEAD = ("relays.pv_contactor", "relays.inverter_enable", "relays.battery_contactor", "grid.closed")


@dataclass(frozen=True)
class Case:
    """One fault. `count`: for so many exchanges; 0: for good."""

    instrument: str
    kind: str
    at: float
    count: int = 0

    def __str__(self) -> str:
        return f"{self.instrument}-{self.kind}-{self.at:g}" + (f"-{self.count}x" if self.count else "")

    def card(self) -> str:
        """The simulated bench with this fault."""
        head = re.search(rf"^\[instruments\.{self.instrument}\][^\n]*\n", CARD, re.M)
        assert head, self.instrument
        count = f', fault_count = "{self.count}"' if self.count else ""
        # "late" beyond every time-out of the drivers
        fault = f'simulated = {{ fault = "{self.kind}", fault_at = "{self.at} s", fault_seconds = "8 s"{count} }}\n'
        return CARD.replace(head[0], head[0] + fault)


def every_case() -> list[Case]:
    """The whole matrix."""
    lasting = [Case(name, kind, at) for name, kinds in KINDS.items() for kind in kinds for at in TIMES]
    passing = [
        Case(name, kind, 154.5, 2) for name, kinds in KINDS.items() for kind in kinds if kind in WIRE[:5]
    ]
    return [*lasting, *passing]


@dataclass
class Outcome:
    """What became of a run."""

    ended: dict[str, Any] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    truth: dict[str, float] = field(default_factory=dict)  # of the plant, at the end

    @property
    def record(self) -> Record | None:
        return Record.open(self.ended["record"]) if self.ended.get("record") else None


class _Nobody:
    def take(self) -> list[dict[str, str]]:
        return []


def run_card(text: str, folder: Path, seed: int = 1) -> Outcome:
    """One run on a bench card, in this process. Fails where it hangs."""
    folder.mkdir(parents=True, exist_ok=True)
    card = folder / "bench.toml"
    card.write_text(text, encoding="utf-8")
    outcome, sink, hosts = Outcome(), io.StringIO(), []
    stream = EventStream(sink)
    build = whole.build_host

    def keep(*args: Any, **more: Any) -> Any:
        hosts.append(build(*args, **more))
        return hosts[-1]

    def work() -> None:
        request = RunRequest(PROCEDURE, bench=str(card), out=str(folder), seed=seed)
        outcome.ended = run_request(request, stream, _Nobody())

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whole, "build_host", keep)
        thread = threading.Thread(target=work, daemon=True)
        thread.start()
        thread.join(LONGEST)
        assert not thread.is_alive(), "the run hangs"
    stream.close()
    assert outcome.ended, "the run raised"
    outcome.events = [json.loads(line) for line in sink.getvalue().splitlines()]
    if hosts:
        outcome.truth = hosts[-1]._mover.plant.values()
    return outcome


def said(outcome: Outcome, *levels: str) -> list[str]:
    """The notes of these levels."""
    return [e["data"]["text"] for e in outcome.events if e["kind"] == "note" and e["data"]["level"] in levels]


def assert_dead(outcome: Outcome) -> None:
    """The plant itself is as the run says that the bench is."""
    standing = {tap: outcome.truth[tap] for tap in DEAD if outcome.truth[tap] != 0.0}
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
    if code == 5:
        assert safe == "not confirmed"
        assert any("COULD NOT BE CONFIRMED" in text for text in said(outcome, "alarm"))
        return "alarm"
    assert safe == "confirmed"
    assert_dead(outcome)
    if code == 4:
        assert ended["finished"] is False
        assert record.header["finished"] is False
        return "made safe"
    assert ended["finished"] is True
    if code in (1, 3):
        return "no pass"
    for check in record.checks:
        other = honest[f"{check['step']}/{check['id']}"]
        off = abs(check["value"] - other["value"])
        u = max(check["uncertainty"] or 0.0, other["uncertainty"] or 0.0)
        assert off <= u + 1e-9, f"passes with {check['value']}, undisturbed {other['value']}, U {u}"
    if case.kind in ("drop", "silent", "garbage", "cut") and case.instrument in METERS and case.at < 200:
        assert said(outcome, "warning"), "nothing was said of it"
    return "passed"


def honest_checks(outcome: Outcome) -> dict[str, dict[str, Any]]:
    """The checks of the undisturbed run, by step and id."""
    assert outcome.ended["exit"] == 0, outcome.ended
    record = outcome.record
    assert record is not None
    return {f"{check['step']}/{check['id']}": check for check in record.checks}
