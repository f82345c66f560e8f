"""Whose keys count for what, and from when to when: a laboratory's trust list, and what it says of a signature.

A signature proves possession of a key. That the key was its owner's at that time, and that the owner could sign in that
role, is the laboratory's statement, made in this file. The time that a signature gives is its signer's own clock; only a
time stamp of an authority (RFC 3161) that the list names proves that a signature existed before its key was revoked.
"""

import contextlib
import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
)

from benchrunner.cards import reading
from benchrunner.cards.reading import Mended
from benchrunner.errors import Problem, Refused
from benchrunner.record import keys
from benchrunner.record.container import Finding
from benchrunner.record.keys import PublicKey
from benchrunner.record.signing import Signature


def _moment(value: Any) -> datetime:
    if isinstance(value, str):
        written = value
        for kind in (datetime, date):  # a bare date ends as a date, not as a time of day without a zone
            with contextlib.suppress(ValueError):
                value = kind.fromisoformat(written)
    if isinstance(value, datetime) and value.tzinfo is not None:
        with contextlib.suppress(OverflowError):  # the first and last hours of the calendar, in far zones
            return value.astimezone(UTC)
    if isinstance(value, date) and not isinstance(value, datetime):
        return datetime.combine(value, time(), UTC)
    shown = value.isoformat() if isinstance(value, datetime | time) else repr(value)
    raise Mended(
        f"is {shown}, which is no moment in time",
        "give a date, or a time with its zone: 2026-03-01T08:00:00Z",
    )


def said(at: datetime) -> str:
    """As a record writes times: UTC, RFC 3339."""
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _shown(value: str) -> str:
    """Text that is printed as it stands: nothing in it moves the cursor or turns the direction of what is read."""
    if not value.isprintable():
        raise Mended(
            f"has signs that are not shown ({ascii(value)[:80]})",
            "write it with letters, digits and marks that are seen",
        )
    return value


Shown = Annotated[str, AfterValidator(_shown)]
Moment = Annotated[datetime, BeforeValidator(_moment)]


class TrustedKey(BaseModel):
    """One key of one person."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    person: Shown = Field(min_length=1, max_length=120)
    key: str = Field(pattern=r"^[A-Za-z0-9_-]{43}$", description="its thumbprint (RFC 7638)")
    roles: tuple[Shown, ...] = Field(default=(), description="in which it may sign; none given: in any")
    since: Moment | None = Field(default=None, alias="from")
    until: Moment | None = None
    revoked: Moment | None = None
    reason: Shown = Field(default="", max_length=300)
    demo: bool = False

    @field_validator("until")
    @classmethod
    def _later(cls, until: datetime | None, info: ValidationInfo) -> datetime | None:
        since = info.data.get("since")
        if until is not None and since is not None and until <= since:
            raise Mended(
                f"is {said(until)}, not later than 'from' ({said(since)}): the key would never count",
                "give a later date",
            )
        return until


class Authority(BaseModel):
    """A time-stamp authority whose word counts."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Shown = Field(min_length=1, max_length=120)
    certificate: str = Field(
        max_length=20_000, description="of the authority or of who issued its certificate, PEM"
    )


class TrustList(BaseModel):
    """The file: `format = 1`, `[[keys]]`, `[[authorities]]`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1]
    title: Shown = Field(default="", max_length=200)
    keys: tuple[TrustedKey, ...] = ()
    authorities: tuple[Authority, ...] = ()

    @field_validator("keys")
    @classmethod
    def _once(cls, entries: tuple[TrustedKey, ...]) -> tuple[TrustedKey, ...]:
        """A key stands once: of two entries the one that is read first would hide that the other revokes it."""
        first: dict[str, int] = {}
        for number, entry in enumerate(entries, 1):
            earlier = first.setdefault(entry.key, number)
            if earlier != number:
                raise Mended(
                    f"names the key {entry.key} twice (entry {earlier}, {entries[earlier - 1].person}; entry {number}, {entry.person})",
                    "keep one entry for each key, with all its roles, and 'revoked' there if it was",
                )
        return entries

    def find(self, thumbprint: str) -> TrustedKey | None:
        """The entry of a key."""
        return next((key for key in self.keys if key.key == thumbprint), None)


@dataclass(frozen=True, slots=True)
class Standing:
    """What a trust list makes of one signature. `finding`: why it does not count, or None."""

    person: str
    finding: Finding | None
    says: str


def read_trust(source: Path | str | Iterable[PublicKey]) -> TrustList:
    """A trust list from a file (TOML as above; or public keys in JSON, which then count without limit) or from keys.

    Raises `Refused` with every problem found.
    """
    if isinstance(source, str | Path):
        if Path(source).suffix.lower() == ".toml":
            listed = reading.fit(reading.load(source), TrustList)
            if listed.authorities:  # one that cannot be read is told before a time stamp needs it
                from benchrunner.record import stamp  # loads what reads certificates

                for authority in listed.authorities:
                    stamp.certificate_of(authority.name, authority.certificate)
            return listed
        source = keys.read_public(source)
    entries = {
        key.thumbprint: TrustedKey(
            person="".join(c for c in key.name if c.isprintable())[:120] or "not named",
            key=key.thumbprint,
            demo=key.demo,
        )
        for key in source
    }
    return TrustList(format=1, keys=tuple(entries.values()))


def extend(
    path: Path,
    added: Iterable[PublicKey],
    person: str = "",
    roles: Sequence[str] = (),
    since: str = "",
    until: str = "",
) -> TrustList:
    """Enter keys at the end of the trust list at `path`, which is made where there is none; what stands there stays.

    `person`: whose they are (the key's own name where not given). Gives the whole list. Raises `Refused`: a list that
    cannot be read, a key that it names already, a moment or name that is none; then nothing was written.
    """
    if path.suffix.lower() != ".toml":  # by that ending it is read again as a list
        raise Refused(Problem(str(path), "is no name of a trust list", "give one that ends in .toml"))
    try:
        before = path.read_text("utf-8") if path.exists() else "format = 1\n"
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(Problem(str(path), f"cannot be read: {error}", "give another trust list")) from error
    there = read_trust(path) if path.exists() else TrustList(format=1)
    text = before.rstrip() + "\n"
    for key in added:
        if there.find(key.thumbprint) is not None:
            what = f"names the key {key.thumbprint} already"
            raise Refused(Problem(str(path), what, "change that entry by hand"))
        text += "\n[[keys]]\n"
        facts = {
            "person": person or key.name,
            "key": key.thumbprint,
            "roles": list(roles),
            "from": since,
            "until": until,
        }
        text += "".join(f"{name} = {json.dumps(v, ensure_ascii=False)}\n" for name, v in facts.items() if v)
        text += "demo = true\n" if key.demo else ""
    draft = path.with_name(f"{path.stem}-{os.getpid()}.toml")
    try:
        with draft.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        found = read_trust(draft)
        os.replace(draft, path)
    except OSError as error:
        what = f"cannot be written: {error.strerror}"
        raise Refused(Problem(str(path), what, "check the folder and its permissions")) from error
    except Refused as refusal:
        raise Refused([Problem(str(path), p.what, p.mend) for p in refusal.problems]) from refusal
    finally:
        draft.unlink(missing_ok=True)
    return found


def stands(signature: Signature, listed: TrustList, proved: datetime | None) -> Standing:
    """Whether a signature that holds counts under the list. `proved`: when a trusted time stamp says that it existed."""
    part, entry = signature.part, listed.find(signature.key.thumbprint)
    if entry is None:
        return Standing("", Finding(part, "unknown key", "is by a key that is not on the trust list"), "")
    person = entry.person
    if entry.roles and signature.role not in entry.roles:
        role = (
            repr(signature.role) if signature.role else "nothing"
        )  # quoted: a blank or another alphabet shows
        what = f"is by {person}, whose key may sign as {', '.join(entry.roles)}, not as {role}"
        return Standing(person, Finding(part, "role", what), "")
    claimed = _claimed(signature)
    at, how = (proved, "by its time stamp") if proved is not None else (claimed, "by the signer's own clock")
    if entry.revoked is not None:
        why = f" ({entry.reason})" if entry.reason else ""
        if proved is None or proved >= entry.revoked:
            what = f"is by {person}, whose key was revoked at {said(entry.revoked)}{why}"
            if proved is None:
                what += "; no time stamp of a trusted authority shows that it was made before"
            return Standing(person, Finding(part, "revoked", what), "")
    if at is None:
        if entry.since or entry.until:
            what = f"is by {person} and gives no time; the key counts only for a time"
            return Standing(person, Finding(part, "no time", what), "")
    elif entry.since is not None and at < entry.since:
        what = f"is by {person}, made at {said(at)} {how}; the key counts from {said(entry.since)}"
        return Standing(person, Finding(part, "not yet valid", what), "")
    elif entry.until is not None and at > entry.until:
        what = f"is by {person}, made at {said(at)} {how}; the key counted until {said(entry.until)}"
        return Standing(person, Finding(part, "expired", what), "")
    if entry.revoked is not None:
        why = f" ({entry.reason})" if entry.reason else ""
        return Standing(
            person, None, f"made before the key of {person} was revoked{why}, as its time stamp shows"
        )
    return Standing(
        person,
        None,
        f"by {person}, on the trust list" + (f" as {', '.join(entry.roles)}" if entry.roles else ""),
    )


def _claimed(signature: Signature) -> datetime | None:
    try:
        found = datetime.fromisoformat(signature.at)
        return found.astimezone(UTC) if found.tzinfo is not None else None
    except (ValueError, OverflowError):  # no time, or one that no calendar has in UTC
        return None
