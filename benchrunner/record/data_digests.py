"""The header's `digests` made anew from the parts, as resources/guide/record-format.md describes them for both versions."""

import hashlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrunner.core.messages import Captured, Readings, Tick
from benchrunner.record import canonical, codec, frames, parts, tables

if TYPE_CHECKING:
    from benchrunner.record.opened import Record


def astray(record: "Record") -> list[str]:
    """What is said of each digest in the header that is not that of the data. Raises `ContainerError`, `CodecError` or
    `ValueError` for data that cannot be read.
    """
    listed = record.header.get("digests")
    listed = listed if isinstance(listed, dict) else {}
    made = (_version_1 if record.header["version"] == 1 else _columns)(record)
    made["checks"] = hashlib.sha256(canonical.dumps(record.header.get("checks"))).hexdigest()
    return [
        f"the header's digest of {name} is not that of the {name} in the record"
        for name, digest in made.items()
        if listed.get(name) != digest
    ]


def _columns(record: "Record") -> dict[str, str]:
    lines = []
    for number, (source, part) in enumerate(
        zip(record.plan.sources, parts.source_parts(record.plan.sources), strict=True)
    ):
        if line := _line(record, part, parts.readings_schema(source, record.plan.channels)):
            lines.append(f"{number}, {line}\n")
    readings = hashlib.sha256("".join(lines).encode()).hexdigest()
    others = hashlib.sha256()
    for raw, other in _others(record):
        if other.get("part"):
            others.update(_bytes(parts.samples_of(record.part(other["part"]), other["part"])))
        others.update(raw)
    ticks = _line(record, parts.TICKS, parts.ticks_schema()) or "0"
    inputs = hashlib.sha256(f"{readings}\nticks, {ticks}\n{others.hexdigest()}\n".encode()).hexdigest()
    return {"inputs": inputs, "readings": readings}


def _line(record: "Record", part: str, schema: Any) -> str:
    """Rows of a table and the SHA-256 of each column; empty where the record has no such part."""
    raw = record.part(part)
    if raw is None:
        return ""
    table = tables.open_table(raw, part, schema, record.most_rows)
    sums = [hashlib.sha256() for _ in schema.names]
    for batch in table.batches():
        for column, total in zip(batch, sums, strict=True):
            total.update(_bytes(column))
    return ", ".join([str(table.rows), *(total.hexdigest() for total in sums)])


def _version_1(record: "Record") -> dict[str, str]:
    import msgpack

    readings, inputs = hashlib.sha256(), hashlib.sha256()
    others = _others(record)
    for seq, item in record.inputs():
        if isinstance(item, Readings):
            head = (frames.READINGS, seq, item.arrived, item.source, item.at, item.spread)
            packed = msgpack.packb((*head, list(item.values), item.flags))
            readings.update(packed)
        elif isinstance(item, Tick):
            packed = msgpack.packb((frames.TICK, seq, item.arrived))
        else:
            _, line = next(others)
            data = {key: value for key, value in codec.input_to_data(item).items() if key in line}
            if isinstance(item, Captured):
                shape = list(item.samples.shape) if item.samples.size else [0, 0]
                packed = msgpack.packb((frames.CAPTURED, seq, data, shape, _bytes(item.samples)))
            else:
                packed = msgpack.packb((frames.INPUT, seq, data))
        inputs.update(packed)
    return {"inputs": inputs.hexdigest(), "readings": readings.hexdigest()}


def _others(record: "Record") -> Iterator[tuple[bytes, dict[str, Any]]]:
    """Each line of the other inputs, as it stands there and as what it says."""
    raw = bytes(record.part(parts.INPUTS) or b"")
    yield from zip(raw.splitlines(keepends=True), parts.lines(raw, parts.INPUTS), strict=True)


def _bytes(numbers: Any) -> bytes:
    """Numbers of eight bytes each, the lowest byte first."""
    return np.ascontiguousarray(numbers, np.dtype(numbers.dtype).newbyteorder("<")).tobytes()
