"""Checks before a run: the safe order covers every source, switches never join live buses, and a running order fits."""

import datetime
from dataclasses import replace
from pathlib import Path

import pytest

from benchrunner.bench.fits import calibration_notes, check_bench, fits
from benchrunner.bench.plan import guards, reaction_time, safe_steps, sources_and_channels
from benchrunner.cards import reading
from benchrunner.cards.bench import Bench, fit_bench
from benchrunner.procedure.running import (
    Condition,
    PlannedCapture,
    PlannedCheck,
    PlannedOrder,
    PlannedProfile,
    PlannedStep,
    RunningOrder,
    StartCondition,
    Trigger,
)

TEXT = (Path(__file__).parents[2] / "resources/benches/simulated.toml").read_text(encoding="utf-8")
TODAY = datetime.date(2026, 11, 25)


def changed(*pairs: tuple[str, str]) -> Bench:
    text = TEXT
    for before, after in pairs:
        assert before in text, before
        text = text.replace(before, after, 1)
    return fit_bench(reading.parse(text.encode(), "bench.toml"))


def whats(bench: Bench) -> str:
    return "\n".join(str(problem) for problem in check_bench(bench, TODAY))


def without_safe(identifier: str) -> str:
    """The card without one order of its safe order."""
    parts = TEXT.split("[[safe]]")
    return "[[safe]]".join(part for part in parts if f'id = "{identifier}"' not in part)


def test_shipped_benches_are_fit(simulated: Bench, loopback: Bench) -> None:
    assert check_bench(simulated) == []
    assert check_bench(loopback) == []


@pytest.mark.parametrize(
    ("identifier", "setting"),
    [
        ("pv-contactor", "relays.pv_contactor"),
        ("pv-source", "pv_source.on"),
        ("inverter-standby", "relays.inverter_enable"),
        ("grid-open", "grid.closed"),
        ("battery-contactor", "relays.battery_contactor"),
    ],
)
def test_every_source_is_covered(identifier: str, setting: str) -> None:
    bench = fit_bench(reading.parse(without_safe(identifier).encode(), "bench.toml"))
    assert f"{setting} can energise the bench" in whats(bench)


def test_a_source_that_is_named_but_not_switched_off() -> None:
    assert "does not switch it off" in whats(
        changed(('set = ["pv_source.on", false]', 'set = ["pv_source.on", true]'))
    )


def test_grid_source_needs_the_switch_or_its_own_order() -> None:
    bench = fit_bench(reading.parse(without_safe("grid-open").encode(), "bench.toml"))
    assert "grid_source.voltage can energise" in whats(bench)


def test_two_live_buses_are_never_joined() -> None:
    nodes = '["mains", "grid terminals of the battery inverter"]'
    assert "would join two live buses" in whats(changed((nodes, '["mains", "bus"]')))
    allowed = (nodes, '["mains", "bus"] }\nsynchronism_check = true')
    text = TEXT.replace(nodes + " }", allowed[1], 1)
    assert "live buses" not in whats(fit_bench(reading.parse(text.encode(), "bench.toml")))
    assert "does not say what closed joins" in whats(changed((f"between = {{ closed = {nodes} }}", "")))
    assert "which nodes can be live" in whats(changed(('live = ["mains", "bus"]', "live = []")))


def test_confirmation_comes_from_elsewhere() -> None:
    confirm = 'confirm = { channel = "pv.power", above = "-30 W", below = "30 W" }'
    bench = changed((confirm, 'confirm = { channel = "pv_source.power", below = "30 W" }'))
    assert "which the same instrument reads" in whats(bench)


def test_battery_contactor_comes_last() -> None:
    parts = TEXT.split("[[safe]]")
    text = "[[safe]]".join([*parts[:-2], parts[-1].rstrip() + "\n\n", parts[-2]])
    assert "battery contactor before the last" in whats(fit_bench(reading.parse(text.encode(), "bench.toml")))


def test_no_faster_than_it_answers() -> None:
    assert "one poll takes 0.006 s" in whats(
        changed(('driver = "relay-board-ascii"\naddress = "memory"\nperiod = "200 ms"',
                 'driver = "relay-board-ascii"\naddress = "memory"\nperiod = "5 ms"'))
    )  # fmt: skip


def test_calibration_is_noted_on_a_simulated_bench(simulated: Bench) -> None:
    later = datetime.date(2027, 6, 1)
    assert check_bench(simulated, later) == []
    notes = calibration_notes(simulated, later)
    assert any("battery_meter" in note and "2027-02-16" in note for note in notes)
    assert calibration_notes(simulated, TODAY) == []


def test_calibration_stops_a_real_bench(loopback: Bench) -> None:
    text = loopback.document.raw.decode().replace("simulated = true", "simulated = false")
    bench = fit_bench(reading.parse(text.encode(), "bench.toml"))
    assert check_bench(bench, TODAY) == []
    assert any("calibration was due" in p.what for p in check_bench(bench, datetime.date(2027, 6, 1)))


# -- the bench in the core's types


def test_sources_and_channels(simulated: Bench) -> None:
    sources, channels, waveforms = sources_and_channels(simulated)
    assert [s.name for s in sources] == [n for n in simulated.card.instruments if n != "scope"]
    voltage = channels["battery.voltage"]
    assert (voltage.unit, voltage.of_reading, voltage.of_range) == (
        "V",
        pytest.approx(3e-4),
        pytest.approx(0.01),
    )
    assert (voltage.update, voltage.window, voltage.delivers) == (0.05, 0.05, "polled")
    assert not channels["grid.closed"].evaluated
    assert waveforms["bus.voltage"].delivers == "waveform"
    assert sum(len(s.channels) for s in sources) == len(channels)


def test_guards_and_safe_steps(simulated: Bench) -> None:
    found = {guard.id: guard for guard in guards(simulated)}
    assert found["battery-over-current"].low == -180.0
    assert found["battery-over-current"].origin == "bench card"
    # every 100 ms, of a meter that averages over 100 ms and shows it every 100 ms; delay 200 ms, reply 4 ms
    assert reaction_time(simulated, found["bus-over-voltage"]) == pytest.approx(0.504)
    steps = safe_steps(simulated)
    assert steps[0].id == "pv-contactor" and steps[-1].setting == "relays.battery_contactor"
    assert steps[0].fallback_setting == "pv_source.on"
    assert (steps[2].when_channel, steps[2].when_below, steps[2].at_latest) == ("pv.current", 0.3, 3.0)


# -- a running order on this bench

CHECK = PlannedCheck("peak", "peak", "battery.voltage", "V", None, 58.0, "guarded", needs="waveform")
STEP = PlannedStep(
    "drop",
    "Drop the load",
    capture=PlannedCapture("scope", ("battery.voltage",), Trigger("bus.voltage", 5.0, "V"), 5.0),
    do=(PlannedOrder("load.power", 0.0, "W", "load.power 0 W"),),
    until=Condition("settled", "settled", "pv.power", "W", within=100.0, hold=10.0),
    checks=(CHECK,),
)
ORDER = RunningOrder(
    "Test order", "", (), (), {"load": ("ac_load",), "battery": ("dc_meter", "battery_monitor")}, {},
    (StartCondition("battery.soc", 0.9, 0.97, "1"),), (STEP,),
)  # fmt: skip


def text_of(order: RunningOrder, bench: Bench) -> str:
    return "\n".join(str(problem) for problem in fits(order, bench))


def test_a_running_order_that_fits(simulated: Bench) -> None:
    assert fits(ORDER, simulated) == []


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"do": (PlannedOrder("load.power", 9000.0, "W", ""),)}, "out of range"),
        ({"do": (PlannedOrder("load.power", 1.0, "V", ""),)}, "is set in V"),
        ({"do": (PlannedOrder("load.colour", 1.0, "W", ""),)}, "has the setting 'load.colour'"),
        ({"until": Condition("above", "", "pv.volts")}, "no channel 'pv.volts'"),
        ({"until": Condition("all", "", parts=(Condition("above", "", "x.y"),))}, "no channel 'x.y'"),
        ({"requires": Condition("above", "", "pv.volts")}, "no channel 'pv.volts'"),
        ({"capture": None}, "captures none"),
        ({"capture": replace(STEP.capture, role="camera")}, "no waveform recorder in role 'camera'"),  # type: ignore[type-var]
        ({"capture": replace(STEP.capture, rate=1e6)}, "200000 at most"),  # type: ignore[type-var]
        ({"capture": replace(STEP.capture, span=30.0)}, "keeps 10 s"),  # type: ignore[type-var]
        ({"capture": replace(STEP.capture, channels=("battery.voltage", "pv.power"))}, "on no input"),  # type: ignore[type-var]
        ({"checks": (replace(CHECK, of="pv.power"),)}, "no recorder input is wired"),
        ({"checks": (replace(CHECK, of="pv.power", needs="half-cycle"),)}, "only polls it"),
        ({"checks": (replace(CHECK, of="pv_inverter.own_power", needs="polled"),)}, "states no accuracy"),
        ({"checks": (replace(CHECK, arguments={"other": "pv.volts"}, needs="polled"),)}, "pv.volts"),
    ],
)
def test_what_does_not_fit(simulated: Bench, change: dict[str, object], expected: str) -> None:
    order = replace(ORDER, steps=(replace(STEP, **change),))  # type: ignore[arg-type]
    assert expected in text_of(order, simulated)


def test_roles_and_start(simulated: Bench) -> None:
    order = replace(ORDER, roles={"load": ("ac_load", "dc_meter"), "heater": ("ac_load",)})
    text = text_of(order, simulated)
    assert "role load: needs an instrument of class dc_meter" in text
    assert "role heater" in text and "has nothing there" in text
    order = replace(ORDER, roles={"battery_inverter": ("ac_meter", "inverter")})
    assert fits(order, simulated) == [], "the bus meter measures the battery inverter's power"
    order = replace(ORDER, start=(StartCondition("battery.charge", 0.0, 1.0, "1"),))
    assert "no channel 'battery.charge'" in text_of(order, simulated)


def test_each_value_of_a_profile_is_within_what_the_bench_takes(simulated: Bench) -> None:
    _, most = simulated.allowed("load.power")
    values = (0.0, 1000.0, most, most + 1.0, most + 2.0, 500.0, -1.0)
    profile = PlannedProfile("day.csv", "0" * 64, tuple(range(2, 9)), tuple(map(float, range(7))), values)
    step = PlannedStep("one", "One", do=(PlannedOrder("load.power", 0.0, "W", "", profile=profile),))
    order = RunningOrder("Trial", "", (), (), {}, {}, (), (step,))
    problems = [problem for problem in fits(order, simulated) if "out of range" in problem.what]
    assert [problem.where for problem in problems] == [
        "Trial: step one: day.csv:5, load.power", "Trial: step one: day.csv:8, load.power",
    ]  # fmt: skip


def without_accuracy(bench: Bench, name: str) -> Bench:
    parts = dict(bench.card.instruments)
    parts[name] = parts[name].model_copy(update={"accuracy": {}})
    return replace(bench, card=bench.card.model_copy(update={"instruments": parts}))


def test_a_wiring_proof_that_could_find_nothing_is_refused_before_power(simulated: Bench) -> None:
    proof = replace(CHECK, measure="wiring_faults", of="load.power", rule="simple", needs="polled")
    order = replace(ORDER, steps=(replace(STEP, capture=None, checks=(proof,)),))
    assert fits(order, simulated) == []
    (problem,) = fits(order, without_accuracy(simulated, "pv_meter"))
    assert "holds pv.power against the other meters, and the bench card states no accuracy" in problem.what
    assert "[instruments.pv_meter.accuracy] power" in problem.mend
    parts = {k: v for k, v in simulated.card.instruments.items() if k != "grid_meter"}
    lacking = replace(simulated, card=simulated.card.model_copy(update={"instruments": parts}))
    assert any("reads no channel 'grid.power'" in problem.what for problem in fits(order, lacking))


def test_what_many_steps_lack_is_told_once(simulated: Bench) -> None:
    guarded = replace(CHECK, measure="mean", of="pv.power", rule="guarded", needs="polled")
    steps = tuple(replace(STEP, id=f"s{n}", capture=None, checks=(guarded,)) for n in range(4))
    (problem,) = fits(replace(ORDER, steps=steps), without_accuracy(simulated, "pv_meter"))
    assert "step s0, check" in problem.where and problem.where.endswith("(and at 3 more places)")
    assert problem.mend.startswith(
        "give its limits of error on the bench card: [instruments.pv_meter.accuracy] power"
    )


def test_a_real_bench_without_interlock_is_told_the_line_to_write(loopback: Bench) -> None:
    card = loopback.card.model_copy(update={"simulated": False, "interlock": ""})
    (problem,) = [
        p for p in check_bench(replace(loopback, card=card), with_calibration=False) if "interlock" in p.where
    ]
    assert 'interlock = "interlock.closed"' in problem.mend
