"""Opening the database file: make a fresh one, recognise our own, bring an older one up to date, refuse all others.

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

from benchrig.errors import ConfigError
from benchrig.records.tables import APPLICATION_ID, HEAD, metadata

__all__ = ["make_engine", "migrate", "open_database"]

BUSY_MS = 1000
"""How long a writer waits for another one, in milliseconds; a commit takes a few."""

_PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_MS}")


def make_engine(path: Path, *, begin: str) -> sa.Engine:
    """An engine whose transactions start with `begin`: ``BEGIN IMMEDIATE`` to write, ``BEGIN`` to read.

    Connections are not pooled: when the last one closes, the write-ahead log is folded back and one plain file is left.
    """
    engine = sa.create_engine(sa.URL.create("sqlite", database=str(path)), poolclass=NullPool)

    @event.listens_for(engine, "connect")
    def _set_up(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None  # SQLAlchemy begins, not the driver: otherwise CREATE TABLE survives a rollback
        for pragma in _PRAGMAS:
            dbapi.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def open_database(path: Path) -> tuple[sa.Engine, sa.Engine]:
    """Make or open the database at `path` and bring it up to date.

    Returns
    -------
    tuple of Engine
        One to write with, one to read with.

    Raises
    ------
    ConfigError
        The path cannot be written, the file is no database or another program's, or a newer benchrig made it.
    """
    path = path.absolute()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(
            f"Records {path}: the folder cannot be made ({error.strerror or error}).",
            hint="Does a file of that name stand in the way? May you write there? BENCHRIG_HOME names another folder.",
        ) from error
    if path.is_dir():
        raise ConfigError(f"Records {path}: this is a folder, not a database file.", hint="Give the file inside it.")
    try:
        _refuse_foreign(path)
        writer = make_engine(path, begin="BEGIN IMMEDIATE")
        with writer.begin() as connection:
            found = _revision(connection)
            if found is None:
                metadata.create_all(connection)
                _stamp(connection)
                found = HEAD
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        raise _cannot_open(path, error) from error
    if found != HEAD:
        migrate(writer, path, found)
    return writer, make_engine(path, begin="BEGIN")


def migrate(writer: sa.Engine, path: Path, found: str | None) -> None:
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
                f"Records {path}: written by a newer benchrig (store revision {found!r}; this program knows {HEAD!r}).",
                hint="Update benchrig on this computer. The records are untouched.",
            )
        with writer.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
    except (sa.exc.DBAPIError, CommandError) as error:
        raise ConfigError(
            f"Records {path}: bringing the store from revision {found} to {HEAD} failed ({_reason(error)}).",
            hint="Free space on the disk? Is another benchrig running? The records are as they were.",
        ) from error


def _refuse_foreign(path: Path) -> None:
    """Look before touching: setting the journal mode would already change another program's file."""
    if not path.exists() or path.stat().st_size == 0:
        return
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, timeout=BUSY_MS / 1000)) as probe:
        (application,) = probe.execute("PRAGMA application_id").fetchone()
        (tables,) = probe.execute("SELECT count(*) FROM sqlite_master").fetchone()
    # No tables at all: our own file, from a start that was cut off before its first commit.
    if application != APPLICATION_ID and tables:
        raise ConfigError(
            f"Records {path}: a database of another program.",
            hint="Give another path; benchrig makes its own database when the file does not exist.",
        )


def _revision(connection: sa.Connection) -> str | None:
    if connection.exec_driver_sql("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").first() is None:
        return None
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    return str(row[0]) if row is not None else ""


def _stamp(connection: sa.Connection) -> None:
    connection.exec_driver_sql(
        "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL, "
        "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
    )
    connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (HEAD,))
    connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")


def _cannot_open(path: Path, error: Exception) -> ConfigError:
    reason = _reason(error)
    if "not a database" in reason or "malformed" in reason:
        return ConfigError(
            f"Records {path}: not a database ({reason}).",
            hint="Give another path, or bring the file back from a backup.",
        )
    return ConfigError(
        f"Records {path}: cannot be opened for writing ({reason}).",
        hint="May you write into that folder? Free space on the disk? Is another program holding the file?",
    )


def _reason(error: Exception) -> str:
    return str(error.orig) if isinstance(error, sa.exc.DBAPIError) else str(error)
