"""The journal: what is acknowledged is there, a torn tail is noticed at every byte, a full disk is said once."""

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest
import record_sample
from record_sample import facts, inputs

from benchrunner.core.messages import Captured, Readings, Tick
from benchrunner.record import journal
from benchrunner.record.journal import Journal, JournalError, Tail


def kept(path: Path) -> tuple[list[list[object]], Tail]:
    tail = Tail()
    return list(journal.read(path, tail)), tail


def test_everything_comes_back_in_order(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run")
    items, tail = kept(tmp_path / "run")
    assert tail.closed
    assert tail.lost == 0
    assert [i[1] for i in items if i[0] in (1, 2, 3, 4)] == list(range(1, len(inputs()) + 1))
    assert items[0][0] == journal.HEADER
    assert items[0][1]["procedure"]["raw"] == facts().procedure.raw
    assert items[-1][0] == journal.CLOSED


def test_inputs_are_on_disk_within_a_second(tmp_path: Path) -> None:
    log = Journal.create(tmp_path / "run", facts())
    log.input(1, Readings(0.1, 0, 0.1, 0.01, (230.0, 50.0)))
    deadline = time.monotonic() + 1.0
    while time.monotonic() < deadline:
        if any(item[0] == journal.READINGS for item in journal.read(log.path)):
            break
        time.sleep(0.02)
    else:
        pytest.fail("not in the file after one second, without any further call")
    log.close()


def test_a_torn_tail_is_noticed_at_every_byte(tmp_path: Path) -> None:
    log = Journal.create(tmp_path / "run", facts())
    for seq, item in enumerate([item for item in inputs(12) if not isinstance(item, Captured)], 1):
        log.input(seq, item)
        if seq % 5 == 0:
            log.sync()
    log.close()
    raw = log.path.read_bytes()
    ends = _frame_ends(raw)
    assert len(ends) > 4
    first = ends[0]  # the header's frame; from there on every cut is tried
    for cut in range(first, len(raw)):
        path = tmp_path / "cut.journal"
        path.write_bytes(raw[:cut])
        _, tail = kept(path)
        assert not tail.closed, cut
        assert tail.why
        assert tail.good == max(end for end in ends if end <= cut)
        assert tail.lost == cut - tail.good


def test_any_flipped_byte_ends_the_reading_before_it(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run", count=3)
    raw = (tmp_path / "run" / journal.FILE_NAME).read_bytes()
    ends = _frame_ends(raw)
    for at in range(8, len(raw), 31):
        path = tmp_path / "flipped.journal"
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 0x40]) + raw[at + 1 :])
        _, tail = kept(path)
        assert not tail.closed, at
        assert tail.good <= max([8, *(end for end in ends if end <= at)])


def test_a_dropped_and_a_repeated_frame_are_noticed(tmp_path: Path) -> None:
    log = Journal.create(tmp_path / "run", facts())
    for seq in range(1, 4):
        log.input(seq, Readings(seq * 0.1, 0, seq * 0.1, 0.01, (230.0, 50.0)))
        log.sync()
    log.close()
    raw = log.path.read_bytes()
    a, b, c = _frame_ends(raw)[:3]
    for broken in (raw[:a] + raw[b:], raw[:b] + raw[a:b] + raw[b:], raw[:a] + raw[b:c] + raw[a:b] + raw[c:]):
        path = tmp_path / "broken.journal"
        path.write_bytes(broken)
        _, tail = kept(path)
        assert not tail.closed
        assert "check sum" in tail.why or "counts" in tail.why or "announces" in tail.why


def test_a_cut_between_frames_does_not_pass_for_an_end(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run", close=False).sync()
    _, tail = kept(tmp_path / "run")
    assert not tail.closed
    assert tail.lost == 0
    assert "closing" in tail.why


def test_a_second_journal_in_the_same_folder_is_refused(tmp_path: Path) -> None:
    record_sample.write(tmp_path / "run")
    with pytest.raises(JournalError, match="already"):
        Journal.create(tmp_path / "run", facts())


def test_no_journal_is_said(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"something else entirely")
    with pytest.raises(JournalError, match="not a journal"):
        list(journal.read(tmp_path / "x"))
    with pytest.raises(JournalError, match="cannot be read"):
        list(journal.read(tmp_path / "not-there"))


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX's")
def test_a_full_disk_is_said_once_and_making_safe_is_still_written(tmp_path: Path) -> None:
    """The disk takes 40 kB more and then refuses; the reserve lets the last events through."""
    script = textwrap.dedent(
        """
        import resource, signal, sys
        sys.path[:0] = sys.argv[2:4]
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        from record_sample import facts, inputs
        from benchrunner.core.messages import Event, Readings
        from benchrunner.record.journal import Journal, JournalError
        log = Journal.create(sys.argv[1], facts())
        soft = log.path.stat().st_size + 40_000
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, resource.RLIM_INFINITY))
        told = []
        for seq in range(1, 4001):
            try:
                log.input(seq, Readings(seq * .1, 0, seq * .1, .01, (230.0, 50.0)))
                if seq % 100 == 0:
                    log.sync()
            except JournalError as error:
                told.append((seq, str(error)))
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        log.event(Event(400.0, "safe", {"id": "pv-off", "phase": "confirmed"}))
        log.close()
        print(len(told), told[0])
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "run"), str(Path(__file__).parent), os.getcwd()],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert done.stdout.startswith("1 ("), done.stdout + done.stderr
    assert "can no longer be written" in done.stdout
    items, tail = kept(tmp_path / "run")
    assert tail.closed, "once there is room again nothing is lost"
    assert [i[3] for i in items if i[0] == journal.EVENT] == [{"id": "pv-off", "phase": "confirmed"}]
    assert tail.inputs == 4000


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX's")
def test_what_was_acknowledged_survives_kill_9(tmp_path: Path) -> None:
    """A writer prints each number after it was synced, and is killed in the middle of it."""
    script = textwrap.dedent(
        """
        import sys
        sys.path[:0] = sys.argv[2:4]
        from record_sample import facts
        from benchrunner.core.messages import Readings
        from benchrunner.record.journal import Journal
        log = Journal.create(sys.argv[1], facts())
        for seq in range(1, 10**7):
            log.input(seq, Readings(seq * .1, 0, seq * .1, .01, (230.0, 50.0)))
            if seq % 500 == 0:
                log.sync()
                print(seq, flush=True)
        """
    )
    for trial in range(3):
        folder = tmp_path / f"run{trial}"
        writer = subprocess.Popen(
            [sys.executable, "-c", script, str(folder), str(Path(__file__).parent), os.getcwd()],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert writer.stdout is not None
        acknowledged = 0
        for line in writer.stdout:
            acknowledged = int(line)
            if acknowledged >= 3000 + 700 * trial:
                break
        writer.send_signal(signal.SIGKILL)
        writer.stdout.close()
        writer.wait(10)
        _, tail = kept(folder)
        assert not tail.closed
        assert tail.inputs >= acknowledged > 0


def test_a_readings_input_costs_little(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed (`tests/speed/record.py` times): bytes an input, and writes and syncs for all of them."""
    monkeypatch.setattr(journal, "SYNC", 1e9)  # what is asked for by the clock depends on the machine
    monkeypatch.setattr(journal, "FLUSH", 600.0)
    log = Journal.create(tmp_path / "run", facts())
    begin, syncs, fsync = log.path.stat().st_size, [0], os.fsync

    def counted(number: int) -> None:
        syncs[0] += 1
        fsync(number)

    monkeypatch.setattr(journal.os, "fsync", counted)
    items = [Readings(k * 0.1, 1, k * 0.1, 0.01, (56.0 + k * 0.001, -40.0)) for k in range(20_000)]
    for seq, item in enumerate(items, 1):
        log.input(seq, item)
    log.close()
    frames_written = sum(1 for _ in journal.frames(log.path, journal.Tail()))
    # six numbers of 8 bytes and the flags an input, columns and frames around them
    assert log.path.stat().st_size - begin < 70 * len(items)
    assert frames_written <= 2 + -(-len(items) // journal.TOGETHER) + syncs[0]
    assert syncs[0] <= 2 + -(-len(items) // journal.TOGETHER)


def test_memory_stays_bounded_while_the_disk_is_slow(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal, "MOST_WAITING", 100_000)
    monkeypatch.setattr(journal, "TOGETHER", 100)
    log = Journal.create(tmp_path / "run", facts())
    for seq in range(1, 20_001):
        log.input(seq, Readings(seq * 0.1, 0, seq * 0.1, 0.01, (230.0, 50.0)))
        assert len(log._waiting) <= 101
        assert log._size <= 120_000
    log.close()
    assert kept(log.path)[1].inputs == 20_000


def test_hostile_journals_end_in_words(tmp_path: Path) -> None:
    import zlib

    import msgpack

    def journal_of(payload: bytes) -> Path:
        path = tmp_path / "hostile.journal"
        path.write_bytes(journal.MAGIC + journal.FRAME.pack(len(payload), zlib.crc32(payload, 0)) + payload)
        return path

    deep = b"\x91" * 5000 + b"\xc0"
    for payload in (
        b"", b"\xc1", deep, msgpack.packb([99, 1]), msgpack.packb({"a": 1}), msgpack.packb([1, "x"]),
        msgpack.packb([2, 1, "soon"]), b"\xdd\xff\xff\xff\xff", b"\xdb\xff\xff\xff\xffabc",
    ):  # fmt: skip
        items, tail = kept(journal_of(payload))
        assert items == []
        assert not tail.closed
        assert tail.why
    huge = tmp_path / "huge.journal"
    huge.write_bytes(journal.MAGIC + journal.FRAME.pack(0xFFFFFFFF, 0) + b"x")
    assert "announces" in kept(huge)[1].why


def _frame_ends(raw: bytes) -> list[int]:
    ends, at = [], len(journal.MAGIC)
    while at < len(raw):
        at += journal.FRAME.size + journal.FRAME.unpack_from(raw, at)[0]
        ends.append(at)
    return ends


def test_a_disk_that_hangs_is_said_and_holds_up_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share that is gone blocks in the system call; the run must hear of it and must not block with it."""
    monkeypatch.setattr(journal, "STUCK", 0.3)
    monkeypatch.setattr(journal, "MOST_WAITING", 50)
    monkeypatch.setattr(journal, "TOGETHER", 10)
    writer = Journal.create(tmp_path, facts())
    back = threading.Event()
    monkeypatch.setattr(journal.os, "fsync", lambda number: back.wait(300.0))
    writer.sync(wait=False)  # the journal's own thread now hangs in it
    told = number = 0
    began = time.monotonic()
    # the disk stays away until it is let back below: that these come through at all is that nothing waits for it
    while number < 200 or (not told and time.monotonic() - began < 60.0):
        try:
            writer.input(number, Tick(0.1 * number))
        except JournalError:
            told += 1
        number += 1
        time.sleep(0.005)
    assert told == 1
    with pytest.raises(JournalError, match="disk has taken nothing"):
        writer.close()
    assert not back.is_set()
    back.set()
    writer._thread.join(5.0)
    assert not writer._thread.is_alive()
