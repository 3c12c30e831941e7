"""The sequencer's `Sink`: each call is one transaction, safe on the disk when it returns."""

from __future__ import annotations

import errno
import sqlite3
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import sqlalchemy as sa

from benchrig.bench.traceability import TraceabilityItem
from benchrig.errors import BenchError
from benchrig.records import digests, serialization, tables
from benchrig.records.bench_keys import BenchKeys, keys_beside
from benchrig.records.database.place import StorePlace
from benchrig.records.database.run_holds import FileHold, RunHold, ServerHold, run_number
from benchrig.records.database.server import server_is_away
from benchrig.records.database_errors import reason_of
from benchrig.records.head_beside import head_kept
from benchrig.records.identity import next_number, note_run
from benchrig.records.seals import seal
from benchrig.sequencer.events import RunEnded, RunStarted, StepResult

__all__ = [
    "ChainLink",
    "Recorder",
    "close_run",
    "has_link",
    "last_link",
    "run_number",
]

# Statements are made once: built anew they cost more than what the database does with them.
_BENCH_OF_RUN = sa.text("SELECT bench, simulated FROM runs WHERE id = :id")
_LAST_STEP = sa.text("SELECT digest, position, ended_s FROM steps WHERE run_id = :id ORDER BY position DESC LIMIT 1")
_FIRST_DIGEST = sa.text("SELECT start_digest FROM runs WHERE id = :id")
_END = sa.update(tables.runs).where(tables.runs.c.id == sa.bindparam("of_run"))
_ENDING_OF_RUN = sa.text("SELECT ending FROM runs WHERE id = :id")


class Recorder:
    """Writes one run at a time into the store. Get one from `Store.recorder`."""

    def __init__(self, writer: sa.Engine, place: StorePlace) -> None:
        self._writer = writer
        self._place = place
        self._run_id: int | None = None
        self._hold: RunHold = ServerHold() if place.on_server else FileHold(place.beside)
        self._connection: sa.Connection | None = None
        self._kept: list[str] = []
        self._keys = keys_beside(place.beside)

    def run_started(self, run: RunStarted) -> str:
        """Open a record and return the run's number, e.g. ``"0042"``.

        Raises
        ------
        BenchError
            The record could not be written.
        """
        if self._run_id is not None:
            raise ValueError("a recorder writes one run at a time")
        self._kept = []
        try:
            with head_kept(self._place.beside) as keep, self._writing() as connection:
                run_id = next_number(connection, "run")
                number = run_number(run_id)
                digest = digests.start_digest(number, run)
                tables.insert_row(
                    connection,
                    tables.runs,
                    dict(
                        **vars(run.intake),
                        id=run_id,
                        started_at=run.at,
                        ending="running",
                        simulated=int(run.bench.simulated),
                        seed=None if run.seed is None else int(run.seed),
                        program=run.program,
                        model_facts=run.model,
                        bench_facts=run.bench,
                        error="",
                        hint="",
                        bench_state="",
                        start_digest=digest,
                        bench=run.bench.name,
                    ),
                )
                note_run(connection, digest)
                if run.bench.grounds:
                    connection.execute(sa.insert(tables.rests_on), [_ground_row(run_id, g) for g in run.bench.grounds])
                seal(connection, self._keys, (run.bench.name, run.bench.simulated), "run", run_id, run.at)
                keep(connection)
                self._hold.take(connection, run_id)
        except BaseException:
            self._let_go()
            raise
        self._run_id = run_id
        self._hold.witness(digest)
        return number

    def step_finished(self, step: StepResult) -> None:
        """Keep one finished step with its traces.

        Raises
        ------
        BenchError
            The record could not be written; the steps before are safe.
        """
        run_id = self._running()
        with self._writing() as connection:
            # The chain goes on from what is in the file, not from what we remember having written.
            last = last_link(connection, run_id)
            digest = digests.step_digest(last.digest, step)
            step_id = tables.insert_row(
                connection,
                tables.steps,
                {
                    "run_id": run_id,
                    "position": last.position + 1,
                    "name": step.name,
                    "title": step.title,
                    "started_s": step.started_s,
                    "ended_s": step.ended_s,
                    "readings": step.readings,
                    "notes": step.notes,
                    "skipped": step.skipped,
                    "digest": digest,
                },
            )
            found = [
                {**vars(each), "step_id": step_id, "position": position}
                for position, each in enumerate(step.characteristics)
            ]
            drawn = [
                {**vars(serialization.trace_content(each)), "step_id": step_id, "position": position}
                for position, each in enumerate(step.traces)
            ]
            for table, rows in ((tables.characteristics, found), (tables.traces, drawn)):
                if rows:
                    connection.execute(sa.insert(table), rows)
        self._kept.append(step.name)
        self._hold.witness(digest)

    def run_ended(self, end: RunEnded) -> None:
        """Close the record.

        Raises
        ------
        BenchError
            The record could not be closed. Its steps are safe; the next start of the program marks it as aborted.
        """
        run_id = self._running()
        try:
            with head_kept(self._place.beside) as keep, self._writing() as connection:
                close_run(connection, self._keys, run_id, end)
                keep(connection)
        finally:
            self._run_id = None
            self._let_go()

    def _hold_again(self, connection: sa.Connection) -> None:
        """On a server the hold is the connection's own: it ends with it and is taken anew by the next."""
        if not self._place.on_server:
            return
        connection.detach()
        weakref.finalize(self, _forget, connection)
        if self._run_id is None:
            return
        with connection.begin():
            self._hold.take(connection, self._run_id)
            ending = connection.execute(_ENDING_OF_RUN, {"id": self._run_id}).scalar()
        if ending != "running":
            raise BenchError(
                f"Run {run_number(self._run_id)} in {self._place} was closed as {ending} while the server was away.",
                hint="Its finished steps are kept. Start the run again.",
            )

    def _disconnect(self) -> None:
        if self._connection is not None:
            # What could not be written was told already; a failure to close adds nothing.
            with suppress(sa.exc.DBAPIError):
                self._connection.close()
            self._connection = None

    def _let_go(self) -> None:
        self._disconnect()
        self._hold.let_go()

    def _running(self) -> int:
        if self._run_id is None:
            raise ValueError("no run is being recorded")
        return self._run_id

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        """One transaction. The connection stays open between the steps of a run: closing costs as much as a commit."""
        try:
            if self._connection is None:
                self._connection = self._writer.connect()
                self._hold_again(self._connection)
            with self._connection.begin():
                yield self._connection
        except (sa.exc.DBAPIError, OSError) as error:
            # Closing folds the write-ahead log back, and with the spare room the record can be closed on a full disk.
            self._disconnect()
            self._hold.make_room()
            reason = reason_of(error)
            run = "" if self._run_id is None else f" Run {run_number(self._run_id)} keeps {_named(self._kept)}."
            raise BenchError(
                f"The record could not be written into {self._place}: {reason}.{run}", hint=_advice(error)
            ) from error


def _forget(connection: sa.Connection) -> None:
    """A recorder that is given up lets its run fall."""
    with suppress(sa.exc.DBAPIError):
        connection.close()


def _ground_row(run_id: int, ground: TraceabilityItem) -> dict[str, int | None]:
    is_check = ground.kind == "check"
    return {
        "run_id": run_id,
        "check_id": ground.number if is_check else None,
        "calibration_id": None if is_check else ground.number,
    }


@dataclass(frozen=True)
class ChainLink:
    """The last link of a run's chain so far; `position` is -1 and `ended_s` 0 before the first step."""

    digest: str
    position: int
    ended_s: float


def last_link(connection: sa.Connection, run_id: int) -> ChainLink:
    """Where a run's chain of digests has come to."""
    row = connection.execute(_LAST_STEP, {"id": run_id}).first()
    if row is not None:
        return ChainLink(*row)
    return ChainLink(connection.execute(_FIRST_DIGEST, {"id": run_id}).scalar_one(), -1, 0.0)


def has_link(connection: sa.Connection, run_id: int, digest: str) -> bool:
    """Whether a digest is one of a run's chain."""
    r, c = tables.runs.c, tables.steps.c
    of_run = sa.select(r.id).where(r.id == run_id, (r.start_digest == digest) | (r.end_digest == digest))
    of_step = sa.select(c.id).where(c.run_id == run_id, c.digest == digest)
    return connection.execute(of_run).first() is not None or connection.execute(of_step).first() is not None


def close_run(connection: sa.Connection, keys: BenchKeys, run_id: int, end: RunEnded) -> None:
    """Write how a run ended, and seal the whole of it."""
    judgement = end.judgement
    written = {
        "of_run": run_id,
        "ended_at": end.at,
        "ending": end.ending,
        "verdict": None if judgement is None else judgement.verdict,
        "cause": None if judgement is None else judgement.cause,
        "cause_probability": None if judgement is None else judgement.cause_probability,
        "disposition": None if judgement is None else judgement.disposition,
        "judgement": judgement,
        "bench_seconds": end.bench_seconds,
        "error": end.error,
        "hint": end.hint,
        "bench_state": end.bench_state,
        "end_digest": digests.end_digest(last_link(connection, run_id).digest, end),
    }
    connection.execute(_END, written)
    bench, simulated = connection.execute(_BENCH_OF_RUN, {"id": run_id}).one()
    seal(connection, keys, (bench, bool(simulated)), "run end", run_id, end.at)


def _named(steps: list[str]) -> str:
    if not steps:
        return "its intake; no step had ended yet"
    return f"its finished steps ({', '.join(steps)})"


_DISK_FULL = "Free some space on the disk, then start the run again. Nothing that was already written is lost."
_HELD = "Close the other program that holds the records (a database viewer, a backup), then start the run again."
_READ_ONLY = "May you write to the file and its folder? Is the disk mounted read-only? Then start the run again."
_SQLITE_ADVICE = {
    sqlite3.SQLITE_FULL: _DISK_FULL,
    sqlite3.SQLITE_BUSY: _HELD,
    sqlite3.SQLITE_LOCKED: _HELD,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _READ_ONLY,
}
_SERVER_ADVICE = {
    "53100": "Free some space on the server's disk, then start the run again. Nothing that was written is lost.",
    "25006": "The server takes no changes: a copy, or in recovery? Name the one that does.",
    "42501": "The user's rights in the database: he must be owner of the schema, or have been granted its use.",
}
_SYSTEM_ADVICE = {errno.ENOSPC: _DISK_FULL, errno.EACCES: _READ_ONLY, errno.EPERM: _READ_ONLY, errno.EROFS: _READ_ONLY}


def _advice(error: sa.exc.DBAPIError | OSError) -> str:
    """What to do about it, by SQLite's primary result code or the system's number of the error."""
    if isinstance(error, OSError):
        known = _SYSTEM_ADVICE.get(error.errno or 0)
    elif isinstance(error.orig, sqlite3.Error):
        known = _SQLITE_ADVICE.get(getattr(error.orig, "sqlite_errorcode", 0) & 0xFF)
    elif server_is_away(error):
        known = "Is the server running, and the network there? Then start the run again."
    else:
        known = _SERVER_ADVICE.get(str(getattr(error.orig, "sqlstate", "")))
    return known or "Free space and health of the disk, the cable of an external one. Then start the run again."
