"""A copy of the whole store while runs go on, looked through once it is written; and going on from such a copy.

SQLite copies a state between two transactions: a run that is going on is in the copy with the steps that it had
finished. Keys and archive files are files of their own and are not in it.
"""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import sqlalchemy as sa

from benchrig.errors import BenchError, ConfigError
from benchrig.records.archive.archive_files import archive_beside
from benchrig.records.bench_keys import keys_beside
from benchrig.records.database.place import StorePlace, place_of
from benchrig.records.database_errors import reason_of
from benchrig.records.export_files import new_file
from benchrig.records.identity import chain_key, compare, head_of, heads_beside, read_beside
from benchrig.records.run_reading import read_run
from benchrig.records.schema import cannot_open, look_before, make_engine, migrate, revision_of
from benchrig.records.seal_check import SINGLE, subject_name
from benchrig.records.seals import ChainHead, entries, heads
from benchrig.records.store import Store
from benchrig.records.store_replacement import go_on_from_backup, set_aside
from benchrig.records.tables import HEAD
from benchrig.records.verification import KeptHead, StoreChecked, verify_store

__all__ = ["BackedUp", "Restored", "back_up", "restore"]

LONGEST = 20
"""So many things that are newer are named one by one."""


@dataclass(frozen=True)
class BackedUp:
    """What was copied, and what a look through the copy found."""

    file: Path
    bytes: int
    runs: int
    heads: tuple[ChainHead, ...]
    checked: StoreChecked


@dataclass
class Restored:
    """What was put in place.

    Attributes
    ----------
    runs, next_run : int
        How many are in it, and the number of the next one.
    newer : list of str
        What was in the store that was there and is not in the copy.
    aside : list of Path
        The files of the store that was there.
    """

    runs: int = 0
    next_run: int = 0
    newer: list[str] = field(default_factory=list)
    aside: list[Path] = field(default_factory=list)
    checked: StoreChecked = field(default_factory=StoreChecked)


def back_up(place: Path | StorePlace, file: Path) -> BackedUp:
    """Copy the store into a new file and look through the copy: the database, every seal, every head.

    What is not as it was sealed is told in `BackedUp.checked`: the copy is kept all the same, it may be the last one.

    Raises
    ------
    ConfigError
        There is no store, or it is on a server; or the file is there already or cannot be written.
    BenchError
        The store could not be read.
    """
    store = _file_of(place)
    if not store.exists():
        raise ConfigError(f"There is no store at {store}.", hint="BENCHRIG_HOME names the workshop's folder.")
    Store(store, reading=True)  # one that is lost, older than it was, or another one's is told before it is copied
    with new_file(file) as part:
        try:
            known = _copy(store, part)
            engine = make_engine(part, begin="BEGIN")
            with engine.begin() as connection:
                checked = _checked(connection, store, known)
                runs = int(connection.exec_driver_sql("SELECT count(*) FROM runs").scalar_one())
            _plain(part)
        except (sa.exc.DBAPIError, sqlite3.Error) as error:
            raise BenchError(
                f"The store {store} could not be copied: {reason_of(error)}.",
                hint="Health and free space of both disks. The store is as it was.",
            ) from error
    return BackedUp(file, file.stat().st_size, runs, tuple(known), checked)


def _file_of(place: Path | StorePlace) -> Path:
    """The store's file; a server has ways of its own to make copies."""
    at = place_of(place)
    if at.on_server:
        raise ConfigError(
            f"The store {at} is on a server, which makes its own copies.",
            hint="pg_dump --format=custom makes one while runs go on, pg_restore puts it back; 'benchrig records "
            "verify' looks through it afterwards. Copy the folder 'keys' too.",
        )
    return at.beside


def _copy(source: Path, target: Path) -> list[ChainHead]:
    """Copy a database by its own means; return the heads of the seals as they were before: the copy must hold them."""
    engine = make_engine(source, begin="BEGIN")
    with engine.begin() as connection:
        known = heads(connection) if revision_of(connection) == HEAD else []
    uri = f"{source.absolute().as_uri()}?mode=rw"
    with closing(sqlite3.connect(uri, uri=True)) as there, closing(sqlite3.connect(target)) as copy:
        there.backup(copy)  # all pages at once: with a write-ahead log that keeps nobody from writing
    return known


def _plain(part: Path) -> None:
    """One file, without a log beside it."""
    with closing(sqlite3.connect(part)) as copy:
        copy.execute("PRAGMA journal_mode=DELETE")


def _checked(connection: sa.Connection, store: Path, known: list[ChainHead]) -> StoreChecked:
    archive = archive_beside(store)
    return verify_store(
        connection,
        keys_beside(store),
        {},
        lambda run: read_run(connection, run, traces=True, archive=archive),
        kept=[KeptHead(head.number, head.digest) for head in known],
    )


def restore(place: Path | StorePlace, file: Path, pages: Path | None = None) -> Restored:
    """Go on from a copy. The store that is there is set aside whole; what it holds beyond the copy is told.

    A copy that is as new as the store that was kept here goes on as that store; an older one gets an identity of its
    own and numbers that were never given out (`store_replacement.go_on_from_backup`).

    Raises
    ------
    ConfigError
        No copy of a store, one of a newer program, or one that is not as it was sealed; or a run is going on.
    """
    store = _file_of(place)
    if not file.is_file():
        raise ConfigError(f"There is no file {file}.", hint="The file that 'benchrig records backup' wrote.")
    if store.exists() and file.samefile(store):
        raise ConfigError(f"{file} is the store itself.", hint="The file that 'benchrig records backup' wrote.")
    try:
        look_before(file)
    except sqlite3.Error as error:
        raise ConfigError(
            f"{file} is no copy of a store ({error}).", hint="The file that 'benchrig records backup' wrote."
        ) from error
    part = store.with_name(f".{store.name}.{os.getpid()}.part")
    found = Restored()
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        _bring_up(file, part)
        with make_engine(part, begin="BEGIN").begin() as connection:
            found.checked = _checked(connection, store, [])
            found.runs = int(connection.exec_driver_sql("SELECT count(*) FROM runs").scalar_one())
            sealed = {entry.digest for _, entry in entries(connection, "1 = 1")}
            as_new = _as_new(connection, store)
            own = head_of(connection)
        if found.checked.faults:
            fault = found.checked.faults[0]
            raise ConfigError(
                f"The copy {file} is not as it was sealed: {fault.what}: {fault.says}. Nothing was changed.",
                hint="Take another copy. To go on from this one all the same, put it in the store's place by hand and "
                "say 'benchrig records new-store --from-backup'.",
            )
        if store.exists():
            found.newer = _newer(store, sealed)
        _plain(part)
        found.aside = set_aside(store, identity=False)
        part.replace(store)
    except (sa.exc.DBAPIError, sqlite3.Error, OSError) as error:
        raise cannot_open(StorePlace(store), error) from error
    finally:
        for end in ("", "-wal", "-shm"):
            with suppress(OSError):
                part.with_name(f"{part.name}{end}").unlink(missing_ok=True)
    if not as_new:
        own = go_on_from_backup(store, pages)
    Store(store)
    found.next_run = (0 if own is None else own.run) + 1
    return found


def _bring_up(file: Path, part: Path) -> None:
    _copy(file, part)
    engine = make_engine(part, begin="BEGIN IMMEDIATE")
    with engine.begin() as connection:
        revision = revision_of(connection)
    if revision is None:
        raise ConfigError(f"{file} is no copy of a store.", hint="The file that 'benchrig records backup' wrote.")
    if revision != HEAD:
        migrate(engine, StorePlace(file), revision)


def _as_new(connection: sa.Connection, store: Path) -> bool:
    """Whether a copy comes as far as the store that was kept here, by the file beside it."""
    beside = read_beside(store)
    if beside is None:
        return True
    try:
        compare(StorePlace(store), head_of(connection), beside)
    except ConfigError:
        return False
    there = {chain_key(each.bench, each.simulated): each.number for each in heads(connection)}
    return bool(beside.store) and all(there.get(key, 0) >= number for key, (number, _) in heads_beside(store).items())


def _newer(store: Path, sealed: set[str]) -> list[str]:
    """What is sealed in the store that is there and not in the copy; and that no run is going on there."""
    try:
        Store(store)
        engine = make_engine(store, begin="BEGIN")
        with engine.begin() as connection:
            running = connection.exec_driver_sql("SELECT id FROM runs WHERE ending = 'running'").scalars().all()
            more = [entry for _, entry in entries(connection, "1 = 1") if entry.digest not in sealed]
    except (BenchError, sa.exc.DBAPIError) as error:
        return [f"it cannot be said what, for it cannot be read: {error}"]
    if running:
        raise ConfigError(
            f"Run {running[0]:04d} is going on in {store}. Nothing was changed.", hint="Wait for its end, then restore."
        )
    kinds = {"run end": "run", **{kind: kind for kind in SINGLE}}
    counted = Counter(kinds[entry.kind] for entry in more if entry.kind in kinds)
    named = [f"{subject_name(e.kind, e.subject)}, {e.at[:10]}" for e in more if e.kind in ("run end", *SINGLE)]
    told = [f"{count} {kind}{'s' if count > 1 else ''}" for kind, count in counted.items()]
    if len(named) > LONGEST:
        named = [*named[:LONGEST], f"and {len(named) - LONGEST} more"]
    return [", ".join(told), *named] if named else []
