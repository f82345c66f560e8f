"""The tables of the index and the version of their layout.

Everything in them comes from the records, so nothing is lost with them. `number` is the index's own and means nothing
outside; `id` is the SHA-256 of a record's header (what was sealed, whatever was countersigned later), `digest` that of
the file.

What is searched by channel or check lies in the order of its name and then of time or record (the primary key is the table
where the database allows it), so that a condition reads one stretch: at most as many rows as there are records with that
channel, and from the newest on no more than are wanted.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

# 2: channels in order of time; 3: one index in PostgreSQL that holds a channel's whole row; 4: every part of a pairing
SCHEMA = 4
metadata = MetaData()

about = Table(
    "about",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),
)

records = Table(
    "records",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("id", String(64), nullable=False, unique=True),
    Column("digest", String(64), nullable=False, unique=True),
    Column("path", Text, nullable=False, unique=True),  # within the archive's folder, with "/"
    Column("bytes", BigInteger, nullable=False),
    Column("started", BigInteger, nullable=False),  # ms since 1970-01-01 UTC
    Column("duration", Float, nullable=False),  # s
    Column("pairing", Text, nullable=False),
    Column("pairing_key", Text, nullable=False),  # as it is searched: without regard to case
    Column("pairing_file", Text, nullable=False),
    Column("pairing_sha256", String(64), nullable=False),
    Column("procedure", Text, nullable=False),
    Column("procedure_key", Text, nullable=False),
    Column("procedure_file", Text, nullable=False),
    Column("procedure_sha256", String(64), nullable=False),
    Column("bench", Text, nullable=False),
    Column("bench_sha256", String(64), nullable=False),
    Column("laboratory", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("verdict", String(20), nullable=False),
    Column("finished", Boolean, nullable=False),
    Column("ended_by", Text, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("imported", Boolean, nullable=False),
    Column("signatures", Integer, nullable=False),
    Index("records_started", "started"),
    Index("records_pairing", "pairing_key", "started"),
    Index("records_pairing_file", "pairing_file", "started"),
    Index("records_procedure", "procedure_key", "started"),
    Index("records_procedure_file", "procedure_file", "started"),
    Index("records_verdict", "verdict", "started"),
)


def _record() -> Column[int]:
    return Column("record", Integer, ForeignKey("records.number", ondelete="CASCADE"), primary_key=True)


equipment = Table(
    "equipment",
    metadata,
    Column("firmware_key", Text, primary_key=True),
    Column("part", Text, primary_key=True),
    _record(),
    Column("name", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("firmware", Text, nullable=False),
    Index("equipment_record", "record"),
    Index("equipment_part", "part"),
    sqlite_with_rowid=False,
)

checks = Table(
    "checks",
    metadata,
    Column("id", Text, primary_key=True),
    Column("verdict", String(20), primary_key=True),
    _record(),
    Column("position", Integer, primary_key=True),  # in the record's own order
    Column("step", Text, nullable=False),
    Column("measure", Text, nullable=False),
    Column("of", Text, nullable=False),
    Column("unit", String(20), nullable=False),
    Column("value", Float),
    Column("low", Float),
    Column("high", Float),
    Column("uncertainty", Float),  # expanded
    Column("margin", Float),
    Index("checks_record", "record"),
    sqlite_with_rowid=False,
)

channels = Table(
    "channels",
    metadata,
    Column("channel", Text, primary_key=True),
    Column(
        "started", BigInteger, primary_key=True
    ),  # of the record, once more: a search begins with the newest
    _record(),
    Column("unit", String(20), nullable=False),
    Column("count", BigInteger, nullable=False),  # of valid readings
    Column("minimum", Float),
    Column("maximum", Float),
    Column("mean", Float),
    Index("channels_record", "record"),
    # in SQLite the primary key is the table; a PostgreSQL keeps rows as they came, and would fetch each from elsewhere
    Index(
        "channels_walk",
        "channel",
        "started",
        "record",
        postgresql_include=["unit", "count", "minimum", "maximum", "mean"],
    ).ddl_if(dialect="postgresql"),
    sqlite_with_rowid=False,
)
CHILDREN = (equipment, checks, channels)
