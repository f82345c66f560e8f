"""Forgeries that know the format: types swapped in JSON, other schemas in Parquet, numbers and names of all kinds, signatures and
trust lists that contradict themselves. Everything is drawn from a seed; digests and signatures are made to fit, so that reading meets it.
"""

import base64
import io
import json
import random
from collections.abc import Callable
from typing import Any

import forged
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchrunner.record import canonical, signing
from benchrunner.record.keys import SigningKey

Members = dict[str, bytes]
OTHERS = [SigningKey.from_seed(f"other-{k}", bytes([k]) * 32) for k in range(1, 4)]
RTL = (
    "\u202egnp.bench",
    "\u05d1\u05d3\u05d9\u05e7\u05d4",
    "\u2066a\u2069",
    "A\u0301\u0301\u0301",
    "\ufeffx",
    "\u0000",
    "\ud83d\ude00" * 3,
    "a" * 5000,
)
INTEGERS = (
    0,
    -1,
    2**31,
    2**53,
    2**53 + 1,
    2**63 - 1,
    2**63,
    -(2**63) - 1,
    2**64,
    10**30,
    10**400,
    1e300,
    -1e308,
    5e-324,
)


def _swap(value: Any, draw: random.Random) -> Any:
    """One value as another type that could pass for it."""
    if isinstance(value, dict):
        return draw.choice(
            [
                list(value.items()),
                list(value),
                json.dumps(value),
                {f"{k} ": v for k, v in value.items()},
                None,
                [value],
            ]
        )
    if isinstance(value, list):
        return draw.choice(
            [
                {str(k): v for k, v in enumerate(value)},
                value[0] if value else 0,
                value * 3,
                [value],
                None,
                "".join(map(str, value))[:99],
            ]
        )
    if isinstance(value, bool):
        return draw.choice([int(value), str(value).lower(), None, [value], not value])
    if isinstance(value, int | float):
        return draw.choice(
            [
                str(value),
                [value],
                {"float": str(value)},
                {"int": str(value)},
                None,
                bool(value),
                draw.choice(INTEGERS),
            ]
        )
    if isinstance(value, str):
        return draw.choice(
            [
                [value],
                list(value)[:50],
                {value[:50]: value},
                len(value),
                None,
                draw.choice(RTL),
                value + draw.choice(RTL),
                value * 200,
            ]
        )
    return draw.choice([0, "", [], {}, False, draw.choice(INTEGERS)])


def _written(value: Any) -> bytes:
    """JSON as an attacker writes it: numbers beyond what canonical JSON has are kept."""
    try:
        return canonical.dumps(value)
    except (ValueError, TypeError, OverflowError, UnicodeEncodeError):
        text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=True)
        return text.encode("utf-8", "replace")


def swapped(value: Any, draw: random.Random, times: int) -> Any:
    """One to three values somewhere in it swapped for another type, or two values for each other."""
    value = json.loads(json.dumps(value))
    for _ in range(times):
        places = forged._places(value)
        if not places:
            return draw.choice(forged.ODD)
        place = draw.choice(places)
        at = value
        for key in place[:-1]:
            at = at[key]
        if draw.random() < 0.2 and isinstance(at, dict) and len(at) > 1:
            one, two = draw.sample(sorted(at), 2)
            at[one], at[two] = at[two], at[one]
        else:
            at[place[-1]] = _swap(at[place[-1]], draw)
    return value


def json_member(members: Members, draw: random.Random) -> tuple[Members, dict[str, Any] | None]:
    """The header, the plan, an input or an event with values of other types."""
    name = draw.choice(["header.json", "plan.json", "events.jsonl", "inputs.jsonl"])
    if name == "header.json":
        found = swapped(json.loads(members[name]), draw, draw.randrange(1, 4))
        return members, found if isinstance(found, dict) else None
    if name == "plan.json":
        return {
            **members,
            name: _written(swapped(json.loads(members[name]), draw, draw.randrange(1, 4))),
        }, None
    lines = members[name].splitlines()
    k = draw.randrange(len(lines))
    lines[k] = _written(swapped(json.loads(lines[k]), draw, draw.randrange(1, 3)))
    if draw.random() < 0.2:
        draw.shuffle(lines)
    return {**members, name: b"\n".join(lines) + b"\n"}, None


TYPES: tuple[Callable[[int], Any], ...] = (
    lambda n: pa.array([f"{k}" for k in range(n)]),
    lambda n: pa.array([2**63 - 1 - k for k in range(n)], pa.int64()),
    lambda n: pa.array([2**64 - 1] * n, pa.uint64()),
    lambda n: pa.array([-(2**63)] * n, pa.int64()),
    lambda n: pa.array([None] * n, pa.float64()),
    lambda n: pa.array([None] * n, pa.int64()),
    lambda n: pa.array([float("inf")] * n),
    lambda n: pa.array([float("nan")] * n),
    lambda n: pa.array([1e308 * (-1) ** k for k in range(n)]),
    lambda n: pa.array(np.arange(n), pa.timestamp("us")),
    lambda n: pa.array([b"\xff"] * n, pa.binary()),
    lambda n: pa.array(["x"] * n).dictionary_encode(),
    lambda n: pa.array([[1.0]] * n),
    lambda n: pa.array([True] * n),
    lambda n: pa.array(np.zeros(n, np.float16)),
    lambda n: pa.nulls(n),
)


def table_member(members: Members, draw: random.Random) -> tuple[Members, None]:
    """A Parquet member with a column of another type, values beyond all, other names, metadata or order."""
    name = draw.choice([n for n in members if n.endswith(".parquet")])
    table = pq.read_table(io.BytesIO(members[name]))
    how, k = draw.randrange(7), draw.randrange(table.num_columns)
    field = table.schema.field(k)
    if how == 0:
        column = draw.choice(TYPES)(table.num_rows)  # as the file's version can hold it
        table = table.set_column(k, pa.field(field.name, column.type, metadata=field.metadata), column)
    elif how == 1:  # the type that belongs there, and awkward values
        numbers = [draw.choice(INTEGERS) for _ in range(table.num_rows)]
        if pa.types.is_floating(field.type):
            column = pa.array([float(n) if abs(n) < 10**300 else float("inf") for n in numbers], field.type)
        else:
            low, high = (0, 2**64 - 1) if field.type == pa.uint64() else (-(2**63), 2**63 - 1)
            column = pa.array([min(max(int(n), low), high) for n in numbers], field.type)
        table = table.set_column(k, field, column)
    elif how == 2:
        names = list(table.column_names)
        names[k] = draw.choice([*RTL[:5], "", names[k - 1]])
        table = table.rename_columns(names)
    elif how == 3:
        metadata = {
            b"coding": draw.choice([b"bits", b"decimal", b"plain", b"\xff"]),
            b"exponent": draw.choice([b"-1", b"0", b"15", b"99999", b"1e9", b"\xd9\xa3", b" 1", b"1_0"]),
        }
        table = pa.table(
            table.columns,
            schema=pa.schema(
                [f.with_metadata(metadata) if n == k else f for n, f in enumerate(table.schema)],
                table.schema.metadata,
            ),
        )
    elif how == 4:
        table = table.take(
            pa.array(
                draw.choices(range(table.num_rows), k=draw.randrange(0, 2 * table.num_rows + 1)), pa.int64()
            )
        )
    elif how == 5:
        table = table.replace_schema_metadata(
            {
                draw.choice(
                    [
                        b"start",
                        b"rate",
                        b"trigger",
                        b"order",
                        b"source",
                        b"period",
                        b"format",
                        b"ARROW:schema",
                    ]
                ): draw.choice([b"x", b"nan", b"1e999", b"-1", b"99", b"[", b"\xff"])
            }
        )
    else:
        table = table.select(draw.sample(table.column_names, draw.randrange(1, table.num_columns + 1)))
    sink = io.BytesIO()
    pq.write_table(
        table, sink, compression=draw.choice(["zstd", "snappy", "none"]), version=draw.choice(["1.0", "2.6"])
    )
    return {**members, name: sink.getvalue()}, None


def token(header: bytes, key: SigningKey, protected: dict[str, Any]) -> bytes:
    """A detached JWS over `header` with just this protected header, by the reference library for Ed25519."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    def b64(raw: bytes) -> str:
        return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()

    head = b64(_written(protected))
    seed = str(dict(key.private_jwk)["d"])
    private = Ed25519PrivateKey.from_private_bytes(base64.urlsafe_b64decode(seed + "=" * (-len(seed) % 4)))
    return f"{head}..{b64(private.sign(f'{head}.{b64(header)}'.encode()))}".encode()


def signatures(members: Members, draw: random.Random) -> Members:
    """Signatures that hold by themselves, with an odd protected header, the same key twice, wrong `covers`, doubled or far numbers."""
    found = {n: raw for n, raw in members.items() if not n.startswith("signatures/")}
    header = members["header.json"]
    keys = [forged.FORGER, *draw.choices([*OTHERS, forged.FORGER], k=draw.randrange(1, 4))]
    numbers = list(range(1, len(keys) + 1))
    if draw.random() < 0.2:
        numbers[-1] = draw.choice([0, 9, 9999])
    covers: dict[str, Any] = {}
    for number, key in zip(numbers, keys, strict=True):
        raw = signing.sign(
            header, key, draw.choice(["reviewer", "witness", *RTL]), draw.choice(["", "seen", *RTL]), covers
        )
        head = raw.split(b".")[0]
        protected = json.loads(base64.urlsafe_b64decode(head + b"=" * (-len(head) % 4)))
        if draw.random() < 0.6:
            protected = swapped(protected, draw, 1)
        if draw.random() < 0.3:
            protected["at"] = draw.choice(
                [
                    "9999-12-31T23:59:59-14:00",
                    "0001-01-01T00:00:00+14:00",
                    "2026-02-30",
                    "",
                    "2026-01-01T00:00:00",
                    "1e9",
                    "2026-W01-1T00:00:00Z",
                ]
            )
        name = f"signatures/{number:04d}.jws"
        found[name] = token(header, key, protected) if isinstance(protected, dict) else raw
        if draw.random() < 0.15:
            found[f"signatures/{number:04d}.tst"] = draw.choice(
                [b"", b"0\x80", draw.randbytes(60), b"\x30\x84\xff\xff\xff\xff"]
            )
        import hashlib

        covers = {**covers, name: hashlib.sha256(found[name]).hexdigest()}
    return found


def trust_list(draw: random.Random) -> str:
    """A trust list: entries that overlap, contradict each other, lie at the ends of the calendar, or are of other types."""
    moments = ["2020-01-01", "2030-01-01", '"2026-03-01T00:00:00+23:59"', '"9999-12-31T23:59:59-14:00"', '"0001-01-01"', "0001-01-01T00:00:00Z",
               "2026-01-01T00:00:00", "12:00:00", "9999-12-31", '""', "1", "true", "[]", "1e400", '"\u0663\u0660"']  # fmt: skip
    lines = [
        "format = 1" if draw.random() < 0.9 else f"format = {draw.choice(['true', '1.0', '2', '9' * 400])}"
    ]
    for _ in range(draw.randrange(0, 4)):
        key = draw.choice([forged.FORGER, *OTHERS]).public.thumbprint
        lines += [
            "[[keys]]",
            f"person = {json.dumps(draw.choice(['A. Trainer', *RTL[:3], 'x' * 200]), ensure_ascii=False)}",
            f'key = "{key}"',
        ]
        for name in ("from", "until", "revoked"):
            if draw.random() < 0.4:
                lines.append(f"{name} = {draw.choice(moments[:4] if draw.random() < 0.6 else moments)}")
        if draw.random() < 0.3:
            lines.append(
                "roles = "
                + draw.choice(["[]", '["reviewer"]', '["operator", "reviewer"]', '"reviewer"', "[1]", "{}"])
            )
    return "\n".join(lines) + "\n"
