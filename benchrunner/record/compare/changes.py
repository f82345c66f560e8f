"""What went into the two runs differently: cards, settings, firmware, limits, instruments, program."""

import contextlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from benchrunner import units
from benchrunner.judge.kinds import kind
from benchrunner.record.compare.rows import number
from benchrunner.record.opened import Record

MOST = 500
LONGEST = 120


@dataclass(frozen=True, slots=True)
class Change:
    """One difference. `group`: equipment, settings, procedure, limits, bench, instruments, program, run."""

    group: str
    name: str
    before: str
    now: str


def changes(record: Record, baseline: Record) -> list[Change]:
    """All differences of the inputs, what was tested first."""
    found = [
        *_card(record, baseline),
        *_procedure(record, baseline),
        *_limits(record, baseline),
        *_bench(record, baseline),
        *_instruments(record, baseline),
        *_program(record, baseline),
    ]
    return found[:MOST]


def same_instruments(record: Record, baseline: Record) -> dict[str, bool]:
    """Role -> whether the instrument is the same one with the same calibration; a simulated one is only ever like itself.

    An instrument without serial number or identity can't be known to be the same.
    """
    now, before = _by_name(record), _by_name(baseline)
    simulated = record.simulated and baseline.simulated
    found: dict[str, bool] = {}
    for name in dict.fromkeys([*now, *before]):
        a, b = now.get(name), before.get(name)
        facts = ("identity", "serial", "calibrated", "accuracy")
        same = a is not None and b is not None and all(a.get(k) == b.get(k) for k in facts)
        same = same and (simulated or bool(a and (a.get("serial") or a.get("identity"))))
        role = str((a or b or {}).get("role", name))
        found[role] = found.get(role, True) and same
    return found


def _by_name(record: Record) -> dict[str, Mapping[str, Any]]:
    listed = record.header.get("instruments")
    return {str(i.get("name")): i for i in listed if isinstance(i, dict)} if isinstance(listed, list) else {}


def _flat(table: Any, path: str = "", depth: int = 0) -> Iterator[tuple[str, str]]:
    if isinstance(table, dict) and depth < 12:
        for key, value in table.items():
            yield from _flat(value, f"{path}.{key}" if path else str(key), depth + 1)
    elif isinstance(table, list) and any(isinstance(item, dict) for item in table) and depth < 12:
        for number, item in enumerate(table, 1):
            name = (
                str(item.get("id") or item.get("name") or number) if isinstance(item, dict) else str(number)
            )
            yield from _flat(item, f"{path}[{name}]", depth + 1)
    else:
        yield path, ("no", "yes")[table] if isinstance(table, bool) else str(table)


def _toml(record: Record, part: str) -> dict[str, str]:
    try:
        return dict(_flat(tomllib.loads(bytes(record.part(part) or b"").decode("utf-8-sig"))))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        return {}


def _between(group: str, now: Mapping[str, str], before: Mapping[str, str]) -> Iterator[Change]:
    for name in dict.fromkeys([*before, *now]):
        a, b = before.get(name, "none"), now.get(name, "none")
        if before.get(name) != now.get(name):
            yield Change(group, name, *_cut(a, b))


def _cut(before: str, now: str) -> tuple[str, str]:
    """Two texts that differ, long ones from a little before where they begin to."""
    if max(len(before), len(now)) <= LONGEST:
        return before, now
    shorter = min(len(before), len(now))
    same = next((k for k in range(shorter) if before[k] != now[k]), shorter)
    first = 0 if same < LONGEST // 2 else same - LONGEST // 4

    def cut(text: str) -> str:
        end = first + LONGEST
        return ("..." if first else "") + text[first:end] + ("..." if end < len(text) else "")

    return cut(before), cut(now)


def _card(record: Record, baseline: Record) -> Iterator[Change]:
    now, before = _toml(record, "pairing.toml"), _toml(baseline, "pairing.toml")
    identity = ("name", "serial", "firmware")
    everything = list(_between("settings", now, before))
    for change in everything:
        if change.name.rpartition(".")[2] in identity and change.name.count(".") == 1:
            yield Change("equipment", change.name, change.before, change.now)
    yield from (
        c for c in everything if not (c.name.rpartition(".")[2] in identity and c.name.count(".") == 1)
    )


def _procedure(record: Record, baseline: Record) -> Iterator[Change]:
    a, b = record.header, baseline.header
    for name in ("title", "file", "sha256"):
        if a["procedure"].get(name) != b["procedure"].get(name):
            yield Change("procedure", name, str(b["procedure"].get(name)), str(a["procedure"].get(name)))
    yield from _between("procedure", _profiles(a), _profiles(b))
    yield from _between("procedure", _parameters(a), _parameters(b))


def _profiles(header: Mapping[str, Any]) -> dict[str, str]:
    return {f"profile {p.get('file')}": str(p.get("sha256")) for p in header.get("profiles", [])}


def _parameters(header: Mapping[str, Any]) -> dict[str, str]:
    return {
        f"parameter {name}": f"{p.get('value')} {p.get('unit')}".removesuffix(" 1")
        for name, p in header.get("parameters", {}).items()
    }


def _limits(record: Record, baseline: Record) -> Iterator[Change]:
    def limits(one: Record) -> dict[str, str]:
        return {f"{c.get('step')}/{c.get('id')}": f"{_limit(c)}, {c.get('rule')}" for c in one.checks}

    now, before = limits(record), limits(baseline)
    yield from _between(
        "limits", {k: v for k, v in now.items() if k in before}, {k: v for k, v in before.items() if k in now}
    )


def _limit(check: Mapping[str, Any]) -> str:
    """A limit as the tables of checks write it: `at most 112 Wh`, `218.5 V to 241.5 V`."""
    low, high = number(check.get("low")), number(check.get("high"))
    unit, of = str(check.get("unit") or "1")[:20], str(check.get("of") or "")
    word, factor, offset = ("" if unit == "1" else unit), 1.0, 0.0
    what = kind(str(check.get("measure") or ""))
    if unit == "1" and of.endswith(".soc") and what != "count":
        word, factor = "% points" if what == "difference" else "%", 100.0
    elif unit == "K" and of and what == "level":
        word, offset = "\u00b0C", -273.15
    elif unit != "1":
        with contextlib.suppress(ValueError):  # a unit that is none of ours stays as it stands
            word, factor = units.scale(max(abs(low or 0.0), abs(high or 0.0)), unit)

    def text(bound: float) -> str:
        return f"{bound * factor + offset:.6g} {word}".rstrip()

    if low is not None and high is not None:
        return f"{text(low)} to {text(high)}"
    return (
        f"at most {text(high)}"
        if high is not None
        else f"at least {text(low)}"
        if low is not None
        else "no limit"
    )


def _bench(record: Record, baseline: Record) -> Iterator[Change]:
    if record.simulated != baseline.simulated:
        words = ["simulated bench" if r.simulated else "real bench" for r in (baseline, record)]
        yield Change("bench", "kind", *words)
    yield from _between("bench", _toml(record, "bench.toml"), _toml(baseline, "bench.toml"))
    drivers = [
        {str(d.get("file")): str(d.get("sha256")) for d in r.header.get("drivers", [])}
        for r in (record, baseline)
    ]
    yield from _between("bench", *drivers)


def _instruments(record: Record, baseline: Record) -> Iterator[Change]:
    now, before = _by_name(record), _by_name(baseline)
    for name in dict.fromkeys([*before, *now]):
        for fact in (
            "identity",
            "serial",
            "firmware",
            "calibrated",
            "due",
            "certificate",
            "accuracy",
            "class",
        ):
            a, b = str(now.get(name, {}).get(fact) or "none"), str(before.get(name, {}).get(fact) or "none")
            if a != b:
                yield Change("instruments", f"{name} {fact}", b, a)


def _program(record: Record, baseline: Record) -> Iterator[Change]:
    now, before = (dict(_flat(r.header.get("program", {}))) for r in (record, baseline))
    yield from _between("program", now, before)
    for name in ("seed", "laboratory", "operator"):
        a, b = record.header.get(name), baseline.header.get(name)
        if a != b:
            yield Change("run", name, str(b), str(a))
