"""Moving old traces out of the store into archive files. Interrupted at any moment, nothing is lost or there twice.

A file is written whole, read back, and held against the store sample by sample; then one transaction puts its name in
the place of all its traces. Cut off before that, the file is there and the store still holds the traces, from which
they are read; the next time such a file is taken up first.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa
from filelock import FileLock, Timeout

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError
from benchrig.records.archive.archive_files import ArchiveAbsent, ArchiveFolder, RunTraces, import_parquet
from benchrig.records.archive.archived_arrays import MARK, ArchivedArrays
from benchrig.records.arrays import unpack_arrays
from benchrig.records.database.place import StorePlace
from benchrig.records.database_errors import read_connection, write_connection
from benchrig.records.run_reading import read_run

__all__ = ["Archived", "archive_traces"]

RUNS_IN_FILE = 500

_PLAIN = "substr(traces.arrays, 1, :length) <> :mark"
_OLD = sa.text(
    "SELECT runs.id FROM runs WHERE started_at < :before AND ending <> 'running' AND EXISTS "
    f"(SELECT 1 FROM steps JOIN traces ON traces.step_id = steps.id WHERE steps.run_id = runs.id AND {_PLAIN}) "
    "ORDER BY runs.id"
)
_OF_RUN = sa.text(
    "SELECT traces.id, steps.position AS step_place, steps.name AS step, traces.position, traces.name, traces.arrays "
    f"FROM steps JOIN traces ON traces.step_id = steps.id WHERE steps.run_id = :run AND {_PLAIN} "
    "ORDER BY steps.position, traces.position"
)
_RUN = sa.text("SELECT tag, started_at, end_digest FROM runs WHERE id = :run")
_MOVED = sa.text("UPDATE traces SET arrays = :now WHERE id = :id AND length(arrays) = :length")
_MARKED = {"length": len(MARK), "mark": MARK}


@dataclass
class Archived:
    """What was done.

    Attributes
    ----------
    files : list of str
        Names of the archive files whose traces were moved.
    runs, traces, stored_bytes : int
        How many, and what they took in the store.
    left : list of str
        Why runs were left where they are, a sentence each.
    """

    files: list[str] = field(default_factory=list)
    runs: int = 0
    traces: int = 0
    stored_bytes: int = 0
    left: list[str] = field(default_factory=list)


class _Stored(NamedTuple):
    """One trace as it stands in the store."""

    id: int
    step_place: int
    step: str
    position: int
    name: str
    arrays: bytes


def archive_traces(
    writer: sa.Engine,
    reader: sa.Engine,
    store: StorePlace,
    archive: ArchiveFolder,
    before: datetime,
    tell: Callable[[int], object] = lambda _: None,
) -> Archived:
    """Move the traces of all runs that ended and were begun before then.

    Parameters
    ----------
    tell : callable
        Told how many runs have been moved, file by file.

    Raises
    ------
    ConfigError
        Another program is archiving, the folder cannot be written, or the library for Parquet is not installed.
    BenchError
        The store cannot be read or written; what was moved until then is.
    """
    import_parquet()
    done = Archived()
    try:
        archive.folder.mkdir(parents=True, exist_ok=True)
        with FileLock(archive.folder / ".lock", timeout=0):
            archive.forget_parts()
            _finish(writer, reader, store, archive, done)
            with read_connection(reader, store) as connection:
                # As it is written in the column: the text is compared.
                at = before.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
                old = list(connection.execute(_OLD, {"before": at, **_MARKED}).scalars())
            sound = [run for run in old if _sound(reader, store, run, done)]
            for start in range(0, len(sound), RUNS_IN_FILE):
                numbers = sound[start : start + RUNS_IN_FILE]
                name = archive.write(_runs(reader, store, numbers), numbers[0], numbers[-1])
                _move(writer, reader, store, archive, name, done)
                tell(done.runs)
    except Timeout as error:
        raise ConfigError(
            f"Another program is archiving into {archive.folder}.", hint="Wait until it has ended."
        ) from error
    except OSError as error:
        raise ConfigError(
            f"{archive.folder} cannot be written ({error.strerror or error}).",
            hint="May you write there? Is there space left? What was not archived is in the store as before.",
        ) from error
    return done


def _finish(writer: sa.Engine, reader: sa.Engine, store: StorePlace, archive: ArchiveFolder, done: Archived) -> None:
    """Move what stands in files that were written and not yet taken up, or that a restored backup still holds."""
    for name in archive.names():
        try:
            there = archive.runs_in(name)
        except (ArchiveAbsent, ValueError):
            continue  # nobody's yet, or damaged: 'records verify' says so where a run needs it
        with read_connection(reader, store) as connection:
            waiting = [
                run for run, was in there.items() if _stored(connection, run) and _digest(connection, run) == was
            ]
        if not waiting or not all(_sound(reader, store, run, done) for run in waiting):
            continue  # those that are sound go into a file of their own
        try:
            _move(writer, reader, store, archive, name, done)
        except ValueError as error:
            done.left.append(f"{name} in {archive.folder} is damaged and was not taken up: {error}")


def _sound(reader: sa.Engine, store: StorePlace, run: int, done: Archived) -> bool:
    """Whether a record is as it was written: what is not stays where it can be looked into."""
    try:
        with read_connection(reader, store) as connection:
            faults = read_run(connection, run, traces=True).digest_faults()
    except Exception as error:  # noqa: BLE001 - a record that cannot be read in whatever way is left alone
        faults = (str(error),)
    said = f"run {run:04d} is left in the store, it is not as it was recorded: {faults[0]}" if faults else ""
    if said and said not in done.left:
        done.left.append(said)
    return not faults


def _runs(reader: sa.Engine, store: StorePlace, numbers: list[int]) -> Iterator[RunTraces]:
    for run in numbers:
        with read_connection(reader, store) as connection:
            of = connection.execute(_RUN, {"run": run}).one()
            traces = tuple(
                ((each.step_place, each.position), each.step, each.name, unpack_arrays(each.arrays))
                for each in _stored(connection, run)
            )
        yield RunTraces(run, of.started_at, of.tag, of.end_digest or "", traces)


def _stored(connection: sa.Connection, run: int) -> list[_Stored]:
    return [_Stored(*row) for row in connection.execute(_OF_RUN, {"run": run, **_MARKED})]


def _digest(connection: sa.Connection, run: int) -> str | None:
    row = connection.execute(_RUN, {"run": run}).first()
    return None if row is None else row.end_digest or ""


def _move(
    writer: sa.Engine, reader: sa.Engine, store: StorePlace, archive: ArchiveFolder, name: str, done: Archived
) -> None:
    """Hold a file against the store, and let its name stand there in place of the traces, all in one transaction."""
    moved: list[dict[str, object]] = []
    runs = 0
    for run, digest in archive.runs_in(name).items():
        with read_connection(reader, store) as connection:
            stored = _stored(connection, run) if _digest(connection, run) == digest else []
        if not stored:
            continue
        in_file = archive.arrays(name, run)
        if not all(
            _alike(unpack_arrays(each.arrays), in_file.get((each.step_place, each.position))) for each in stored
        ):
            done.left.append(f"run {run:04d} is left in the store: what {name} holds of it is something else")
            continue
        runs += 1
        for each in stored:
            place = ArchivedArrays(name, hashlib.sha256(each.arrays).hexdigest())
            moved.append({"id": each.id, "length": len(each.arrays), "now": place.written()})
    if not moved:
        return
    with write_connection(writer, store, "archive's name") as connection:
        for row in moved:
            if connection.execute(_MOVED, row).rowcount != 1:
                raise ConfigError(f"Records {store}: a trace was changed while it was archived.", hint="Try again.")
    done.files.append(name)
    done.runs += runs
    done.traces += len(moved)
    done.stored_bytes += sum(int(str(row["length"])) for row in moved)


def _alike(stored: Mapping[str, Samples], archived: Mapping[str, Samples] | None) -> bool:
    """Whether two traces have the same arrays in the same order, bit by bit."""
    if archived is None or list(stored) != list(archived):
        return False
    return all(
        np.array_equal(np.ascontiguousarray(each).view("<u8"), archived[name].view("<u8"))
        for name, each in stored.items()
    )
