"""Opening the database: make a fresh one, recognise our own, bring an older one up to date, refuse all others.

A fresh database is made from the metadata and stamped with the newest revision, without importing Alembic, which costs
more than everything else here together. Alembic is imported only when an older database has to be upgraded.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.pool import NullPool

from benchrig.errors import BenchError, ConfigError
from benchrig.records.database.place import StorePlace
from benchrig.records.database.server import (
    holds_other_tables,
    server_cannot,
    server_engines,
    server_has_store,
)
from benchrig.records.database_errors import reason_of
from benchrig.records.identity import (
    Head,
    compare,
    head_of,
    keep_beside,
    lost,
    new_head,
    read_beside,
    write_head,
)
from benchrig.records.seals import heads
from benchrig.records.tables import APPLICATION_ID, HEAD, metadata
from benchrig.records.waiting import SLICE_S, Waiting

__all__ = ["begin_store", "cannot_open", "look_before", "make_engine", "migrate", "open_database", "revision_of"]

_PRAGMAS = (f"busy_timeout={SLICE_S * 1000:.0f}", "journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON")


def make_engine(path: Path, *, begin: str, waiting: Waiting | None = None) -> sa.Engine:
    """An engine whose transactions start with `begin`: ``BEGIN IMMEDIATE`` to write, ``BEGIN`` to read.

    Connections are not pooled: when the last one closes, the write-ahead log is folded back and one plain file is left.
    Other programs in the way are waited for, both when a connection is set up and when a transaction begins.
    """
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)), poolclass=NullPool)
    patient = waiting if waiting is not None else Waiting()

    @event.listens_for(engine, "connect")
    def _set_up(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None  # SQLAlchemy begins, not the driver: otherwise CREATE TABLE survives a rollback
        for pragma in _PRAGMAS:
            patient.until_done(lambda pragma=pragma: dbapi.execute(f"PRAGMA {pragma}"))  # type: ignore[misc]

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        patient.until_done(lambda: connection.exec_driver_sql(begin))

    return engine


def open_database(place: StorePlace, waiting: Waiting | None = None) -> tuple[sa.Engine, sa.Engine]:
    """Make or open the store at `place`, bring it up to date, and make sure that it is the one that was kept there.

    Returns
    -------
    tuple of Engine
        One to write with, one to read with.

    Raises
    ------
    ConfigError
        The path cannot be written or the server not reached, what is there is no database or another program's, or a
        newer benchrig made it; or a store was kept here that is missing, emptied, another one, or older than it was.
    """
    path = place.beside
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(
            f"Records {path}: the folder cannot be made ({error.strerror or error}).",
            hint="Does a file of that name stand in the way? May you write there? BENCHRIG_HOME names another folder.",
        ) from error
    try:
        beside = read_beside(path) if place.on_server else look_before(path)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise cannot_open(place, error) from error
    if place.on_server:
        writer, reader = server_engines(place, Waiting() if waiting is None else waiting)
    else:
        writer = make_engine(path, begin="BEGIN IMMEDIATE", waiting=waiting)
        reader = make_engine(path, begin="BEGIN", waiting=waiting)
    try:
        _bring_up(place, writer, reader, beside)
    except BaseException:
        writer.dispose()
        reader.dispose()
        raise
    return writer, reader


def _bring_up(place: StorePlace, writer: sa.Engine, reader: sa.Engine, beside: Head | None) -> None:
    try:
        with reader.begin() as connection:
            if place.on_server:
                _make_sure_of_schema(connection, place)
            found = revision_of(connection)
        if found is None:
            with writer.begin() as connection:
                found = revision_of(connection)  # another program may have been quicker
                if found is None:
                    begin_store(connection, place)
                    found = HEAD
        if found != HEAD:
            migrate(writer, place, found)
        with reader.begin() as connection:
            own = head_of(connection)
            sealed = heads(connection)
    except (sa.exc.SQLAlchemyError, sqlite3.Error, UnicodeDecodeError) as error:
        raise cannot_open(place, error) from error
    compare(place, own, beside)
    if own is not None and (beside is None or beside.digest != own.digest or beside.after(own) != beside):
        keep_beside(place.beside, own, sealed)


def look_before(path: Path, mode: str = "rw") -> Head | None:
    """Look before touching: is it ours, and is it still there? Return what the file beside it says.

    The file beside it is read first: it is written after the database, so that one that is there promises the other.
    """
    beside = read_beside(path)
    if path.is_dir():
        raise ConfigError(f"Records {path}: this is a folder, not a database file.", hint="Give the file inside it.")
    if not path.exists() or path.stat().st_size == 0:
        if beside is not None:
            what = "the database is empty" if path.exists() else "the database is missing"
            raise lost(StorePlace(path), beside, what)
        log = path.with_name(f"{path.name}-wal")
        if log.exists() and log.stat().st_size > 0:
            raise lost(StorePlace(path), Head("", ""), f"there is a write-ahead log, {log.name}, without its database")
        return None
    # Setting the journal mode would already change another program's file.
    with closing(sqlite3.connect(f"{path.as_uri()}?mode={mode}", uri=True, timeout=SLICE_S)) as probe:
        found: list[tuple[int, int]] = []
        Waiting().until_done(lambda: found.append(_of_file(probe)))
    application, count = found[0]
    # No tables at all: our own file, from a start that was cut off before its first commit.
    if application != APPLICATION_ID and count:
        raise ConfigError(
            f"Records {path}: a database of another program.",
            hint="Give another path; benchrig makes its own database when the file does not exist.",
        )
    if not count and beside is not None:
        raise lost(StorePlace(path), beside, "the database is empty")
    return beside


def _of_file(probe: sqlite3.Connection) -> tuple[int, int]:
    # In this order: tables and stamp are written in one commit, which another program may be just about to make.
    (count,) = probe.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application,) = probe.execute("PRAGMA application_id").fetchone()
    return int(application), int(count)


def begin_store(connection: sa.Connection, place: StorePlace, after: Head | None = None) -> Head:
    """Make the tables of a new store, unless one was kept here; its numbers go on after those of a lost one."""
    beside = read_beside(place.beside)
    if beside is not None and after is None:
        raise lost(place, beside, "the database is empty")
    if place.on_server and holds_other_tables(connection):
        raise ConfigError(
            f"Records {place}: there are tables of another program.",
            hint="Name a database of its own for the records (createdb NAME), or an empty schema in the URL: "
            "?options=-csearch_path%3DNAME",
        )
    metadata.create_all(connection)
    _stamp(connection)
    head = new_head()
    if after is not None:
        head = head.after(after)
    write_head(connection, head)
    connection.exec_driver_sql("INSERT INTO sealed_since VALUES (1, 0, 0, 0, 0, 0)")
    return head


def _make_sure_of_schema(connection: sa.Connection, place: StorePlace) -> None:
    if connection.exec_driver_sql("SELECT current_schema()").scalar() is None:
        raise ConfigError(
            f"Records {place}: there is no such schema, or this user may not use it.",
            hint="The search_path in the URL's options. A schema is made on the server: CREATE SCHEMA name.",
        )


def migrate(writer: sa.Engine, place: StorePlace, found: str | None) -> None:
    """Upgrade a database from revision `found` (None: from nothing) to the newest, by the packaged migrations.

    Raises
    ------
    ConfigError
        The revision is not one that this program knows, or a migration failed; the database is as it was.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory
    from alembic.util.exc import CommandError

    config = Config()
    # The option goes through configparser, which reads % as its own sign.
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    try:
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if found is not None and found not in known:
            raise ConfigError(
                f"Records {place}: written by a newer benchrig (store revision {found!r}; this program knows "
                f"{HEAD!r}).",
                hint="Update benchrig on this computer. The records are untouched.",
            )
        with writer.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            if not place.on_server:
                connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
    except (sa.exc.DBAPIError, CommandError) as error:
        raise ConfigError(
            f"Records {place}: bringing the store from revision {found} to {HEAD} failed ({_reason(error)}).",
            hint="Free space on the disk? Is another benchrig running? The records are as they were.",
        ) from error


def revision_of(connection: sa.Connection) -> str | None:
    """The store's revision; None for a database without tables of ours."""
    if connection.dialect.name == "postgresql":
        there = server_has_store(connection)
    else:
        query = "SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'"
        there = connection.exec_driver_sql(query).first() is not None
    if not there:
        return None
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    return str(row[0]) if row is not None else ""


def _stamp(connection: sa.Connection) -> None:
    connection.exec_driver_sql(
        "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL, "
        "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
    )
    connection.execute(sa.text("INSERT INTO alembic_version VALUES (:head)"), {"head": HEAD})
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")


def cannot_open(place: StorePlace, error: Exception) -> BenchError:
    """The error for a database that the library would not open."""
    if place.on_server:
        return server_cannot(place, error)
    reason = _reason(error)
    if "not a database" in reason or "malformed" in reason:
        return ConfigError(
            f"Records {place}: not a database ({reason}).",
            hint="Give another path, or restore the file from a backup.",
        )
    return ConfigError(
        f"Records {place}: cannot be opened for writing ({reason}).",
        hint="May you write into that folder? Free space on the disk? Is another program holding the file?",
    )


def _reason(error: Exception) -> str:
    if isinstance(error, UnicodeDecodeError):  # SQLite tells of a damaged schema in its own words
        return "malformed database schema"
    return reason_of(error)
