"""The layout of a journal: frames of MessagePack items, readings in columns; packing them, and reading back up to a torn tail.

A journal is the 8 bytes `MAGIC`, then frames `[length u32][crc32 u32][payload]`, little-endian. The CRC of frame n starts
from n, so that a dropped or repeated frame is noticed. A payload is one or more MessagePack arrays, the *items*:

    [HEADER, facts]                        first of all; `facts["format"]` is the format's number
    [BLOCK, source, rows, values, raw]     so many replies of one source, column after column, little-endian: seq (i64), arrived,
                                           at, spread (f64), flags (u64), then each value (f64)
    [TICKS, rows, raw]                     so many ticks: seq (i64), arrived (f64)
    [INPUT, seq, data]   [CAPTURED, seq, data, shape, raw]     every other input
    [EVENT, at, kind, data, after]   [ORDER, kind, data, at, after]   [FACT, name, data, after]
    [CLOSED, items, inputs]                last; a cut exactly between two frames would otherwise look like an end

`seq` numbers the inputs and puts them in order; `after` is the number of the input before. Inputs never run backwards from
one frame to the next. Format 1 had one item for each reading (`[READINGS, seq, arrived, source, at, spread, values, flags]`)
and tick (`[TICK, seq, arrived]`), events and facts without `after` and orders without their last two; it is read as well.
"""

import os
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from operator import attrgetter
from pathlib import Path
from typing import Any, BinaryIO

import msgpack
import numpy as np

from benchrunner.core.messages import Readings
from benchrunner.errors import Problem

MAGIC = b"\x8cBRJ01\r\n"
FORMAT = 2
FILE_NAME = "run.journal"
FRAME = struct.Struct("<II")
LARGEST_FRAME = 1 << 30
MOST_VALUES = 4096  # of one reply

HEADER, READINGS, TICK, INPUT, CAPTURED, EVENT, ORDER, FACT, CLOSED, BLOCK, TICKS = range(11)
INPUTS = (READINGS, TICK, INPUT, CAPTURED)
HEAD = 5  # columns of a block before its values


class JournalError(OSError):
    """The journal cannot be written or read. The engine makes the bench safe on this while it runs."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


# ---- packing

Pack = Callable[[Any], bytes]
_SOURCE, _FLAGS, _VALUES = attrgetter("source"), attrgetter("flags"), attrgetter("values")
_TIMES = tuple(map(attrgetter, ("arrived", "at", "spread")))


def pack_replies(pack: Pack, seqs: Sequence[int], replies: Sequence[Readings]) -> Iterator[bytes]:
    """Replies as items: a block for each source. One that is not made of numbers goes as an item of its own."""
    try:
        yield from list(_blocks(pack, seqs, replies))
    except (TypeError, ValueError, OverflowError):
        for seq, item in zip(seqs, replies, strict=True):
            values = (item.arrived, item.source, item.at, item.spread, item.values, item.flags)
            yield pack((READINGS, seq, *values))


def _blocks(pack: Pack, seqs: Sequence[int], replies: Sequence[Readings]) -> Iterator[bytes]:
    count = len(replies)
    values = list(map(_VALUES, replies))
    widths = np.fromiter(map(len, values), np.int64, count)
    flat = np.fromiter(chain.from_iterable(values), "<f8", int(widths.sum()))
    source = np.fromiter(map(_SOURCE, replies), np.int64, count)
    head = [
        np.fromiter(seqs, "<i8", count),
        *(np.fromiter(map(name, replies), "<f8", count) for name in _TIMES),
        np.fromiter(map(_FLAGS, replies), "<u8", count),
    ]
    begins = np.cumsum(widths) - widths
    kinds = source * (MOST_VALUES + 1) + widths
    for kind in np.unique(kinds).tolist():
        number, width = divmod(kind, MOST_VALUES + 1)
        rows = np.flatnonzero(kinds == kind)
        first = begins[rows]
        columns = [column[rows].tobytes() for column in head]
        columns += [flat[first + k].tobytes() for k in range(width)]
        yield pack((BLOCK, number, len(rows), width, b"".join(columns)))


def pack_ticks(pack: Pack, seqs: Sequence[int], times: Sequence[float]) -> bytes:
    """Ticks as one item."""
    return pack((TICKS, len(seqs), np.array(seqs, "<i8").tobytes() + np.array(times, "<f8").tobytes()))


# ---- reading


@dataclass
class Tail:
    """How a journal ended: `closed` in good order, or cut; `lost` bytes after `good` could not be read."""

    closed: bool = False
    good: int = 0
    lost: int = 0
    why: str = ""
    items: int = 0
    inputs: int = 0


class Block:
    """Replies of one source, in columns: `cells[k]` holds the bits (int64) of column k of every reply.

    The columns: seq (int64), arrived, at, spread (float64), flags (uint64), then the values (float64).
    """

    __slots__ = ("cells", "source")

    def __init__(self, source: int, cells: Any) -> None:
        self.source = source
        self.cells = cells

    def columns(self) -> list[Any]:
        """Each column as what it is."""
        seq, arrived, at, spread, flags, *values = self.cells
        times = [column.view("<f8") for column in (arrived, at, spread)]
        return [seq, *times, flags.view("<u8"), *(value.view("<f8") for value in values)]


@dataclass
class Frame:
    """One frame's content: replies and ticks in columns, everything else as items of the newest format, in order."""

    blocks: list[Block] = field(default_factory=list)
    ticks: list[tuple[Any, Any]] = field(default_factory=list)  # numbers, times
    items: list[list[Any]] = field(default_factory=list)
    count: int = 0  # of all that it holds, a reading or tick each for itself
    inputs: int = 0
    closing: list[Any] | None = None
    last: tuple[int, float] = (0, 0.0)  # number and arrival of the newest input so far


def read(path: Path | str, tail: Tail | None = None) -> Iterator[list[Any]]:
    """The items of a journal in order, each reading as `[READINGS, seq, arrived, source, at, spread, values, flags]` and each
    tick as `[TICK, seq, arrived]`. As `frames` otherwise.
    """
    for frame in frames(path, tail):
        found: list[tuple[int, int, list[Any]]] = []
        for block in frame.blocks:
            for row in zip(*(column.tolist() for column in block.columns()), strict=True):
                seq, arrived, at, spread, flags, *values = row
                found.append((seq, 0, [READINGS, seq, arrived, block.source, at, spread, values, flags]))
        for numbers, times in frame.ticks:
            pairs = zip(numbers.tolist(), times.tolist(), strict=True)
            found += ((seq, 0, [TICK, seq, arrived]) for seq, arrived in pairs)
        after = -1
        for item in frame.items:
            if item[0] in INPUTS:
                found.append((item[1], 0, item))
                continue
            after = item[-1] if item[0] in (EVENT, ORDER, FACT) else after
            found.append((after, 1, item))
        found.sort(key=lambda one: one[:2])
        for _, _, item in found:
            yield item
        if frame.closing is not None:
            yield frame.closing


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
        last = (0, 0.0)
        while tail.good < size and not tail.closed:
            payload = _read_frame(stream, size, number, tail)
            if payload is None:
                break
            try:
                frame = _content(payload, last)
            except (ValueError, TypeError, OverflowError) as error:
                tail.why = f"frame {number} holds no items: {error}"
                break
            number += 1
            tail.good += FRAME.size + len(payload)
            last = frame.last
            _count(frame, tail)
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


_Kinds = tuple[type[Any], ...]
_SHAPES: dict[int, tuple[_Kinds, ...]] = {  # what an item may consist of, the newest format first
    HEADER: ((int, dict),),
    READINGS: ((int, int, float, int, float, float, list, int),),
    TICK: ((int, int, float),),
    INPUT: ((int, int, dict),),
    CAPTURED: ((int, int, dict, list, bytes),),
    EVENT: ((int, float, str, dict, int), (int, float, str, dict)),
    ORDER: ((int, str, dict, float, int), (int, str, dict)),
    FACT: ((int, str, object, int), (int, str, object)),
    CLOSED: ((int, int, int),),
    BLOCK: ((int, int, int, int, bytes),),
    TICKS: ((int, int, bytes),),
}


def _content(payload: bytes, last: tuple[int, float]) -> Frame:
    """What a payload holds. `last`: number and arrival of the newest input before. Raises `ValueError` for what is none of ours."""
    unpacker = msgpack.Unpacker(max_buffer_size=max(len(payload), 1), raw=False, strict_map_key=True)
    unpacker.feed(payload)
    frame = Frame(last=last)
    single: list[list[Any]] = []  # readings and ticks as items of their own, which format 1 had
    end = 0
    try:
        for item in unpacker:
            end = unpacker.tell()
            _check_shape(item)
            if frame.closing is not None:
                raise ValueError("more after the closing item")
            kind = item[0]
            if kind == CLOSED:
                frame.closing = item
                continue
            if kind == BLOCK:
                _take_block(item, frame)
                continue
            if kind == TICKS:
                _take_ticks(item, frame)
                continue
            frame.count += 1
            if kind in (READINGS, TICK):
                single.append(item)
                _newest(frame, item[1], item[2])
                frame.inputs += 1
                continue
            if kind in (INPUT, CAPTURED):
                _newest(frame, item[1], item[2].get("arrived"))
                frame.inputs += 1
            elif kind == ORDER and len(item) == 3:
                item += [frame.last[1], frame.last[0]]
            elif (kind == EVENT and len(item) == 4) or (kind == FACT and len(item) == 3):
                item.append(frame.last[0])
            frame.items.append(item)
        if end != len(payload):
            raise ValueError("half an item at its end")
    except (msgpack.exceptions.UnpackException, RecursionError) as error:
        raise ValueError(f"{type(error).__name__}") from None
    if single:
        _take_single(single, frame)
    return frame


def _check_shape(item: Any) -> None:
    """Whether an item is one of ours. Raises `ValueError`."""
    if type(item) is not list or not item or type(item[0]) is not int or item[0] not in _SHAPES:
        raise ValueError("an item of no known kind")
    shapes = _SHAPES[item[0]]
    shape = next((kinds for kinds in shapes if len(kinds) == len(item)), None)
    if shape is None:
        raise ValueError(f"an item of kind {item[0]} with {len(item)} parts")
    for value, kind in zip(item, shape, strict=True):
        if not isinstance(value, kind) and not (kind is float and isinstance(value, int)):
            raise ValueError(f"an item of kind {item[0]} with a {type(value).__name__} for a {kind.__name__}")


def _newest(frame: Frame, seq: int, arrived: Any) -> None:
    if seq > frame.last[0]:
        frame.last = (seq, float(arrived) if isinstance(arrived, int | float) else frame.last[1])


def _take_block(item: list[Any], frame: Frame) -> None:
    _, source, rows, width, raw = item
    if rows < 1 or not 0 <= width <= MOST_VALUES or len(raw) != 8 * rows * (HEAD + width):
        raise ValueError(f"a block of {len(raw)} bytes for {rows} replies of {width} values")
    cells = np.frombuffer(raw, "<i8").reshape(HEAD + width, rows)
    frame.blocks.append(Block(source, cells))
    seq = int(cells[0, -1])
    if seq > frame.last[0]:
        frame.last = (seq, float(cells[1, -1:].view("<f8")[0]))
    frame.count += rows
    frame.inputs += rows


def _take_ticks(item: list[Any], frame: Frame) -> None:
    _, rows, raw = item
    if rows < 1 or len(raw) != 16 * rows:
        raise ValueError(f"{len(raw)} bytes for {rows} ticks")
    numbers, times = np.frombuffer(raw, "<i8", rows), np.frombuffer(raw, "<f8", rows, 8 * rows)
    frame.ticks.append((numbers, times))
    _newest(frame, int(numbers[-1]), float(times[-1]))
    frame.count += rows
    frame.inputs += rows


def _take_single(items: list[list[Any]], frame: Frame) -> None:
    """Format 1's readings and ticks as columns."""
    together: dict[tuple[int, int], list[list[Any]]] = {}
    ticks = []
    for item in items:
        if item[0] == TICK:
            ticks.append(item)
        else:
            together.setdefault((item[3], len(item[6])), []).append(item)
    for (source, _), rows in together.items():
        _, seq, arrived, _, at, spread, values, flags = zip(*rows, strict=True)
        floats = [np.array(column, "<f8") for column in (arrived, at, spread, *zip(*values, strict=True))]
        columns = [np.array(seq, "<i8"), *floats[:3], np.array(flags, "<u8"), *floats[3:]]
        frame.blocks.append(Block(source, np.stack([column.view("<i8") for column in columns])))
    if ticks:
        _, seq, arrived = zip(*ticks, strict=True)
        frame.ticks.append((np.array(seq, "<i8"), np.array(arrived, "<f8")))


def _count(frame: Frame, tail: Tail) -> None:
    tail.items += frame.count
    tail.inputs += frame.inputs
    closing = frame.closing
    if closing is not None:
        tail.closed = closing[1] == tail.items and closing[2] == tail.inputs
        if not tail.closed:
            tail.why = f"the closing item counts {closing[1]} items and {tail.items} are there"
