"""The crash-safe file that a run writes while it goes. Frames of MessagePack items; read back up to a torn
tail.

Layout: the 8 bytes `MAGIC`, then frames `[length u32][crc32 u32][payload]`, little-endian. The CRC of frame
n starts from n, so that a dropped or repeated frame is noticed. A payload is one or more MessagePack arrays
(see `read`). The last item of a journal that was closed in good order counts the items before it: a cut
exactly between two frames would otherwise look like an end.

The hot path only packs and queues. A thread of its own hands the queue to the operating system every `FLUSH`
seconds and asks for it to be on the medium every `SYNC` seconds and at step ends, so that a slow disk never
holds up a poll.
"""

import contextlib
import os
import struct
import threading
import time
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

import msgpack
import numpy as np

from benchrunner.core.messages import ArmOrder, Captured, Event, Input, Output, Readings, SetOrder, Tick
from benchrunner.errors import Problem
from benchrunner.record import codec
from benchrunner.record.facts import RunFacts, Verbatim, program_facts, utc_now

MAGIC = b"\x8cBRJ01\r\n"
FORMAT = 1
FILE_NAME = "run.journal"
FRAME = struct.Struct("<II")
LARGEST_FRAME = 1 << 30
FLUSH = 0.25  # s; wall time between hand-overs to the operating system
SYNC = 1.0  # s; wall time between requests to the medium
STUCK = 15.0  # s of wall time; a disk that takes longer over one write has failed, whatever it says later
MOST_WAITING = 100_000  # items; beyond this the caller writes itself, so that memory stays bounded
RESERVE = (
    256 * 1024
)  # bytes kept aside on the disk, so that a full disk still takes the account of making safe

HEADER, READINGS, TICK, INPUT, CAPTURED, EVENT, ORDER, FACT, CLOSED = range(9)
INPUTS = (READINGS, TICK, INPUT, CAPTURED)


class JournalError(OSError):
    """The journal cannot be written or read. The engine makes the bench safe on this while it runs."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


class Journal:
    """Writes one run's journal. One thread calls it; another one, inside, does the disk's work."""

    def __init__(self, path: Path, stream: BinaryIO) -> None:
        self.path = path
        self._stream = stream
        self._pack = msgpack.Packer(default=codec.plain, use_bin_type=True).pack
        self._waiting: deque[bytes] = deque()
        self._append = self._waiting.append
        self._disk = threading.Lock()
        self._wake = threading.Event()
        self._done = threading.Event()
        self._writing_since = 0.0  # monotonic; 0: the disk has nothing to do
        self._frames = 0
        self._items = 0
        self._inputs = 0
        self._good = len(MAGIC)  # bytes up to the end of the last whole frame
        self._problem: Problem | None = None
        self._told = False
        self._abandoned = False
        self._thread = threading.Thread(target=self._serve, name="journal", daemon=True)

    @classmethod
    def create(cls, folder: Path | str, facts: RunFacts) -> "Journal":
        """Open a new journal `run.journal` in `folder` (made if need be), with the facts on disk before it
        returns.

        Raises `JournalError` where the folder cannot be written or already holds a journal.
        """
        folder = Path(folder)
        path = folder / FILE_NAME
        facts = replace(facts, started=facts.started or utc_now(), program=facts.program or program_facts())
        try:
            folder.mkdir(parents=True, exist_ok=True)
            stream = open(path, "xb", buffering=0)  # noqa: SIM115 - lives as long as the journal
        except FileExistsError:
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
        journal = cls(path, stream)
        try:
            stream.write(MAGIC)
            (folder / "reserve").write_bytes(b"\0" * RESERVE)
        except OSError as error:
            stream.close()
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
            values = (READINGS, seq, item.arrived, item.source, item.at, item.spread, item.values, item.flags)
            self._append(self._pack(values))
        elif isinstance(item, Tick):
            self._append(self._pack((TICK, seq, item.arrived)))
            if self._writing_since:
                self._look_at_disk()
        elif isinstance(item, Captured):
            self._append(self._pack(_captured(seq, item)))
        else:
            self._append(self._pack((INPUT, seq, codec.input_to_data(item))))
        self._items += 1
        self._inputs += 1
        if self._problem is not None or len(self._waiting) > MOST_WAITING:
            self._attend()

    def output(self, item: Output) -> None:
        """Keep an order or an event of the core. The end of a step goes to the medium at once (without
        waiting for it).
        """
        if isinstance(item, Event):
            self.event(item)
        else:
            self._append(self._pack((ORDER, _order_kind(item), codec.to_data(item))))
            self._items += 1

    def event(self, event: Event) -> None:
        """Keep an event. What is not for keeping (batched `readings`, the inputs again) is the caller's to
        leave out.
        """
        kind = event.kind
        self._append(self._pack((EVENT, float(event.at), kind, codec.plain(event.data))))
        self._items += 1
        if kind in ("check", "ended", "guard", "safe") or (
            kind == "step" and event.data.get("phase") != "waiting"
        ):
            self._wake.set()

    def fact(self, name: str, data: Any) -> None:
        """Add or replace a fact of the header that became known later (`instruments`, `deviations`,
        `overridden`...).
        """
        self._append(self._pack((FACT, name, codec.plain(data))))
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
        self._raise()

    @property
    def complete(self) -> bool:
        """After `close`: everything is written down."""
        return self._done.is_set() and not self._waiting and not self._abandoned

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
        chunks: list[bytes] = []
        while True:
            size = 0
            chunks.clear()
            while self._waiting and (not chunks or size + len(self._waiting[0]) < 4 << 20):
                chunks.append(self._waiting.popleft())
                size += len(chunks[-1])
            if not chunks:
                break
            self._writing_since = time.monotonic()
            if not self._write_frame(b"".join(chunks)):
                if len(self._waiting) < MOST_WAITING:
                    self._waiting.extendleft(reversed(chunks))
                return
        if sync:
            try:
                self._writing_since = time.monotonic()
                os.fsync(self._stream.fileno())
            except (OSError, ValueError) as error:
                self._fail(error)

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
        "overrides": codec.plain(facts.overrides),
        "instruments": codec.plain(facts.instruments),
        "operator": facts.operator,
        "acknowledged": facts.acknowledged,
        "overridden": codec.plain(facts.overridden),
        "deviations": codec.plain(facts.deviations),
        "laboratory": facts.laboratory,
        "plan": codec.plan_to_data(facts.plan),
    }


@dataclass
class Tail:
    """How a journal ended: `closed` in good order, or cut; `lost` bytes after `good` could not be read."""

    closed: bool = False
    good: int = 0
    lost: int = 0
    why: str = ""
    items: int = 0
    inputs: int = 0
    last_arrived: float = 0.0


@dataclass(frozen=True)
class Frame:
    """The items of one frame, and where in its payload each ends."""

    payload: bytes
    items: list[list[Any]]
    ends: list[int]


def read(path: Path | str, tail: Tail | None = None) -> Iterator[list[Any]]:
    """The items of a journal, as packed: `[HEADER, facts]`,
    `[READINGS, seq, arrived, source, at, spread, values, flags]`, `[TICK, seq, arrived]`, `[INPUT, seq, data]`,
    `[CAPTURED, seq, data, shape, bytes]`, `[EVENT, at, kind, data]`, `[ORDER, kind, data]`, `[FACT, name, data]`,
    `[CLOSED, items, inputs]`. As `frames` otherwise.
    """
    for frame in frames(path, tail):
        yield from frame.items


def frames(path: Path | str, tail: Tail | None = None) -> Iterator[Frame]:
    """The frames of a journal, one in memory at a time.

    Stops at the first frame that is not whole; `tail` then says where and how much was lost. Raises `JournalError`
    where the file cannot be opened or is no journal.
    """
    tail = tail if tail is not None else Tail()
    path = Path(path)
    path = path / FILE_NAME if path.is_dir() else path
    mend = "give the run's folder or its run.journal"
    try:
        stream = path.open("rb")
    except OSError as error:
        raise JournalError(Problem(str(path), f"cannot be read: {error.strerror}", mend)) from error
    with stream:
        size = os.fstat(stream.fileno()).st_size
        if stream.read(len(MAGIC)) != MAGIC:
            raise JournalError(Problem(str(path), "is not a journal of this program", mend))
        tail.good = len(MAGIC)
        number = 0
        while tail.good < size and not tail.closed:
            payload = _read_frame(stream, size, number, tail)
            if payload is None:
                break
            try:
                frame = _unpack(payload)
            except ValueError as error:
                tail.why = f"frame {number} holds no items: {error}"
                break
            number += 1
            tail.good += FRAME.size + len(payload)
            _count(frame.items, tail)
            yield frame
        tail.lost = size - tail.good
        if tail.lost and tail.closed:
            tail.closed, tail.why = False, "there is more after the journal's end"
        elif not tail.closed and not tail.why:
            tail.why = "the journal stops without its closing item"


def _read_frame(stream: BinaryIO, size: int, number: int, tail: Tail) -> bytes | None:
    head = stream.read(FRAME.size)
    if len(head) < FRAME.size:
        tail.why = f"frame {number} is cut in its first {FRAME.size} bytes"
        return None
    length, check = FRAME.unpack(head)
    if length > LARGEST_FRAME or length > size - tail.good - FRAME.size:
        tail.why = f"frame {number} announces {length} bytes and {size - tail.good - FRAME.size} are there"
        return None
    payload = stream.read(length)
    if len(payload) < length or zlib.crc32(payload, number) != check:
        tail.why = f"frame {number} does not fit its check sum"
        return None
    return payload


_SHAPE: dict[int, tuple[int, tuple[type[Any], ...]]] = {
    HEADER: (2, (int, dict)),
    READINGS: (8, (int, int, float, int, float, float, list, int)),
    TICK: (3, (int, int, float)),
    INPUT: (3, (int, int, dict)),
    CAPTURED: (5, (int, int, dict, list, bytes)),
    EVENT: (4, (int, float, str, dict)),
    ORDER: (3, (int, str, dict)),
    FACT: (3, (int, str)),
    CLOSED: (3, (int, int, int)),
}


_USUAL = {kind: [int, *kinds[1:]] for kind, (_, kinds) in _SHAPE.items()}


def _unpack(payload: bytes) -> Frame:
    unpacker = msgpack.Unpacker(max_buffer_size=max(len(payload), 1), raw=False, strict_map_key=True)
    unpacker.feed(payload)
    items: list[list[Any]] = []
    ends: list[int] = []
    tell = unpacker.tell
    try:
        for item in unpacker:
            if type(item) is not list or not item or list(map(type, item)) != _USUAL.get(item[0]):
                _check_shape(item)
            items.append(item)
            ends.append(tell())
        if (ends[-1] if ends else 0) != len(payload):
            raise ValueError("half an item at its end")
    except (msgpack.exceptions.UnpackException, RecursionError, TypeError) as error:
        raise ValueError(f"{type(error).__name__}") from None
    return Frame(payload, items, ends)


def _check_shape(item: Any) -> None:
    """Whether an item is one of ours, where a look at its types did not settle it. Raises `ValueError`."""
    if not isinstance(item, list) or not item or not isinstance(item[0], int) or item[0] not in _SHAPE:
        raise ValueError("an item of no known kind")
    count, kinds = _SHAPE[item[0]]
    if len(item) != count:
        raise ValueError(f"an item of kind {item[0]} with {len(item)} parts")
    for value, kind in zip(item, kinds, strict=False):
        if not isinstance(value, kind) and not (kind is float and isinstance(value, int)):
            raise ValueError(f"an item of kind {item[0]} with a {type(value).__name__} for a {kind.__name__}")


def _count(items: list[list[Any]], tail: Tail) -> None:
    kinds = [item[0] for item in items]
    count = kinds.index(CLOSED) if CLOSED in kinds else len(kinds)
    tail.items += count
    tail.inputs += sum(kinds[:count].count(kind) for kind in INPUTS)
    if count < len(kinds):
        closing = items[count]
        tail.closed = closing[1] == tail.items and closing[2] == tail.inputs and count == len(items) - 1
        if not tail.closed:
            tail.why = f"the closing item counts {closing[1]} items and {tail.items} are there"
    last = next((items[k] for k in range(count - 1, -1, -1) if kinds[k] in INPUTS), None)
    if last is not None:
        arrived = last[2] if last[0] in (READINGS, TICK) else last[2].get("arrived", 0.0)
        if isinstance(arrived, int | float):
            tail.last_arrived = float(arrived)
