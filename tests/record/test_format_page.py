"""The written format: a reader made from the page alone reads every kept record and new ones; the page names what is in them."""

import dataclasses
import hashlib
import json
import math
import re
import shutil
import struct
import subprocess
import sys
import typing
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import forged
import numpy as np
import pytest
import record_sample

from benchrunner import data
from benchrunner.bench.prechecks import Proof
from benchrunner.core import plan as core_plan
from benchrunner.core.messages import Captured, Readings
from benchrunner.core.plan import RunPlan
from benchrunner.procedure import running
from benchrunner.record import canonical, codec, container, signing
from benchrunner.record.container import ContainerError
from benchrunner.record.doors.importing import import_csv
from benchrunner.record.doors.mapping import from_words
from benchrunner.record.journal import Journal
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.opened import Record
from benchrunner.record.seal import VERSION, seal
from benchrunner.record.verify import verify

KEPT = sorted((Path(__file__).parents[1] / "vectors" / "records").glob("*.bench"))
READER = Path(__file__).with_name("mini_reader.py")


def page() -> str:
    return (data.folder("resources") / "guide" / "record-format.md").read_text("utf-8")


def read(path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(READER), str(path)], capture_output=True, text=True, timeout=60, check=False
    )


def digest(values: Any) -> str:
    return hashlib.sha256(values.tobytes()).hexdigest()


def held_against(path: Path) -> None:
    """What the mini reader sees is what the program sees, bit for bit."""
    done = read(path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    record = Record.open(path)
    assert found["signed"] == [s.role for s in verify(path, store=Store(path.parent / "none")).signatures]
    assert found["verdicts"] == {f"{c['step']}/{c['id']}": c["verdict"] for c in record.checks}
    assert found["inputs"] == record.header["counts"]["inputs"] == len(list(record.inputs()))
    assert found["waves"] == [w.samples.shape[1] for w in record.waveforms]
    expected = {}
    for source in record.plan.sources:
        for name in source.channels:
            times, values = record.channel(name)
            if len(times):
                expected[name] = [digest(times), digest(values)]
    assert found["channels"] == expected
    assert expected


def test_the_mini_reader_knows_nothing_of_this_program_and_is_small() -> None:
    text = READER.read_text("utf-8")
    assert "import benchrunner" not in text
    assert "from benchrunner" not in text
    assert len([line for line in text.splitlines() if line.strip()]) < 110


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_the_mini_reader_reads_every_kept_record(path: Path, tmp_path: Path) -> None:
    shutil.copy(path, tmp_path / "x.bench")
    held_against(tmp_path / "x.bench")


def test_the_mini_reader_reads_a_new_record(sealed: Path, tmp_path: Path) -> None:
    shutil.copy(sealed, tmp_path / "x.bench")
    held_against(tmp_path / "x.bench")


def test_the_mini_reader_reads_every_coding(tmp_path: Path, key: SigningKey) -> None:
    """Digits that change their number in mid-run, no valid reading, a negative zero, an infinity, digits without end."""
    awkward = [230.0, 229.85, math.nan, 231.123, 0.0]
    log = Journal.create(tmp_path / "run", record_sample.facts())
    for seq in range(1, 200):
        bus = (awkward[seq % 5], [-0.0, math.inf, 50.0, 1 / 3][seq % 4])
        log.input(seq, Readings(seq * 0.2, 0, seq * 0.2 - 0.01, 0.2, bus))
    log.close()
    path = seal(tmp_path / "run", tmp_path / "x.bench", key)
    held_against(path)


def test_the_mini_reader_makes_digests_anew_whatever_bits_a_number_has(
    tmp_path: Path, key: SigningKey
) -> None:
    """A NaN with another sign or payload, among readings and samples, is taken with the bits that it has."""
    odd = struct.unpack("<dd", struct.pack("<QQ", 0xFFF8_0000_0000_0000, 0x7FF8_0000_0000_1234))
    log = Journal.create(tmp_path / "run", record_sample.facts())
    for seq in range(1, 40):
        log.input(seq, Readings(seq * 0.2, 0, seq * 0.2 - 0.01, 0.2, (odd[seq % 2], math.nan)))
    samples = np.array([[1.5, odd[0], -0.0, odd[1]], [math.nan, math.inf, 0.1, 2.0]])
    log.input(40, Captured(8.1, 1, True, ("bus.voltage", "battery.voltage"), 7.0, 2000.0, 7.1, samples))
    log.input(41, Captured(8.2, 2, False, text="no trigger"))
    log.close()
    path = seal(tmp_path / "run", tmp_path / "x.bench", key)
    held_against(path)
    found = Record.open(path)
    assert found.waveforms[0].samples.tobytes() == samples.tobytes()
    assert {struct.pack("<d", v) for v in found.channel("bus.voltage")[1]} == {
        struct.pack("<d", v) for v in odd
    }


@pytest.mark.parametrize("kind", ["readings", "inputs", "checks"])
@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_the_mini_reader_refuses_digests_of_other_data(
    path: Path, kind: str, tmp_path: Path, key: SigningKey
) -> None:
    digests = {**Record.open(path).header["digests"], kind: "0" * 64}
    done = read(_with_header(path, tmp_path / "x.bench", key, digests=digests))
    assert done.returncode != 0
    assert "digests differ" in done.stderr


@pytest.mark.parametrize("touch", ["a part", "the header"])
def test_the_mini_reader_refuses_a_touched_record(touch: str, sealed: Path, tmp_path: Path) -> None:
    survey = container.survey(sealed)
    members = {m.name: container.content(sealed, m, m.size) for m in survey.members}
    name = "readings/bus.parquet" if touch == "a part" else "header.json"
    old, new = (
        (members[name][99:100], bytes([members[name][99] ^ 1]))
        if touch == "a part"
        else (b'"operator":"A', b'"operator":"B')
    )
    members[name] = members[name].replace(old, new, 1)
    container.write(tmp_path / "x.bench", list(members.items()))
    done = read(tmp_path / "x.bench")
    assert done.returncode != 0
    assert ("a member was changed" if touch == "a part" else "InvalidSignature") in done.stderr


def test_the_page_names_everything_that_is_written(sealed: Path) -> None:
    text = page()
    named = set(re.findall(r"`([a-z_0-9]+)`", text))
    header = Record.open(sealed).header
    assert not set(header) - named, "keys of the header"
    assert not {key for part in header["parts"] for key in part} - named, "keys of a part"
    assert not set(header["checks"][0]) - named, "keys of a check"
    kinds = set(codec.KINDS) - {"readings", "tick"}
    assert not kinds - named, "kinds of inputs"
    token = signing.sign(
        b"{}", SigningKey.from_seed("x", bytes(32), demo=True), comment="c", covers={"a": "b"}
    )
    protected = json.loads(signing.keys.unb64(token.decode().split(".")[0]))
    assert not set(protected) - named, "keys of a signature"
    assert f"| {VERSION} |" in text, "the version written now"
    assert f"| {VERSION + 1} |" not in text


def validator_of(name: str) -> Any:
    import jsonschema

    schema = json.loads((data.folder("resources") / "schemas" / f"{name}.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_kept_plans_fit_the_schema(path: Path) -> None:
    plan = json.loads(forged.members_of(path)["plan.json"])
    validator = validator_of("record-plan")
    assert [error.message for error in validator.iter_errors(plan)] == []
    assert list(validator.iter_errors({**plan, "humidity": 1}))


def test_the_plan_schema_says_what_the_program_writes() -> None:
    """Every mapping of the plan: the same keys, the same ones that may be absent."""
    schema = validator_of("record-plan").schema
    waiting, seen = [(RunPlan, schema)], set()
    while waiting:
        kind, found = waiting.pop()
        seen.add(kind.__name__)
        fields = dataclasses.fields(kind)
        assert list(found["properties"]) == [field.name for field in fields], kind
        needed = [f.name for f in fields if f.default is f.default_factory is dataclasses.MISSING]
        assert found["required"] == needed, kind
        assert found["additionalProperties"] is False
        for hint in typing.get_type_hints(kind).values():
            inside = re.findall(r"\w+", str(hint))
            waiting += [
                (each, schema["$defs"][each.__name__])
                for module in (core_plan, running)
                for each in vars(module).values()
                if dataclasses.is_dataclass(each) and each.__name__ in inside and each.__name__ not in seen
            ]
    assert seen - {"RunPlan"} == set(schema["$defs"]) - {"number", "whole", "long"}
    plan = codec.plan_to_data(record_sample.facts().plan)
    assert [error.message for error in validator_of("record-plan").iter_errors(plan)] == []


def test_an_imported_record_says_so_where_the_page_and_the_schema_say(tmp_path: Path) -> None:
    """`further.imported`, whose keys the page names; what a stranger's reader makes of such a record."""
    (tmp_path / "a.csv").write_text("t [s],u [V]\n0,230.1\n1,230.2\n2,-0.0\n", "utf-8")
    given = from_words("t [s]", ["bus.voltage=u [V]"])
    path, _ = import_csv(tmp_path / "a.csv", given, tmp_path)
    header = Record.open(path).header
    assert [error.message for error in validator_of("record-header").iter_errors(header)] == []
    mark = header["further"]["imported"]
    assert mark["part"] == "attached/a.csv" and header["ended_by"] == "import"
    assert not {"imported", *mark} - set(re.findall(r"`([a-z_0-9]+)`", page()))
    held_against(path)
    assert list(validator_of("record-header").iter_errors({**header, "further": {"imported": True}}))


def test_gates_and_further_facts_fit_the_schema(sealed: Path) -> None:
    """As `bench.prechecks`, `engine.serials` and the live host make them."""
    gate = {
        "gate": "warm-up",
        "by": "A. Tester",
        "why": "short on time",
        "at": "2026-03-14T10:15:00Z",
        "missing": "12 min",
    }
    proof = asdict(
        Proof("dead-bus", "pass", "A. Tester", "2026-03-14T10:00:00Z", "2026-03-14T18:00:00Z", "0" * 64)
    )
    further = {
        "before_power": [proof],
        "polling": [{"instrument": "bus", "period": 0.1, "polls": 9, "missed": 0, "failed": 1}],
        "skew": [{"instrument": "bus", "against": "load", "skew": -0.01, "standard_uncertainty": 0.02, "steps": 3}],
        "inverter_settings": {"before": {"inverter": {"123.Conn": 1}}, "after": {}},
        "pv_curves": [{"instrument": "pv", "open_circuit_voltage": 400.0}],
        "ambient": {"temperature": 294.1},
    }  # fmt: skip
    named = set(re.findall(r"`([a-z_0-9]+)`", page()))
    assert not {*gate, *proof, *further, *further["polling"][0], *further["skew"][0]} - named - {"ambient"}
    header = {**Record.open(sealed).header, "overridden": [gate], "further": further}
    validator = validator_of("record-header")
    assert [error.message for error in validator.iter_errors(header)] == []
    for odd in (
        {"overridden": [{**gate, "who": "x"}]},
        {"overridden": ["warm-up"]},
        {"further": {"polling": {}}},
    ):
        assert list(validator.iter_errors({**header, **odd})), odd


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_kept_headers_fit_the_schema(path: Path) -> None:
    validator = validator_of("record-header")
    header = Record.open(path).header
    assert not list(validator.iter_errors(header))
    assert list(validator.iter_errors({**header, "version": VERSION + 1}))


def _with_header(sealed: Path, path: Path, key: SigningKey, **change: Any) -> Path:
    """The record with another header, signed anew: sound in itself."""
    survey = container.survey(sealed)
    members = {m.name: container.content(sealed, m, m.size) for m in survey.members}
    raw = canonical.dumps({**json.loads(members["header.json"]), **change})
    members |= {"header.json": raw, "signatures/0001.jws": signing.sign(raw, key)}
    container.write(path, list(members.items()))
    return path


def test_a_newer_version_is_refused_in_words(
    sealed: Path, tmp_path: Path, key: SigningKey, store: Store
) -> None:
    path = _with_header(sealed, tmp_path / "newer.bench", key, version=VERSION + 1)
    with pytest.raises(ContainerError) as refused:
        Record.open(path)
    said = str(refused.value)
    assert f"version {VERSION + 1}" in said
    assert str(VERSION) in said
    assert "newer program" in said
    result = verify(path, store=store)
    assert not result.ok
    assert any(f"version {VERSION + 1}" in f.what for f in result.findings)


def test_an_unknown_key_in_the_header_is_passed_over(
    sealed: Path, tmp_path: Path, key: SigningKey, store: Store
) -> None:
    path = _with_header(sealed, tmp_path / "more.bench", key, humidity={"value": 0.4, "unit": "1"})
    assert verify(path, store=store).ok
    assert Record.open(path).verdict == Record.open(sealed).verdict
    done = read(path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("what", ["a key in the plan", "a kind of input"])
def test_what_a_later_program_added_to_the_judging_is_shown_but_not_judged_again(
    what: str, tmp_path: Path, store: Store
) -> None:
    """As the page says: header, events and readings are there; judging it again would judge something else, and says so."""
    members = forged.members_of(KEPT[-1])
    if what == "a key in the plan":
        members["plan.json"] = canonical.dumps({**json.loads(members["plan.json"]), "humidity": 1})
    else:
        members["inputs.jsonl"] = members["inputs.jsonl"].replace(
            b'"kind":"order_done"', b'"kind":"frost"', 1
        )
    path = forged.forge(tmp_path / "later.bench", members)
    assert verify(path, store=store).ok
    record = Record.open(path)
    assert record.checks == Record.open(KEPT[-1]).checks and record.events
    again = record.rejudge()
    assert Record.open(KEPT[-1]).rejudge().ok and not again.ok
    assert "cannot be judged again" in again.says[0] and (
        "humidity" in again.says[0] or "frost" in again.says[0]
    )


def test_no_source_has_more_channels_than_flags_can_tell_of(tmp_path: Path) -> None:
    """`flags` has two bits for each of 32: an instrument of ours never has more, a run with more does not begin, a reader refuses it."""
    from benchrunner.cards.classes import CLASSES
    from benchrunner.core.plan import Source
    from benchrunner.record import parts
    from benchrunner.record.journal import JournalError

    assert max(len(kind.reads) for kind in CLASSES.values()) <= parts.MOST_CHANNELS
    facts = record_sample.facts()
    for count in (32, 33):
        names = tuple(f"bus.extra_{k}" for k in range(count))
        wide = replace(facts, plan=replace(facts.plan, sources=(Source("wide", names, 0.2),)))
        if count == 32:
            log = Journal.create(tmp_path / "run", wide)
            log.input(1, Readings(0.1, 0, 0.1, 0.0, (1.0,) * 32, 1 << 31 | 1 << 63))
            log.close()
        else:
            with pytest.raises(JournalError, match="33 channels"):
                Journal.create(tmp_path / "wide", wide)
    path = seal(tmp_path / "run", tmp_path / "x.bench")
    held_against(path)
    last = Record.open(path).readings.iloc[-1]
    assert last["overloaded"] and last["repeat"] and last["channel"] == "bus.extra_31"
    members = forged.members_of(path)
    plan = json.loads(members["plan.json"])
    plan["sources"][0]["channels"].append("bus.extra_32")
    wider = forged.forge(tmp_path / "y.bench", {**members, "plan.json": canonical.dumps(plan)})
    with pytest.raises(ContainerError, match="33 channels"):
        _ = Record.open(wider).plan
