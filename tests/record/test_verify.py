"""Tampering: every flip and every change of the members is found, and the finding names what was touched."""

import hashlib
import json
import random
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import record_sample

from benchrunner.errors import Refused
from benchrunner.record import canonical, container, signing
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

OTHER = SigningKey.from_seed("reviewer", bytes(range(1, 33)))
Members = dict[str, bytes]


def members_of(path: Path) -> Members:
    with zipfile.ZipFile(path) as file:
        return {info.filename: file.read(info) for info in file.infolist()}


def rebuilt(path: Path, members: Members) -> Path:
    """A container that is canonical in itself, so that only its contents can give it away."""
    path.unlink(missing_ok=True)
    container.write(path, list(members.items()))
    return path


def test_the_untouched_record_verifies(sealed: Path, store: Store) -> None:
    result = verify(sealed, store=store)
    assert result.ok, result.findings
    assert result.signer is not None
    assert result.signer.name == "highmoor-operator"
    assert not result.known
    assert any("unknown here" in line for line in result.says)
    assert any("SIMULATED BENCH" in line for line in result.says)


def test_three_hundred_flips_are_all_found(sealed: Path, tmp_path: Path, store: Store) -> None:
    raw = sealed.read_bytes()
    draw = random.Random(20260302)
    for at in draw.sample(range(len(raw)), 300):
        path = tmp_path / "flipped.bench"
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 1 << draw.randrange(8)]) + raw[at + 1 :])
        result = verify(path, store=store)
        assert not result.ok, at
        assert result.findings


def test_a_flip_in_a_part_names_that_part(sealed: Path, tmp_path: Path, store: Store) -> None:
    raw = sealed.read_bytes()
    for member in container.survey(sealed).members:
        at = member.start + member.size // 2
        path = tmp_path / "flipped.bench"
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 0x01]) + raw[at + 1 :])
        result = verify(path, store=store)
        assert not result.ok
        assert member.name in {f.part for f in result.findings}, (member.name, result.findings)


def test_every_byte_between_the_contents_counts(sealed: Path, tmp_path: Path, store: Store) -> None:
    """Local headers, directory and end record, byte by byte: what digests of the parts alone do not see."""
    raw = sealed.read_bytes()
    inside = set()
    for member in container.survey(sealed).members:
        inside |= set(range(member.start, member.start + member.size))
    between = [at for at in range(len(raw)) if at not in inside]
    assert len(between) > 1000
    path = tmp_path / "flipped.bench"
    for at in between[::3]:
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 0x10]) + raw[at + 1 :])
        result = verify(path, store=store)
        assert not result.ok, at
        assert any(
            f.kind in ("structure", "added", "missing", "renamed", "order", "signature")
            for f in result.findings
        )


def test_each_member_dropped_is_missed(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    for name in whole:
        path = rebuilt(tmp_path / "dropped.bench", {k: v for k, v in whole.items() if k != name})
        result = verify(path, store=store)
        assert not result.ok
        assert any(f.part == name and f.kind == "missing" for f in result.findings), (name, result.findings)


def test_an_added_member_is_found(sealed: Path, tmp_path: Path, store: Store) -> None:
    for name in ("a.txt", "zz.txt", "readings/more.parquet", "signatures/0002.jws", "signatures/note.txt"):
        path = rebuilt(tmp_path / "added.bench", {**members_of(sealed), name: b"hello"})
        result = verify(path, store=store)
        assert not result.ok
        assert name in {f.part for f in result.findings}


def test_each_member_renamed_is_found(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    for name in whole:
        renamed = {("x" + k if k == name else k): v for k, v in whole.items()}
        result = verify(rebuilt(tmp_path / "renamed.bench", renamed), store=store)
        assert not result.ok
        found = {f.part: f.kind for f in result.findings}
        if name.startswith(("header", "signatures")):
            assert found[name] == "missing"
        else:
            assert found[name] == "renamed", (name, result.findings)


def test_members_swapped_in_content_are_found(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    whole["drivers/ac-meter.toml"], whole["drivers/dc-meter.toml"] = (
        whole["drivers/dc-meter.toml"],
        whole["drivers/ac-meter.toml"],
    )
    result = verify(rebuilt(tmp_path / "swapped.bench", whole), store=store)
    assert {f.part for f in result.findings} == {"drivers/ac-meter.toml", "drivers/dc-meter.toml"}


def _zip(path: Path, entries: list[tuple[str, bytes]], **how: Any) -> Path:
    """As any other zip program would write it."""
    import warnings

    path.unlink(missing_ok=True)
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w", **how) as file:
        warnings.simplefilter("ignore")
        for name, raw in entries:
            file.writestr(
                zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), raw, compress_type=how.get("compression")
            )
    return path


def test_reordered_duplicated_and_repacked_members_are_found(
    sealed: Path, tmp_path: Path, store: Store
) -> None:
    entries = list(members_of(sealed).items())
    turned = [entries[1], entries[0], *entries[2:]]
    twice = [*entries, entries[-1]]
    packed = _zip(tmp_path / "packed.bench", entries, compression=zipfile.ZIP_DEFLATED)
    for path in (
        _zip(tmp_path / "t.bench", turned),
        _zip(tmp_path / "d.bench", twice),
        _zip(tmp_path / "p.bench", entries),
        packed,
    ):
        result = verify(path, store=store)
        assert not result.ok, path
    assert any(f.kind == "order" for f in verify(tmp_path / "t.bench", store=store).findings)
    assert any("twice" in f.what for f in verify(tmp_path / "d.bench", store=store).findings)
    assert any("packed" in f.what for f in verify(packed, store=store).findings)


@pytest.mark.parametrize(
    "change",
    [
        lambda raw: raw + b"\0",
        lambda raw: b"\0" + raw,
        lambda raw: raw[:-1],
        lambda raw: raw[:-2] + b"\x05\0hello",
        lambda raw: raw[: len(raw) // 2],
        lambda raw: raw + raw,
        lambda raw: b"",
        lambda raw: b"PK\x05\x06" + bytes(18),
        lambda raw: b"not a record at all, but a text of some length",
        lambda raw: raw[-22:],
        lambda raw: raw[:40] + b"\xff" * 40 + raw[80:],
    ],
)
def test_a_damaged_container_is_one_clear_finding_or_more(
    change: Callable[[bytes], bytes], sealed: Path, tmp_path: Path, store: Store
) -> None:
    path = tmp_path / "damaged.bench"
    path.write_bytes(change(sealed.read_bytes()))
    result = verify(path, store=store)
    assert not result.ok
    assert 1 <= len(result.findings) <= 200
    assert all(f.what and f.part for f in result.findings)


def test_a_changed_header_breaks_the_signature(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    header = json.loads(whole["header.json"])
    header["verdict"] = "fail"
    whole["header.json"] = canonical.dumps(header)
    result = verify(rebuilt(tmp_path / "h.bench", whole), store=store)
    assert [(f.part, f.kind) for f in result.findings] == [("signatures/0001.jws", "signature")]


def test_a_header_written_otherwise_is_not_canonical(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    whole["header.json"] = json.dumps(json.loads(whole["header.json"]), indent=1).encode()
    result = verify(rebuilt(tmp_path / "h.bench", whole), store=store)
    assert ("header.json", "header") in {(f.part, f.kind) for f in result.findings}


def test_a_signature_from_another_record_does_not_fit(
    sealed: Path, tmp_path: Path, key: SigningKey, store: Store
) -> None:
    record_sample.write(tmp_path / "run", count=20)
    other = seal(tmp_path / "run", tmp_path / "other.bench", key)
    name = "signatures/0001.jws"
    result = verify(
        rebuilt(tmp_path / "r.bench", {**members_of(sealed), name: members_of(other)[name]}), store=store
    )
    assert [(f.part, f.kind) for f in result.findings] == [(name, "signature")]
    part = "readings/bus.parquet"
    result = verify(
        rebuilt(tmp_path / "r.bench", {**members_of(sealed), part: members_of(other)[part]}), store=store
    )
    assert [(f.part, f.kind) for f in result.findings] == [(part, "changed")]


def test_signed_again_by_another_key_contradicts_the_header(
    sealed: Path, tmp_path: Path, store: Store
) -> None:
    whole = members_of(sealed)
    whole["signatures/0001.jws"] = signing.sign(whole["header.json"], OTHER)
    result = verify(rebuilt(tmp_path / "r.bench", whole), store=store)
    assert any("another key" in f.what for f in result.findings)


def test_unsigned_is_not_ok_unless_allowed(tmp_path: Path, store: Store) -> None:
    record_sample.write(tmp_path / "run")
    path = seal(tmp_path / "run", tmp_path / "unsigned.bench")
    assert not verify(path, store=store).ok
    allowed = verify(path, allow_unsigned=True, store=store)
    assert allowed.ok
    assert not allowed.signed
    assert any("not signed" in line for line in allowed.says)


def test_a_known_key_is_named_and_a_trust_list_binds(
    sealed: Path, tmp_path: Path, store: Store, key: SigningKey
) -> None:
    file = tmp_path / "trusted.json"
    file.write_text(json.dumps({"keys": [key.public.to_data()]}))
    listed = verify(sealed, trust=file, store=store)
    assert listed.ok
    assert listed.known
    stranger = verify(sealed, trust=[OTHER.public], store=store)
    assert not stranger.ok
    assert [f.kind for f in stranger.findings] == ["unknown key"]
    store.trust(file)
    assert verify(sealed, store=store).known
    assert not verify(sealed, trust=[OTHER.public], store=store).ok, "a list given counts alone"
    with pytest.raises(Refused):
        verify(sealed, trust=tmp_path / "not-there.json", store=store)


def test_a_demo_key_is_said(tmp_path: Path, store: Store) -> None:
    record_sample.write(tmp_path / "run")
    demo = SigningKey.from_seed("try", bytes(32), demo=True)
    result = verify(seal(tmp_path / "run", tmp_path / "demo.bench", demo), store=store)
    assert result.ok
    assert result.demo
    assert any("DEMO" in line for line in result.says)


def test_a_countersignature_leaves_the_first_untouched(sealed: Path, tmp_path: Path, store: Store) -> None:
    path = tmp_path / "copy.bench"
    path.write_bytes(sealed.read_bytes())
    third = SigningKey.from_seed("witness", bytes(range(2, 34)))
    countersign(path, OTHER, comment="looked at page by page")
    countersign(path, third, role="witness")
    before, after = members_of(sealed), members_of(path)
    assert {name: raw for name, raw in after.items() if name in before} == before
    result = verify(path, store=store)
    assert result.ok, result.findings
    assert [s.role for s in result.signatures] == ["operator", "reviewer", "witness"]
    assert result.signatures[1].comment == "looked at page by page"
    with pytest.raises(Refused, match="already"):
        countersign(path, OTHER)
    del after["signatures/0002.jws"]
    gone = verify(rebuilt(tmp_path / "gone.bench", after), store=store)
    assert ("signatures/0002.jws", "signature") in {(f.part, f.kind) for f in gone.findings}


def test_a_broken_record_is_not_countersigned(sealed: Path, tmp_path: Path) -> None:
    path = tmp_path / "broken.bench"
    path.write_bytes(sealed.read_bytes()[:-30] + bytes(30))
    before = path.read_bytes()
    with pytest.raises(Refused, match="not whole"):
        countersign(path, OTHER)
    assert path.read_bytes() == before


def test_a_lying_directory_is_no_bomb(sealed: Path, tmp_path: Path, store: Store) -> None:
    """Sizes that do not add up to the file are refused before anything is read by them."""
    raw = bytearray(sealed.read_bytes())
    entry = raw.rindex(b"PK\x01\x02")
    for offset in (20, 24):  # compressed and uncompressed size of the last entry
        struct.pack_into("<L", raw, entry + offset, 0xFFFF_FF00)
    path = tmp_path / "bomb.bench"
    path.write_bytes(raw)
    result = verify(path, store=store)
    assert not result.ok
    assert result.findings[0].part == "container"


def test_hostile_headers_end_in_words(sealed: Path, tmp_path: Path, store: Store) -> None:
    whole = members_of(sealed)
    good = json.loads(whole["header.json"])
    cases: list[bytes] = [
        b"", b"null", b"[]", b"{}", b"NaN", b'{"format":NaN}', b"[" * 200_000, b'{"a":' * 5000, b"\xff\xfe", b'{"a":1,"a":1}',
        canonical.dumps({**good, "version": 99}),
        canonical.dumps({**good, "version": "1" * 5000}),
        canonical.dumps({**good, "format": "other"}),
        canonical.dumps({**good, "parts": None}),
        canonical.dumps({**good, "parts": [1, 2]}),
        canonical.dumps({**good, "parts": [{"name": "../../etc/passwd", "sha256": "00", "bytes": 1}]}),
        canonical.dumps({**good, "parts": good["parts"] * 2}),
        canonical.dumps({**good, "parts": [{**p, "bytes": -1} for p in good["parts"]]}),
        canonical.dumps({**good, "procedure": 7, "signer": 7}),
        canonical.dumps({**good, "signer": {"key": None, "demo": "x"}}),
    ]  # fmt: skip
    for raw in cases:
        result = verify(rebuilt(tmp_path / "hostile.bench", {**whole, "header.json": raw}), store=store)
        assert not result.ok, raw[:40]
        assert all(len(str(f)) < 1000 for f in result.findings)


def test_hostile_member_names_are_findings(sealed: Path, tmp_path: Path, store: Store) -> None:
    entries = list(members_of(sealed).items())
    for name in (
        "../evil",
        "/etc/passwd",
        "a\\b",
        "C:evil",
        "x\n",
        "A",
        "a//b",
        "a/../b",
        "x" * 300,
        "con\x1b[31m",
    ):
        result = verify(_zip(tmp_path / "n.bench", [*entries, (name, b"x")]), store=store)
        assert not result.ok
        assert not any("\x1b" in str(f) or "\n" in str(f) for f in result.findings)


def test_two_hundred_mutations_never_raise(sealed: Path, tmp_path: Path, store: Store) -> None:
    """Blocks overwritten, cut out, doubled: a finding each, never an exception."""
    raw = sealed.read_bytes()
    draw = random.Random(5)
    path = tmp_path / "mutated.bench"
    for _ in range(200):
        at, length = draw.randrange(len(raw)), draw.choice((1, 2, 8, 30, 400))
        block = raw[at : at + length]
        changed = draw.choice((draw.randbytes(length), b"", block + block, bytes(len(block))))
        mutated = raw[:at] + changed + raw[at + length :]
        path.write_bytes(mutated)
        assert verify(path, store=store).ok == (mutated == raw)


def test_the_key_store_may_be_broken(sealed: Path, store: Store) -> None:
    store.folder.mkdir(parents=True)
    (store.folder / "trusted.json").write_text("{")
    (store.folder / "key-x.json").write_text("[]")
    result = verify(sealed, store=store)
    assert result.ok
    assert not result.known


def test_verifying_needs_no_key_of_ours(sealed: Path) -> None:
    """The signature and every digest, with hashlib, json, zipfile and the raw Ed25519 of `cryptography`."""
    from test_signing import independent

    whole = members_of(sealed)
    protected = independent(whole["signatures/0001.jws"], whole["header.json"])
    assert protected["kid"] == json.loads(whole["header.json"])["signer"]["key"]
    listed = json.loads(whole["header.json"])["parts"]
    assert {p["name"]: p["sha256"] for p in listed} == {
        name: hashlib.sha256(raw).hexdigest()
        for name, raw in whole.items()
        if name != "header.json" and not name.startswith("signatures/")
    }


def test_an_earlier_signature_made_anew_is_noticed(
    sealed: Path, tmp_path: Path, store: Store, key: SigningKey
) -> None:
    """The operator signs again, with another comment, after the reviewer: each signature holds, but not the pair."""
    path = tmp_path / "copy.bench"
    path.write_bytes(sealed.read_bytes())
    countersign(path, OTHER)
    members = members_of(path)
    members["signatures/0001.jws"] = signing.sign(members["header.json"], key, comment="on second thoughts")
    result = verify(rebuilt(tmp_path / "again.bench", members), store=store)
    assert [(f.part, f.kind) for f in result.findings] == [("signatures/0001.jws", "signature")]
    assert "0002.jws was made over it" in result.findings[0].what
