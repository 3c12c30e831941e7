"""Looking at a store that cannot be written: on a read-only medium, on a full disk, or of somebody else."""

from __future__ import annotations

import atexit
import os
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.pool import NullPool

from benchrig.errors import ConfigError
from benchrig.records.database.place import StorePlace
from benchrig.records.identity import compare, head_of
from benchrig.records.schema import cannot_open, look_before, revision_of
from benchrig.records.tables import HEAD
from benchrig.records.waiting import SLICE_S, Waiting

__all__ = ["may_write", "open_for_reading"]

ROOM_BYTES = 256 * 1024
"""A database that is opened for writing needs room for its write-ahead log and the log's index."""


def may_write(path: Path) -> bool:
    """Whether a store can be opened as usual. One that is not there is for the usual way to make or refuse."""
    try:
        if not path.exists():
            return True
        return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK) and _room(path.parent) >= ROOM_BYTES
    except OSError:
        return True


def _room(folder: Path) -> int:
    return shutil.disk_usage(folder).free


def open_for_reading(path: Path, waiting: Waiting) -> sa.Engine:
    """Open a store without writing anything beside it or into it.

    Raises
    ------
    ConfigError
        No store, another program's, one of another revision, or not the store that was kept here.
    """
    try:
        beside = look_before(path, "ro" if _has_log(path) else "ro&immutable=1")
        engine = _engine(path, waiting)
        with engine.begin() as connection:
            found = revision_of(connection)
            if found != HEAD:
                raise ConfigError(
                    f"Records {path}: store revision {found!r}; this program reads {HEAD!r}, and cannot bring it up to "
                    "date where it may not write.",
                    hint="Copy the whole folder to a disk that can be written and name that by BENCHRIG_HOME.",
                )
            compare(StorePlace(path), head_of(connection), beside)
    except (sa.exc.DBAPIError, sqlite3.Error, OSError, UnicodeDecodeError) as error:
        raise cannot_open(StorePlace(path), error) from error
    return engine


def _has_log(path: Path) -> bool:
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _engine(path: Path, waiting: Waiting) -> sa.Engine:
    """With nothing in a write-ahead log the file is all there is and does not change; otherwise a copy is read."""
    if _has_log(path):
        # A log needs its index, a file that cannot be made here.
        copies = Path(tempfile.mkdtemp(prefix="benchrig-records-"))
        atexit.register(shutil.rmtree, copies, ignore_errors=True)
        for name in (path.name, f"{path.name}-wal"):
            shutil.copyfile(path.with_name(name), copies / name)
        uri = f"{(copies / path.name).as_uri()}?mode=rw"
    else:
        uri = f"{path.as_uri()}?mode=ro&immutable=1"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(uri, uri=True, timeout=SLICE_S, check_same_thread=False)

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "connect")
    def _set_up(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        waiting.until_done(lambda: connection.exec_driver_sql("BEGIN"))

    return engine
