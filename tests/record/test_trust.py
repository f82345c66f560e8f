"""Whose signature counts: trust lists, roles, times, revoked keys, and time stamps of a real authority (RFC 3161)."""

import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import forged
import pytest
from time_server import TimeServer

from benchrunner.cli.main import main
from benchrunner.errors import Refused
from benchrunner.record import container, signing, stamp
from benchrunner.record.countersign import countersign, timestamp
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.trust import read_trust
from benchrunner.record.verify import verify

REVIEWER = SigningKey.from_seed("highmoor-reviewer", bytes(range(1, 33)))
NOW = datetime.now(UTC)


def day(offset: float) -> str:
    return (NOW + timedelta(days=offset)).isoformat(timespec="seconds")


def listed(folder: Path, key: SigningKey, *lines: str, more: str = "") -> Path:
    """A trust list with the key, with further lines of its entry."""
    path = folder / "trust.toml"
    entry = "\n".join(["[[keys]]", 'person = "A. Trainer"', f'key = "{key.public.thumbprint}"', *lines])
    path.write_text(f'format = 1\ntitle = "Highmoor Training Laboratory"\n{entry}\n{more}')
    return path


def authority(server: TimeServer) -> str:
    return f'[[authorities]]\nname = "the laboratory\'s clock"\ncertificate = """\n{server.issuer}"""\n'


@pytest.fixture(scope="module")
def clock(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeServer]:
    server = TimeServer(tmp_path_factory.mktemp("tsa"))
    yield server
    server.close()


@pytest.fixture
def record(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(sealed, tmp_path / "record.bench"))


def kinds(record: Path, trust: Path, store: Store) -> list[str]:
    return [finding.kind for finding in verify(record, trust=trust, store=store).findings]


# ---------------------------------------------------------------- the list


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([], []),
        (['roles = ["operator"]'], []),
        (['roles = ["reviewer"]'], ["role"]),
        ([f"from = {day(-1)}", f"until = {day(1)}"], []),
        ([f"from = {day(1)}"], ["not yet valid"]),
        ([f"until = {day(-1)}"], ["expired"]),
        ([f"revoked = {day(1)}", 'reason = "laptop lost"'], ["revoked"]),
        ([f"revoked = {day(-1)}", 'reason = "laptop lost"'], ["revoked"]),
    ],
)
def test_each_way_not_to_count_is_told_apart(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, lines: list[str], expected: list[str]
) -> None:
    trust = listed(tmp_path, key, *lines)
    state = verify(record, trust=trust, store=store)
    assert [f.kind for f in state.findings] == expected
    assert state.ok is not bool(expected)
    if expected == ["revoked"]:
        assert "laptop lost" in str(state.findings[0]) and "no time stamp" in str(state.findings[0])
    if not expected:
        assert any("A. Trainer, on the trust list" in line for line in state.says)


def test_a_role_is_quoted_so_that_what_is_not_seen_in_it_shows(
    sealed: Path, tmp_path: Path, store: Store, key: SigningKey
) -> None:
    """`operator` with a sign that is not shown behind it is another role, and must not be told as the same word."""
    members = forged.members_of(sealed)
    members["signatures/0001.jws"] = signing.sign(members["header.json"], key, role="operator\u200b")
    container.write(tmp_path / "x.bench", list(members.items()))
    (finding,) = verify(
        tmp_path / "x.bench", trust=listed(tmp_path, key, 'roles = ["operator"]'), store=store
    ).findings
    assert finding.kind == "role"
    assert finding.what.endswith("whose key may sign as operator, not as 'operator '")


def test_a_key_that_is_not_listed_is_unknown(record: Path, tmp_path: Path, store: Store) -> None:
    assert kinds(record, listed(tmp_path, REVIEWER), store) == ["unknown key"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 2\n", "format"),
        ('format = 1\n[[keys]]\nperson = "x"\nkey = "short"\n', "key"),
        ('format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nfrom = 2026-01-01T10:00:00\n' % ("A" * 43), "zone"),
        ('format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nuntill = 2026-01-01\n' % ("A" * 43), "until"),
        (
            'format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nuntil = "9999-12-31T23:00:00-14:00"\n'
            % ("A" * 43),
            "no moment",
        ),
        (
            'format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nfrom = "0001-01-01T00:00:00+14:00"\n'
            % ("A" * 43),
            "no moment",
        ),
        (
            'format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nfrom = 2026-01-01T10:00:00\n' % ("A" * 43),
            "is 2026-01-01T10:00:00, which",
        ),
        (
            'format = 1\n[[keys]]\nperson = "x"\nkey = "%s"\nroles = "operator"\n' % ("A" * 43),
            "keys[1].roles: is 'operator', not a list",
        ),
        ('format = 1\n[[keys]]\nperson = 7\nkey = "%s"\n' % ("A" * 43), "keys[1].person: is 7, not text"),
        ("format = 1\nkeys = 7\n", "keys: is 7, not a list"),
        ("format = \n", "TOML"),
    ],
)
def test_a_list_that_is_none_is_refused_in_words(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "list.toml"
    path.write_text(text)
    with pytest.raises(Refused) as refused:
        read_trust(path)
    assert says in str(refused.value)


def test_a_key_that_stands_twice_is_refused_so_that_no_entry_hides_a_revocation(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, capsys: pytest.CaptureFixture[str]
) -> None:
    again = f'[[keys]]\nperson = "B. Tester"\nkey = "{key.public.thumbprint}"\n'
    for lines, more in (
        ([], again + "revoked = 2020-01-01\n"),  # the first entry alone would let it pass
        ([f"until = {day(-1)}"], again),
        ([], again),
    ):
        trust = listed(tmp_path, key, *lines, more=more)
        with pytest.raises(Refused, match="twice") as refused:
            verify(record, trust=trust, store=store)
        (problem,) = refused.value.problems
        assert "A. Trainer" in problem.what and "B. Tester" in problem.what and "one entry" in problem.mend
    assert main(["verify", str(record), "--trust", str(trust)]) == 2
    assert "twice" in capsys.readouterr().err
    assert verify(
        record, trust=[key.public, key.public], store=store
    ).ok  # public keys: the same again says no more


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"])
def test_a_signature_at_the_end_of_the_calendar_gives_no_time(
    sealed: Path, tmp_path: Path, store: Store, key: SigningKey, at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    members = forged.members_of(sealed)
    monkeypatch.setattr("benchrunner.record.signing.utc_now", lambda: at)
    members["signatures/0001.jws"] = signing.sign(members["header.json"], key)
    container.write(tmp_path / "x.bench", list(members.items()))
    trust = listed(tmp_path, key, f"from = {day(-1)}", f"until = {day(1)}")
    assert kinds(tmp_path / "x.bench", trust, store) == ["no time"]


def test_an_authority_without_a_certificate_is_refused(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, clock: TimeServer
) -> None:
    trust = listed(tmp_path, key, more='[[authorities]]\nname = "x"\ncertificate = "none"\n')
    with pytest.raises(Refused, match="certificate"):  # though nothing is stamped yet
        verify(record, trust=trust, store=store)
    timestamp(record, clock.url)
    with pytest.raises(Refused, match="certificate"):
        verify(record, trust=trust, store=store)


# ---------------------------------------------------------------- countersignatures


def test_several_people_sign_and_each_covers_those_before(record: Path, store: Store) -> None:
    first = container.survey(record).digests
    countersign(record, REVIEWER, comment="seen the bench; agreed")
    witness = SigningKey.from_seed("highmoor-witness", bytes(range(2, 34)))
    made = countersign(record, witness, role="witness")
    assert set(made.covers) == {"signatures/0001.jws", "signatures/0002.jws"}
    after = container.survey(record).digests
    assert all(after[name] == digest for name, digest in first.items())
    state = verify(record, store=store)
    assert state.ok and [s.role for s in state.signatures] == ["operator", "reviewer", "witness"]
    assert any("seen the bench; agreed" in line for line in state.says)
    with pytest.raises(Refused, match="signed with this key already"):
        countersign(record, witness)


def test_the_command_signs(
    record: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: Store
) -> None:
    Store().make("highmoor-second", "a long passphrase")
    words = tmp_path / "words"
    words.write_text("a long passphrase\n")
    given = [
        "countersign",
        str(record),
        "--key",
        "highmoor-second",
        "--passphrase-file",
        str(words),
        "--comment",
        "agreed",
    ]
    assert main(given) == 0
    assert "signatures/0002.jws: signed as reviewer" in capsys.readouterr().out
    assert main(given) == 2  # the same person twice
    assert main([*given[:-1], "x" * 3000]) == 2
    assert main(["countersign", str(tmp_path / "none.bench"), "--key", "highmoor-second"]) == 2
    assert verify(record, store=store).ok


# ---------------------------------------------------------------- time stamps


def test_a_time_stamp_is_verified_and_leads_to_its_authority(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, clock: TimeServer
) -> None:
    assert timestamp(record, clock.url) == ["signatures/0001.jws"]
    state = verify(record, trust=listed(tmp_path, key, more=authority(clock)), store=store)
    assert state.ok, state.findings
    found = state.stamps["signatures/0001.jws"]
    assert found.trusted == "the laboratory's clock" and abs((found.at - NOW).total_seconds()) < 600
    assert verify(record, store=store).stamps["signatures/0001.jws"].trusted == ""
    with pytest.raises(Refused, match="stamped already") as refused:
        timestamp(record, clock.url)
    assert "nothing is to be done" in refused.value.problems[0].mend


def test_openssl_agrees_with_the_token(record: Path, tmp_path: Path, clock: TimeServer) -> None:
    """The same token by another implementation: `openssl ts -verify`."""
    timestamp(record, clock.url)
    survey = container.survey(record)
    for name, out in (("signatures/0001.tst", "token"), ("signatures/0001.jws", "signed")):
        member = survey.find(name)
        assert member is not None
        (tmp_path / out).write_bytes(container.content(record, member, 1 << 16))
    verdict = [
        "openssl",
        "ts",
        "-verify",
        "-in",
        "token",
        "-token_in",
        "-data",
        "signed",
        "-CAfile",
        str(clock.folder / "issuer.pem"),
    ]
    done = subprocess.run(verdict, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert "Verification: OK" in done.stdout, done.stderr


def test_a_stamp_before_the_revocation_saves_the_signature(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, clock: TimeServer
) -> None:
    timestamp(record, clock.url)
    later = listed(tmp_path, key, f"revoked = {day(1)}", more=authority(clock))
    state = verify(record, trust=later, store=store)
    assert state.ok and any("before the key of A. Trainer was revoked" in line for line in state.says)
    assert kinds(record, listed(tmp_path, key, f"revoked = {day(-1)}", more=authority(clock)), store) == [
        "revoked"
    ]
    assert kinds(record, listed(tmp_path, key, f"revoked = {day(1)}"), store) == [
        "revoked"
    ]  # nobody vouches for the clock
    over = listed(tmp_path, key, f"until = {day(-1)}", f"revoked = {day(1)}", more=authority(clock))
    assert kinds(record, over, store) == ["expired"]  # a later revocation makes an expired key no better
    early = listed(tmp_path, key, f"from = {day(0.5)}", f"revoked = {day(1)}", more=authority(clock))
    assert kinds(record, early, store) == ["not yet valid"]


def test_a_stranger_s_clock_does_not_count(
    record: Path, tmp_path: Path, store: Store, key: SigningKey, clock: TimeServer
) -> None:
    stranger = TimeServer(tmp_path / "stranger", "Stranger")
    try:
        timestamp(record, stranger.url)
    finally:
        stranger.close()
    trust = listed(tmp_path, key, f"revoked = {day(1)}", more=authority(clock))
    assert kinds(record, trust, store) == ["revoked"]


def test_every_flipped_byte_of_a_token_is_found(sealed: Path, clock: TimeServer) -> None:
    member = container.survey(sealed).find("signatures/0001.jws")
    assert member is not None
    signed = container.content(sealed, member, 1 << 16)
    token = stamp.ask(clock.url, signed)
    trusted = (("clock", clock.issuer),)
    good = stamp.check(token, signed, trusted)
    missed = []
    for k in range(0, len(token), 3):
        spoiled = bytearray(token)
        spoiled[k] ^= 0x01
        try:
            found = stamp.check(bytes(spoiled), signed, trusted)
        except stamp.StampError:
            continue
        if found != good:
            missed.append(k)
    assert missed == []
    with pytest.raises(stamp.StampError, match="not over this signature"):
        stamp.check(token, signed + b" ", trusted)


def test_a_stamp_of_another_signature_or_without_one_is_found(
    record: Path, tmp_path: Path, store: Store, clock: TimeServer
) -> None:
    token = stamp.ask(clock.url, b"something else")
    survey = container.survey(record)
    members: list[tuple[str, container.Content]] = [
        (m.name, container.Slice(record, m.start, m.size)) for m in survey.members
    ]
    container.write(tmp_path / "wrong.bench", [*members, ("signatures/0001.tst", token)])
    container.write(tmp_path / "alone.bench", [*members, ("signatures/0009.tst", token)])
    container.write(tmp_path / "rubbish.bench", [*members, ("signatures/0001.tst", b"\x30\x80rubbish")])
    for name, says in (
        ("wrong", "not over this signature"),
        ("alone", "is missing"),
        ("rubbish", "no time-stamp token"),
    ):
        state = verify(tmp_path / f"{name}.bench", store=store)
        assert not state.ok and [f.kind for f in state.findings] == ["time stamp"]
        assert says in str(state.findings[0])


def test_a_stamp_taken_away_is_noticed_by_a_later_signature(
    record: Path, tmp_path: Path, store: Store, clock: TimeServer
) -> None:
    timestamp(record, clock.url)
    countersign(record, REVIEWER, server=clock.url)
    assert verify(record, store=store).ok
    survey = container.survey(record)
    kept: list[tuple[str, container.Content]] = [
        (m.name, container.Slice(record, m.start, m.size))
        for m in survey.members
        if m.name != "signatures/0001.tst"
    ]
    container.write(tmp_path / "less.bench", kept)
    state = verify(tmp_path / "less.bench", store=store)
    assert not state.ok and "signatures/0001.tst: is missing" in str(state.findings[0])


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda raw: b"", "is none"),
        (lambda raw: b"<html>no</html>", "is none"),
        (lambda raw: raw + b"\0" * 70_000, "more than"),
        (lambda raw: raw[: len(raw) // 2], "is none"),
    ],
)
def test_what_a_server_answers_is_not_believed(
    record: Path, clock: TimeServer, spoil: object, says: str
) -> None:
    before = record.read_bytes()
    clock.spoil = spoil  # type: ignore[assignment]
    try:
        with pytest.raises(Refused, match=says):
            timestamp(record, clock.url)
    finally:
        clock.spoil = lambda raw: raw
    assert record.read_bytes() == before


def test_an_old_answer_is_not_taken_again(record: Path, clock: TimeServer) -> None:
    """The nonce ties the answer to the question (RFC 3161, 2.4.1)."""
    old = clock._reply(_query(record))
    clock.spoil = lambda raw: old
    try:
        with pytest.raises(Refused, match="nonce"):
            timestamp(record, clock.url)
    finally:
        clock.spoil = lambda raw: raw


def _query(record: Path) -> bytes:
    import hashlib

    from asn1crypto import tsp

    member = container.survey(record).find("signatures/0001.jws")
    assert member is not None
    digest = hashlib.sha256(container.content(record, member, 1 << 16)).digest()
    imprint = {"hash_algorithm": {"algorithm": "sha256"}, "hashed_message": digest}
    return bytes(
        tsp.TimeStampReq({"version": "v1", "message_imprint": imprint, "nonce": 7, "cert_req": True}).dump()
    )


def test_no_server_is_refused_in_words(record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for address in ("http://127.0.0.1:9/", "file:///etc/passwd", "ftp://127.0.0.1/"):
        assert main(["timestamp", str(record), "--server", address]) == 2
    said = capsys.readouterr().err
    assert said.count("time-stamp server") == 3 and "is no web address" in said
