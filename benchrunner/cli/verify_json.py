"""`verify --json`: what was found of a record as one JSON object, for machines (guide: signatures)."""

import json
import math
from pathlib import Path
from typing import Any

from benchrunner.judge.verdicts import worst
from benchrunner.record.trust import said
from benchrunner.record.verify import Verification


def as_json(path: Path, result: Verification, code: int, outcome: dict[str, Any]) -> str:
    """One line. `outcome`: `verifies`, `header`, `digests`, `rejudged`, `limits`, as far as each was come to; what was not is null."""
    header = outcome.get("header") or {}
    data = {
        "record": str(path),
        "verifies": bool(outcome.get("verifies")),
        "exit": code,
        "signed": result.signed,
        "known": result.known,
        "demo": result.demo,
        "simulated": result.simulated if header else None,
        "imported": result.imported if header else None,
        "verdict": _text(header.get("verdict")),
        "finished": header.get("finished") if isinstance(header.get("finished"), bool) else None,
        "findings": [{"part": f.part, "kind": f.kind, "what": f.what} for f in result.findings],
        "signatures": [_signature(result, number) for number in range(len(result.signatures))],
        "digests": outcome.get("digests"),
        "rejudged": _rejudged(outcome.get("rejudged")),
        "limits": _limits(outcome.get("limits")),
    }
    return json.dumps(_finite(data), ensure_ascii=False)


def _signature(result: Verification, number: int) -> dict[str, Any]:
    signature = result.signatures[number]
    stamp = result.stamps.get(signature.part)
    return {
        "part": signature.part,
        "key": signature.key.thumbprint,
        "name": signature.name,
        "role": signature.role,
        "at": signature.at,
        "comment": signature.comment,
        "demo": signature.demo,
        "person": result.persons.get(signature.part),
        "covers": sorted(signature.covers),
        "stamp": {"at": said(stamp.at), "authority": stamp.authority, "trusted": stamp.trusted}
        if stamp
        else None,
    }


def _rejudged(again: Any) -> dict[str, Any] | None:
    if again is None:
        return None
    listed = [
        {"check": d.check, "what": d.key, "on_record": d.on_record, "again": d.again}
        for d in again.differences
    ]
    return {
        "ok": bool(again.ok),
        "identical": again.identical,
        "checks": len(again.checks),
        "differences": listed,
        "says": again.says,
    }


def _limits(found: Any) -> dict[str, Any] | None:
    if found is None:
        return None
    listed = [
        {
            "check": one.name,
            "changed": one.changed,
            "before": one.before.get("verdict"),
            "now": one.after.get("verdict"),
            **{
                name: one.after.get(name)
                for name in ("value", "unit", "low", "high", "uncertainty", "margin")
            },
        }
        for one in found
    ]
    return {"verdict": worst(str(one.after.get("verdict")) for one in found), "checks": listed}


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def _finite(value: Any) -> Any:
    """JSON has no NaN and no infinity: null."""
    if isinstance(value, dict):
        return {str(key): _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
