"""One run at a time on a bench, and none after a trip until a named person has released it."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchrunner import data
from benchrunner.bench import locks
from benchrunner.bench.oslock import hold
from benchrunner.cards.bench import Bench, read_bench
from benchrunner.errors import Refused

ROOT = Path(__file__).resolve().parents[2]
SERVED = (ROOT / "resources/benches/loopback.toml").read_text(encoding="utf-8")
# another process, held until its input ends
HOLDER = """
import sys
from pathlib import Path
from benchrunner.bench.locks import hold_bench
from benchrunner.cards.bench import read_bench
holding = hold_bench(read_bench(Path(sys.argv[1])), int(sys.argv[2]), "load-rejection")
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def bench(folder: Path, name: str = "one.toml", *, title: str = "A bench", asked: str = "true") -> Bench:
    text = re.sub(r'^title = ".*"', f'title = "{title}"', SERVED, count=1, flags=re.M)
    if asked:
        text = text.replace("attended = false\n", f"attended = false\nlock_after_trip = {asked}\n", 1)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return read_bench(path)


@pytest.fixture
def other(tmp_path: Path) -> Iterator["subprocess.Popen[str]"]:
    bench(tmp_path, "other.toml")
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path / "other.toml"), "43000"],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=dict(os.environ),
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        assert stream is not None
        stream.close()


def test_a_bench_is_one_runs_alone_until_it_lets_go(tmp_path: Path) -> None:
    first = locks.hold_bench(bench(tmp_path), 43000, "one")
    with pytest.raises(Refused, match="in use by the run 'one' of process"):
        locks.hold_bench(bench(tmp_path), 43000, "two")
    first.release()
    first.release()
    locks.hold_bench(bench(tmp_path), 43000, "two").release()


def test_another_card_with_one_of_its_addresses_is_refused_too_and_says_who_holds_it(
    tmp_path: Path, other: "subprocess.Popen[str]"
) -> None:
    mine = bench(tmp_path, "two.toml", title="Another bench")
    with pytest.raises(Refused) as caught:
        locks.hold_bench(mine, 43000, "mine")
    (problem,) = caught.value.problems
    assert f"process {other.pid}" in problem.what
    assert "'load-rejection'" in problem.what
    assert "tcp 127.0.0.1:430" in problem.where
    locks.hold_bench(mine, 43100, "elsewhere").release()  # and nothing was left held on the way


def test_what_a_process_holds_comes_free_when_it_is_killed(
    tmp_path: Path, other: "subprocess.Popen[str]"
) -> None:
    other.kill()
    other.wait()
    locks.hold_bench(bench(tmp_path), 43000, "after it").release()


def test_a_bench_in_memory_is_nobody_elses() -> None:
    simulated = read_bench(data.find("simulated", "resources", "benches"))
    assert locks.places(simulated) == []
    one, two = (locks.hold_bench(simulated, None, "a run") for _ in range(2))
    assert one.descriptors == two.descriptors == ()
    assert not locks.lock(simulated, None, "a guard")


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("TCPIP0::localhost::5025::SOCKET", "tcpip::127.0.0.1::5025::socket"),
        ("socket://127.0.0.1:5025", "TCPIP0::127.0.0.1::5025::SOCKET"),
        ("modbus://192.0.2.7/3", "modbus://192.0.2.7:502/3"),
        ("serial:COM3", "serial:com3"),
        ("GPIB0::7::INSTR", "gpib0::7::instr"),
        ("rtu:/dev/ttyUSB7/1", "rtu:/dev/ttyUSB7/2"),
        ("rtu:/dev/ttyUSB7/1", "serial:/dev/ttyUSB7"),
        ("ASRL/dev/ttyUSB7::INSTR", "serial:/dev/ttyUSB7"),
    ],
)
def test_one_place_written_two_ways_is_one_place(one: str, two: str) -> None:
    assert locks._place(one) == locks._place(two)


def test_units_behind_one_address_are_two_places_and_links_to_a_line_one(tmp_path: Path) -> None:
    assert locks._place("modbus://192.0.2.7:502/1") != locks._place("modbus://192.0.2.7:502/2")
    (tmp_path / "line").touch()
    (tmp_path / "link").symlink_to(tmp_path / "line")
    assert locks._place(f"serial:{tmp_path}/line") == locks._place(f"serial:{tmp_path}/link")


def test_a_trip_locks_the_bench_under_whatever_name_its_card_has(tmp_path: Path) -> None:
    here = bench(tmp_path)
    assert locks.lock_problem(here, "one.toml", 43000) is None
    assert locks.lock(here, 43000, "battery.voltage 64.2 V is above 64 V", "/runs/one")
    copied = bench(tmp_path, "copy.toml")
    problem = locks.lock_problem(copied, "copy.toml", 43000)
    assert problem is not None
    for text in ("64.2 V is above 64 V", "/runs/one", "is locked"):
        assert text in problem.what
    assert "benchrunner release copy.toml --port-base 43000 --by NAME --why" in problem.mend
    assert locks.lock_problem(here, "one.toml", 43100) is None  # other addresses are another bench
    locks.name_record(here, 43000, "/runs/one.bench")
    assert locks.lock(here, 43000, "again")  # the first cause stays
    assert "64.2 V" in locks.all_locked()[0].what
    assert "again" in locks.all_locked()[0].what


def test_a_simulated_bench_is_locked_only_where_its_card_asks(tmp_path: Path) -> None:
    assert not locks.lock(bench(tmp_path, asked=""), 43000, "a guard")
    real = SERVED.replace("simulated = true", "simulated = false", 1)
    (tmp_path / "real.toml").write_text(real, encoding="utf-8")
    assert locks.locks_after_trip(read_bench(tmp_path / "real.toml"))
    unlocked = real.replace("attended = false\n", "attended = false\nlock_after_trip = false\n", 1)
    (tmp_path / "real.toml").write_text(unlocked, encoding="utf-8")
    assert not locks.locks_after_trip(read_bench(tmp_path / "real.toml"))


def test_a_lock_that_cannot_be_read_locks_all_the_same(tmp_path: Path) -> None:
    here = bench(tmp_path)
    locks.lock(here, 43000, "a guard")
    (file,) = (locks.state_folder() / "locked").glob("*.json")
    file.write_bytes(b"\xff{" * 50)
    problem = locks.lock_problem(here, "one.toml", 43000)
    assert problem is not None
    assert "cannot be read" in problem.what
    locks.release(here, 43000, "A. Fell", "looked at the bench")
    assert locks.locked(here, 43000) is None


def test_only_a_named_person_releases_it_and_it_is_kept_and_told(tmp_path: Path) -> None:
    here = bench(tmp_path)
    with pytest.raises(Refused, match="is not locked"):
        locks.release(here, 43000, "A. Fell", "nothing")
    locks.lock(here, 43000, "a guard", "/runs/one.bench")
    with pytest.raises(Refused) as caught:
        locks.release(here, 43000, "  ", "")
    assert {problem.where for problem in caught.value.problems} == {"--by", "--why"}
    with pytest.raises(Refused, match="cannot be printed"):
        locks.release(here, 43000, "A. Fell", "one\ntwo")
    assert locks.locked(here, 43000) is not None
    locks.release(here, 43000, "A. Fell", "clamp was the wrong way round; turned")
    assert locks.lock_problem(here, "one.toml", 43000) is None
    (release,) = locks.untold(here, 43000)
    assert "released by A. Fell" in release.says
    assert "clamp was the wrong way round" in release.says
    assert "a guard" in release.says
    locks.told(here, 43000)
    assert locks.untold(here, 43000) == []
    line = json.loads((locks.state_folder() / "released" / "log.jsonl").read_text(encoding="utf-8"))
    assert (line["by"], line["trip"]["record"]) == ("A. Fell", "/runs/one.bench")


def test_a_held_file_can_be_read_by_others(tmp_path: Path) -> None:
    held = hold(tmp_path / "file")
    assert held is not None
    held.write("mine")
    assert hold(tmp_path / "file") is None
    assert (tmp_path / "file").read_text() == "mine"
    held.release()
    again = hold(tmp_path / "file")
    assert again is not None
    again.release()
