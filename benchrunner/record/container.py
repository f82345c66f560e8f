"""The container of a record: a zip file in which nothing is left to choice, so that nothing can hide in it.

Members stored (never packed), in the order of their names' bytes, dated 1980-01-01 00:00, no extra fields, no
comments, no gaps: the bytes outside the members follow from names, sizes and CRCs alone. Any unzip program
reads it; `survey` rebuilds those bytes and compares them. Layout of the records: PKWARE APPNOTE 6.3.x,
4.3.7, 4.3.12, 4.3.16.
"""

import hashlib
import itertools
import os
import re
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from benchrunner.errors import Problem, Refused

LOCAL = struct.Struct("<4s5H3L2H")
CENTRAL = struct.Struct("<4s6H3L5H2L")
END = struct.Struct("<4s4H2LH")
DATE = (1 << 5) | 1  # 1980-01-01, the earliest that the format knows
VERSION = 10
MADE_BY = 0  # so that no permissions of some system travel along
LARGEST = 0xFFFF_FFFE
MOST_MEMBERS = 4096
LONGEST_NAME = 120
NAME = re.compile(r"^[a-z0-9][a-z0-9_.-]*(/[a-z0-9][a-z0-9_.-]*){0,3}$")
CHUNK = 1 << 20
NO_END = "the last 22 bytes are no end record: something was appended or changed"


class ContainerError(Refused):
    """The file is no container of ours, a part of it is damaged, or a part cannot be put into one."""

    @property
    def problem(self) -> Problem:
        """The one thing that is wrong."""
        return self.problems[0]


@dataclass(frozen=True, slots=True)
class Member:
    """One member as found: `start` is where its content begins."""

    name: str
    size: int
    crc: int
    start: int


@dataclass(frozen=True, slots=True)
class Slice:
    """A stretch of a file that becomes a member of another container, unread until it is copied."""

    path: Path
    start: int
    size: int


Content = Path | bytes | Slice


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be, with the part it was found in (a member's name, or
    `container`).
    """

    part: str
    kind: (
        str  # changed, missing, added, renamed, order, structure, header, signature, unsigned, unknown key...
    )
    what: str

    def __str__(self) -> str:
        return f"{self.part}: {self.what}"


@dataclass
class Survey:
    """What is in the container, and what about the container itself is wrong."""

    members: list[Member] = field(default_factory=list)
    digests: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def find(self, name: str) -> Member | None:
        """The member of that name."""
        return next((m for m in self.members if m.name == name), None)


def name_problem(name: str) -> str:
    """Why a member may not be called so, or nothing."""
    if len(name) > LONGEST_NAME:
        return f"its name is longer than {LONGEST_NAME} characters"
    if not NAME.fullmatch(name) or ".." in name:
        return "its name is none that a record uses"
    return ""


def write(path: Path, parts: Sequence[tuple[str, Content]]) -> None:
    """Write the container at `path` (which must not exist), from bytes or files, in bounded memory.

    Raises `ContainerError` for names or sizes that the format does not allow, `OSError` from the disk.
    """
    names = [name for name, _ in parts]
    for name in names:
        if reason := name_problem(name):
            raise ContainerError(Problem(name, reason, "use small letters, digits, '.', '-', '_' and '/'"))
    if len(set(names)) != len(names) or len(names) > MOST_MEMBERS:
        raise ContainerError(
            Problem(str(path), "a part twice, or too many parts", "give each part a name of its own")
        )
    members: list[Member] = []
    with path.open("xb") as stream:
        for name, content in sorted(parts, key=lambda part: part[0].encode()):
            size = _size(content)
            crc = 0
            for chunk in _chunks(content):
                crc = zlib.crc32(chunk, crc)
            start = stream.tell() + LOCAL.size + len(name)
            if start + size > LARGEST:
                raise ContainerError(
                    Problem(
                        name, "makes the record larger than 4 GiB", "record less often, or in several runs"
                    )
                )
            member = Member(name, size, crc, start)
            stream.write(local_header(member))
            for chunk in _chunks(content):
                stream.write(chunk)
            if stream.tell() != start + size:
                raise ContainerError(Problem(name, "changed while it was being written", "seal again"))
            members.append(member)
        stream.write(directory(members, stream.tell()))
        stream.flush()
        os.fsync(stream.fileno())


def _size(content: Content) -> int:
    if isinstance(content, bytes):
        return len(content)
    return content.size if isinstance(content, Slice) else content.stat().st_size


def _chunks(content: Content) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    path, start, left = (
        (content.path, content.start, content.size)
        if isinstance(content, Slice)
        else (content, 0, _size(content))
    )
    with path.open("rb") as stream:
        stream.seek(start)
        while left and (chunk := stream.read(min(CHUNK, left))):
            left -= len(chunk)
            yield chunk


def local_header(member: Member) -> bytes:
    """The bytes before a member's content."""
    name = member.name.encode()
    return (
        LOCAL.pack(b"PK\x03\x04", VERSION, 0, 0, 0, DATE, member.crc, member.size, member.size, len(name), 0)
        + name
    )


def directory_entry(member: Member) -> bytes:
    """The member's entry in the directory at the end."""
    name = member.name.encode()
    offset = member.start - LOCAL.size - len(name)
    fixed = CENTRAL.pack(
        b"PK\x01\x02", MADE_BY << 8 | VERSION, VERSION, 0, 0, 0, DATE, member.crc, member.size, member.size,
        len(name), 0, 0, 0, 0, 0, offset,
    )  # fmt: skip
    return fixed + name


def directory(members: Sequence[Member], at: int) -> bytes:
    """Directory and end record, as they stand from byte `at` on."""
    entries = b"".join(directory_entry(member) for member in members)
    return entries + END.pack(b"PK\x05\x06", 0, 0, len(members), len(members), len(entries), at, 0)


def survey(path: Path, digest: bool = True) -> Survey:
    """Read the container's structure, its members' SHA-256 (with `digest`), and everything about it that is
    not canonical.

    The members come from the directory where that is sound, else from walking the members from the front.
    Raises `ContainerError` only where the file cannot be read or holds nothing of a container.
    """
    try:
        stream = path.open("rb")
    except OSError as error:
        raise ContainerError(
            Problem(str(path), f"cannot be read: {error.strerror}", "check the path and the permissions")
        ) from error
    with stream:
        try:
            return _survey(stream, path, digest)
        except OSError as error:
            raise ContainerError(
                Problem(str(path), f"cannot be read: {error.strerror}", "give a record file")
            ) from error


def _survey(stream: BinaryIO, path: Path, digest: bool) -> Survey:
    size = os.fstat(stream.fileno()).st_size
    if size > LARGEST:
        what = f"is no record: {size} bytes, and none has more than {LARGEST}"
        raise ContainerError(Problem(str(path), what, "give a record (.bench)"))
    if size < END.size:
        raise ContainerError(_none(stream, path, size))
    found = Survey()
    listed, complaint = _from_directory(stream, size)
    if listed is None:
        walked, at = _from_front(stream, size)
        if not walked:
            raise ContainerError(_none(stream, path, size, "" if complaint == NO_END else complaint))
        found.findings.append(
            Finding(
                "container", "structure", _cut(stream, walked, at, size) if complaint == NO_END else complaint
            )
        )
        found.members, end_of_members = walked, at
    elif not listed[0]:
        raise ContainerError(_none(stream, path, size))
    else:
        found.members, end_of_members = listed
    true = [_content(stream, member, found, digest) for member in found.members]
    _names(found)
    _compare(stream, size, true, end_of_members, found)
    return found


def _none(stream: BinaryIO, path: Path, size: int, complaint: str = "") -> Problem:
    from benchrunner.record import kinds  # in words for a person, where it is not ours at all

    stream.seek(0)
    return kinds.no_record(path, stream.read(kinds.HEAD), size, complaint)


def _cut(stream: BinaryIO, members: Sequence[Member], at: int, size: int) -> str:
    """Where a file without an end record ends too early, or that something was appended or changed."""
    if size - at >= len(directory(members, at)):
        stream.seek(at)
        if stream.read(4) != b"PK\x03\x04":
            return NO_END
    last = shown(members[-1].name)
    stream.seek(at)
    where = "inside the part" if stream.read(4) == b"PK\x03\x04" else "in the directory"
    return f"{where} that follows {last} the file ends, or is changed: if it was cut short, copy it again from where it is whole"


def _from_directory(stream: BinaryIO, size: int) -> tuple[tuple[list[Member], int] | None, str]:
    """Members by the directory, if it chains without gap or overlap from byte 0 to itself; else why not."""
    stream.seek(size - END.size)
    magic, disk, start_disk, here, total, length, at, comment = END.unpack(stream.read(END.size))
    if magic != b"PK\x05\x06":
        return None, NO_END
    if disk or start_disk or comment or here != total or at + length != size - END.size:
        return None, "the end record does not fit the file"
    if total > MOST_MEMBERS or length > MOST_MEMBERS * (CENTRAL.size + LONGEST_NAME):
        return None, f"the directory lists more than {MOST_MEMBERS} members"
    stream.seek(at)
    raw = stream.read(length)
    members, position, expected = [], 0, 0
    for number in range(total):
        if position + CENTRAL.size > len(raw):
            return None, f"the directory ends inside entry {number + 1}"
        fields = CENTRAL.unpack_from(raw, position)
        name_length, extra, comment_length = fields[10:13]
        name_raw = raw[position + CENTRAL.size : position + CENTRAL.size + name_length]
        position += CENTRAL.size + name_length + extra + comment_length
        if fields[0] != b"PK\x01\x02" or len(name_raw) != name_length or not name_raw.isascii():
            return None, f"entry {number + 1} of the directory is damaged"
        if fields[4] != 0 or fields[8] != fields[9]:
            return (
                None,
                f"entry {number + 1} of the directory is packed or of two sizes; a record stores its members",
            )
        start = fields[16] + LOCAL.size + name_length
        if fields[16] != expected or start + fields[9] > at:
            return (
                None,
                f"entry {number + 1} of the directory does not begin where the one before ends",
            )
        members.append(Member(name_raw.decode(), fields[9], fields[7], start))
        expected = start + fields[9]
    if position != len(raw) or expected != at:
        return None, "the directory does not account for every byte of the file"
    return (members, at), ""


def _from_front(stream: BinaryIO, size: int) -> tuple[list[Member], int]:
    members: list[Member] = []
    at = 0
    while at + LOCAL.size <= size and len(members) < MOST_MEMBERS:
        stream.seek(at)
        fields = LOCAL.unpack(stream.read(LOCAL.size))
        if fields[0] != b"PK\x03\x04" or fields[9] > LONGEST_NAME:
            break
        name = stream.read(fields[9])
        start = at + LOCAL.size + fields[9] + fields[10]
        if not name.isascii() or fields[7] != fields[8] or start + fields[7] > size:
            break
        members.append(Member(name.decode(), fields[7], fields[6], start))
        at = start + fields[7]
    return members, at


def _content(stream: BinaryIO, member: Member, found: Survey, digest: bool) -> Member:
    """The member with the CRC that its content really has; the digest goes into the survey."""
    if not digest:
        return member
    stream.seek(member.start)
    left, crc, sha = member.size, 0, hashlib.sha256()
    while left:
        chunk = stream.read(min(CHUNK, left))
        if not chunk:
            break
        left -= len(chunk)
        crc = zlib.crc32(chunk, crc)
        sha.update(chunk)
    found.digests[member.name] = sha.hexdigest()
    return Member(member.name, member.size, crc, member.start)


def _names(found: Survey) -> None:
    seen: set[str] = set()
    for member in found.members:
        if member.name in seen:
            found.findings.append(Finding(shown(member.name), "added", "stands in the container twice"))
        seen.add(member.name)
        if reason := name_problem(member.name):
            found.findings.append(Finding(shown(member.name), "added", reason))
    names = [member.name.encode() for member in found.members]
    for before, after in itertools.pairwise(names):
        if after < before:
            found.findings.append(
                Finding(
                    shown(after.decode()),
                    "order",
                    f"stands after {shown(before.decode())}; members go by name",
                )
            )


def _compare(stream: BinaryIO, size: int, members: Sequence[Member], at: int, found: Survey) -> None:
    """The bytes around the contents, as they must be, against what is there."""
    for member in members:
        expected = local_header(member)
        offset = member.start - len(expected)
        stream.seek(max(offset, 0))
        if offset < 0 or stream.read(len(expected)) != expected:
            found.findings.append(
                Finding(
                    shown(member.name),
                    "structure",
                    "its header inside the container does not fit its name, size and content",
                )
            )
    stream.seek(at)
    for member in members:
        expected = directory_entry(member)
        if stream.read(len(expected)) != expected:
            found.findings.append(
                Finding(
                    shown(member.name),
                    "structure",
                    "its entry in the container's directory does not fit its name, size and content",
                )
            )
            break  # the entries behind it may be shifted; one finding is enough
    tail = directory(members, at)
    if size - at != len(tail):
        found.findings.append(
            Finding(
                "container",
                "structure",
                f"has {size - at} bytes after the last member where {len(tail)} belong",
            )
        )
    else:
        stream.seek(size - END.size)
        if stream.read(END.size) != tail[-END.size :]:
            found.findings.append(Finding("container", "structure", "its end record is not as it must be"))


def shown(name: str) -> str:
    """A member's name as it may be printed: no control characters, not endless."""
    text = "".join(c if c.isprintable() else "?" for c in name)
    return text if len(text) <= LONGEST_NAME else text[: LONGEST_NAME - 3] + "..."


def content(path: Path, member: Member, most: int) -> bytes:
    """A member's content. Raises `ContainerError` where it is larger than `most`."""
    if member.size > most:
        raise ContainerError(
            Problem(
                shown(member.name),
                f"is {member.size} bytes; at most {most} belong here",
                "the record is damaged or forged",
            )
        )
    with path.open("rb") as stream:
        stream.seek(member.start)
        return stream.read(member.size)
