"""Tables of the journal and how its database is opened: nothing is lost in a crash, nothing written is changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    create_engine,
    event,
    inspect,
    text,
)
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from washboard.errors import InputError, StorageError

SCHEMA = 1

metadata = MetaData()

about = Table("about", metadata, Column("key", String(40), primary_key=True), Column("value", Text, nullable=False))

runs = Table(
    "runs",
    metadata,
    Column("run", String(32), primary_key=True),
    Column("specimen", Text, nullable=False),
    Column("begun_at", String(40), nullable=False),
    Column("version", String(40), nullable=False),
    Column("about", Text, nullable=False),
)

run_ends = Table(
    "run_ends",
    metadata,
    Column("run", String(32), ForeignKey("runs.run"), primary_key=True),
    Column("ended_at", String(40), nullable=False),
    Column("reason", String(40), nullable=False),
    Column("text", Text, nullable=False),
)

passes = Table(
    "passes",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("run", String(32), ForeignKey("runs.run"), nullable=False),
    Column("specimen", Text, nullable=False),
    Column("event", Text, nullable=False),
    Column("block", Integer, nullable=False),
    Column("drive", String(64), nullable=False),
    Column("label", String(64), nullable=False, unique=True),
    Column("begun_at", String(40), nullable=False),
)

pass_states = Table(
    "pass_states",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("number", Integer, ForeignKey("passes.number"), nullable=False),
    Column("state", String(20), nullable=False),
    Column("at", String(40), nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
    UniqueConstraint("number", "state"),
)

pass_results = Table(
    "pass_results",
    metadata,
    Column("number", Integer, ForeignKey("passes.number"), primary_key=True),
    Column("result", Text, nullable=False),
)

marks = Table(
    "marks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("specimen", Text, nullable=False),
    Column("after_number", Integer, nullable=False),
    Column("at", String(40), nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
)

_PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=10000")


def open_engine(where: Path | str) -> Engine:
    """An engine on the journal, its tables made if they are new. Raises StorageError, InputError."""
    address = f"sqlite:///{where}" if isinstance(where, Path) else where
    try:
        engine = create_engine(make_url(address))
    except (ArgumentError, ImportError) as error:
        raise InputError(f"'{address}' is not the address of a database that can be opened here: {error}") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_pragmas)
        event.listen(engine, "begin", _begin)
    try:
        if inspect(engine).has_table("about"):
            with engine.connect() as connection:
                _check_schema(connection, str(where))
        else:
            with writing(engine).begin() as connection:
                metadata.create_all(connection)
                if engine.dialect.name == "sqlite":
                    _forbid_changes(connection)
                connection.execute(about.insert().values(key="schema", value=str(SCHEMA)))
    except SQLAlchemyError as error:
        engine.dispose()
        reason = str(getattr(error, "orig", None) or error).splitlines()[0]
        raise StorageError(
            f"{where}: the journal cannot be opened ({reason}). It is the record of what was done to the specimen: "
            "keep the file, and its -wal and -shm files beside it, and restore it from a copy rather than deleting it"
        ) from None
    except StorageError:
        engine.dispose()
        raise
    return engine


def _set_pragmas(connection: Any, _record: Any) -> None:
    # The driver must not begin or commit on its own: PRAGMAs take effect outside a transaction only.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in _PRAGMAS:
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def writing(engine: Engine) -> Engine:
    """The same engine for transactions that write."""
    return engine.execution_options(washboard_writes=True)


def _begin(connection: Connection) -> None:
    # Taking the write lock at once means that the number read is still the last one when the row is written.
    writes = connection.get_execution_options().get("washboard_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _forbid_changes(connection: Connection) -> None:
    for table in metadata.sorted_tables:
        for action in ("UPDATE", "DELETE"):
            name = f"no_{action.lower()}_of_{table.name}"
            connection.execute(
                text(
                    f"CREATE TRIGGER IF NOT EXISTS {name} BEFORE {action} ON {table.name} "
                    f"BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
                )
            )


def _check_schema(connection: Connection, where: str) -> None:
    found = connection.execute(about.select().where(about.c.key == "schema")).mappings().one()
    if int(found["value"]) > SCHEMA:
        raise StorageError(
            f"{where}: this journal was written by a newer Washboard (its layout is {found['value']}, known here: "
            f"{SCHEMA}); use that version"
        )
