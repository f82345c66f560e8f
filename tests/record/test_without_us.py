"""The guide's recipe, run as it is written, with unzip, sha256sum and openssl; then a JOSE library alone, then Ed25519 alone.

Nothing of this program takes part in the verifying; it only makes the records.
"""

import hashlib
import json
import re
import shutil
import subprocess
import zipfile
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable
from pathlib import Path

import pytest
import record_sample
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from benchrunner import data
from benchrunner.record import canonical, container, signing
from benchrunner.record.countersign import countersign, timestamp
from benchrunner.record.keys import SigningKey, Store
from benchrunner.record.seal import seal
from benchrunner.record.verify import verify

TOOLS = ("sh", "unzip", "sha256sum", "openssl", "awk", "sed", "grep")
REVIEWER = SigningKey.from_seed("reviewer", bytes(range(1, 33)))
THIRD = SigningKey.from_seed("witness", bytes(range(2, 34)))
KEPT = Path(__file__).parents[1] / "vectors" / "records"
Members = dict[str, bytes]

needs_tools = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in TOOLS), reason=f"the recipe needs {', '.join(TOOLS)}"
)


def recipe() -> str:
    """Every block of shell in the guide, in order, unchanged."""
    text = (data.folder("resources") / "guide" / "verify-without-us.md").read_text("utf-8")
    blocks = re.findall(r"^```sh\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 5
    return "".join(blocks)


def run(record: Path, folder: Path, thumbprints: str = "") -> subprocess.CompletedProcess[str]:
    """The recipe in an empty folder with a copy of the record, and the laboratory's thumbprints where there are any."""
    folder.mkdir()
    if thumbprints:
        (folder / "thumbprints").write_text(thumbprints)
    shutil.copy(record, folder / "record.bench")
    return subprocess.run(
        ["sh", "-c", recipe()], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )


def members_of(path: Path) -> Members:
    with zipfile.ZipFile(path) as file:
        return {info.filename: file.read(info) for info in file.infolist()}


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with the operator's signature and two more."""
    folder = tmp_path_factory.mktemp("signed")
    record_sample.write(folder / "run", count=12)
    path = seal(folder / "run", folder / "x.bench", SigningKey.from_seed("operator", bytes(range(32))))
    countersign(path, REVIEWER, comment='all "looked" at; µ, ü')
    countersign(path, THIRD, role="witness")
    return path


@needs_tools
def test_the_recipe_takes_a_good_record(signed: Path, tmp_path: Path) -> None:
    done = run(signed, tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "every signature holds" in done.stdout
    assert done.stdout.count("signed as") == 3
    assert f"signed as witness by key {THIRD.public.thumbprint} (witness)" in done.stdout
    assert done.stdout.rstrip().endswith("done: the record is what was signed")


@needs_tools
@pytest.mark.parametrize("path", sorted(KEPT.glob("*.bench")), ids=lambda path: path.stem)
def test_the_recipe_takes_the_kept_records(path: Path, tmp_path: Path) -> None:
    done = run(path, tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr


def _reading(members: Members) -> None:
    name = next(name for name in members if name.startswith("readings/"))
    members[name] = members[name][:100] + bytes([members[name][100] ^ 1]) + members[name][101:]


def _verdict(members: Members) -> None:
    header = json.loads(members["header.json"])
    header["verdict"] = "fail"
    members["header.json"] = canonical.dumps(header)


def _reading_and_digest(members: Members) -> None:
    """Whoever changes a reading changes its digest in the header too; the signature then does not fit."""
    _reading(members)
    header = json.loads(members["header.json"])
    for part in header["parts"]:
        part["sha256"] = hashlib.sha256(members[part["name"]]).hexdigest()
    members["header.json"] = canonical.dumps(header)


def _dropped(members: Members) -> None:
    del members["events.jsonl"]


def _added(members: Members) -> None:
    members["readings/zz.parquet"] = b"more"


def _renamed(members: Members) -> None:
    members["readings/zz.parquet"] = members.pop("readings/bus.parquet")


def _unsigned(members: Members) -> None:
    for name in [name for name in members if name.startswith("signatures/")]:
        del members[name]


def _signed_by_another(members: Members) -> None:
    _unsigned(members)
    members["signatures/0001.jws"] = signing.sign(members["header.json"], REVIEWER)


def _reviewer_dropped(members: Members) -> None:
    del members["signatures/0002.jws"]


def _operator_anew(members: Members) -> None:
    key = SigningKey.from_seed("operator", bytes(range(32)))
    members["signatures/0001.jws"] = signing.sign(members["header.json"], key, comment="on second thoughts")


def _slipped_in(members: Members) -> None:
    """A stranger's signature in the witness's place, and the witness's behind it."""
    names = ("signatures/0001.jws", "signatures/0002.jws")
    covers = {name: hashlib.sha256(members[name]).hexdigest() for name in names}
    stranger = SigningKey.from_seed("somebody", bytes(range(3, 35)))
    members["signatures/0004.jws"] = members["signatures/0003.jws"]
    members["signatures/0003.jws"] = signing.sign(members["header.json"], stranger, covers=covers)


def _renumbered(members: Members) -> None:
    """The reviewer's taken away, the witness's put in its place."""
    members["signatures/0002.jws"] = members.pop("signatures/0003.jws")


def _check_and_digests(members: Members) -> None:
    """A failed check made to pass, and every digest of it made anew: only the signature is missing."""
    header = json.loads(members["header.json"])
    verdicts = {check["verdict"] for check in header["checks"]}
    for check in header["checks"]:
        check["verdict"] = "pass" if check["verdict"] != "pass" else "fail"
    assert {check["verdict"] for check in header["checks"]} != verdicts
    header["digests"]["checks"] = hashlib.sha256(canonical.dumps(header["checks"])).hexdigest()
    members["header.json"] = canonical.dumps(header)


def _another_records(members: Members) -> None:
    """The reviewer's signature on another record, in the place of the last one of this."""
    other = json.loads(members["header.json"]) | {"operator": "B. Tester"}
    covers = {
        n: hashlib.sha256(members[n]).hexdigest() for n in ("signatures/0001.jws", "signatures/0002.jws")
    }
    members["signatures/0003.jws"] = signing.sign(canonical.dumps(other), THIRD, "witness", covers=covers)


def _twice(members: Members) -> None:
    covers = {name: hashlib.sha256(raw).hexdigest() for name, raw in members.items() if "signatures/" in name}
    members["signatures/0004.jws"] = signing.sign(members["header.json"], REVIEWER, "witness", covers=covers)


def _gap(members: Members) -> None:
    """Signed last with a number left out: as if nothing were missing."""
    covers = {name: hashlib.sha256(raw).hexdigest() for name, raw in members.items() if "signatures/" in name}
    stranger = SigningKey.from_seed("somebody", bytes(range(3, 35)))
    members["signatures/0005.jws"] = signing.sign(members["header.json"], stranger, covers=covers)


def _odd_name(members: Members) -> None:
    members["signatures/0004.txt"] = b"approved"


def _with_payload(members: Members) -> None:
    head, _, value = members["signatures/0003.jws"].decode().split(".")
    payload = urlsafe_b64encode(members["header.json"]).rstrip(b"=").decode()
    members["signatures/0003.jws"] = f"{head}.{payload}.{value}".encode()


def _line_end(members: Members) -> None:
    members["signatures/0003.jws"] += b"\n"


def _other_spelling(members: Members) -> None:
    """The last letter stands for two bits that count and four that do not: one of the latter set."""
    raw = members["signatures/0003.jws"]
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    members["signatures/0003.jws"] = raw[:-1] + letters[letters.index(chr(raw[-1])) | 1].encode()
    assert members["signatures/0003.jws"] != raw


def _last_with(change: dict[str, object]) -> Callable[[Members], None]:
    """The witness signs anew, with something else in what is signed beside the header."""

    def touch(members: Members) -> None:
        head = members["signatures/0003.jws"].decode().split(".")[0]
        protected = json.loads(urlsafe_b64decode(head + "=" * (-len(head) % 4))) | change
        head = urlsafe_b64encode(canonical.dumps(protected)).rstrip(b"=").decode()
        payload = urlsafe_b64encode(members["header.json"]).rstrip(b"=").decode()
        private = Ed25519PrivateKey.from_private_bytes(bytes(range(2, 34)))
        value = urlsafe_b64encode(private.sign(f"{head}.{payload}".encode())).rstrip(b"=").decode()
        members["signatures/0003.jws"] = f"{head}..{value}".encode()

    return touch


TOUCHED: dict[str, tuple[Callable[[Members], None], str]] = {
    "a reading": (_reading, "a member was changed or is missing"),
    "a verdict": (_verdict, "is not a signature over this header"),
    "a reading and its digest": (_reading_and_digest, "is not a signature over this header"),
    "a member dropped": (_dropped, "a member was changed or is missing"),
    "a member added": (_added, "members and header do not list the same"),
    "a member renamed": (_renamed, "a member was changed or is missing"),
    "all signatures dropped": (_unsigned, "the record is not signed"),
    "signed by another": (_signed_by_another, "by another key than the header names"),
    "the reviewer dropped": (_reviewer_dropped, "0002.jws is missing"),
    "the reviewer dropped, the witness renumbered": (
        _renumbered,
        "was not made over the 1 signatures before it",
    ),
    "a check and its digests": (_check_and_digests, "0001.jws is not a signature over this header"),
    "another record's countersignature": (_another_records, "0003.jws is not a signature over this header"),
    "the reviewer signs twice": (_twice, "0004.jws is by a key that signed before"),
    "a number left out": (_gap, "0004.jws is missing"),
    "no signature by its name": (_odd_name, "no signature by its name"),
    "a payload of its own": (_with_payload, "0003.jws is no detached compact JWS"),
    "another spelling": (_other_spelling, "0003.jws is spelled in another way"),
    "a line end": (_line_end, "0003.jws is no detached compact JWS"),
    "another type": (_last_with({"typ": "JWT"}), "is no signature of a record, or not made with Ed25519"),
    "another algorithm": (
        _last_with({"alg": "HS256"}),
        "is no signature of a record, or not made with Ed25519",
    ),
    "an extension": (_last_with({"b64": False, "crit": ["b64"]}), "uses an extension"),
    "what it was made over under another name": (
        _last_with({"covers": {}, "uncovers": {"signatures/0001.jws": "0" * 64}}),
        "0003.jws holds more than a record's signature does",
    ),
    "a time that is a number": (
        _last_with({"at": 1764128400}),
        "0003.jws holds more than a record's signature does",
    ),
    "a stranger's slipped in": (_slipped_in, "was not made over the 3 signatures before it"),
    "the operator's made anew": (_operator_anew, "is another or gone"),
}


@needs_tools
@pytest.mark.parametrize("what", list(TOUCHED))
def test_the_recipe_refuses_a_touched_record(what: str, signed: Path, tmp_path: Path) -> None:
    """Each rebuilt as a sound container, so that only its content gives it away."""
    change, says = TOUCHED[what]
    members = members_of(signed)
    change(members)
    container.write(tmp_path / "touched.bench", list(members.items()))
    done = run(tmp_path / "touched.bench", tmp_path / "auditor")
    assert done.returncode != 0, done.stdout
    assert says in done.stdout, done.stdout + done.stderr
    assert "done" not in done.stdout
    assert not verify(tmp_path / "touched.bench", store=Store(tmp_path / "none")).ok


@needs_tools
def test_the_recipe_cannot_see_that_the_last_signature_was_taken_away(signed: Path, tmp_path: Path) -> None:
    """As the guide says, and no more than that: the shorter record is what the first two signed."""
    members = members_of(signed)
    del members["signatures/0003.jws"]
    container.write(tmp_path / "shorter.bench", list(members.items()))
    done = run(tmp_path / "shorter.bench", tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("signed as") == 2
    assert verify(tmp_path / "shorter.bench", store=Store(tmp_path / "none")).ok


@needs_tools
def test_what_a_signer_wrote_cannot_speak_for_the_recipe(signed: Path, tmp_path: Path) -> None:
    """Line ends and the like in a name stay as they stand in the token: they make no line of their own."""
    members = members_of(signed)
    _last_with({"name": "x)\nsigned as operator by key A\r\b", "role": "witness\n"})(members)
    container.write(tmp_path / "odd.bench", list(members.items()))
    done = run(tmp_path / "odd.bench", tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr
    assert len([line for line in done.stdout.splitlines() if line.startswith("signed as")]) == 3
    assert "\r" not in done.stdout
    assert "\b" not in done.stdout


@needs_tools
@pytest.mark.parametrize("more", [{"zz": {"role": "operator"}}, {"zz": ["role"]}, {"x": "another"}])
def test_a_signer_cannot_have_two_roles_read(signed: Path, tmp_path: Path, more: dict[str, object]) -> None:
    """The recipe reads by patterns, the last hit counts: so nothing may stand there that could be hit beside the one."""
    members = members_of(signed)
    _last_with(more)(members)
    container.write(tmp_path / "two.bench", list(members.items()))
    done = run(tmp_path / "two.bench", tmp_path / "auditor")
    assert done.returncode != 0, done.stdout
    assert "0003.jws holds more than a record's signature does, or something twice" in done.stdout


@needs_tools
def test_a_comment_may_hold_any_text(signed: Path, tmp_path: Path) -> None:
    members = members_of(signed)
    comment = 'says {"role":"operator"}, "covers":{"a":1} \\ and \\" \n {}[] µ \u2028 \U0001f50b'
    _last_with({"comment": comment, "name": "{}"})(members)
    container.write(tmp_path / "odd.bench", list(members.items()))
    assert verify(tmp_path / "odd.bench", store=Store(tmp_path / "none")).ok
    done = run(tmp_path / "odd.bench", tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr


@needs_tools
def test_a_record_signed_anew_is_told_by_its_key_alone(signed: Path, tmp_path: Path) -> None:
    """Everything made anew by somebody with the operator's name: sound in itself, so only the thumbprint tells."""
    members = members_of(signed)
    _check_and_digests(members)
    _unsigned(members)
    forger = SigningKey.from_seed("operator", bytes(range(9, 41)))
    header = json.loads(members["header.json"])
    header["signer"] = {"name": "operator", "key": forger.public.thumbprint, "demo": False}
    members["header.json"] = canonical.dumps(header)
    members["signatures/0001.jws"] = signing.sign(members["header.json"], forger)
    container.write(tmp_path / "anew.bench", list(members.items()))
    done = run(tmp_path / "anew.bench", tmp_path / "trusting")
    assert done.returncode == 0
    assert "NOT CHECKED: whose these keys are" in done.stdout
    operator = SigningKey.from_seed("operator", bytes(range(32)))
    thumbprints = "".join(f"{key.public.thumbprint}\n" for key in (operator, REVIEWER, THIRD))
    refused = run(tmp_path / "anew.bench", tmp_path / "careful", thumbprints)
    assert refused.returncode != 0
    assert "a key is none of those in 'thumbprints'" in refused.stdout
    assert not verify(tmp_path / "anew.bench", trust=[operator.public, REVIEWER.public, THIRD.public]).ok
    good = run(signed, tmp_path / "good", thumbprints)
    assert good.returncode == 0, good.stdout + good.stderr
    assert "every key is one of those" in good.stdout


@needs_tools
def test_the_recipe_takes_a_record_that_was_signed_only_later(signed: Path, tmp_path: Path) -> None:
    """A run without a key, countersigned by a reviewer: the header names no signer, and that is said, here as there."""
    record_sample.write(tmp_path / "run", count=12)
    path = seal(tmp_path / "run", tmp_path / "x.bench")
    countersign(path, REVIEWER)
    countersign(path, THIRD, role="witness")
    said = "nobody signed when it was sealed: every signature was put there later"
    done = run(path, tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr
    assert said in done.stdout
    assert done.stdout.count("signed as") == 2
    verification = verify(path, store=Store(tmp_path / "none"))
    assert verification.ok
    assert said in verification.says
    assert said not in verify(signed, store=Store(tmp_path / "none")).says
    assert said not in run(signed, tmp_path / "other").stdout


@needs_tools
def test_the_recipe_takes_the_older_name_of_the_algorithm(signed: Path, tmp_path: Path) -> None:
    """`EdDSA` (RFC 8037), and a demonstration key is called one."""
    members = members_of(signed)
    _last_with({"alg": "EdDSA", "demo": True})(members)
    container.write(tmp_path / "older.bench", list(members.items()))
    done = run(tmp_path / "older.bench", tmp_path / "auditor")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("DEMONSTRATION key") == 1
    assert verify(tmp_path / "older.bench", store=Store(tmp_path / "none")).ok


@needs_tools
def test_the_recipe_finds_what_hides_between_the_members(signed: Path, tmp_path: Path) -> None:
    raw = signed.read_bytes()
    path = tmp_path / "more.bench"
    path.write_bytes(b"hidden" + raw)
    assert run(path, tmp_path / "front").returncode != 0
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in members_of(signed).items():
            file.writestr(name, content)
    packed = run(path, tmp_path / "packed")
    assert packed.returncode != 0
    assert "hides between" in packed.stdout
    with zipfile.ZipFile(path, "w") as file:
        for name, content in members_of(signed).items():
            file.writestr(name, content)
        with pytest.warns(UserWarning, match="Duplicate"):
            file.writestr("plan.json", b"{}")
    assert "stands twice" in run(path, tmp_path / "twice").stdout
    with zipfile.ZipFile(path, "w") as file:
        for name, content in [*members_of(signed).items(), ("../outside", b"x")]:
            file.writestr(name, content)
    assert "no name of a record" in run(path, tmp_path / "outside-it").stdout
    assert not (tmp_path / "outside").exists()


@needs_tools
def test_the_recipe_checks_time_stamps(signed: Path, tmp_path: Path) -> None:
    """With a real authority; then with the certificate of another, and with a token of another signature."""
    from time_server import TimeServer

    servers = [TimeServer(tmp_path / name, name) for name in ("One", "Other")]
    try:
        path = tmp_path / "stamped.bench"
        shutil.copy(signed, path)
        assert len(timestamp(path, servers[0].url)) == 3
    finally:
        for server in servers:
            server.close()

    def auditor(record: Path, folder: Path, issuer: str) -> subprocess.CompletedProcess[str]:
        folder.mkdir()
        (folder / "authority.pem").write_text(issuer)
        shutil.copy(record, folder / "record.bench")
        return subprocess.run(
            ["sh", "-c", recipe()], cwd=folder, capture_output=True, text=True, timeout=60, check=False
        )

    good = auditor(path, tmp_path / "a", servers[0].issuer)
    assert good.returncode == 0, good.stdout + good.stderr
    assert good.stdout.count("Time stamp:") == 3
    stranger = auditor(path, tmp_path / "b", servers[1].issuer)
    assert stranger.returncode != 0
    assert "is no time stamp of that authority" in stranger.stdout
    members = members_of(path)
    container.write(
        tmp_path / "longer.bench",
        list((members | {"signatures/0003.tst": members["signatures/0003.tst"] + b"a note"}).items()),
    )
    longer = auditor(tmp_path / "longer.bench", tmp_path / "d", servers[0].issuer)
    assert longer.returncode != 0
    assert "0003.tst holds more than a time stamp" in longer.stdout
    assert not verify(tmp_path / "longer.bench", store=Store(tmp_path / "none")).ok
    members["signatures/0001.tst"] = members["signatures/0002.tst"]
    path.unlink()
    container.write(path, list(members.items()))
    exchanged = auditor(path, tmp_path / "c", servers[0].issuer)
    assert exchanged.returncode != 0
    assert "0001.tst is no time stamp" in exchanged.stdout


def test_a_jose_library_alone_verifies(signed: Path) -> None:
    """joserfc: the payload put back between the dots, the key from the token's own header."""
    from joserfc import jws
    from joserfc.jwk import OKPKey
    from joserfc.jws import JWSRegistry

    members = members_of(signed)
    payload = urlsafe_b64encode(members["header.json"]).rstrip(b"=").decode()
    roomy = JWSRegistry(algorithms=["Ed25519"], strict_check_header=False)
    roomy.max_payload_length = roomy.max_header_length = 1 << 20
    tokens = [members[name].decode() for name in sorted(members) if name.startswith("signatures/")]
    assert len(tokens) == 3
    for token in tokens:
        head, _, value = token.split(".")
        key = OKPKey.import_key(json.loads(urlsafe_b64decode(head + "=" * (-len(head) % 4)))["jwk"])
        found = jws.deserialize_compact(f"{head}.{payload}.{value}", key, registry=roomy)
        assert found.payload == members["header.json"]
        other = payload[:-8] + ("A" if payload[-8] != "A" else "B") + payload[-7:]
        with pytest.raises(Exception, match="bad_signature"):
            jws.deserialize_compact(f"{head}.{other}.{value}", key, registry=roomy)


PLAIN = '''
import hashlib, json, sys, zipfile
from base64 import urlsafe_b64decode, urlsafe_b64encode
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

def decoded(text):
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))

record = zipfile.ZipFile(sys.argv[1])
header = record.read("header.json")
listed = {part["name"]: part["sha256"] for part in json.loads(header)["parts"]}
tokens = [name for name in record.namelist() if name.startswith("signatures/") and name.endswith(".jws")]
assert {n for n in record.namelist() if not n.startswith("signatures/")} == {"header.json", *listed}
assert all(hashlib.sha256(record.read(name)).hexdigest() == digest for name, digest in listed.items())
assert tokens
for name in tokens:
    head, _, value = record.read(name).decode().split(".")
    protected = json.loads(decoded(head))
    payload = urlsafe_b64encode(header).rstrip(b"=").decode()
    Ed25519PublicKey.from_public_bytes(decoded(protected["jwk"]["x"])).verify(decoded(value), f"{head}.{payload}".encode())
    assert all(hashlib.sha256(record.read(n)).hexdigest() == d for n, d in protected.get("covers", {}).items())
    print(protected["role"], protected["kid"])
'''  # fmt: skip


def test_twenty_lines_of_cryptography_alone_verify(signed: Path, tmp_path: Path) -> None:
    """In a process of its own that has none of this program on its path."""
    import sys

    script = tmp_path / "plain.py"
    script.write_text(PLAIN)
    assert len([line for line in PLAIN.splitlines() if line.strip()]) <= 21

    def verdict(record: Path) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, str(script), str(record)], cwd=tmp_path, capture_output=True, text=True, timeout=60,
            check=False,
        )  # fmt: skip

    assert "benchrunner" not in PLAIN
    good = verdict(signed)
    assert good.returncode == 0, good.stderr
    assert [line.split()[0] for line in good.stdout.splitlines()] == ["operator", "reviewer", "witness"]
    for what in (
        "a reading",
        "a verdict",
        "a reading and its digest",
        "a member dropped",
        "the reviewer dropped",
    ):
        members = members_of(signed)
        TOUCHED[what][0](members)
        path = tmp_path / "touched.bench"
        path.unlink(missing_ok=True)
        container.write(path, list(members.items()))
        assert verdict(path).returncode != 0, what
