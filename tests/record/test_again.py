"""A record judges again to the same checks, bit for bit, from nothing but itself; a changed reading shows."""

import math
from pathlib import Path

import pytest
from record_sample import PROGRAM, facts

from benchrunner.core.messages import ArmOrder, Event, Input, OrderDone, Readings, SetOrder, Tick
from benchrunner.core.plan import Channel, RunPlan, SafeStep, Source
from benchrunner.core.runner import Runner
from benchrunner.procedure.running import Condition, PlannedCheck, PlannedOrder, PlannedStep, RunningOrder
from benchrunner.record import data_digests
from benchrunner.record.facts import RunFacts, program_facts
from benchrunner.record.journal import Journal
from benchrunner.record.opened import Record
from benchrunner.record.parts import samples_of
from benchrunner.record.seal import seal

KEPT = Path(__file__).resolve().parents[1] / "vectors/records"


def plan() -> RunPlan:
    """Two steps on one meter: switch the load off and wait until the voltage settles, then watch it for two seconds."""
    settled = Condition("settled", "voltage settled", "bus.voltage", "V", within=0.5, hold=1.0)
    steps = (
        PlannedStep("off", "Load off", do=(PlannedOrder("load.power", 0.0, "W", "load to nothing"),), until=settled,
                    at_most=30.0, if_not="fail",
                    checks=(PlannedCheck("swell", "maximum", "bus.voltage", "V", None, 253.0, "guarded"),)),
        PlannedStep("watch", "Watch", until=Condition("elapsed", "2 s", hold=2.0),
                    checks=(PlannedCheck("mean", "mean", "bus.voltage", "V", 225.0, 235.0, "guarded"),)),
    )  # fmt: skip
    order = RunningOrder("Load off", "p", ("common practice",), (), {"bus": ("ac_meter",)}, {}, (), steps)
    channel = Channel("bus.voltage", "V", 0.001, 0.2, 0.01, 0.1, 0.1)
    safe = SafeStep("load-off", "load.power", 0.0, "Load off", "bus.voltage", 0.0, 300.0, 5.0)
    source = Source("bus", ("bus.voltage",), 0.1)
    return RunPlan(order, (source,), {"bus.voltage": channel}, {}, (), (safe,), simulated=True)


def run(folder: Path, stop_at: float = math.inf, changed: bool = False) -> Path:
    """The run of that plan against a voltage that swells and decays; journaled first, then fed, as the engine does."""
    base = facts()
    made = RunFacts(plan(), base.procedure, base.pairing, base.bench, program={**program_facts()})
    log = Journal.create(folder, made)
    runner = Runner(made.plan)
    seq = 0
    fed: list[Input] = []

    def take(item: Input) -> None:
        nonlocal seq
        seq += 1
        log.input(seq, item)
        fed.append(item)
        for output in runner.feed(item):
            keep(output)

    def keep(output: object) -> None:
        assert isinstance(output, Event | SetOrder | ArmOrder)
        log.output(output)
        if isinstance(output, SetOrder):
            take(OrderDone(runner.now + 0.01, output.order, True, output.value))

    for output in runner.start(0.0):
        keep(output)
    t = 0.0
    while runner.exit_code is None and t < min(stop_at, 60.0):
        t += 0.1
        volts = 230.0 + 12.0 * math.exp(-t / 1.7) + 0.01 * math.sin(37.0 * t)
        if changed and round(t * 10) == 53:
            volts += 25.0
        take(Readings(t, 0, t - 0.003, 0.103, (volts,)))
        take(Tick(t + 0.001))
    if math.isinf(stop_at):
        log.close()
    else:
        log.sync()
    return seal(folder, folder.with_suffix(".bench"), ended_by="crash")


def test_a_record_judges_again_identically(tmp_path: Path) -> None:
    record = Record.open(run(tmp_path / "run"))
    assert record.header["finished"] is True
    assert {c["id"]: c["verdict"] for c in record.checks} == {
        "swell": "pass",
        "reached": "pass",
        "mean": "pass",
    }
    again = record.rejudge()
    assert again.ok, again.says
    assert again.identical
    assert [c["value"] for c in again.checks] == [c["value"] for c in record.checks]


def test_another_reading_gives_another_verdict(tmp_path: Path) -> None:
    """The header of one run with the inputs of another: the check that moved is named."""
    record = Record.open(run(tmp_path / "run"))
    other = Record.open(run(tmp_path / "other", changed=True))
    other.header = record.header
    again = other.rejudge()
    assert not again.ok
    assert any("watch/mean" in line or "off/swell" in line for line in again.says)


def test_a_crashed_run_judges_again_as_far_as_it_went(tmp_path: Path) -> None:
    record = Record.open(run(tmp_path / "run", stop_at=5.0))
    assert record.header["finished"] is False
    again = record.rejudge()
    assert again.ok, again.says
    assert any("end before the run did" in line for line in again.says)
    assert {c["id"] for c in record.checks} >= {c["id"] for c in again.checks}


def test_another_program_is_said(tmp_path: Path) -> None:
    record = Record.open(run(tmp_path / "run"))
    record.header["program"] = PROGRAM
    assert any("another program" in line for line in record.rejudge().says)


@pytest.mark.parametrize("events", [[{"at": "soon", "kind": "x", "data": {}}], [{}]])
def test_rubbish_does_not_raise(tmp_path: Path, events: list[dict[str, object]]) -> None:
    record = Record.open(run(tmp_path / "run", stop_at=1.0))
    record.__dict__["events"] = events
    assert not record.rejudge().ok


@pytest.mark.parametrize("kept", ["format-1", "all-kinds-1", "format-2"])
@pytest.mark.parametrize("name", ["inputs", "readings", "checks"])
def test_a_header_with_the_digest_of_other_data_does_not_judge_again(kept: str, name: str) -> None:
    """Digests tell two runs apart: a signer could have given those of another run."""
    record = Record.open(KEPT / f"{kept}.bench")
    assert data_digests.astray(record) == []
    record.header["digests"][name] = "0" * 64
    (said,) = data_digests.astray(record)
    assert said == f"the header's digest of {name} is not that of the {name} in the record"
    again = record.rejudge()
    assert not again.ok
    if kept != "all-kinds-1":  # no run wrote that one: it cannot be judged again at all
        assert said in again.says


def test_data_of_another_run_does_not_fit_the_header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record, other = Record.open(run(tmp_path / "one")), Record.open(run(tmp_path / "other", changed=True))
    mine = record.part
    monkeypatch.setattr(
        record, "part", lambda name: (other.part if name.startswith("readings") else mine)(name)
    )
    assert [line.split()[4] for line in data_digests.astray(record)] == ["inputs", "readings"]
    kept = Record.open(KEPT / "format-2.bench")
    monkeypatch.setattr(data_digests.parts, "samples_of", lambda raw, part: samples_of(raw, part) + 1.0)
    assert [line.split()[4] for line in data_digests.astray(kept)] == ["inputs"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"verdict": "fail"}, "the header's verdict is 'fail'; its checks make it 'pass'"),
        ({"simulated": False}, "the header's 'simulated' is False; by the plan the bench was simulated"),
        ({"seed": 99}, "the header's seed is 99; the plan's is"),
        (
            {"parameters": {"hold": {"value": 1.0, "unit": "s"}}},
            "the header's parameters are not those of the plan",
        ),
        ({"finished": False}, "the header's 'finished' is False; run again it is True"),
        ({"ended_by": "guard"}, "the header's 'ended_by' is 'guard'; run again it is 'procedure'"),
        ({"exit": 4}, "the header's 'exit' is 4; run again it is"),
    ],
)
def test_what_a_header_says_otherwise_than_the_record_is_found(
    tmp_path: Path, change: dict[str, object], says: str
) -> None:
    """Signed anew by who may sign, such a record is whole: only judging it again shows it."""
    record = Record.open(run(tmp_path / "run"))
    record.header |= change
    again = record.rejudge()
    assert not again.ok
    assert any(line.startswith(says) for line in again.says), again.says


@pytest.mark.parametrize(
    ("key", "other"),
    [("title", "All is well"), ("limit", "at most 1 V"), ("basis", "IEC"), ("k", 1.0), ("margin_in_u", 99.0)],
)
def test_what_people_read_of_a_check_is_that_of_the_plan(tmp_path: Path, key: str, other: object) -> None:
    record = Record.open(run(tmp_path / "run"))
    found = next(check for check in record.header["checks"] if check["id"] == "mean")
    found[key] = other
    again = record.rejudge()
    assert not again.ok
    assert any(f"watch/mean: {key} is {other!r} on record, " in line for line in again.says), again.says


def test_a_plan_that_cannot_be_run_again_is_said_in_one_line() -> None:
    """The oldest record kept was made before plans were held against the bench's channels."""
    kept = Path(__file__).parents[1] / "vectors" / "records" / "all-kinds-1.bench"
    (said,) = Record.open(kept).rejudge().says
    assert said.startswith(
        "cannot be judged again: interlock: interlock.closed is read by no instrument; start: "
    )
    assert "\n" not in said
