"""The long trials of the record: every byte flipped, two hundred kills, ten thousand mutations. The quick suite samples them."""

import json
import os
import random
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))

import record_sample

from benchrunner.core.messages import Fault
from benchrunner.record import journal
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.opened import Record
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify


@pytest.fixture
def record(tmp_path: Path) -> Path:
    record_sample.write(tmp_path / "run", count=12)
    return seal(tmp_path / "run", tmp_path / "x.bench", SigningKey.from_seed("op", bytes(range(32))))


def test_every_byte_flipped(record: Path, tmp_path: Path) -> None:
    raw = record.read_bytes()
    store = Store(tmp_path / "keys")
    path = tmp_path / "flipped.bench"
    missed = []
    for at in range(len(raw)):
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 1 << at % 8]) + raw[at + 1 :])
        if verify(path, store=store).ok:
            missed.append(at)
    print(f"{len(raw) - len(missed)} of {len(raw)} flips found")
    assert not missed


def test_ten_thousand_mutations(record: Path, tmp_path: Path) -> None:
    """Verifying gives findings; opening and reading gives one clear error or the data; nothing else ever comes out."""
    from benchrunner.record.container import ContainerError

    raw = record.read_bytes()
    draw = random.Random(11)
    store = Store(tmp_path / "keys")
    path = tmp_path / "mutated.bench"
    opened = 0
    for _ in range(10_000):
        at, length = draw.randrange(len(raw)), draw.choice((1, 2, 8, 30, 400))
        block = raw[at : at + length]
        changed = draw.choice((draw.randbytes(length), b"", block + block, bytes(len(block))))
        mutated = raw[:at] + changed + raw[at + length :]
        path.write_bytes(mutated)
        assert verify(path, store=store).ok == (mutated == raw)
        try:
            found = Record.open(path)
            list(found.inputs())
            _ = found.readings, found.waveforms, found.events
            opened += 1
        except ContainerError:
            continue
    print(f"10000 mutations: all found, {opened} could still be opened and read")


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX's")
def test_two_hundred_kills(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys
        sys.path[:0] = sys.argv[2:4]
        from record_sample import facts
        from benchrunner.core.messages import Readings
        from benchrunner.record.journal import Journal
        log = Journal.create(sys.argv[1], facts())
        for seq in range(1, 10**7):
            log.input(seq, Readings(seq * .1, 0, seq * .1, .01, (seq * 0.5, 50.0)))
            if seq % 50 == 0:
                log.sync()
                print(seq, flush=True)
        """
    )
    draw = random.Random(9)
    for trial in range(200):
        folder = tmp_path / f"run{trial}"
        writer = subprocess.Popen(
            [
                sys.executable,
                "-c",
                script,
                str(folder),
                str(Path(__file__).parents[1] / "record"),
                os.getcwd(),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert writer.stdout is not None
        stop_at, acknowledged = draw.randrange(50, 4000), 0
        for line in writer.stdout:
            acknowledged = int(line)
            if acknowledged >= stop_at:
                break
        writer.send_signal(signal.SIGKILL)
        writer.stdout.close()
        writer.wait(10)
        tail = journal.Tail()
        values = [item[6][0] for item in journal.read(folder, tail) if item[0] == journal.READINGS]
        assert len(values) >= acknowledged
        assert values == [0.5 * seq for seq in range(1, len(values) + 1)], (
            "an unbroken beginning, nothing invented"
        )
    print("200 kills: nothing acknowledged was lost")


def test_power_loss_at_every_byte(tmp_path: Path) -> None:
    """Every offset behind the header's frame: the inputs of whole frames are recovered as they were, the gap is stated."""
    raw, ends = record_sample.cut_journal(tmp_path / "run", 6)
    for cut in range(ends[0][0], len(raw) + 1):
        record_sample.assert_cut_is_recovered(tmp_path / "cut", raw, ends, cut)
    print(f"cut at {len(raw) + 1 - ends[0][0]} offsets, each recovered")


FULL_DISK = """
import json, resource, signal, sys
from pathlib import Path
import benchrunner.engine.whole as whole
from benchrunner.engine.process import run_request
from benchrunner.engine.request import RunRequest
from benchrunner.engine.stream import EventStream

class Nobody:
    def take(self):
        return []

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
limit = int(sys.argv[2])
run = whole.loop.run
seal = whole.seal

def full(*args, **more):  # no file grows beyond the limit, as on a disk that is full, until the run is over
    if limit:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    return run(*args, **more)

def freed(journal, *args, **more):  # then somebody makes room
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    Path(sys.argv[1] + ".journal").write_bytes(Path(journal).read_bytes())
    return seal(journal, *args, **more)

whole.loop.run, whole.seal = full, freed
stream = EventStream(open(sys.argv[1] + ".events", "w"))
ended = run_request(RunRequest("load-rejection", out=sys.argv[1]), stream, Nobody())
stream.close()
print(json.dumps(ended))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX's")
def test_the_disk_fills_at_twenty_moments(tmp_path: Path) -> None:
    """A whole run each time. The bench is made safe, the run is no pass, and what went to the disk is in the record."""

    def run(name: str, limit: int) -> dict[str, object]:
        done = subprocess.run(
            [sys.executable, "-c", FULL_DISK, str(tmp_path / name), str(limit)],
            env={**os.environ, "PYTHONPATH": os.getcwd()}, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr[-1500:]
        return dict(json.loads(done.stdout.splitlines()[-1]))

    ended = run("whole", 0)
    assert ended["exit"] == 0
    size = (tmp_path / "whole.journal").stat().st_size
    whole = [item for _, item in Record.open(str(ended["record"])).inputs()]
    draw = random.Random(13)
    kept = []
    for number in range(20):
        limit = draw.randrange(30_000, size - 1000)
        name = f"full{number}"
        ended = run(name, limit)
        assert (ended["exit"], ended["ended_by"], ended["finished"]) == (4, "fault", False), (limit, ended)
        assert ended["safe"] == "confirmed", (limit, ended)
        record = Record.open(str(ended["record"]))
        assert verify(record.path, allow_unsigned=True).ok
        assert record.header["finished"] is False
        found = list(record.inputs())
        assert [seq for seq, _ in found] == list(range(1, len(found) + 1)), (
            "an unbroken beginning, nothing invented"
        )
        full = [k for k, (_, item) in enumerate(found) if isinstance(item, Fault) and item.fatal]
        before = full[0] if full else len(found)
        assert [repr(item) for _, item in found[:before]] == [repr(item) for item in whole[:before]]
        kept.append(len(found))
    print(
        f"full at 20 moments: {min(kept)} to {max(kept)} of {len(whole)} inputs kept, the bench safe each time"
    )


def test_the_largest_header_stays_in_bounds(tmp_path: Path) -> None:
    """Sixteen megabytes of empty lists, the costliest that the bound lets in, in a process whose memory is measured."""
    import forged
    from test_hostile_records import heavy, measured

    record_sample.write(tmp_path / "run", count=12)
    path = seal(tmp_path / "run", tmp_path / "x.bench", SigningKey.from_seed("op", bytes(range(32))))
    found = measured(heavy(tmp_path / "heavy.bench", forged.members_of(path), 0))
    print(f"the costliest header: {found['MiB']:.0f} MiB, {found['s']:.1f} s")
    assert not found["ok"]
    assert any("signatures/0001.jws" in f for f in found["findings"])
    assert found["MiB"] < 1000
    assert found["s"] < 60
