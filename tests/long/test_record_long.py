"""The long trials of the record: every byte flipped, two hundred kills, ten thousand mutations. The quick suite samples them."""

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
