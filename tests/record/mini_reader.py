"""A reader of records written from resources/guide/record-format.md alone: standard library, pyarrow, cryptography, and
msgpack for the digests of version 1.

Usage: mini_reader.py RECORD. Prints one JSON object; ends with an error where the record is not what its header says.
"""

import hashlib
import json
import re
import sys
import zipfile
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Any

import msgpack
import pyarrow as pa
import pyarrow.parquet as pq
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

ORDER = {"order_done": "arrived order ok read_back text", "answer": "arrived text by",
         "captured": "arrived order ok channels start rate trigger not_carried text prescribed",
         "operator": "arrived wish why by", "fault": "arrived source text fatal"}  # fmt: skip
FLOATS = ("arrived", "read_back", "start", "rate", "trigger")


def sha(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def unb64(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def table(raw: bytes) -> dict[str, Any]:
    """Columns as numpy arrays, decoded as each field's metadata says."""
    found, columns = pq.read_table(pa.BufferReader(raw), use_threads=False), {}
    for field in found.schema:
        facts, column = field.metadata or {}, found.column(field.name).to_numpy()
        coding = facts.get(b"coding", b"plain")
        if coding == b"bits":
            column = column.view("float64")
        elif coding == b"decimal":
            column = column / 10.0 ** int(facts[b"exponent"])
        elif coding != b"plain":
            raise ValueError(f"unknown coding {coding!r}")
        columns[field.name] = column
    return columns


def line_of(columns: dict[str, Any]) -> str:
    return ", ".join([str(len(columns["seq"])), *(sha(column.tobytes()) for column in columns.values())])


def rows_of(columns: dict[str, Any]) -> Any:
    return zip(*(column.tolist() for column in columns.values()), strict=True)


def first_item(line: dict[str, Any], samples: list[Any]) -> tuple[Any, ...]:
    """A line of inputs.jsonl as version 1 digested it."""
    data = {key: line[key] for key in ("kind", *ORDER[line["kind"]].split()) if key in line}
    data |= {key: float(value) for key, value in data.items() if key in FLOATS and type(value) is int}
    if line["kind"] != "captured":
        return 3, line["seq"], data
    shape = [len(samples), len(samples[0])] if samples else [0, 0]
    return 4, line["seq"], data, shape, b"".join(column.tobytes() for column in samples)


def read(path: str) -> dict[str, Any]:
    with zipfile.ZipFile(path) as file:
        members = {info.filename: file.read(info) for info in file.infolist()}
        due = 22 + sum(76 + 2 * len(name) + len(raw) for name, raw in members.items())
        assert file.fp is not None and file.fp.seek(0, 2) == due, "something hides between the members"
    header = json.loads(members["header.json"])
    assert (header["format"], header["version"] in (1, 2)) == ("benchrunner record", True), "another version"
    signatures = {name: raw for name, raw in members.items() if name.startswith("signatures/")}
    assert {part["name"] for part in header["parts"]} == set(members) - set(signatures) - {"header.json"}
    changed = [part["name"] for part in header["parts"] if sha(members[part["name"]]) != part["sha256"]]
    assert not changed, f"a member was changed: {changed}"
    signed = []
    for name in sorted(name for name in signatures if name.endswith(".jws")):
        head, _, value = signatures[name].decode().split(".")
        protected = json.loads(unb64(head))
        payload = urlsafe_b64encode(members["header.json"]).rstrip(b"=").decode()
        key = Ed25519PublicKey.from_public_bytes(unb64(protected["jwk"]["x"]))
        key.verify(unb64(value), f"{head}.{payload}".encode())
        assert all(sha(signatures[n]) == digest for n, digest in protected.get("covers", {}).items())
        signed.append(protected["role"])
    lines, items, channels, taken = "", [], {}, []
    for k, source in enumerate(json.loads(members["plan.json"])["sources"]):
        part = f"readings/{re.sub('[^a-z0-9]+', '-', source['name'].lower()).strip('-')[:60] or 'x'}"
        taken.append(part if part not in taken else f"{part}-{k}")
        if f"{taken[-1]}.parquet" in members:
            columns = table(members[f"{taken[-1]}.parquet"])
            lines += f"{k}, {line_of(columns)}\n"
            items += [(1, n, arrived, k, at, spread, values, flags)
                      for n, arrived, at, spread, flags, *values in rows_of(columns)]  # fmt: skip
            channels |= {
                n: [sha(columns["at"].tobytes()), sha(columns[n].tobytes())] for n in source["channels"]
            }
    ticks = table(members["ticks.parquet"]) if "ticks.parquet" in members else {}
    items += [(2, *row) for row in rows_of(ticks)]
    others, waves = hashlib.sha256(), []
    for raw in members["inputs.jsonl"].splitlines(keepends=True):
        line = json.loads(raw)
        samples = list(table(members[line["part"]]).values()) if line.get("part") else []
        waves += [len(samples[0])] if samples else []
        items.append(first_item(line, samples))
        others.update(b"".join(column.tobytes() for column in samples) + raw)
    items.sort(key=lambda item: item[1])
    assert [item[1] for item in items] == list(range(1, len(items) + 1)), "an input is missing"
    if header["version"] == 1:
        readings = sha(b"".join(msgpack.packb(item) for item in items if item[0] == 1))
        inputs = sha(b"".join(msgpack.packb(item) for item in items))
    else:
        readings = sha(lines.encode())
        inputs = sha(f"{readings}\nticks, {line_of(ticks) if ticks else 0}\n{others.hexdigest()}\n".encode())
    text = members["header.json"].decode().split('"checks":', 1)[1]
    checks = sha(text[: json.JSONDecoder().raw_decode(text)[1]].encode())
    assert header["digests"] == {"readings": readings, "inputs": inputs, "checks": checks}, "digests differ"
    verdicts = {f"{check['step']}/{check['id']}": check["verdict"] for check in header["checks"]}
    facts = {"signed": signed, "channels": channels, "inputs": len(items)}
    return {**facts, "waves": waves, "verdicts": verdicts}


if __name__ == "__main__":
    print(json.dumps(read(sys.argv[1])))
