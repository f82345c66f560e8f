"""The archive's folder: records under `records/YEAR/`, each put there whole or not at all and never written over.

A name is the run's start, its procedure and the first digits of the file's SHA-256, so one name means one content.
"""

import contextlib
import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from pathlib import Path

from benchrunner.errors import Problem, Refused
from benchrunner.record.archive.entry import Entry, moment
from benchrunner.record.parts import slug
from benchrunner.record.seal import SUFFIX

RECORDS, FORGOTTEN, ARRIVING = "records", "forgotten", ".arriving"
CHUNK = 1 << 20


class Folder:
    """The files of one archive."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def writable(self) -> bool:
        """Whether records can be added: the folder, or where there is none yet its nearest parent, can be written."""
        here = self.root
        while not here.exists() and here != here.parent:
            here = here.parent
        inner = [self.root / name for name in (RECORDS, ARRIVING) if (self.root / name).exists()]
        return all(os.access(place, os.W_OK) for place in [here, *inner])

    def make(self) -> None:
        """The folders, where they are not there yet. Raises `Refused`."""
        try:
            for name in (RECORDS, ARRIVING):
                (self.root / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise Refused(
                Problem(
                    str(self.root),
                    f"cannot be an archive's folder: {error.strerror}",
                    "give a folder to write in",
                )
            ) from error

    def sweep(self) -> None:
        """Remove drafts that a process which ended in the middle left more than a day ago."""
        for draft in (self.root / ARRIVING).iterdir():
            with contextlib.suppress(OSError):
                if time.time() - draft.stat().st_mtime > 86_400:
                    draft.unlink()

    @contextlib.contextmanager
    def copied(self, source: Path) -> Iterator[tuple[Path, str]]:
        """A copy of `source` within the archive's disk with its SHA-256; gone afterwards unless it was placed.

        What is verified and indexed is this copy, so nobody can exchange the file in between. Raises `Refused`.
        """
        draft = self.root / ARRIVING / f"{os.getpid()}-{secrets.token_hex(8)}"
        digest = hashlib.sha256()
        try:
            try:
                with source.open("rb") as stream, draft.open("xb") as copy:
                    while chunk := stream.read(CHUNK):
                        digest.update(chunk)
                        copy.write(chunk)
                    copy.flush()
                    os.fsync(copy.fileno())
            except OSError as error:
                raise Refused(
                    Problem(
                        str(error.filename or source), f"cannot be copied into the archive: {error.strerror}",
                        "check that it can be read, and the archive's disk written",
                    )
                ) from error  # fmt: skip
            yield draft, digest.hexdigest()
        finally:
            draft.unlink(missing_ok=True)

    def place(self, draft: Path, entry: Entry) -> str:
        """Give the copy its name; where the same record lies there already, nothing changes. Its path within the archive."""
        name = f"{moment(entry.started)[:19].replace(':', '').replace('-', '').replace('T', '-')}"
        inner = f"{RECORDS}/{moment(entry.started)[:4]}/{name}-{slug(entry.procedure)}-{entry.digest[:12]}{SUFFIX}"
        target = self.root / inner
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            _name(draft, target)
        except FileExistsError:
            if digest_of(target) != entry.digest:
                raise Refused(
                    Problem(
                        str(target), "holds something else than its name says: it was changed in the archive",
                        "move it out of the archive, keep it as evidence, and add the record again",
                    )
                ) from None  # fmt: skip
        except OSError as error:
            raise Refused(
                Problem(str(target), f"cannot be written: {error.strerror}", "check the archive's disk")
            ) from error
        _sync(target.parent)
        return inner

    def all(self) -> Iterator[tuple[Path, str]]:
        """Every record's file with its path within the archive, in the order of their names."""
        for path in sorted((self.root / RECORDS).rglob(f"*{SUFFIX}")):
            if path.is_file() and not path.is_symlink():
                yield path, path.relative_to(self.root).as_posix()

    def forget(self, inner: str) -> Path:
        """Move a record's file out of the searched folder (nothing is ever deleted); where it lies now."""
        source = self.root / inner
        target = self.root / FORGOTTEN / source.name
        target.parent.mkdir(exist_ok=True)
        if not source.exists():
            return target
        with contextlib.suppress(FileExistsError):  # forgotten before: the same content by its name
            _name(source, target)
        source.unlink(missing_ok=True)
        return target


def digest_of(path: Path) -> str:
    """SHA-256 of a file. Raises `OSError`."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _name(draft: Path, target: Path) -> None:
    """The second name of a whole file; raises `FileExistsError` rather than write over another, on every system."""
    try:
        os.link(draft, target)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links: hold the name by an empty file first
        with target.open("xb"):
            pass
        os.replace(draft, target)


def _sync(folder: Path) -> None:
    with contextlib.suppress(OSError, AttributeError):  # the folder's entry, where the system can
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
