"""The archive: a folder of records and its index, kept in step so that no crash and no second writer loses a record.

A record is first copied into the folder, verified there, given its name, and only then written into the index. If the
program ends in between, the file is there and adding it again (or a rebuild) puts it into the index. Of one record in
several states of countersigning the index knows the file with the most signatures.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from sqlalchemy import ColumnElement, Connection, select

from benchrunner.errors import Problem, Refused
from benchrunner.record.archive import tables
from benchrunner.record.archive.entry import Device, Entry, entry_of
from benchrunner.record.archive.files import Folder, digest_of
from benchrunner.record.archive.index import Index, Moved, make
from benchrunner.record.archive.search import Found, Hits, Query, by_ids, equipment, search
from benchrunner.record.opened import Record
from benchrunner.record.verify import verify

ENOUGH = 8  # characters by which a record may be named
LOOKED_AT = 50  # files that the index does not name and that are opened to see whether it should

Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Added:
    """What adding one record came to. `how`: `added`, `known` (nothing changed), or `more signatures`."""

    id: str
    digest: str
    path: Path
    how: str


@dataclass
class Rebuilt:
    """What a rebuild came to: how many records are in the index, and which files were left out, with why."""

    records: int = 0
    left_out: list[Problem] = field(default_factory=list)
    also: list[Path] = field(
        default_factory=list
    )  # earlier states of records that are there with more signatures


class Archive:
    """An archive in `folder` (made where it is not there), indexed in `index` (a URL; empty: SQLite in the folder).

    An index of an older layout, or none, is made from the records. `read_only`: nothing is written, and an index that
    would have to be made is refused; so by itself (None) where the folder cannot be written. Raises `Refused`.
    """

    def __init__(self, folder: Path | str, index: str = "", read_only: bool | None = None) -> None:
        self.folder = Path(folder).absolute()
        self.rebuilt: Rebuilt | None = None
        self._files = Folder(self.folder)
        self.read_only = not self._files.writable() if read_only is None else read_only
        if not self.read_only:
            self._files.make()
        self._index = Index(self.folder, index, self.read_only)
        try:
            if self._index.prepare():
                self.rebuilt = self.rebuild()
        except BaseException:
            self._index.close()
            raise

    def __enter__(self) -> "Archive":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the index."""
        self._index.close()

    # ---- in and out

    def add(self, record: Path | str) -> Added:
        """Verify a record, take a copy of it into the archive and index it. Adding it again changes nothing.

        Unsigned records are taken (the index says how many signatures there are). Raises `Refused` for a file that is
        no record or not as it was sealed.
        """
        self._may_write()
        with self._files.copied(Path(record)) as (draft, digest):
            entry = _verified(draft, digest, str(record))
            inner = self._files.place(draft, entry)
        with self._index.writing() as connection:
            how = self._enter(connection, entry, inner)
        return Added(entry.id, digest, self.folder / inner, how)

    def _enter(self, connection: Connection, entry: Entry, inner: str) -> str:
        row = tables.records.c
        known = connection.execute(select(row.digest, row.signatures).where(row.id == entry.id)).first()
        if known is None:
            if self._index.put(connection, [(entry, inner)]):
                return "added"
            known = connection.execute(select(row.digest, row.signatures).where(row.id == entry.id)).first()
        if known is None or known.digest == entry.digest or _rank(known) <= _rank(entry):
            return "known"
        self._index.drop(connection, entry.id)
        self._index.put(connection, [(entry, inner)])
        return "more signatures"

    def rebuild(self) -> Rebuilt:
        """Make the index again from the records alone. Files that do not verify are left out and listed."""
        self._may_write()
        result = Rebuilt()
        self._files.sweep()
        best: dict[str, tuple[int, str, Path, str]] = {}
        with self._index.writing(alone=True) as connection:  # nobody adds meanwhile
            make(connection)
            self._index.put(connection, self._verified_files(best, result))
            # of one record in several states the best stays, whichever came first
            for identity, (_, digest, path, inner) in best.items():
                there = connection.execute(
                    select(tables.records.c.digest).where(tables.records.c.id == identity)
                ).scalar()
                if there != digest:
                    self._index.drop(connection, identity)
                    self._index.put(connection, [(entry_of(path, digest), inner)])
            result.records = len(best)
        self._index.settle()
        return result

    def _verified_files(
        self, best: dict[str, tuple[int, str, Path, str]], result: Rebuilt
    ) -> Iterator[tuple[Entry, str]]:
        for path, inner in self._files.all():
            try:
                digest = digest_of(path)
                entry = _verified(path, digest, inner)
            except OSError as error:
                result.left_out.append(
                    Problem(inner, f"cannot be read: {error.strerror}", "check the archive's disk")
                )
                continue
            except Refused as refusal:
                result.left_out += refusal.problems
                continue
            before = best.get(entry.id)
            if before is None or _rank(entry) < (-before[0], before[1]):
                best[entry.id] = (entry.signatures, digest, path, inner)
            if before is not None:
                result.also.append(path)
                continue
            yield entry, inner

    def forget(self, name: str) -> Path:
        """Take a record out of index and search; its file is moved to `forgotten/`, never deleted. Where it lies then.

        `name`: the beginning of its id or digest, or its path. Raises `Refused` where that is none or not one record.
        """
        self._may_write()
        found = self.one(name)
        with self._index.writing() as connection:
            self._index.drop(connection, found.id)
            return self._files.forget(found.path.relative_to(self.folder).as_posix())

    # ---- asking

    def search(self, query: Query | None = None) -> Hits:
        """The newest records that fit. Raises `Refused` for a channel or unit that no record has."""
        return self._asked(lambda connection: search(connection, self.folder, query or Query()))

    def equipment(self, found: Sequence[Found]) -> dict[str, tuple[Device, ...]]:
        """What was tested in each of these records, by id: parts with name, serial number and firmware."""
        return self._asked(lambda connection: equipment(connection, [one.id for one in found]))

    def _asked(self, question: Callable[[Connection], Answer]) -> Answer:
        """The answer of the index as it is now, also where it is made again meanwhile."""
        for last in (False, False, True):
            try:
                with self._index.reading() as connection:
                    return question(connection)
            except Moved:
                if last:
                    raise
        raise AssertionError("not reached")

    def stale(self) -> list[str]:
        """What tells that the index is behind the folder, one line each; nothing where they agree.

        Compares names, and opens up to `LOOKED_AT` files that the index does not name: an earlier state of a record that
        is there with more signatures is in order. Reads only. Raises `Refused`.
        """
        row = tables.records.c
        with self._index.reading() as connection:
            named = set(connection.execute(select(row.path)).scalars())
            known = {inner for _, inner in self._files.all()}
            behind, unknown = 0, sorted(known - named, reverse=True)
            for inner in unknown[:LOOKED_AT]:
                try:
                    identity = entry_of(self.folder / inner, "").id
                except Refused:
                    continue  # damaged: a rebuild would leave it out too
                behind += connection.execute(select(row.id).where(row.id == identity)).first() is None
        lines = []
        if behind:
            least = "at least " if len(unknown) > LOOKED_AT else ""
            lines.append(f"{least}{behind} of the folder's records are not in the index: they are not found")
        if gone := len(named - known):
            lines.append(f"{gone} records of the index do not lie in the folder any more")
        return lines

    def _may_write(self) -> None:
        if self.read_only:
            mend = "do this where you may write in the archive's folder"
            raise Refused(Problem(str(self.folder), "can only be read here", mend))

    def records_of(self, pairing: str, most: int = 100_000) -> list[Found]:
        """All records of a pairing (its title or its card's file name), newest first; `Record.open(found.path)` opens one."""
        return self.search(Query(pairing=pairing, most=most)).found

    def one(self, name: str) -> Found:
        """The one record that is meant by the beginning of its id or digest, or by its path. Raises `Refused`."""
        row = tables.records.c
        wanted = name.strip().casefold()
        with self._index.reading() as connection:
            if len(wanted) >= ENOUGH and all(c in "0123456789abcdef" for c in wanted):
                match: ColumnElement[bool] = row.id.startswith(wanted) | row.digest.startswith(wanted)
            else:
                path = Path(name).absolute()
                inner = path.relative_to(self.folder).as_posix() if path.is_relative_to(self.folder) else name
                match = row.path == inner
            fits = connection.execute(select(row.id).where(match).limit(2)).scalars().all()
            if len(fits) != 1:
                what = "means several records" if fits else "is no record of this archive"
                raise Refused(
                    Problem(
                        name or "''", what,
                        f"give at least {ENOUGH} digits of its id, as 'benchrunner archive search' shows it",
                    )
                )  # fmt: skip
            return by_ids(connection, self.folder, fits)[0]

    def open(self, name: str) -> Record:
        """A record of the archive, opened. Raises `Refused`."""
        return Record.open(self.one(name).path)


def _rank(entry: object) -> tuple[int, str]:
    """Most signatures first; of equally many the least digest, so that every rebuild chooses the same."""
    return -int(entry.signatures), str(entry.digest)  # type: ignore[attr-defined]


def _verified(path: Path, digest: str, shown: str) -> Entry:
    """The entry of a file that is whole as it was sealed. Raises `Refused` with what is wrong."""
    result = verify(path, allow_unsigned=True)
    if (none := result.none) is not None:
        raise Refused(Problem(shown, none.what, none.mend.replace(str(path), shown)))
    if result.findings:
        raise Refused(
            [
                Problem(shown, f"does not verify: {finding}", "find the record as it was sealed")
                for finding in result.findings[:5]
            ]
        )
    try:
        return entry_of(path, digest)
    except Refused as refusal:
        raise Refused([Problem(shown, p.what, p.mend) for p in refusal.problems]) from refusal
