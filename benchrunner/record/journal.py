"""The crash-safe file that a run writes while it goes; its layout is `benchrunner.record.frames`.

The hot path only queues. A thread of its own packs what waits, readings in columns, and hands it to the operating system
every `FLUSH` seconds, and asks for it to be on the medium every `SYNC` seconds and at step ends, so that a slow disk never
holds up a poll.
"""

import contextlib
import os
import threading
import time
import zlib
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import msgpack
import numpy as np

from benchrunner.core.messages import ArmOrder, Captured, Event, Input, Output, Readings, SetOrder, Tick
from benchrunner.errors import Problem
from benchrunner.record import codec, parts
from benchrunner.record.facts import RunFacts, Verbatim, program_facts, utc_now
from benchrunner.record.frames import (
    CAPTURED,
    CLOSED,
    EVENT,
    FACT,
    FILE_NAME,
    FORMAT,
    FRAME,
    HEADER,
    INPUT,
    MAGIC,
    ORDER,
    READINGS,
    TICK,
    JournalError,
    Tail,
    frames,
    pack_replies,
    pack_ticks,
    read,
)
from benchrunner.record.lock import Lock

__all__ = [
    "CAPTURED", "CLOSED", "EVENT", "FACT", "FILE_NAME", "FORMAT", "FRAME", "HEADER", "INPUT", "MAGIC", "ORDER",
    "READINGS", "TICK", "Journal", "JournalError", "Tail", "facts_to_data", "frames", "read",
]  # fmt: skip

FLUSH = 0.25  # s; wall time between hand-overs to the operating system
SYNC = 1.0  # s; wall time between requests to the medium
STUCK = 15.0  # s of wall time; a disk that takes longer over one write has failed, whatever it says later
TOGETHER = 4096  # replies and ticks that are packed in one go, and lie together in a block
MOST_WAITING = 32 << 20  # bytes packed; beyond this the caller writes itself, so that memory stays bounded
FRAME_SIZE = 4 << 20  # bytes; what is packed is cut into frames of about this size
RESERVE = (
    256 * 1024
)  # bytes kept aside on the disk, so that a full disk still takes the account of making safe

Waiting = bytes | tuple[int, Sequence[Readings]] | tuple[int, Tick]


class Journal:
    """Writes one run's journal. One thread calls it; another one, inside, does the disk's work."""

    def __init__(self, path: Path, stream: BinaryIO, lock: Lock) -> None:
        self.path = path
        self._stream = stream
        self._lock = lock
        self._pack = msgpack.Packer(default=codec.plain, use_bin_type=True).pack
        self._pack_item = msgpack.Packer(
            default=codec.plain, use_bin_type=True
        ).pack  # the other thread's own
        self._waiting: deque[Waiting] = deque()
        self._append = self._waiting.append
        self._rows = 0  # replies and ticks among them, or a few more
        self._packed: deque[bytes] = deque()
        self._size = 0  # bytes in it
        self._packing = threading.Lock()
        self._disk = threading.Lock()
        self._wake = threading.Event()
        self._done = threading.Event()
        self._writing_since = 0.0  # monotonic; 0: the disk has nothing to do
        self._frames = 0
        self._items = 0
        self._inputs = 0
        self._seq = 0  # of the newest input
        self._arrived = 0.0
        self._good = len(MAGIC)  # bytes up to the end of the last whole frame
        self._problem: Problem | None = None
        self._told = False
        self._abandoned = False
        self._thread = threading.Thread(target=self._serve, name="journal", daemon=True)

    @classmethod
    def create(cls, folder: Path | str, facts: RunFacts) -> "Journal":
        """Open a new journal `run.journal` in `folder` (made if need be), with the facts on disk before it
        returns.

        Raises `JournalError` where the folder cannot be written or already holds a journal, and for a source with more
        channels than a reply can carry.
        """
        folder = Path(folder)
        path = folder / FILE_NAME
        if wide := parts.too_wide(facts.plan.sources):
            raise JournalError(Problem("the plan", wide, "read them as two instruments"))
        facts = replace(facts, started=facts.started or utc_now(), program=facts.program or program_facts())
        try:
            folder.mkdir(parents=True, exist_ok=True)
            lock = Lock.hold(folder)
            try:
                stream = open(path, "xb", buffering=0)  # noqa: SIM115 - lives as long as the journal
            except BaseException:
                lock.release()
                raise
        except (FileExistsError, BlockingIOError):
            raise JournalError(
                Problem(
                    str(path),
                    "there is a journal already",
                    "give the run a folder of its own, or seal this one with 'recover'",
                )
            ) from None
        except OSError as error:
            raise JournalError(
                Problem(str(path), f"cannot be made: {error.strerror}", "check the folder and the disk")
            ) from error
        journal = cls(path, stream, lock)
        try:
            stream.write(MAGIC)
            (folder / "reserve").write_bytes(b"\0" * RESERVE)
        except OSError as error:
            stream.close()
            lock.release()
            raise JournalError(
                Problem(str(path), f"cannot be written: {error.strerror}", "free space on this disk")
            ) from error
        journal._append(journal._pack((HEADER, facts_to_data(facts))))
        journal._items += 1
        journal._write_out(sync=True)
        journal._raise()
        journal._thread.start()
        return journal

    def input(self, seq: int, item: Input) -> None:
        """Keep one input of the core, before it is fed. Raises `JournalError` once the disk has refused
        something.
        """
        if type(item) is Readings:
            self._append((seq, (item,)))
        elif isinstance(item, Tick):
            self._append((seq, item))
            if self._writing_since:
                self._look_at_disk()
        elif isinstance(item, Captured):
            self._append(self._pack(_captured(seq, item)))
        else:
            self._append(self._pack((INPUT, seq, codec.input_to_data(item))))
        self._seq, self._arrived = seq, item.arrived
        self._taken(1)

    def replies(self, first: int, items: Sequence[Readings]) -> None:
        """Keep replies that follow one another, the first with the number `first`; nobody changes `items` any more.

        As `input` for each of them.
        """
        count = len(items)
        self._append((first, items))
        self._seq, self._arrived = first + count - 1, items[-1].arrived
        self._taken(count)

    def _taken(self, count: int) -> None:
        self._items += count
        self._inputs += count
        self._rows += count
        if self._rows >= TOGETHER:
            self._pack_waiting()
        if self._problem is not None or self._size > MOST_WAITING:
            self._attend()

    def output(self, item: Output) -> None:
        """Keep an order or an event of the core. The end of a step goes to the medium at once (without
        waiting for it).
        """
        if isinstance(item, Event):
            self.event(item)
        else:
            order = (ORDER, _order_kind(item), codec.to_data(item), float(self._arrived), self._seq)
            self._append(self._pack(order))
            self._items += 1

    def event(self, event: Event) -> None:
        """Keep an event. What is not for keeping (batched `readings`, the inputs again) is the caller's to
        leave out.
        """
        kind = event.kind
        self._append(self._pack((EVENT, float(event.at), kind, codec.plain(event.data), self._seq)))
        self._items += 1
        if kind in ("check", "ended", "guard", "safe") or (
            kind == "step" and event.data.get("phase") != "waiting"
        ):
            self._wake.set()

    def fact(self, name: str, data: Any) -> None:
        """Add or replace a fact of the header that became known later (`instruments`, `deviations`,
        `overridden`...).
        """
        self._append(self._pack((FACT, name, codec.plain(data), self._seq)))
        self._items += 1

    def sync(self, wait: bool = True) -> None:
        """Everything so far onto the medium; without `wait` it is only asked for. Raises `JournalError`."""
        if not wait:
            self._wake.set()
            return
        self._write_out(sync=True)
        self._raise()

    def close(self) -> None:
        """End in good order. Raises `JournalError` if something could not be written."""
        if self._done.is_set():
            return
        self._append(self._pack((CLOSED, self._items, self._inputs)))
        self._done.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(STUCK)
        if not self._write_out(sync=True):  # nothing more can be done: closing the file would wait as well
            self._abandoned = True
            raise JournalError(_stuck(self.path))
        with contextlib.suppress(OSError):
            self._stream.close()
        with contextlib.suppress(OSError):
            (self.path.parent / "reserve").unlink()
        self._lock.release()
        self._raise()

    @property
    def complete(self) -> bool:
        """After `close`: everything is written down."""
        return self._done.is_set() and not self._waiting and not self._packed and not self._abandoned

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _attend(self) -> None:
        self._raise()
        if self._problem is not None and self._disk.locked():
            return  # told already, and the disk still does not come back: the run does not wait for it
        self._write_out(sync=False)
        self._raise()

    def _look_at_disk(self) -> None:
        """A disk that hangs (a stick that was pulled, a share that is gone) must not do so unnoticed."""
        since = self._writing_since
        if since and time.monotonic() - since > STUCK and self._problem is None:
            self._problem = _stuck(self.path)

    def _raise(self) -> None:
        """Tell the caller once; afterwards go on as well as can be, so that making safe is still written
        down.
        """
        if self._problem is not None and not self._told:
            self._told = True
            raise JournalError(self._problem)

    def _serve(self) -> None:
        synced = time.monotonic()
        while not self._done.is_set():
            asked = self._wake.wait(FLUSH)
            self._wake.clear()
            due = asked or time.monotonic() - synced >= SYNC
            self._write_out(sync=due)
            if due:
                synced = time.monotonic()
        if self._abandoned:  # the disk came back after all
            with contextlib.suppress(OSError):
                self._stream.close()

    def _write_out(self, sync: bool) -> bool:
        """False where the disk is still busy with what it was given before, for too long."""
        if not self._disk.acquire(timeout=STUCK):
            return False
        self._writing_since = time.monotonic()
        try:
            self._write_all(sync)
        finally:
            self._writing_since = 0.0
            self._disk.release()
        return True

    def _write_all(self, sync: bool) -> None:
        self._pack_waiting()
        while chunk := self._take_packed():
            self._writing_since = time.monotonic()
            payload = b"".join(chunk)
            if not self._write_frame(payload):
                with self._packing:
                    if self._size < MOST_WAITING:
                        self._packed.appendleft(payload)
                        self._size += len(payload)
                return
        if sync:
            try:
                self._writing_since = time.monotonic()
                os.fsync(self._stream.fileno())
            except (OSError, ValueError) as error:
                self._fail(error)

    def _take_packed(self) -> list[bytes]:
        """As much of what is packed as makes a frame."""
        with self._packing:
            chunk: list[bytes] = []
            size = 0
            while self._packed and (not chunk or size + len(self._packed[0]) <= FRAME_SIZE):
                chunk.append(self._packed.popleft())
                size += len(chunk[-1])
            self._size -= size
        return chunk

    def _pack_waiting(self) -> None:
        """Pack what waits, in order. By either thread; neither waits for the disk here."""
        with self._packing:
            self._rows = 0
            waiting = self._waiting
            taken = [waiting.popleft() for _ in range(len(waiting))]
            if taken:
                self._packed.append(self._payload(taken))
                self._size += len(self._packed[-1])

    def _payload(self, chunk: list[Waiting]) -> bytes:
        """The items of one frame: replies and ticks together in columns, everything else as it came."""
        packed: list[bytes] = []
        replies: list[Readings] = []
        numbers: list[int] = []
        ticks: list[int] = []
        times: list[float] = []
        for entry in chunk:
            if type(entry) is bytes:
                packed.append(entry)
                continue
            seq, what = entry
            if type(what) is Tick:
                ticks.append(seq)
                times.append(what.arrived)
            else:
                replies += what  # type: ignore[arg-type]
                numbers += range(seq, seq + len(what))  # type: ignore[arg-type]
        columns = list(pack_replies(self._pack_item, numbers, replies)) if replies else []
        if ticks:
            columns.append(pack_ticks(self._pack_item, ticks, times))
        return b"".join(columns + packed)

    def _write_frame(self, payload: bytes) -> bool:
        frame = FRAME.pack(len(payload), zlib.crc32(payload, self._frames)) + payload
        for attempt in (1, 2):
            try:
                view = memoryview(frame)
                while view:
                    view = view[self._stream.write(view) :]
            except (OSError, ValueError) as error:
                self._fail(error)
                with contextlib.suppress(OSError, ValueError):  # no torn frame in the middle of the file
                    self._stream.truncate(self._good)
                    self._stream.seek(self._good)
                if attempt == 1:
                    with contextlib.suppress(OSError):
                        (self.path.parent / "reserve").unlink()
                continue
            self._frames += 1
            self._good += len(frame)
            return True
        return False

    def _fail(self, error: Exception) -> None:
        if self._problem is None:
            reason = getattr(error, "strerror", None) or str(error)
            self._problem = Problem(
                str(self.path), f"the journal can no longer be written: {reason}", "free space on this disk"
            )


def _stuck(path: Path) -> Problem:
    return Problem(
        str(path), f"the disk has taken nothing for {STUCK:g} s", "see to the disk, or choose another --out"
    )


def _captured(seq: int, item: Captured) -> tuple[Any, ...]:
    samples = np.ascontiguousarray(item.samples, dtype="<f8")
    return (CAPTURED, seq, codec.input_to_data(item), list(samples.shape), samples.tobytes())


def _order_kind(item: SetOrder | ArmOrder) -> str:
    return "set" if isinstance(item, SetOrder) else "arm"


def facts_to_data(facts: RunFacts) -> dict[str, Any]:
    """The header item: facts with the files verbatim (bytes) and the plan as data."""

    def file(item: Verbatim) -> dict[str, Any]:
        return {"name": item.name, "title": item.title, "raw": item.raw, "sha256": item.sha256}

    return {
        "format": FORMAT,
        "started": facts.started,
        "program": codec.plain(facts.program),
        "seed": codec.to_data(facts.plan.seed),
        "simulated": facts.plan.simulated,
        "procedure": file(facts.procedure),
        "pairing": file(facts.pairing),
        "bench": file(facts.bench),
        "drivers": [file(item) for item in facts.drivers],
        "profiles": [file(item) for item in facts.profiles],
        "overrides": codec.plain(facts.overrides),
        "instruments": codec.plain(facts.instruments),
        "operator": facts.operator,
        "acknowledged": facts.acknowledged,
        "overridden": codec.plain(facts.overridden),
        "deviations": codec.plain(facts.deviations),
        "laboratory": facts.laboratory,
        "plan": codec.plan_to_data(facts.plan),
    }
