"""A bench that is said to be real: its gates, and a run on served stand-ins that do not call themselves simulated."""

import contextlib
import datetime
import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from free_ports import free_base
from real_bench_rig import NAMES, SERVED, SHORT, prove_all, real_card, stand_ins

from benchrunner import data
from benchrunner.bench.hosts import build_host
from benchrunner.bench.live import LiveHost
from benchrunner.bench.prechecks import CHECKS
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.prepare import prepare
from benchrunner.engine.request import RunRequest
from benchrunner.engine.watchdog.acting import SafePlan, make_safe
from benchrunner.engine.watchdog.arming import Arming
from benchrunner.errors import Refused
from benchrunner.record.opened import Record
from benchrunner.report.html import render
from benchrunner.sim.served import Server

ROOT = Path(__file__).resolve().parents[2]
PEOPLE = {"operator": "A. Fell", "acknowledge": "A. Fell"}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Callable[..., int]]:
    """Serves the bench in real time; the base of its ports."""
    with contextlib.ExitStack() as stack:

        def begin(stand_in: bool = True) -> int:
            path = tmp_path / "served.toml"
            path.write_text(stand_ins() if stand_in else SERVED, encoding="utf-8")
            pairing = read_pairing(data.find("tarn6-corrie5", "resources", "pairings"))
            base = free_base()
            stack.enter_context(
                Server(read_bench(path), pairing, port_base=base, speed=1.0, start={"battery.soc": 0.6})
            )
            return base

        yield begin


def refused(request: RunRequest) -> str:
    with pytest.raises(Refused) as caught:
        prepare(request)
    return "\n".join(str(problem) for problem in caught.value.problems)


def test_a_real_bench_asks_for_a_person_and_the_checks_before_power(tmp_path: Path) -> None:
    card = str(real_card(tmp_path))
    said = refused(RunRequest("load-rejection", bench=card))
    assert "armed by a named person" in said
    assert "pre-power checks" in said
    assert "armed by a named person" in refused(
        RunRequest("load-rejection", bench=card, operator="  ", acknowledge="x")
    )
    assert "wiring-proof: no wiring proof holds" in said
    assert all(f"{name}: " in said for name in CHECKS)
    proof = refused(RunRequest("wiring-proof", bench=card, **PEOPLE))  # type: ignore[arg-type]
    assert "no wiring proof" not in proof and "emergency-stop: " in proof
    prove_all(Path(card))
    assert prepare(RunRequest("load-rejection", bench=card, **PEOPLE)).plan.simulated is False  # type: ignore[arg-type]


def test_a_real_bench_has_its_own_pace_and_its_calibration_in_date(tmp_path: Path) -> None:
    card = str(real_card(tmp_path, due="2020-01-01"))
    said = refused(RunRequest("load-rejection", bench=card, speed=10.0, **PEOPLE))  # type: ignore[arg-type]
    assert "runs at its own pace" in said
    assert said.count("calibration was due on 2020-01-01") == SERVED.count("\ndue = ")
    prove_all(real_card(tmp_path, due=datetime.date.today().isoformat()))
    prepare(RunRequest("load-rejection", bench=card, **PEOPLE))  # type: ignore[arg-type]


def test_a_real_bench_runs_live_at_the_speed_of_the_clock(tmp_path: Path) -> None:
    host = build_host(read_bench(real_card(tmp_path)), None, "max", port_base=free_base())
    assert isinstance(host, LiveHost)
    assert host._clock.rate == 1.0


@pytest.mark.slow
def test_instruments_that_say_they_are_simulated_are_no_real_bench(
    served: Callable[..., int], start: Callable[..., Any], tmp_path: Path
) -> None:
    base = served(stand_in=False)
    card = real_card(tmp_path, stand_in=False)
    prove_all(card, base)
    ended = start("load-rejection", bench=str(card), port_base=base, **PEOPLE).end()
    assert ended["exit"] == 2
    assert len(ended["problems"]) >= len(NAMES) - 2
    assert all("said to be real" in problem["what"] for problem in ended["problems"])
    assert not list(tmp_path.glob("runs/*"))


@pytest.mark.slow
def test_a_run_on_a_real_bench_from_start_to_record(served: Callable[..., int], tmp_path: Path) -> None:
    base = served()
    card = real_card(tmp_path)
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    command = [
        sys.executable, "-m", "benchrunner", "run", str(tmp_path / "short.toml"), "--bench", str(card), "--port-base", str(base),
        "--out", str(tmp_path / "runs"), "--json", "--operator", "A. Fell", "--acknowledge", "B. Rigg",
        "--override", "wiring-proof", "--by", "C. Beck", "--why", "proved by hand, one load",
    ]  # fmt: skip
    for name, kind in CHECKS.items():
        prove = [
            sys.executable,
            "-m",
            "benchrunner",
            "prove",
            str(card),
            "--port-base",
            str(base),
            "--check",
            name,
            "--by",
            "A. Fell",
        ]
        prove += ["--value", "0.2 ohm", "--instrument", "HTL-IT-01"] if kind.measured else []
        kept = subprocess.run(prove, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
        assert kept.returncode == 0, kept.stderr
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    said = json.loads(done.stdout.splitlines()[-1])
    assert said["simulated"] is False
    record = Record.open(said["record"])
    assert (record.header["operator"], record.header["acknowledged"]) == ("A. Fell", "B. Rigg")
    assert [(gate["gate"], gate["by"]) for gate in record.header["overridden"]] == [
        ("wiring-proof", "C. Beck")
    ]
    proved = record.header["further"]["before_power"]
    assert {entry["check"] for entry in proved} == set(CHECKS)
    assert all(entry["by"] == "A. Fell" and entry["until"] > entry["at"] for entry in proved)
    held = record.header["further"]["inverter_settings"]
    assert set(held["before"]) == set(held["after"]) == {"battery_monitor", "battery_inverter", "pv_inverter"}
    assert not any("setting" in said for said in record.header["deviations"])
    assert record.header["simulated"] is False
    assert record.header["safe"]["state"] == "confirmed"
    again = record.rejudge()
    assert again.ok, again.says
    report = Path(said["record"]).with_suffix(".html").read_text(encoding="utf-8")
    assert "not evidence about any real equipment" not in report
    assert "SIMULATED BENCH" not in done.stdout.replace(record.header["bench"]["title"].upper(), "")


def exchanged(card: Path, instrument: str, serial: str) -> Path:
    """The card as if it named another serial number for this instrument."""
    before, head, after = card.read_text(encoding="utf-8").partition(f"[instruments.{instrument}]")
    assert head
    card.write_text(
        before + head + re.sub(r'^serial = ".*"', f'serial = "{serial}"', after, count=1, flags=re.M), "utf-8"
    )
    return card


@pytest.mark.slow
def test_an_exchanged_instrument_is_passed_by_name_and_stands_in_record_and_report(
    served: Callable[..., int], start: Callable[..., Any], tmp_path: Path
) -> None:
    base = served()
    card = real_card(tmp_path)
    theirs = read_bench(card).card.instruments["grid_meter"].serial
    exchanged(card, "grid_meter", "HTL-GM-99")
    prove_all(card, base)
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    how: dict[str, Any] = {"bench": str(card), "port_base": base, **PEOPLE}
    ended = start(str(tmp_path / "short.toml"), **how).end()
    assert ended["exit"] == 2
    (problem,) = ended["problems"]
    assert f"serial number {theirs!r}, where the bench card says 'HTL-GM-99'" in problem["what"]
    assert "--override serial-number --by NAME --why TEXT" in problem["mend"]
    passed = {
        "override": ["serial-number"],
        "override_by": "C. Beck",
        "override_why": "loan while ours is away",
    }
    ended = start(str(tmp_path / "short.toml"), **how, **passed).end()
    assert (ended["exit"], ended["safe"]) == (0, "confirmed"), ended
    record = Record.open(ended["record"])
    (gate,) = record.header["overridden"]
    assert (gate["gate"], gate["by"], gate["why"]) == ("serial-number", "C. Beck", "loan while ours is away")
    assert gate["missing"] == f"grid_meter: HTL-GM-99, not {theirs}"
    (said,) = [text for text in record.header["deviations"] if "another instrument" in text]
    assert theirs in said and "calibration" in said
    (row,) = [row for row in record.header["instruments"] if row["name"] == "grid_meter"]
    assert (row["serial"], row["calibrated"], row["due"], row["certificate"]) == (theirs, "", "", "")
    (load,) = [row for row in record.header["instruments"] if row["name"] == "load"]
    assert load["certificate"] == "HTL-C-26-01, Highmoor"
    report = render(record)
    assert "HTL-C-26-01, Highmoor" in report and "HTL-C-26-06" not in report
    assert "loan while ours is away" in report and "grid_meter is another instrument" in report


@pytest.mark.slow
def test_the_watchdog_too_makes_a_bench_safe_whose_instrument_was_exchanged(
    served: Callable[..., int], tmp_path: Path
) -> None:
    """It opens links of its own, and would otherwise leave alone what it should switch off."""
    base = served()
    bench = read_bench(exchanged(real_card(tmp_path), "pv_source", "HTL-PS-99"))
    for passed in (False, True):
        plan = SafePlan.of(bench, base, 1.0, 3.0, 0.1, Arming(1, "", other_serials=passed).other_serials)
        assert make_safe(plan, lambda event: None).confirmed is passed
