"""The index as a database: SQLite in the archive's folder, or PostgreSQL where a lab shares one.

SQLite: write-ahead log and `synchronous=FULL`, so that what was said to be added is there after a power cut; writers
take turns by a lock on a file beside it (one connection writes at a time, also across processes). It must not lie on a network share;
a lab that shares an archive gives the index a PostgreSQL. There, writers hold a shared advisory lock and a rebuild the
exclusive one.

Who may only read opens SQLite so that nothing is written: as an unchanging file where no write-ahead log lies beside it (a
log would have to be opened for writing), and looks afterwards whether it was written meanwhile.
"""

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy
from sqlalchemy import Connection, Engine, event, insert, select
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, OperationalError, SQLAlchemyError

from benchrunner.errors import Problem, Refused
from benchrunner.record.archive import tables
from benchrunner.record.archive.entry import Entry
from benchrunner.record.archive.turns import turn

FILE_NAME = "index.sqlite"
BUSY = 60.0  # s that one writer waits for another
ADVISORY = 0x62656E6368  # our advisory lock's number in a shared database
BATCH = 500
REBUILD = (
    "have somebody who may write there make it: benchrunner archive rebuild; or search a copy of the folder"
)


class Moved(Refused):
    """The index was written while it was read as an unchanging file: what was read may not hold together."""


class Index:
    """One index. `url` empty: SQLite in `folder`. Raises `Refused` where it cannot be opened, or not only read."""

    def __init__(self, folder: Path, url: str = "", read_only: bool = False) -> None:
        self._folder = folder
        self.read_only = read_only
        self.url = _url(folder, url)
        self.where = self.url.render_as_string(hide_password=True)
        self.sqlite = self.url.get_backend_name() == "sqlite"
        try:
            self._engine: Engine = _engine(self.url, read_only)
        except ImportError as error:
            raise Refused(
                Problem(
                    self.where, f"needs a package that is not installed: {error.name}",
                    "pip install 'benchrunner[postgresql]'",
                )
            ) from error  # fmt: skip

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    # ---- transactions

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads. Raises `Refused` where the database says no."""
        before = self._state()
        with self._said(), self._engine.connect() as connection, connection.begin():
            yield connection
        if self._state() != before:
            raise Moved(Problem(self.where, "was written while it was read here", "search again in a moment"))

    def _state(self) -> tuple[int, ...]:
        """What tells that somebody wrote an index that is read as an unchanging file; nothing for any other."""
        if not (self.sqlite and self.read_only):
            return ()
        path = self._folder / FILE_NAME
        with contextlib.suppress(OSError):
            found = path.stat()
            return found.st_mtime_ns, found.st_size, found.st_ino
        return ()

    @contextlib.contextmanager
    def writing(self, alone: bool = False) -> Iterator[Connection]:
        """A transaction that writes; with `alone` no other writer is at work meanwhile."""
        if self.read_only:
            mend = "do this where you may write in the archive's folder"
            raise Refused(Problem(self.where, "is open for reading only", mend))
        with self._said(), contextlib.ExitStack() as stack:
            if self.sqlite:
                stack.enter_context(turn(self._folder / f"{FILE_NAME}.turn", BUSY))
            connection = stack.enter_context(self._engine.connect())
            connection = connection.execution_options(writing=True)
            stack.enter_context(connection.begin())
            if not self.sqlite:
                how = "pg_advisory_xact_lock" if alone else "pg_advisory_xact_lock_shared"
                connection.execute(sqlalchemy.text(f"select {how}(:number)"), {"number": ADVISORY})
            yield connection

    @contextlib.contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except OperationalError as error:
            what = " ".join(str(error.orig).split())
            mend = (
                _mend_sqlite(what) if self.sqlite else "check the server, the URL's host, name and password"
            )
            raise Refused(Problem(self.where, f"the index does not answer: {what}", mend)) from error
        except SQLAlchemyError as error:
            what = " ".join(str(getattr(error, "orig", error)).split())[:500]
            mend = "delete this file (all in it comes from the records), then 'benchrunner archive rebuild'"
            if not self.sqlite:
                mend = "'benchrunner archive rebuild', or another --index"
            raise Refused(Problem(self.where, f"the index cannot be used: {what}", mend)) from error

    # ---- layout

    def version(self) -> int | None:
        """The layout that is there; nothing where there is none (or where it is not ours)."""
        with self.reading() as connection:
            return _version(connection)

    def prepare(self) -> bool:
        """Make the tables where there are none. Whether what is there is of an older layout and must be rebuilt.

        Raises `Refused` for an index of a newer program.
        """
        if self.read_only and self.sqlite and not (self._folder / FILE_NAME).is_file():
            raise Refused(Problem(self.where, "there is no index", REBUILD))
        version = self.version()
        if self.read_only and (version is None or version < tables.SCHEMA):
            what = "is of an older layout" if version is not None else "holds no index"
            raise Refused(Problem(self.where, f"{what}, and nothing can be written here", REBUILD))
        if version == tables.SCHEMA:
            return False
        if version is not None and version > tables.SCHEMA:
            raise Refused(
                Problem(
                    self.where, f"is of layout {version}; this program knows {tables.SCHEMA}",
                    "take the newer program, or another --index",
                )
            )  # fmt: skip
        if version is None:
            with self.writing(alone=True) as connection:
                if _version(connection) is None:  # nobody was quicker
                    make(connection)
                    return True  # what the folder already holds is not in it
            return False
        return True

    # ---- rows

    def put(self, connection: Connection, items: Iterable[tuple[Entry, str]]) -> list[str]:
        """Add entries with their path in the archive; the ids of those that were new. Known ones stay as they are."""
        added: list[str] = []
        batch: list[tuple[Entry, str]] = []
        for item in items:
            batch.append(item)
            if len(batch) >= BATCH:
                added += self._put(connection, batch)
                batch = []
        return added + (self._put(connection, batch) if batch else [])

    def _put(self, connection: Connection, batch: list[tuple[Entry, str]]) -> list[str]:
        table = tables.records
        rows = [_record_row(entry, path) for entry, path in batch]
        ids = [row["id"] for row in rows]
        before = set(connection.execute(select(table.c.id).where(table.c.id.in_(ids))).scalars())
        fresh: dict[str, tuple[dict[str, Any], Entry]] = {
            row["id"]: (row, entry)
            for row, (entry, _) in zip(rows, batch, strict=True)
            if row["id"] not in before
        }
        if not fresh:
            return []
        statement = _insert(self.sqlite)(table).on_conflict_do_nothing().returning(table.c.id, table.c.number)
        made = connection.execute(
            statement, [row for row, _ in fresh.values()]
        ).all()  # not what another put first
        children: dict[str, list[dict[str, Any]]] = {child.name: [] for child in tables.CHILDREN}
        for identity, number in made:
            for name, items in _children(fresh[identity][1], number).items():
                children[name] += items
        for table in tables.CHILDREN:
            if children[table.name]:
                connection.execute(insert(table), children[table.name])
        return [identity for identity, _ in made]

    def settle(self) -> None:
        """After many changes: a PostgreSQL learns what is there, so that searches read its indexes alone.

        It would by itself, but only some time later. Where the tables are another's, it leaves them as they are.
        """
        if self.sqlite:
            return
        with self._said(), self._engine.connect() as connection:
            connection = connection.execution_options(isolation_level="AUTOCOMMIT")
            for table in tables.metadata.sorted_tables:
                connection.execute(sqlalchemy.text(f"vacuum (analyze) {table.name}"))

    def drop(self, connection: Connection, identity: str) -> None:
        """Take a record's rows out."""
        number = connection.execute(
            select(tables.records.c.number).where(tables.records.c.id == identity)
        ).scalar()
        if number is None:
            return
        for table in tables.CHILDREN:
            connection.execute(table.delete().where(table.c.record == number))
        connection.execute(tables.records.delete().where(tables.records.c.number == number))


def _mend_sqlite(what: str) -> str:
    if "readonly" in what or "unable to open" in what:
        return "see to it that you may read the index and what lies beside it, and write there where records are added"
    if "full" in what:
        return "free space on this disk"
    return "end what else uses it, or delete it and 'archive rebuild'"


def make(connection: Connection) -> None:
    """Empty tables of this layout, whatever stood there before."""
    tables.metadata.drop_all(connection)
    tables.metadata.create_all(connection)
    connection.execute(insert(tables.about), [{"name": "schema", "value": str(tables.SCHEMA)}])


def _version(connection: Connection) -> int | None:
    if not sqlalchemy.inspect(connection).has_table(tables.about.name):
        return None
    about = tables.about.c
    value = connection.execute(select(about.value).where(about.name == "schema")).scalar()
    return int(value) if value is not None and value.isdigit() else None


def _record_row(entry: Entry, path: str) -> dict[str, Any]:
    names = [
        c.name
        for c in tables.records.columns
        if c.name not in ("number", "path") and not c.name.endswith("_key")
    ]
    row = {name: getattr(entry, name) for name in names}
    for kind in ("pairing", "procedure"):
        row[f"{kind}_key"] = folded(row[kind])
        row[f"{kind}_file"] = folded(row[f"{kind}_file"])
    return {**row, "path": path}


def _children(entry: Entry, number: int) -> dict[str, list[dict[str, Any]]]:
    equipment = [
        {"record": number, "firmware_key": folded(d.firmware), "part": d.part, "name": d.name, "serial": d.serial,
         "firmware": d.firmware} for d in entry.equipment
    ]  # fmt: skip
    checks = [
        {"record": number, "position": position, "id": c.id, "verdict": c.verdict, "step": c.step, "measure": c.measure,
         "of": c.of, "unit": c.unit, "value": c.value, "low": c.low, "high": c.high, "uncertainty": c.uncertainty,
         "margin": c.margin} for position, c in enumerate(entry.checks)
    ]  # fmt: skip
    channels = [
        {"record": number, "started": entry.started, "channel": c.channel, "unit": c.unit, "count": c.count, "minimum": c.minimum,
         "maximum": c.maximum, "mean": c.mean} for c in entry.channels
    ]  # fmt: skip
    return {"equipment": equipment, "checks": checks, "channels": channels}


def folded(text: str) -> str:
    """Text as it is searched: without regard to case and outer blanks."""
    return text.strip().casefold()


def _insert(sqlite: bool) -> Any:
    if sqlite:
        from sqlalchemy.dialects.sqlite import insert as dialect_insert

        return dialect_insert
    from sqlalchemy.dialects.postgresql import insert as postgresql_insert

    return postgresql_insert


def _url(folder: Path, text: str) -> URL:
    if not text:
        return URL.create("sqlite", database=str(folder / FILE_NAME))
    mend = "give postgresql://NAME@HOST/DATABASE, or leave --index away for SQLite in the archive's folder"
    try:
        url = make_url(text)
    except ArgumentError as error:
        raise Refused(Problem("--index", "is no address of a database", mend)) from error
    if url.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    raise Refused(Problem(f"--index {url.drivername}://...", "is no kind of index that is known here", mend))


def _read_only(path: Path) -> Engine:
    """SQLite that writes nothing, not even the files beside it."""

    def connect() -> sqlite3.Connection:
        how = "mode=ro" if Path(f"{path}-wal").exists() else "mode=ro&immutable=1"
        connection = sqlite3.connect(
            f"file:{quote(path.as_posix())}?{how}", uri=True, timeout=BUSY, check_same_thread=False
        )
        connection.isolation_level = None
        connection.execute("PRAGMA query_only=ON")
        return connection

    # a connection each time: one that takes the file for unchanging must not outlive a change
    engine = sqlalchemy.create_engine("sqlite://", creator=connect, poolclass=sqlalchemy.NullPool)
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    return engine


def _engine(url: URL, read_only: bool) -> Engine:
    if read_only and url.get_backend_name() == "sqlite":
        return _read_only(Path(str(url.database)))
    if url.get_backend_name() != "sqlite":
        # no statements prepared once for all: how many rows fit differs from question to question, and so does the way
        return sqlalchemy.create_engine(
            url, pool_size=2, connect_args={"connect_timeout": 10, "prepare_threshold": None}
        )
    engine = sqlalchemy.create_engine(url, connect_args={"timeout": BUSY})

    @event.listens_for(engine, "connect")
    def _connect(connection: Any, _: Any) -> None:
        connection.isolation_level = (
            None  # we begin transactions ourselves: the library's way begins them too late
        )
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        immediate = connection.get_execution_options().get("writing")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")

    return engine
