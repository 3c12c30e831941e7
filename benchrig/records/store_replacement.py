"""By will: a new store where one was lost, or going on from a backup. Numbers go on; nothing is thrown away."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import sqlalchemy as sa

from benchrig.clock import utc_now
from benchrig.errors import ConfigError
from benchrig.records.bench_keys import keys_beside
from benchrig.records.database.place import StorePlace
from benchrig.records.database.run_holds import leftovers
from benchrig.records.identity import Head, head_of, identity_path, keep_beside, new_head, read_beside, write_head
from benchrig.records.schema import begin_store, cannot_open, make_engine, migrate, revision_of
from benchrig.records.seals import heads, seal_new_identity
from benchrig.records.tables import HEAD

__all__ = ["begin_anew", "go_on_from_backup", "set_aside"]


def begin_anew(path: Path, pages: Path | None = None) -> tuple[Head, list[Path]]:
    """Begin a new store at `path`, and set aside whatever stands there.

    Parameters
    ----------
    pages : Path or None
        Folder of pages, whose names tell the numbers of runs too.

    Returns
    -------
    tuple
        The new store's identity with the numbers that it goes on from, and the files that were set aside.

    Raises
    ------
    ConfigError
        It cannot be written.
    """
    before = Head("", "")
    for known in (read_beside(path), _highest_in(path), _highest_page(pages)):
        if known is not None:
            before = before.after(known)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = set_aside(path)
        _forget_leftovers(path)
        with make_engine(path, begin="BEGIN IMMEDIATE").begin() as connection:
            head = begin_store(connection, StorePlace(path), before)
    except (sa.exc.DBAPIError, sqlite3.Error, OSError) as error:
        raise cannot_open(StorePlace(path), error) from error
    keep_beside(path, head, ())
    return head, aside


def set_aside(path: Path, *, identity: bool = True) -> list[Path]:
    """Give the files of a store other names, with the time in them; return these. Raises OSError."""
    stamp = f"{utc_now():%Y%m%d-%H%M%S}"
    aside: list[Path] = []
    files = [path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))]
    for old in [*files, identity_path(path)] if identity else files:
        if old.exists():
            aside.append(old.rename(old.with_name(f"{path.name}.set-aside-{stamp}{old.name[len(path.name) :]}")))
    return aside


def go_on_from_backup(path: Path, pages: Path | None = None) -> Head:
    """Take the store that stands at `path` as the one to go on with, although it is older than the one that was kept.

    It gets an identity of its own, so that the lost one, if it is found again, is not taken for this one.

    Raises
    ------
    ConfigError
        There is no store of ours at `path`, or it cannot be written.
    """
    if not path.exists() or not path.stat().st_size:
        raise ConfigError(f"Records {path}: no backup stands there.", hint="Copy the backup there, under this name.")
    engine = make_engine(path, begin="BEGIN IMMEDIATE")
    try:
        with engine.begin() as connection:
            found = revision_of(connection)
        if found is None:
            raise ConfigError(
                f"Records {path}: not a store of benchrig.", hint="Copy the backup there, under this name."
            )
        if found != HEAD:
            migrate(engine, StorePlace(path), found)
        with engine.begin() as connection:
            own = head_of(connection) or new_head()
            for known in (read_beside(path), _highest_page(pages)):
                if known is not None:
                    own = own.after(known)
            head = replace(own, store=new_head().store)
            write_head(connection, head)
            seal_new_identity(connection, keys_beside(path), utc_now())
            sealed = heads(connection)
        _forget_leftovers(path)
        identity_path(path).unlink(missing_ok=True)
    except (sa.exc.DBAPIError, sqlite3.Error, OSError) as error:
        raise cannot_open(StorePlace(path), error) from error
    keep_beside(path, head, sealed)
    return head


def _highest_in(path: Path) -> Head | None:
    """The highest numbers in a database, as far as they can be read."""
    if not path.exists() or not path.stat().st_size:
        return None
    numbers = {"run": 0, "check": 0, "calibration": 0}
    with suppress(sqlite3.Error), closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True)) as raw:
        for kind in numbers:
            with suppress(sqlite3.Error):
                numbers[kind] = raw.execute(f"SELECT coalesce(max(id), 0) FROM {kind}s").fetchone()[0]
    return Head("", "", numbers["run"], numbers["check"], numbers["calibration"])


def _highest_page(pages: Path | None) -> Head | None:
    if pages is None or not pages.is_dir():
        return None
    named = (re.fullmatch(r"run-(\d{4,17})(?:-[A-Za-z0-9-]+)?\.html", each.name) for each in pages.iterdir())
    return Head("", "", run=max((int(each[1]) for each in named if each), default=0))


def _forget_leftovers(path: Path) -> None:
    for left in leftovers(path):
        for file in (left.spare, left.lock):
            file.unlink(missing_ok=True)
