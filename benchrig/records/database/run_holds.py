"""Who owns a run that is going on: a lock that falls by itself when its program ends, in whatever way.

Beside a file it is a locked file. On a server it is an advisory lock of the connection that records the run, which the
server lets fall when the connection ends: nothing on any computer's disk decides there.
"""

from __future__ import annotations

import glob
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import sqlalchemy as sa
from filelock import FileLock

from benchrig.records.database.server import SCHEMA

__all__ = [
    "FileHold",
    "Leftover",
    "RunHold",
    "ServerHold",
    "give_back",
    "leftovers",
    "lock_path",
    "run_number",
    "spare_path",
    "taken_on_server",
]

SPARE_BYTES = 256 * 1024
"""Several times what the last entry of a record, its journal and the journal's index take."""
_OF_RUN = f"{SCHEMA}, CAST(:run AS int)"
_TAKE = sa.text(f"SELECT pg_try_advisory_lock({_OF_RUN})")
_TAKE_FOR_NOW = sa.text(f"SELECT pg_try_advisory_xact_lock({_OF_RUN})")


def run_number(run_id: int) -> str:
    """A run's number as people say it: at least four digits."""
    return f"{run_id:04d}"


def lock_path(store: Path, run: str) -> Path:
    """The file beside the store that a run going on holds locked; the lock falls when its program ends, in any way."""
    return store.with_name(f"{store.name}.run-{run}.lock")


def spare_path(store: Path, run: str) -> Path:
    """A file that only takes up room, given up when the disk is full so that the record can be closed."""
    return store.with_name(f"{store.name}.run-{run}.spare")


@dataclass(frozen=True)
class Leftover:
    """Files of a run that was going on: its number, and the digest of what it had written last; empty for none."""

    run_id: int
    spare: Path
    lock: Path
    digest: str


def leftovers(store: Path) -> tuple[Leftover, ...]:
    """What runs that are going on, or were cut off, keep beside the store."""
    found = []
    for spare in sorted(store.parent.glob(f"{glob.escape(store.name)}.run-*.spare")):
        number = spare.name[len(store.name) + 5 : -6]
        if number.isascii() and number.isdigit() and len(number) < 18:
            with suppress(OSError), spare.open("rb") as file:
                digest = file.read(64).rstrip(b"\0").decode("ascii", "replace")
                found.append(Leftover(int(number), spare, lock_path(store, number), digest))
    return tuple(found)


def give_back(lock: FileLock) -> None:
    """Let go of a run's lock and take its file away."""
    # Taken away while still held, so that no other run's lock can be meant; a file that stays behind does no harm.
    with suppress(OSError):
        Path(lock.lock_file).unlink(missing_ok=True)
    with suppress(OSError):
        lock.release()


class RunHold(Protocol):
    """What says that a run is going on."""

    def take(self, connection: sa.Connection, run_id: int) -> None:
        """Take it, inside the transaction that opens the record: nobody ever sees the run running and unheld."""

    def witness(self, digest: str) -> None:
        """Note how far the run has come, after its commit."""

    def make_room(self) -> None:
        """Give up what only takes up room on the disk."""

    def let_go(self) -> None:
        """The run has ended."""


class FileHold:
    """A locked file beside the store, and one that keeps room and the last digest: a lost journal is noticed by it."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._lock: FileLock | None = None
        self._spare: Path | None = None

    def take(self, connection: sa.Connection, run_id: int) -> None:
        """See `RunHold`."""
        number = run_number(run_id)
        self._lock = FileLock(lock_path(self._store, number), thread_local=False)
        self._lock.acquire(timeout=0)
        self._spare = spare_path(self._store, number)
        self._spare.write_bytes(bytes(SPARE_BYTES))

    def witness(self, digest: str) -> None:
        """See `RunHold`."""
        if self._spare is not None:
            with suppress(OSError), self._spare.open("r+b") as file:
                file.write(digest.encode())

    def make_room(self) -> None:
        """See `RunHold`."""
        if self._spare is not None:
            with suppress(OSError):
                self._spare.unlink(missing_ok=True)
            self._spare = None

    def let_go(self) -> None:
        """See `RunHold`."""
        # The spare file goes last: killed in between, `leftovers` still finds what there is to take away.
        if self._lock is not None:
            give_back(self._lock)
            self._lock = None
        self.make_room()


class ServerHold:
    """A lock of the recorder's own connection; it falls with it, so there is nothing to let go of."""

    def take(self, connection: sa.Connection, run_id: int) -> None:
        """See `RunHold`. Again on a new connection where the first was lost."""
        connection.execute(_TAKE, {"run": run_id})

    def witness(self, digest: str) -> None:
        """See `RunHold`: a server's journal is its own affair."""

    def make_room(self) -> None:
        """See `RunHold`."""

    def let_go(self) -> None:
        """See `RunHold`."""


def taken_on_server(connection: sa.Connection, run_id: int) -> bool:
    """Take the lock of a run until the end of the transaction; False where somebody holds it."""
    return bool(connection.execute(_TAKE_FOR_NOW, {"run": run_id}).scalar())
