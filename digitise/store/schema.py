"""Tables of the store, and an engine that keeps them safe under several people at once.

Every table is only ever added to: triggers refuse UPDATE and DELETE, and an INSERT that would replace a row. Values are
JSON text, so that 7, 7.0, "7", true and null stay what they are.
"""

from __future__ import annotations

from pathlib import Path
from sqlite3 import Error

from sqlalchemy import (
    URL,
    Column,
    Engine,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    create_engine,
    event,
)

SCHEMA_VERSION = 1
APPLICATION_ID = 0x64696769  # "digi": tells our file from any other SQLite file
BUSY_SECONDS = 20

metadata = MetaData()

protocols = Table(
    "protocols",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("content", Text, nullable=False),
)
layouts = Table("layouts", metadata, Column("digest", Text, primary_key=True), Column("content", Text, nullable=False))
photos = Table(
    "photos",
    metadata,
    Column("sha256", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("file", Text, nullable=False),  # below originals/
    Column("bytes", Integer, nullable=False),
    Column("kept_at", Text, nullable=False),
)
verdicts = Table(
    "verdicts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    Column("reader_version", Text, nullable=False),
    Column("layout_digest", Text, nullable=False),  # "" when no sheet was recognised
    Column("status", Text, nullable=False),
    Column("reasons", Text, nullable=False),
    Column("at", Text, nullable=False),
    UniqueConstraint("sha256", "reader_version", "layout_digest", "status"),
)
pages = Table(
    "pages",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    Column("reader_version", Text, nullable=False),
    Column("acceptance_basis", Text, nullable=False),
    Column("layout_digest", Text, ForeignKey("layouts.digest"), nullable=False),
    Column("protocol_digest", Text, ForeignKey("protocols.digest"), nullable=False),
    Column("pack", Text),
    Column("transect", Integer),
    Column("mean_confidence", Float, nullable=False),
    Column("residual_mm", Float, nullable=False),
    Column("px_per_mm", Float, nullable=False),
    Column("image", Text, nullable=False),  # below pages/
    Column("recorded_at", Text, nullable=False),
    UniqueConstraint("sha256", "reader_version", "layout_digest"),
)
assignments = Table(
    "assignments",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("page_id", Integer, ForeignKey("pages.id"), nullable=False),
    Column("pack", Text, nullable=False),
    Column("transect", Integer, nullable=False),
    Column("by", Text, nullable=False),
    Column("at", Text, nullable=False),
)
readings = Table(
    "readings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("page_id", Integer, ForeignKey("pages.id"), nullable=False),
    Column("cell", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("confidence", Float, nullable=False),
    Column("flagged", Integer, nullable=False),
    Column("candidates", Text, nullable=False),
    Column("reasons", Text, nullable=False),
    Column("score", Float, nullable=False),
    Column("photo_px", Text, nullable=False),
    UniqueConstraint("page_id", "cell"),
)
entries = Table(
    "entries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("page_id", Integer, ForeignKey("pages.id"), nullable=False),
    Column("cell", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("decided_by", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("reading_id", Integer, ForeignKey("readings.id"), nullable=False),
    Column("undoes", Integer, ForeignKey("entries.id")),
    Column("client", Text, nullable=False),
    Column("seq", Integer, nullable=False),
)
Index("readings_flagged", readings.c.page_id, sqlite_where=readings.c.flagged == 1)
Index("entries_of_cell", entries.c.page_id, entries.c.cell, entries.c.id)
Index("entries_resent", entries.c.client, entries.c.seq, unique=True, sqlite_where=entries.c.client != "")


def _triggers() -> list[str]:
    """SQL that makes every table append-only, whatever program opens the file."""
    out = []
    for table in metadata.sorted_tables:
        name = table.name
        out += [
            f"CREATE TRIGGER IF NOT EXISTS {name}_no_{verb.lower()} BEFORE {verb} ON {name} "
            f"BEGIN SELECT RAISE(ABORT, '{name} are only added to, never changed or deleted'); END"
            for verb in ("UPDATE", "DELETE")
        ]
        key = next(iter(table.primary_key.columns)).name
        same = f"EXISTS (SELECT 1 FROM {name} WHERE {key} = NEW.{key})"  # noqa: S608 - our own names
        out.append(
            f"CREATE TRIGGER IF NOT EXISTS {name}_no_replace BEFORE INSERT ON {name} WHEN {same} "
            f"BEGIN SELECT RAISE(ABORT, '{name} are only added to, never replaced'); END"
        )
    return out


def _on_connect(connection, _record) -> None:
    connection.isolation_level = None  # SQLAlchemy's begin event opens transactions, not the driver
    try:
        for pragma in ("foreign_keys=ON", "recursive_triggers=ON", "synchronous=FULL"):
            connection.execute(f"PRAGMA {pragma}").close()
    except Error:
        connection.close()
        raise


def _on_begin(connection) -> None:
    connection.exec_driver_sql(connection.get_execution_options().get("begin", "BEGIN IMMEDIATE"))


def open_engine(path: Path) -> tuple[Engine, Engine]:
    """(writing, reading) engines over one pool: a write takes SQLite's lock at once, a read never does."""
    engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": BUSY_SECONDS})
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine, engine.execution_options(begin="BEGIN")


def prepare(engine: Engine) -> None:
    """Create tables, triggers and indexes where they are missing.

    Raises
    ------
    ValueError
        The file is another program's, or a newer version's.
    """
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        version, owner = (cursor.execute(f"PRAGMA {p}").fetchone()[0] for p in ("user_version", "application_id"))
        tables = cursor.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables and owner != APPLICATION_ID:
            raise ValueError("it is another program's database")
        if version > SCHEMA_VERSION:
            raise ValueError(
                f"it was written by a newer digitise (store version {version}, this one knows "
                f"{SCHEMA_VERSION}); update digitise"
            )
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.close()
    finally:
        raw.close()
    if version == SCHEMA_VERSION:
        return
    with engine.begin() as connection:
        metadata.create_all(connection)
        for statement in _triggers():
            connection.exec_driver_sql(statement)
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
        connection.exec_driver_sql(f"PRAGMA user_version={SCHEMA_VERSION}")
