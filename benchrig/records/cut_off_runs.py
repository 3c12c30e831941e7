"""Runs that were cut off: marked as running, though nobody holds them any more. They are closed as aborted."""

from __future__ import annotations

import sqlalchemy as sa
from filelock import FileLock, Timeout

from benchrig.clock import utc_now
from benchrig.errors import BenchError, ConfigError
from benchrig.records import tables
from benchrig.records.bench_keys import BenchKeys, keys_beside
from benchrig.records.database.place import StorePlace
from benchrig.records.database.run_holds import (
    give_back,
    leftovers,
    lock_path,
    run_number,
    spare_path,
    taken_on_server,
)
from benchrig.records.database_errors import reason_of
from benchrig.records.identity import FROM_BACKUP
from benchrig.records.recorder import close_run, has_link, last_link
from benchrig.sequencer.events import RunEnded

__all__ = ["CUT_OFF", "close_cut_off_runs"]

CUT_OFF = "the program was cut off before the run ended"
CUT_OFF_HINT = "Power, computer, or was the program killed? The finished steps are kept; take the valve through again."
CUT_OFF_STATE = "not known; the board turns all outputs off by itself when the program falls silent"
_RUNNING = "SELECT id FROM runs WHERE ending = 'running' ORDER BY id"
_BEGUN_WITH = sa.text(
    "SELECT runs.bench, runs.simulated, seals.key FROM runs "
    "JOIN seals ON seals.kind = 'run' AND seals.subject = runs.id WHERE runs.id = :id"
)


def close_cut_off_runs(place: StorePlace, writer: sa.Engine, reader: sa.Engine) -> None:
    """Close them.

    Raises
    ------
    BenchError
        One of them cannot be closed.
    ConfigError
        What one of them had written last is not in the store.
    """
    (_close_on_server if place.on_server else _close_in_file)(place, writer, reader)


def _close_on_server(place: StorePlace, writer: sa.Engine, reader: sa.Engine) -> None:
    """A run is held by its connection. Only who has the key that it was begun with closes it: its own bench, then."""
    keys = keys_beside(place.beside)
    with reader.begin() as connection:
        running = connection.exec_driver_sql(_RUNNING).scalars().all()
        begun = [(run_id, connection.execute(_BEGUN_WITH, {"id": run_id}).first()) for run_id in running]
    for run_id, row in begun:
        if row is None or keys.kept(row.bench, simulated=bool(row.simulated)) != row.key:
            continue
        try:
            with writer.begin() as connection:
                if taken_on_server(connection, run_id):
                    _close(connection, keys, run_id)
        except (sa.exc.DBAPIError, OSError) as error:
            raise _cannot_close(place, run_id, error) from error


def _close_in_file(place: StorePlace, writer: sa.Engine, reader: sa.Engine) -> None:
    path = place.beside
    left = leftovers(path)
    with reader.begin() as connection:
        running = connection.exec_driver_sql(_RUNNING).scalars().all()
        lost = [each for each in left if each.digest and not has_link(connection, each.run_id, each.digest)]
    for run_id in sorted({*running, *(each.run_id for each in left)}):
        lock = FileLock(lock_path(path, run_number(run_id)), thread_local=False)
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError):
            continue  # it is going on, in this program or another one
        try:
            # Looked at again, now that it is sure that nobody is writing this run.
            with reader.begin() as connection:
                gone = [x for x in lost if x.run_id == run_id and not has_link(connection, run_id, x.digest)]
            if gone:
                raise _log_lost(place, run_id)
            spare_path(path, run_number(run_id)).unlink(missing_ok=True)
            if run_id in running:
                keys = keys_beside(path)
                if not keys.readable():
                    continue  # who may sign closes it
                with writer.begin() as connection:
                    _close(connection, keys, run_id)
        except (sa.exc.DBAPIError, OSError) as error:
            raise _cannot_close(place, run_id, error) from error
        finally:
            give_back(lock)


def _cannot_close(place: StorePlace, run_id: int, error: sa.exc.DBAPIError | OSError) -> BenchError:
    return BenchError(
        f"Run {run_number(run_id)} was cut off; its record in {place} cannot be closed: {reason_of(error)}.",
        hint="Free space on the disk? Is another program holding the file? Its finished steps are safe.",
    )


def _log_lost(place: StorePlace, run_id: int) -> ConfigError:
    return ConfigError(
        f"Records {place}: run {run_number(run_id)} was cut off, and what it had written last is not in the store. Its "
        "write-ahead log is missing, or an old backup was put in its place.",
        hint=FROM_BACKUP,
    )


def _close(connection: sa.Connection, keys: BenchKeys, run_id: int) -> None:
    ending = connection.execute(sa.select(tables.runs.c.ending).where(tables.runs.c.id == run_id)).scalar_one()
    if ending != "running":
        return  # it ended between our look and our lock
    seconds = last_link(connection, run_id).ended_s
    end = RunEnded(utc_now(), "aborted", seconds, error=CUT_OFF, hint=CUT_OFF_HINT, bench_state=CUT_OFF_STATE)
    close_run(connection, keys, run_id, end)
