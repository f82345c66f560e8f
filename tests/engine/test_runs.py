"""Whole runs: the same in memory and over the wire, stopped in every way, and never lost."""

import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from free_ports import free_base

import benchrunner
from benchrunner.errors import Refused
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

ROOT = Path(__file__).resolve().parents[2]
PROCEDURES = sorted(path.stem for path in (ROOT / "procedures").glob("*.toml"))
ELSEWHERE = {
    "wiring-proof-legs": {"pairing": "fell15-ridge12", "bench": "simulated-three-phase"}
}  # needs several phases


def answers_for(procedure: str) -> dict[str, str]:
    """The shipped answers to the operator's questions, for the procedures that ask any."""
    path = ROOT / "resources" / "answers" / f"{procedure}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}


def digests(record: str) -> dict[str, str]:
    return dict(Record.open(record).header["digests"])


@pytest.mark.slow
@pytest.mark.parametrize("procedure", PROCEDURES)
def test_every_procedure_passes_on_the_sound_pairing_and_judges_again_the_same(
    procedure: str, start: Callable[..., Any]
) -> None:
    ended = start(procedure, answers=answers_for(procedure), **ELSEWHERE.get(procedure, {})).end()
    assert (ended["exit"], ended["verdict"], ended["safe"]) == (0, "pass", "confirmed")
    again = Record.open(ended["record"]).rejudge()
    assert again.ok, again.says
    assert verify(ended["record"], allow_unsigned=True).ok
    header = Record.open(ended["record"]).header
    schema = json.loads((ROOT / "resources" / "schemas" / "record-header.schema.json").read_text("utf-8"))
    assert [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(header)] == []


def test_the_same_run_twice_gives_the_same_digests(start: Callable[..., Any]) -> None:
    first, second = (digests(start().end()["record"]) for _ in range(2))
    assert first == second
    other = digests(start(seed=2).end()["record"])
    assert other["readings"] != first["readings"]


@pytest.mark.slow
@pytest.mark.parametrize("procedure", ["load-rejection", "grid-loss"])
def test_lockstep_over_the_wire_gives_the_values_of_memory(
    procedure: str, start: Callable[..., Any], serve: Callable[..., Any]
) -> None:
    server = serve(lockstep=True)
    wire = start(procedure, bench="loopback", port_base=server.control_port).end()
    memory = start(procedure).end()
    assert wire["exit"] == memory["exit"] == 0
    on_wire, in_memory = Record.open(wire["record"]), Record.open(memory["record"])
    assert [(c["id"], c["value"], c["verdict"]) for c in on_wire.checks] == [
        (c["id"], c["value"], c["verdict"]) for c in in_memory.checks
    ]
    assert on_wire.header["digests"]["readings"] == in_memory.header["digests"]["readings"]


@pytest.mark.slow
def test_served_at_ten_times_real_time_gives_the_same_verdicts_or_says_why_not(
    start: Callable[..., Any], serve: Callable[..., Any]
) -> None:
    """At ten times real time the meters are polled ten times as seldom; in real time: tests/long.

    A machine that is busy with other things may not keep that up: the run then ends itself over readings that stay away, and
    the same is asked of it at a lower pace.
    """
    for pace in (10.0, 5.0, 2.5):
        server = serve(speed=pace, start={"battery.soc": 0.975})
        wire = start(bench="loopback", port_base=server.control_port, speed=pace).end()
        if wire["ended_by"] != "stale":
            break
        assert wire["exit"] in (4, 5), wire  # made safe, as far as the meters could confirm it
    assert wire["exit"] in (0, 3), wire
    record = Record.open(wire["record"])
    assert any("polled more seldom" in said for said in record.header["deviations"])
    memory = {c["id"]: c for c in Record.open(start().end()["record"]).checks}
    for check in record.checks:
        other = memory[check["id"]]
        if other["uncertainty"] and abs(other["margin"]) > 2 * other["uncertainty"]:
            seldom = check["verdict"] == "inconclusive" and "too seldom" in check["reason"]
            assert seldom or check["verdict"] == other["verdict"], check


@pytest.mark.parametrize("step", ["energise", "pv-back", "rest"])
def test_a_stop_by_the_operator_makes_safe_and_seals(step: str, start: Callable[..., Any]) -> None:
    run = start(speed=20.0)
    run.step(step)
    run.session.send({"wish": "stop", "why": "Ctrl-C"})
    ended = run.end()
    assert (ended["exit"], ended["finished"], ended["ended_by"], ended["safe"]) == (
        4,
        False,
        "operator",
        "confirmed",
    )
    record = Record.open(ended["record"])
    assert record.header["finished"] is False
    assert verify(ended["record"], allow_unsigned=True).ok


def test_a_window_that_dies_counts_as_a_stop(start: Callable[..., Any]) -> None:
    run = start(speed=20.0)
    run.step("pv-back")
    run.session._process.stdin.close()
    ended = run.end()
    assert (ended["exit"], ended["finished"], ended["safe"]) == (4, False, "confirmed")
    assert "gone" in ended["reason"]


def test_pause_holds_between_steps_and_goes_on(start: Callable[..., Any]) -> None:
    run = start(speed=50.0)
    run.step("energise")
    run.session.send({"wish": "pause"})
    run.wait_for(lambda e: e["kind"] == "state" and e["data"]["state"] == "paused")
    run.session.send({"wish": "resume"})
    assert run.end()["exit"] == 0


@pytest.mark.skipif(
    sys.platform == "win32", reason="SIGINT to another process is POSIX; Windows is covered by the stop above"
)
def test_ctrl_c_on_the_command_line(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchrunner", "run", "load-rejection", "--speed", "10", "--out", tmp_path],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    for line in process.stdout:
        if "(3/" in line:
            os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the whole group
            break
    out, error = process.communicate(timeout=60)
    assert process.returncode == 4, out + error
    assert "no emergency stop" in error
    assert "did not finish" in out
    assert len(list(tmp_path.glob("*.bench"))) == 1


def test_a_killed_engine_is_told_loudly_and_recovered(start: Callable[..., Any], tmp_path: Path) -> None:
    run = start(speed=20.0)
    run.step("pv-back")
    time.sleep(1.5)  # inputs are on disk within a second
    run.session._process.kill()
    ended = run.end()
    assert ended["exit"] == 5
    assert "may still be energised" in ended["ended_by"]
    assert str(tmp_path / "runs") in ended["ended_by"]
    (journal,) = (tmp_path / "runs").glob("*/run.journal")
    done = subprocess.run(
        [sys.executable, "-m", "benchrunner", "recover", str(journal)],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    (path,) = (tmp_path / "runs").glob("*.bench")
    record = Record.open(path)
    assert record.header["finished"] is False
    assert record.header["gap"]
    assert len(record.readings) > 100
    assert verify(path, allow_unsigned=True).ok


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
def test_a_full_disk_makes_safe_and_keeps_what_was_written(tmp_path: Path) -> None:
    command = (
        f'ulimit -f 700; exec "{sys.executable}" -m benchrunner run load-rejection --out "{tmp_path}" --json'
    )
    done = subprocess.run(
        ["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 4, done.stdout + done.stderr
    ended = json.loads(done.stdout.splitlines()[-1])
    assert ended["safe"] == "confirmed"
    assert "journal can no longer be written" in done.stdout
    record = Record.open(ended["record"])  # 200 kB fit, the rest does not
    assert record.header["finished"] is False
    assert len(record.readings) > 1000
    assert verify(ended["record"], allow_unsigned=True).ok


@pytest.mark.slow
@pytest.mark.parametrize(
    ("instrument", "fault"),
    [
        ("bus_meter", "drop"),
        ("battery_meter", "garbage"),
        ("pv_meter", "silent"),
        ("battery_meter", "overload"),
    ],
)
def test_an_instrument_that_fails_in_the_middle_makes_safe(
    instrument: str, fault: str, start: Callable[..., Any], serve: Callable[..., Any]
) -> None:
    server = serve(lockstep=True)
    run = start(bench="loopback", port_base=server.control_port)
    run.step("pv-back")
    server.fault(instrument, fault)
    ended = run.end()
    assert ended["exit"] in (4, 5), ended
    assert ended["finished"] is False
    assert ended["verdict"] != "pass" or not ended["finished"]
    assert Record.open(ended["record"]).header["finished"] is False


@pytest.mark.slow
def test_a_bench_that_vanishes_is_not_called_safe(
    start: Callable[..., Any], serve: Callable[..., Any]
) -> None:
    server = serve(lockstep=True)
    run = start(bench="loopback", port_base=server.control_port)
    run.step("pv-back")
    server.stop()
    ended = run.end(200)
    assert (ended["exit"], ended["safe"]) == (5, "not confirmed")


def test_no_bench_there_is_refused_before_anything(start: Callable[..., Any], tmp_path: Path) -> None:
    base = free_base()
    ended = start(bench="loopback", port_base=base).end()
    assert ended["exit"] == 2
    (problem,) = ended["problems"]
    assert str(base) in problem["where"]
    assert "benchrunner serve" in problem["mend"]
    assert not list(tmp_path.glob("runs/*"))


def test_every_guard_says_within_how_long_it_acts(start: Callable[..., Any]) -> None:
    """Poll period, meter update and window, delay and latency: never less than the delay and one poll."""
    guards = Record.open(start().end()["record"]).plan.guards
    assert guards
    for guard in guards:
        assert guard.delay + 0.05 < guard.acts_within < guard.delay + 5.0, guard


def test_the_python_surface(tmp_path: Path) -> None:
    record = benchrunner.run("load-rejection", "tarn6-corrie5", "simulated", out=tmp_path, load_before="2 kW")
    assert record.header["verdict"] == "pass"
    assert record.header["parameters"]["load_before"] == {"value": 2000.0, "unit": "W"}
    assert {"time", "channel", "value"} <= set(record.readings.columns)
    with pytest.raises(Refused, match="load_before"):
        benchrunner.run("load-rejection", out=tmp_path, load_before="2 apples")
