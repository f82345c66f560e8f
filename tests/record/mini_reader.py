"""A reader of records written from resources/guide/record-format.md alone: standard library, pyarrow, cryptography.

Usage: mini_reader.py RECORD. Prints one JSON object; ends with an error where the record is not what its header says.
"""

import hashlib
import json
import re
import sys
import zipfile
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


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
    lines, numbers, channels, taken = "", [], {}, []
    for k, source in enumerate(json.loads(members["plan.json"])["sources"]):
        part = f"readings/{re.sub('[^a-z0-9]+', '-', source['name'].lower()).strip('-')}"
        taken.append(part if part not in taken else f"{part}-{k}")
        if f"{taken[-1]}.parquet" in members:
            columns = table(members[f"{taken[-1]}.parquet"])
            digests = {name: sha(column.tobytes()) for name, column in columns.items()}
            lines += ", ".join([str(k), str(len(columns["seq"])), *digests.values()]) + "\n"
            numbers += columns["seq"].tolist()
            channels |= {name: [digests["at"], digests[name]] for name in source["channels"]}
    inputs = [json.loads(line) for line in members.get("inputs.jsonl", b"").splitlines()]
    numbers += [line["seq"] for line in inputs]
    numbers += table(members["ticks.parquet"])["seq"].tolist() if "ticks.parquet" in members else []
    assert sorted(numbers) == list(range(1, len(numbers) + 1)), "an input is missing"
    assert sha(lines.encode()) == header["digests"]["readings"] or header["version"] == 1, "readings differ"
    waves = [len(next(iter(table(members[line["part"]]).values()))) for line in inputs if line.get("part")]
    verdicts = {f"{check['step']}/{check['id']}": check["verdict"] for check in header["checks"]}
    facts = {"signed": signed, "channels": channels, "inputs": len(numbers)}
    return {**facts, "waves": waves, "verdicts": verdicts}


if __name__ == "__main__":
    print(json.dumps(read(sys.argv[1])))
