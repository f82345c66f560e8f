"""Whatever is done to a member of a signed record is found, and the finding says what was done, in words an auditor can use.

Every container here is rebuilt so that it is sound in itself (unless the change is to the container): only its content gives it away.
"""

import hashlib
import itertools
import zlib
from pathlib import Path

import pytest
import record_sample

from benchrunner.record import container, signing
from benchrunner.record.container import LOCAL, Finding, Member
from benchrunner.record.countersign import countersign
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.seal import seal
from benchrunner.record.verify import Verification, verify

OPERATOR = SigningKey.from_seed("operator", bytes(range(32)))
REVIEWER = SigningKey.from_seed("reviewer", bytes(range(1, 33)))
WITNESS = SigningKey.from_seed("witness", bytes(range(2, 34)))
LAST = "signatures/0003.jws"
Entries = list[tuple[str, bytes]]


def _made(folder: Path, count: int) -> Path:
    record_sample.write(folder / "run", count=count)
    path = seal(folder / "run", folder / "x.bench", OPERATOR)
    countersign(path, REVIEWER, comment="looked at page by page")
    countersign(path, WITNESS, role="witness")
    return path


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _made(tmp_path_factory.mktemp("signed"), 12)


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Another record by the same people."""
    return _made(tmp_path_factory.mktemp("other"), 20)


def entries_of(path: Path) -> Entries:
    return [(m.name, container.content(path, m, m.size)) for m in container.survey(path).members]


def built(path: Path, entries: Entries) -> Path:
    """A container of these members in this order, even where that is not allowed, with every header as it must be."""
    members: list[Member] = []
    with path.open("wb") as stream:
        for name, raw in entries:
            start = stream.tell() + LOCAL.size + len(name)
            member = Member(name, len(raw), zlib.crc32(raw), start)
            stream.write(container.local_header(member) + raw)
            members.append(member)
        stream.write(container.directory(members, stream.tell()))
    return path


class Check:
    """Verifies changed entries of one record."""

    def __init__(self, path: Path, store: Store) -> None:
        self.path, self.store = path, store

    def __call__(self, entries: Entries) -> Verification:
        return verify(built(self.path, entries), store=self.store)

    def found(self, entries: Entries) -> list[Finding]:
        result = self(entries)
        assert not result.ok
        assert result.findings
        assert "container, header and every part are as they were sealed" not in result.says
        return result.findings


@pytest.fixture
def check(tmp_path: Path, store: Store) -> Check:
    return Check(tmp_path / "changed.bench", store)


def says(findings: list[Finding], part: str, words: str) -> bool:
    return any(f.part == part and words in f.what for f in findings)


def test_the_builder_itself_changes_nothing(signed: Path, check: Check) -> None:
    assert check(entries_of(signed)).ok
    assert check.path.read_bytes() == signed.read_bytes()


def test_every_member_dropped(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for name, _ in entries:
        if name == LAST:
            continue
        findings = check.found([entry for entry in entries if entry[0] != name])
        assert says(findings, name, "is missing"), (name, findings)
    first = check.found([entry for entry in entries if entry[0] != "signatures/0001.jws"])
    assert says(first, "signatures/0001.jws", "signatures/0002.jws stands in its place")
    assert says(first, "signatures/0001.jws", "signatures/0003.jws was made over it")


def test_the_last_signature_can_be_taken_away_and_the_guide_says_so(signed: Path, check: Check) -> None:
    from benchrunner import data

    assert check([entry for entry in entries_of(signed) if entry[0] != LAST]).ok
    for page in ("record-format.md", "verify-without-us.md"):
        text = (data.folder("resources") / "guide" / page).read_text("utf-8")
        assert "last one can be taken away unnoticed" in " ".join(text.split())


def test_members_added_anywhere(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for name, words in {
        "a.txt": "the header does not list it",
        "readings/aa.parquet": "the header does not list it",
        "zz": "the header does not list it",
        "signatures/0004.jws": "is no compact JWS",
        "signatures/0004.tst": "is missing",
        "signatures/0001.tst": "is no time-stamp token",
        "signatures/x": "is no signature by its name",
    }.items():
        findings = check.found(sorted([*entries, (name, b"hello")]))
        assert says(findings, name, words), (name, findings)


def test_every_member_renamed(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for name, _ in entries:
        renamed = sorted((f"{n}x" if n == name else n, raw) for n, raw in entries)
        findings = check.found(renamed)
        if name == "header.json":
            assert says(findings, name, "is missing: without it"), findings
        elif name.startswith("signatures/"):
            assert says(findings, f"{name}x", "is no signature by its name"), (name, findings)
        else:
            assert says(findings, name, f"was renamed to {name}x"), (name, findings)


def test_every_two_neighbours_exchanged(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for k in range(len(entries) - 1):
        turned = [*entries[:k], entries[k + 1], entries[k], *entries[k + 2 :]]
        findings = check.found(turned)
        assert says(findings, entries[k][0], f"stands after {entries[k + 1][0]}; members go by name"), (
            findings
        )


def test_every_member_twice(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for k, (name, raw) in enumerate(entries):
        for second in (raw, b"another"):
            findings = check.found([*entries[: k + 1], (name, second), *entries[k + 1 :]])
            assert says(findings, name, "stands in the container twice"), (name, findings)


def test_the_contents_of_every_two_members_exchanged(signed: Path, check: Check) -> None:
    entries = entries_of(signed)
    for (i, one), (k, two) in itertools.combinations(enumerate(entries), 2):
        changed = list(entries)
        changed[i], changed[k] = (one[0], two[1]), (two[0], one[1])
        findings = check.found(changed)
        named = {f.part for f in findings}
        # without its header a record says nothing of the parts, only that the header is none
        wanted = {"header.json"} if "header.json" in (one[0], two[0]) else {one[0], two[0]}
        assert wanted <= named | {n for n in wanted if any(n in f.what for f in findings)}, findings


def test_every_member_exchanged_with_another_records(signed: Path, other: Path, check: Check) -> None:
    entries, others = entries_of(signed), dict(entries_of(other))
    differing = 0
    for k, (name, raw) in enumerate(entries):
        changed = [*entries[:k], (name, others[name]), *entries[k + 1 :]]
        if others[name] == raw:
            assert check(changed).ok  # the same card, byte for byte: nothing was changed
            continue
        differing += 1
        findings = check.found(changed)
        if name == "header.json":
            for signature in ("signatures/0001.jws", "signatures/0002.jws", LAST):
                assert says(findings, signature, "does not fit this record's header"), findings
        elif name.startswith("signatures/"):
            assert says(findings, name, "does not fit this record's header"), (name, findings)
        else:
            assert says(findings, name, "its content does not fit the digest in the header"), (name, findings)
    assert differing >= 8


def test_a_signature_replayed_as_one_more(signed: Path, other: Path, check: Check) -> None:
    """Another record's signature, and this record's own once more, with the next number."""
    own, name = dict(entries_of(signed)), "signatures/0004.jws"
    findings = check.found(sorted({**own, name: dict(entries_of(other))[LAST]}.items()))
    assert says(findings, name, "does not fit this record's header"), findings
    for again in ("signatures/0001.jws", "signatures/0002.jws", LAST):
        findings = check.found(sorted({**own, name: own[again]}.items()))
        assert says(findings, name, f"is by the same key as {again}"), findings


def test_two_signatures_in_each_others_place(signed: Path, check: Check) -> None:
    own = dict(entries_of(signed))
    turned = {**own, "signatures/0002.jws": own[LAST], LAST: own["signatures/0002.jws"]}
    findings = check.found(sorted(turned.items()))
    assert says(findings, LAST, "was not made over signatures/0002.jws, though that stands before it"), (
        findings
    )


def test_a_signature_slipped_in_before_the_last(signed: Path, check: Check) -> None:
    """A good signature, made later, that claims to have been there before the witness signed."""
    own = dict(entries_of(signed))
    stranger = SigningKey.from_seed("somebody", bytes(range(3, 35)))
    covers = {n: hashlib.sha256(own[n]).hexdigest() for n in ("signatures/0001.jws", "signatures/0002.jws")}
    slipped = signing.sign(own["header.json"], stranger, role="approver", covers=covers)
    findings = check.found(sorted({**own, LAST: slipped, "signatures/0004.jws": own[LAST]}.items()))
    assert [f.part for f in findings] == ["signatures/0004.jws"]
    assert "was not made over signatures/0003.jws" in findings[0].what


def test_all_signatures_of_another_record_replayed(signed: Path, other: Path, check: Check) -> None:
    changed = {
        **dict(entries_of(signed)),
        **{n: r for n, r in entries_of(other) if n.startswith("signatures/")},
    }
    findings = check.found(sorted(changed.items()))
    assert {f.part for f in findings} == {"signatures/0001.jws", "signatures/0002.jws", LAST}


def test_a_note_between_the_members(signed: Path, check: Check) -> None:
    """Bytes before the first, between two members, before the directory, behind the end."""
    raw = signed.read_bytes()
    survey = container.survey(signed)
    starts = [m.start - LOCAL.size - len(m.name) for m in survey.members]
    for at in (0, starts[3], starts[-1], survey.members[-1].start + survey.members[-1].size, len(raw)):
        check.path.write_bytes(raw[:at] + b"a note" + raw[at:])
        result = verify(check.path, store=check.store)
        assert not result.ok
        assert any(f.part == "container" and f.kind == "structure" for f in result.findings), (
            at,
            result.findings,
        )
