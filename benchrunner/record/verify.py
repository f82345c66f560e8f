"""Whether a record is what was sealed: container, digests, header, signatures, in this order; every finding
names its part.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.errors import Problem, Refused
from benchrunner.record import canonical, container, keys, parts, signing
from benchrunner.record.container import Finding, Survey
from benchrunner.record.imported import imported
from benchrunner.record.keys import PublicKey
from benchrunner.record.seal import FORMAT, HEADER, VERSION, VERSIONS
from benchrunner.record.signing import LARGEST_HEADER, Signature, SignatureError
from benchrunner.record.trust import TrustList, read_trust, said, stands

if TYPE_CHECKING:
    from benchrunner.record.stamp import Stamp

SIGNATURES = "signatures/"
SIGNATURE = re.compile(r"signatures/([0-9]{4})\.jws")
STAMP = re.compile(r"(signatures/[0-9]{4})\.tst")
MOST_FINDINGS = 200


@dataclass
class Verification:
    """The outcome. `ok` is what an exit code goes by; `says` is for people, one line each."""

    ok: bool = False
    findings: list[Finding] = field(default_factory=list)
    signatures: list[Signature] = field(default_factory=list)
    stamps: dict[str, "Stamp"] = field(default_factory=dict)  # a signature's part -> its time stamp
    persons: dict[str, str] = field(
        default_factory=dict
    )  # a signature's part -> whose it is by the trust list
    known: bool = False  # every signature is by a key that is ours or trusted
    demo: bool = False  # a demo key signed
    simulated: bool = False
    imported: bool = False  # made from another logger's file
    later: bool = False  # the header names nobody who signed at sealing
    says: list[str] = field(default_factory=list)
    none: Problem | None = None  # why the file is no record at all

    @property
    def signer(self) -> PublicKey | None:
        """Whose key made the first signature, if it holds."""
        return self.signatures[0].key if self.signatures else None

    @property
    def signed(self) -> bool:
        """At least one signature, and all of them hold."""
        return bool(self.signatures) and not any(f.kind == "signature" for f in self.findings)


def verify(
    path: Path | str,
    trust: Path | str | Iterable[PublicKey] | None = None,
    allow_unsigned: bool = False,
    store: keys.Store | None = None,
) -> Verification:
    """Check a record. With `trust` (a trust list, see `benchrunner.record.trust`, or keys) only those keys count, each in
    its roles and for its time, and any other signature is not ok; without, any good signature is ok and an unknown key
    is said. Never raises for what the record holds; raises `Refused` for a trust list that cannot be read.
    """
    path = Path(path)
    listed = None if trust is None else read_trust(trust)
    known = _known(store)
    result = Verification()
    try:
        survey = container.survey(path)
    except container.ContainerError as error:
        result.findings.append(Finding("container", "structure", error.problem.what))
        result.says = [f"{error.problem}"]
        result.none = error.problem
        return result
    result.findings += survey.findings
    raw = _header_bytes(path, survey, result)
    header = _header(raw, result) if raw is not None else None
    if header is not None:
        result.simulated = header.get("simulated") is not False
        result.imported = imported(header) is not None
        result.later = header.get("signer") is None
        _digests(header, survey, result)
    _signatures(path, raw, header, survey, result)
    _stamps(path, survey, listed, result)
    _judge(result, known, listed, allow_unsigned)
    return result


def _known(store: keys.Store | None) -> dict[str, PublicKey]:
    try:
        return (store or keys.Store()).known()
    except (Refused, OSError):
        return {}


def _header_bytes(path: Path, survey: Survey, result: Verification) -> bytes | None:
    member = survey.find(HEADER)
    if member is None:
        result.findings.append(
            Finding(HEADER, "missing", "is missing: without it nothing else can be held against anything")
        )
        return None
    try:
        return container.content(path, member, LARGEST_HEADER)
    except container.ContainerError as error:
        result.findings.append(Finding(HEADER, "header", error.problem.what))
    except OSError as error:
        result.findings.append(Finding(HEADER, "header", f"cannot be read: {error.strerror}"))
    return None


def _header(raw: bytes, result: Verification) -> dict[str, Any] | None:
    try:
        header = canonical.loads(raw)
        if canonical.dumps(header) != raw:
            result.findings.append(
                Finding(HEADER, "header", "was changed: it is not canonical JSON (RFC 8785) any more")
            )
    except canonical.JsonError as error:
        result.findings.append(Finding(HEADER, "header", f"was changed: it {error}"))
        return None
    if not isinstance(header, dict) or header.get("format") != FORMAT:
        result.findings.append(Finding(HEADER, "header", "is no header of a record"))
        return None
    if type(header.get("version")) is not int or header["version"] not in VERSIONS:
        version = str(header.get("version"))[:20]
        what = f"is of version {version}; this program knows versions up to {VERSION}: take a newer one"
        result.findings.append(Finding(HEADER, "header", what))
        return None
    return header


def _digests(header: Mapping[str, Any], survey: Survey, result: Verification) -> None:
    """Parts as the header lists them against the members that are there."""
    listed: dict[str, tuple[int, str]] = {}
    entries = header.get("parts")
    for entry in entries if isinstance(entries, list) else []:
        if (
            not isinstance(entry, dict)
            or not isinstance(entry.get("name"), str)
            or not isinstance(entry.get("sha256"), str)
        ):
            result.findings.append(Finding(HEADER, "header", "lists a part without name or digest"))
            return
        if entry["name"] in listed or not isinstance(entry.get("bytes"), int):
            result.findings.append(
                Finding(HEADER, "header", f"lists {container.shown(entry['name'])} twice or without its size")
            )
            return
        listed[entry["name"]] = (entry["bytes"], entry["sha256"])
    there = {m.name: m for m in survey.members if m.name != HEADER and not m.name.startswith(SIGNATURES)}
    missing = {name: value for name, value in listed.items() if name not in there}
    added = [name for name in there if name not in listed]
    for name in added:
        was = next(
            (old for old, value in missing.items() if value == (there[name].size, survey.digests[name])), None
        )
        if was is not None:
            del missing[was]
            result.findings.append(Finding(was, "renamed", f"was renamed to {container.shown(name)}"))
        else:
            result.findings.append(
                Finding(container.shown(name), "added", "was added: the header does not list it")
            )
    for name in missing:
        result.findings.append(Finding(name, "missing", "is missing"))
    for name, (size, digest) in listed.items():
        if name in there and (there[name].size != size or survey.digests[name] != digest):
            result.findings.append(
                Finding(name, "changed", "was changed: its content does not fit the digest in the header")
            )
    for kind, part in (("procedure", "procedure.toml"), ("pairing", "pairing.toml"), ("bench", "bench.toml")):
        facts = header.get(kind)
        if not isinstance(facts, dict) or part not in listed or facts.get("sha256") != listed[part][1]:
            result.findings.append(Finding(HEADER, "header", f"names another {kind} than the record carries"))
        elif not isinstance(facts.get("title"), str):
            result.findings.append(Finding(HEADER, "header", f"gives no title of the {kind}"))
    for entry in _profiles(header):
        if listed.get(str(entry.get("part")), (0, ""))[1] != entry.get("sha256"):
            result.findings.append(Finding(HEADER, "header", "names another profile than the record carries"))
    if parts.PLAN not in listed:
        result.findings.append(Finding(HEADER, "header", f"lists no {parts.PLAN}"))


def _profiles(header: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    found = header.get("profiles", [])
    return [entry if isinstance(entry, dict) else {} for entry in found] if isinstance(found, list) else [{}]


def _signatures(
    path: Path, raw: bytes | None, header: Mapping[str, Any] | None, survey: Survey, result: Verification
) -> None:
    inside = [m for m in survey.members if m.name.startswith(SIGNATURES)]
    there = {m.name: survey.digests[m.name] for m in inside}
    members = [m for m in inside if STAMP.fullmatch(m.name) is None]
    wanted = 0
    for member in members:
        wanted += 1
        numbered = SIGNATURE.fullmatch(member.name)
        if numbered is None:
            result.findings.append(
                Finding(container.shown(member.name), "added", "is no signature by its name")
            )
            continue
        if int(numbered.group(1)) != wanted:
            missing = f"{SIGNATURES}{wanted:04d}.jws"
            result.findings.append(
                Finding(missing, "signature", f"is missing: {member.name} stands in its place")
            )
            wanted = int(numbered.group(1))
        if raw is None:
            result.findings.append(Finding(member.name, "signature", "cannot be checked without the header"))
            continue
        try:
            found = signing.check(container.content(path, member, signing.LARGEST_TOKEN), raw, member.name)
        except (SignatureError, container.ContainerError) as error:
            what = error.problem.what if isinstance(error, container.ContainerError) else str(error)
            result.findings.append(Finding(member.name, "signature", what))
            continue
        _place(found, [m.name for m in members if m.name < member.name], result)
        result.signatures.append(found)
        for name, digest in found.covers.items():
            if there.get(name) != digest:
                how = "is missing" if name not in there else "was changed"
                result.findings.append(
                    Finding(container.shown(name), "signature", f"{how}; {member.name} was made over it")
                )
    signer = (header or {}).get("signer")
    if signer is not None and not members:
        result.findings.append(
            Finding(
                f"{SIGNATURES}0001.jws", "missing", "is missing: the header says that the record was signed"
            )
        )
    elif isinstance(signer, dict) and result.signatures and result.signatures[0].part.endswith("0001.jws"):
        first = result.signatures[0]
        if first.key.thumbprint != signer.get("key") or first.demo is not signer.get("demo"):
            result.findings.append(
                Finding(first.part, "signature", "is by another key than the header names")
            )


def _place(signature: Signature, before: list[str], result: Verification) -> None:
    """A signature counts once, and each was made over all that stand before it: so none is copied or slipped in."""
    for earlier in result.signatures:
        if earlier.key.thumbprint == signature.key.thumbprint:
            what = f"is by the same key as {earlier.part}: one person's signature counts once, so this is no second one"
            result.findings.append(Finding(signature.part, "signature", what))
    for name in before:
        if name not in signature.covers and SIGNATURE.fullmatch(name):
            what = (
                f"was not made over {name}, though that stands before it: one of the two was put there later"
            )
            result.findings.append(Finding(signature.part, "signature", what))


def _stamps(path: Path, survey: Survey, listed: TrustList | None, result: Verification) -> None:
    """The time stamps: each over the signature of its number."""
    members = [m for m in survey.members if STAMP.fullmatch(m.name)]
    if not members:
        return
    from benchrunner.record import stamp  # loads what reads certificates

    authorities = [(a.name, a.certificate) for a in listed.authorities] if listed is not None else []
    for member in members:
        signed = member.name.removesuffix(".tst") + ".jws"
        over = survey.find(signed)
        if over is None:
            result.findings.append(Finding(member.name, "time stamp", f"is over {signed}, which is missing"))
            continue
        try:
            token = container.content(path, member, stamp.LARGEST)
            content = container.content(path, over, signing.LARGEST_TOKEN)
            result.stamps[signed] = stamp.check(token, content, authorities)
        except (stamp.StampError, container.ContainerError) as error:
            what = error.problem.what if isinstance(error, container.ContainerError) else str(error)
            result.findings.append(Finding(member.name, "time stamp", what))


def _judge(
    result: Verification,
    known: Mapping[str, PublicKey],
    listed: TrustList | None,
    allow_unsigned: bool,
) -> None:
    says = result.says
    damaged = bool(result.findings)
    if not result.signatures and not any(f.part.startswith(SIGNATURES) for f in result.findings):
        says.append("not signed: that nothing was changed since it was sealed cannot be shown")
        if not allow_unsigned:
            result.findings.append(Finding("record", "unsigned", "carries no signature"))
    if result.signatures and result.later:
        says.append("nobody signed when it was sealed: every signature was put there later")
    counted = [_judge_one(signature, result, known, listed) for signature in result.signatures]
    result.known = bool(counted) and all(counted)
    if result.simulated:
        says.append("SIMULATED BENCH: not evidence about any real equipment")
    if result.imported:
        says.append("IMPORTED, not measured by us: it shows what the other logger's file said, and no more")
    del result.findings[MOST_FINDINGS:]
    result.ok = not result.findings
    if not damaged:
        says.insert(0, "container, header and every part are as they were sealed")


def _judge_one(
    signature: Signature, result: Verification, known: Mapping[str, PublicKey], listed: TrustList | None
) -> bool:
    """What is said of one signature that holds; whether its key counts."""
    says, thumbprint = result.says, signature.key.thumbprint
    whose = f"key {thumbprint}, which calls itself {signature.name!r}"
    if thumbprint in known and known[thumbprint].name:
        whose = f"key {thumbprint}, known here as {known[thumbprint].name!r}"
    says.append(
        f"{signature.part}: signed as {signature.role or 'signer'} by {whose}"
        + (f", at {signature.at} by the signer's clock" if signature.at else "")
    )
    if signature.comment:
        says.append(f"    comment, signed with it: {signature.comment}")
    stamp = result.stamps.get(signature.part)
    if stamp is not None:
        whose_word = (
            f"trusted as {stamp.trusted!r}" if stamp.trusted else "not on a trust list: its word only"
        )
        says.append(f"    time stamp: it existed at {said(stamp.at)}, says {stamp.authority} ({whose_word})")
    if signature.covers:
        says.append(f"    made over {', '.join(sorted(signature.covers))} as well")
    entry = listed.find(thumbprint) if listed is not None else None
    if (
        signature.demo
        or (thumbprint in known and known[thumbprint].demo)
        or (entry is not None and entry.demo)
    ):
        result.demo = True
        says.append(
            "    a DEMO key: anyone can have it; it shows that nothing was changed by accident, and no more"
        )
    if listed is None:
        if thumbprint not in known:
            says.append("    the key is unknown here: nothing was changed since signing; by whom is open")
        return thumbprint in known
    standing = stands(signature, listed, stamp.at if stamp is not None and stamp.trusted else None)
    if standing.person:
        result.persons[signature.part] = standing.person
    if standing.finding is not None:
        result.findings.append(standing.finding)
        return False
    says.append(f"    {standing.says}")
    return True
