"""Forges records: parts changed, digests and signature made anew by whoever forges, so that only reading can stumble over them."""

import hashlib
import json
import random
from pathlib import Path
from typing import Any

from benchrunner.record import canonical, container, signing
from benchrunner.record.keys import SigningKey

FORGER = SigningKey.from_seed("forger", bytes(range(7, 39)))
Members = dict[str, bytes]
ODD: tuple[Any, ...] = (
    None, True, -1, 0, 2**53 - 1, 1e308, -0.5, "", "x", "\u0000\u001b[31m", "../../x", [], {}, [[]], {"float": "NaN"},
    {"float": "x"}, {"int": "9" * 30}, [None] * 40, {"kind": "tick"}, "2026-01-01T00:00:00Z",
)  # fmt: skip


def members_of(path: Path) -> Members:
    return {m.name: container.content(path, m, m.size) for m in container.survey(path).members}


def forge(path: Path, members: Members, header: dict[str, Any] | None = None) -> Path:
    """Write the members with a header that lists them as they are, signed by the forger."""
    head = dict(json.loads(members["header.json"]) if header is None else header)
    parts = {n: raw for n, raw in members.items() if n != "header.json" and not n.startswith("signatures/")}
    given = head.get("parts")
    listed = {
        str(p.get("name")): p for p in (given if isinstance(given, list) else []) if isinstance(p, dict)
    }
    head["parts"] = [
        {**listed.get(name, {}), "name": name, "bytes": len(raw), "sha256": hashlib.sha256(raw).hexdigest()}
        for name, raw in sorted(parts.items())
    ]
    for kind in ("procedure", "pairing", "bench"):
        if isinstance(head.get(kind), dict):
            head[kind] = {**head[kind], "sha256": hashlib.sha256(members[f"{kind}.toml"]).hexdigest()}
    head["signer"] = {"name": FORGER.public.name, "key": FORGER.public.thumbprint, "demo": False}
    raw = canonical.dumps(head)
    path.unlink(missing_ok=True)
    container.write(
        path, [("header.json", raw), *parts.items(), ("signatures/0001.jws", signing.sign(raw, FORGER))]
    )
    return path


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += _places(inner, (*path, key))
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            found += _places(inner, (*path, k))
    return found


def twisted(value: Any, draw: random.Random) -> Any:
    """The value with one thing in it replaced, removed, doubled or put under another name."""
    value = json.loads(json.dumps(value))
    place = draw.choice(_places(value) or [()])
    if not place:
        return draw.choice(ODD)
    at = value
    for key in place[:-1]:
        at = at[key]
    how, key = draw.randrange(5), place[-1]
    if how == 0:
        del at[key]
    elif how == 1 and isinstance(at, list):
        at.insert(key, at[key])
    elif how == 2 and isinstance(at, dict):
        at[f"{key}x"] = at.pop(key)
    else:
        at[key] = draw.choice(ODD)
    return value


def twist_member(members: Members, name: str, draw: random.Random) -> Members:
    """The members with something odd in the JSON member `name`."""
    raw = members[name]
    if name.endswith(".jsonl"):
        lines = raw.splitlines()
        k = draw.randrange(len(lines))
        lines[k] = canonical.dumps(twisted(json.loads(lines[k]), draw))
        return {**members, name: b"\n".join(lines) + b"\n"}
    return {**members, name: canonical.dumps(twisted(json.loads(raw), draw))}
