"""A small run as the engine would journal it: two meters, ticks, an order, a capture, checks, an ending. All invented."""

from pathlib import Path
from typing import Any

import numpy as np

from benchrunner.core.messages import (
    Answer,
    Captured,
    Event,
    Fault,
    Input,
    Operator,
    OrderDone,
    Readings,
    SetOrder,
    Tick,
)
from benchrunner.core.plan import Channel, RunPlan, SafeStep, Source
from benchrunner.procedure.running import (
    Condition,
    GroupCheck,
    PlannedCapture,
    PlannedCheck,
    PlannedGuard,
    PlannedOrder,
    PlannedStep,
    RunningOrder,
    StartCondition,
    Trigger,
)
from benchrunner.record.facts import RunFacts, Verbatim
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

STARTED = "2026-03-02T09:15:00.000Z"
PROGRAM = {
    "name": "benchrunner",
    "version": "0.0.test",
    "python": "3.11",
    "platform": "test",
    "libraries": {},
}


def plan(seed: int = 1, simulated: bool = True) -> RunPlan:
    """Load rejection on Tarn-6 with Corrie-5, cut to two steps."""
    channels = {
        "bus.voltage": Channel("bus.voltage", "V", 0.001, 0.3, 0.01, 0.2, 0.2),
        "bus.frequency": Channel("bus.frequency", "Hz", 0.0, 0.005, 0.001, 0.2, 0.2),
        "battery.voltage": Channel("battery.voltage", "V", 0.0005, 0.02, 0.001, 0.1, 0.1),
        "battery.current": Channel("battery.current", "A", 0.002, 0.1, 0.01, 0.1, 0.1, evaluated=False),
    }
    peak = PlannedCheck(
        "battery-peak", "peak", "battery.voltage", "V", None, 58.4, "guarded", "Battery peak", needs="waveform",
        arguments={"level": 58.0, "other": "bus.voltage"}, limit_text="pairing.battery.protection_voltage",
    )  # fmt: skip
    order = RunningOrder(
        title="Load rejection on a nearly full battery",
        purpose="The surplus of a sudden load drop must leave through frequency.",
        basis=("common practice",),
        cautions=("Hazardous voltage on the load terminals. Keep the enclosure closed.",),
        roles={"bus": ("ac_meter",), "battery": ("dc_meter", "battery_monitor")},
        parameters={"load_before": (3000.0, "W")},
        start=(StartCondition("battery.soc", 0.92, 0.97, "1"),),
        steps=(
            PlannedStep(
                "island", "Leave the grid", do=(PlannedOrder("grid.closed", 0.0, "1", "open the grid switch"),),
                until=Condition("settled", "bus.frequency settled", "bus.frequency", "Hz", within=0.02, hold=5.0),
                checks=(PlannedCheck("steady", "mean", "bus.voltage", "V", 218.5, 241.5, "simple", "Bus voltage"),),
            ),
            PlannedStep(
                "drop", "Drop the load", capture=PlannedCapture(
                    "scope", ("bus.voltage", "battery.voltage"), Trigger("bus.voltage", 11.5, "V"), 0.3),
                do=(PlannedOrder("load.power", 0.0, "W", "load to nothing"),), checks=(peak,), group="g", repeat=1,
            ),
        ),
        guards=(PlannedGuard("battery-high", "battery.voltage", None, 59.0, "V", 0.5, "battery too high", "pairing card"),),
        group_checks=(GroupCheck("worst-peak", "g", "battery-peak", "worst", None, 58.4, "V", "guarded"),),
    )  # fmt: skip
    return RunPlan(
        order=order,
        sources=(
            Source("bus", ("bus.voltage", "bus.frequency"), 0.2),
            Source("battery", ("battery.voltage", "battery.current"), 0.1),
        ),
        channels=channels,
        waveforms={"bus.voltage": Channel("bus.voltage", "V", 0.01, 2.0, delivers="waveform")},
        guards=order.guards,
        safe=(SafeStep("pv-off", "pv_source.on", 0.0, "PV source off", "pv.power", None, 20.0, 5.0),),
        interlock="interlock.closed",
        seed=seed,
        simulated=simulated,
    )


def facts(seed: int = 1, simulated: bool = True, **more: Any) -> RunFacts:
    """The facts of that run."""
    return RunFacts(
        plan=plan(seed, simulated),
        procedure=Verbatim("load-rejection.toml", b'format = 1\ntitle = "Load rejection on a nearly full battery"\n'),
        pairing=Verbatim("tarn6-corrie5.toml", b'title = "Tarn-6 with Corrie-5"\n', "Tarn-6 with Corrie-5"),
        bench=Verbatim("simulated.toml", b"simulated = true\n", "Simulated bench"),
        drivers=(Verbatim("ac-meter.toml", b"format = 1\n"), Verbatim("dc-meter.toml", b"format = 1\n#2\n")),
        overrides={"load_before": "3 kW"},
        instruments=(
            {"name": "bus", "role": "bus", "class": "ac_meter", "identity": "HIGHMOOR,AC METER,1,1.0",
             "serial": "HM-0012", "calibrated": "2026-01-10", "due": "2027-01-10"},
        ),
        operator="A. Tester",
        laboratory="Highmoor Training Laboratory",
        started=STARTED,
        program=PROGRAM,
        **more,
    )  # fmt: skip


def wave() -> np.ndarray:
    """Two channels of 600 samples."""
    t = np.arange(600) / 2000.0
    return np.array([325.0 * np.sin(2 * np.pi * 51.3 * t), 56.0 + 1.2 * np.exp(-t * 20)])


def inputs(count: int = 60) -> list[Input]:
    """Every kind of input, with the awkward numbers among them."""
    items: list[Input] = []
    for k in range(count):
        t = 0.1 * (k + 1)
        battery = (56.0 + 0.001 * k, -40.0 + 0.01 * k)
        items.append(Readings(t, 1, t - 0.004, 0.1041, battery, (1 << 33) if k % 2 else 0))
        if k % 2:
            bus = (230.0 + 0.01 * (k % 7), float("nan") if k == 5 else 50.0 + 0.001 * k)
            items.append(Readings(t + 0.01, 0, t + 0.002, 0.208, bus, 2 if k == 7 else 0))
        if k % 5 == 0:
            items.append(Tick(t + 0.02))
    items[3:3] = [OrderDone(0.16, 1, True, -0.0, "read back 0"), Answer(0.17, "yes", "A. Tester")]
    items += [
        Captured(
            7.0,
            2,
            True,
            ("bus.voltage", "battery.voltage"),
            6.1,
            2000.0,
            6.3,
            wave(),
            ("phase_jump",),
            prescribed=("noise", "noise, harmonics"),
        ),
        Captured(7.1, 3, False, text="no trigger within 5 s"),
        Fault(7.2, -1, "a missed poll"),
        Operator(7.3, "pause", "lunch", "A. Tester"),
    ]
    return items


def outputs() -> list[Any]:
    """What the core would have said of it."""
    check = {"step": "island", "id": "steady", "measure": "mean", "of": "bus.voltage", "unit": "V", "value": 230.03,
             "low": 218.5, "high": 241.5, "uncertainty": 0.61, "margin": 11.47, "verdict": "pass", "reason": "within",
             "rule": "simple", "title": "Bus voltage", "k": 2.0}  # fmt: skip
    peak = {**check, "step": "drop", "id": "battery-peak", "measure": "peak", "of": "battery.voltage", "value": 57.2,
            "low": None, "high": 58.4, "uncertainty": 0.13, "margin": 1.2, "rule": "guarded", "title": "Battery peak"}  # fmt: skip
    return [
        Event(0.0, "step", {"index": 0, "id": "island", "phase": "started", "text": ""}),
        SetOrder(1, "grid.closed", 0.0),
        Event(3.0, "check", check),
        Event(3.1, "step", {"index": 1, "id": "drop", "phase": "started", "text": ""}),
        Event(7.0, "check", peak),
        Event(7.4, "safe", {"id": "pv-off", "says": "PV source off", "phase": "sent", "text": ""}),
        Event(7.5, "safe", {"id": "pv-off", "says": "PV source off", "phase": "confirmed", "text": "0 W"}),
    ]


ENDED = Event(
    7.6,
    "ended",
    {"exit": 0, "verdict": "pass", "ended_by": "procedure", "finished": True, "safe": "confirmed"},
)


def write(folder: Path, count: int = 60, ended: bool = True, close: bool = True, **more: Any) -> Journal:
    """Journal the run into `folder`; the journal's file is `folder/run.journal`."""
    journal = Journal.create(folder, facts(**more))
    for seq, item in enumerate(inputs(count), 1):
        journal.input(seq, item)
    for output in outputs():
        journal.output(output)
    if ended:
        journal.event(ENDED)
    if close:
        journal.close()
    return journal


def cut_journal(folder: Path, frames: int) -> tuple[bytes, list[tuple[int, int]]]:
    """The bytes of a journal of so many frames of inputs, never closed; (end of a frame, inputs up to there) for each."""
    journal = Journal.create(folder, facts())
    ends = [(journal.path.stat().st_size, 0)]
    kinds = [item for item in inputs(4 * frames) if not isinstance(item, Captured)]
    each = max(1, len(kinds) // frames)
    for number in range(frames):
        first = number * each
        for seq, item in enumerate(kinds[first : first + each], first + 1):
            journal.input(seq, item)
        if number % 2:
            journal.event(outputs()[0])
        journal.sync()
        ends.append((journal.path.stat().st_size, first + each))
    raw = journal.path.read_bytes()
    journal.close()
    return raw, ends


def assert_cut_is_recovered(folder: Path, raw: bytes, ends: list[tuple[int, int]], cut: int) -> None:
    """The journal, cut there, seals to its first inputs, as they were, and the record says what is missing."""
    folder.mkdir(exist_ok=True)
    (folder / "run.journal").write_bytes(raw[:cut])
    path = seal(folder, folder / "x.bench", ended_by="crash")
    try:
        assert verify(path, allow_unsigned=True).ok
        record = Record.open(path)
        found = list(record.inputs())
        kept = max(count for end, count in ends if end <= cut)
        expected = [item for item in inputs(4 * (len(ends) - 1)) if not isinstance(item, Captured)][:kept]
        assert [seq for seq, _ in found] == list(range(1, kept + 1)), cut
        assert all(repr(item) == repr(wanted) for (_, item), wanted in zip(found, expected, strict=True))
        header = record.header
        assert (header["finished"], header["exit"], header["ended_by"]) == (False, 4, "crash")
        assert header["safe"]["state"] == "not confirmed"
        assert header["gap"]["inputs_kept"] == kept
        assert header["gap"]["bytes_lost"] == cut - max(end for end, _ in ends if end <= cut)
    finally:
        path.unlink()
