"""Who a store is and how far it has come: one row in the database, and a small file beside it as a second witness.

A database that was deleted, emptied, put back from an old backup, or robbed of its write-ahead log still opens. The
file beside it remembers the store's identity and the highest numbers it has given out, so that such a store is noticed
and numbers are never given out twice. The file is written after the commit: it may be behind the database, never ahead.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

import sqlalchemy as sa

from benchrig.clock import utc_now
from benchrig.errors import ConfigError
from benchrig.records import tables
from benchrig.records.database.place import StorePlace

__all__ = [
    "FROM_BACKUP",
    "NEW_STORE",
    "Head",
    "Numbered",
    "chain_key",
    "compare",
    "head_of",
    "heads_beside",
    "identity_path",
    "keep_beside",
    "lost",
    "new_head",
    "next_number",
    "note_run",
    "read_beside",
    "write_head",
]

Numbered = Literal["run", "check", "calibration"]

NEW_STORE = (
    "Restore the newest backup, with the file that ends in .identity left as it is.\n"
    "Without one: 'benchrig records new-store' begins a new store; run numbers go on where the lost one ended."
)
FROM_BACKUP = (
    "Restore a newer backup (the database and, if there is one, the file that ends in -wal).\n"
    "If this is the newest there is: 'benchrig records new-store --from-backup' goes on from it; the numbers of the "
    "lost runs are never used again."
)
_NUMBERS = {
    kind: sa.text(f'SELECT (SELECT max(id) FROM {kind}s), (SELECT "{kind}" FROM identity WHERE id = 1)')
    for kind in ("run", "check", "calibration")
}
"""The highest number in a table and the highest given out. Plain text: it is part of what each run costs."""
_GIVEN = {kind: sa.text(f'UPDATE identity SET "{kind}" = :number WHERE id = 1') for kind in _NUMBERS}
_DIGEST = sa.text("UPDATE identity SET digest = :digest WHERE id = 1")
ON_SERVER = (
    "Restore the server's newest backup. Is there no newer one, delete {file} on each computer that uses this "
    "store: each bench then delivers what is missing anew, from its own store. What was written there directly "
    "(decisions) is lost."
)
_ABOUT = (
    "benchrig notices by this file when the store beside it was lost or put back from an old backup: leave it here."
)


@dataclass(frozen=True)
class Head:
    """Identity of a store, and how far it has come.

    Attributes
    ----------
    store : str
        Made once, when the store is begun; never the same for two stores.
    made : str
        When, as ISO 8601 in UTC.
    run, check, calibration : int
        The highest numbers given out so far; 0 for none.
    digest : str
        The start digest of the run of that number.
    """

    store: str
    made: str
    run: int = 0
    check: int = 0
    calibration: int = 0
    digest: str = ""

    def after(self, other: Head) -> Head:
        """The same store, with numbers no lower than those of another."""
        return replace(
            self,
            run=max(self.run, other.run),
            check=max(self.check, other.check),
            calibration=max(self.calibration, other.calibration),
        )


def new_head() -> Head:
    """The identity of a store that is being begun."""
    return Head(uuid.uuid4().hex, utc_now().isoformat())


def identity_path(store: Path) -> Path:
    """The file beside the database."""
    return store.with_name(f"{store.name}.identity")


# -- the row


def write_head(connection: sa.Connection, head: Head) -> None:
    """Write the row, in place of one that is there."""
    connection.execute(sa.delete(tables.identity))
    connection.execute(sa.insert(tables.identity).values(id=1, **asdict(head)))


def head_of(connection: sa.Connection) -> Head | None:
    """The row; None when it is not there."""
    row = connection.exec_driver_sql(
        'SELECT store, made, run, "check", calibration, digest FROM identity WHERE id = 1'
    ).first()
    return None if row is None else Head(*row)


def next_number(connection: sa.Connection, kind: Numbered) -> int:
    """Give out the next number of a kind, inside the transaction that writes what it is given to."""
    highest, given = connection.execute(_NUMBERS[kind]).one()
    number = max(int(highest or 0), int(given or 0)) + 1
    connection.execute(_GIVEN[kind], {"number": number})
    return number


def note_run(connection: sa.Connection, digest: str) -> None:
    """Keep the start digest of the run whose number was given out last."""
    connection.execute(_DIGEST, {"digest": digest})


# -- the file beside it


def read_beside(store: Path) -> Head | None:
    """What the file beside the database says.

    Returns
    -------
    Head or None
        None when there is no such file. A file that cannot be read gives an identity without a name: something was
        here, and that is all it can witness.
    """
    return _said(_text_beside(store))


def _text_beside(store: Path) -> str | None:
    """What stands in the file; empty where it cannot be read, None where there is none."""
    try:
        return identity_path(store).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError):
        return ""


def _said(text: str | None) -> Head | None:
    if text is None:
        return None
    try:
        said = json.loads(text)
        numbers = {key: int(said[key]) for key in ("run", "check", "calibration")}
        return Head(str(said["store"]), str(said["made"]), **numbers, digest=str(said["digest"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        return Head("", "")


def heads_beside(store: Path) -> dict[str, list[Any]]:
    """How far each chain of seals had come by what the file says: the chain's key -> number and digest of its head."""
    return _sealed(_text_beside(store))


def _sealed(text: str | None) -> dict[str, list[Any]]:
    try:
        said = json.loads(text or "{}")["sealed"]
        return {str(chain): [int(number), str(digest)] for chain, (number, digest) in said.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def chain_key(bench: str, simulated: int, origin: str = "") -> str:
    """How the file names a chain."""
    return f"{'simulated' if simulated else 'real'}: {bench}{f' ({origin})' if origin else ''}"


def keep_beside(store: Path, head: Head, sealed: Iterable[tuple[str, int, int, str, str]]) -> None:
    """Write the file, whole or not at all. A full disk does not matter: the file may be behind the database.

    `sealed` are the heads of the chains of seals: bench, simulated or not, number, digest, origin.
    """
    text = _text_beside(store)
    before = _said(text)
    chains = {chain_key(bench, sim, origin): [number, digest] for bench, sim, number, digest, origin in sealed}
    if before is not None and before.store == head.store:
        kept = _sealed(text)
        chains = {**kept, **{key: each for key, each in chains.items() if key not in kept or each[0] > kept[key][0]}}
        if before.run > head.run:
            head = replace(head, digest=before.digest)
        head = head.after(before)
    path = identity_path(store)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        told = {"about": _ABOUT, **asdict(head), "sealed": chains}
        part.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)


# -- both together


def lost(place: StorePlace, beside: Head, what: str) -> ConfigError:
    """The error for a store that was here and is not any more."""
    kept = f" Runs up to {beside.run:04d} were in it." if beside.run else ""
    return ConfigError(
        f"Records {place}: {what}, but a store was kept here.{kept} Nothing was begun anew.",
        hint=_hint(place, NEW_STORE),
    )


def _hint(place: StorePlace, of_a_file: str) -> str:
    return ON_SERVER.format(file=identity_path(place.beside)) if place.on_server else of_a_file


def compare(place: StorePlace, own: Head | None, beside: Head | None) -> None:
    """Hold what the database says of itself against the file beside it.

    Raises
    ------
    ConfigError
        The database is older than it once was, or is another store than the one that was kept here.
    """
    if beside is None or not beside.store:
        return
    if own is None or own.store != beside.store:
        raise ConfigError(
            f"Records {place}: this is not the store that was kept here"
            + (f", which came to run {beside.run:04d}" if beside.run else "")
            + ". Was a file of another computer, or an old backup, put in its place?",
            hint=_hint(place, FROM_BACKUP),
        )
    behind = next(
        (
            f"{kind} {there:04d} was kept in it and it comes only to {here:04d}"
            for kind, here, there in (
                ("run", own.run, beside.run),
                ("check", own.check, beside.check),
                ("calibration", own.calibration, beside.calibration),
            )
            if here < there
        ),
        "",
    )
    if behind:
        lacks_log = not place.on_server and not _log(place.beside)
        raise ConfigError(
            f"Records {place}: the store is older than it once was: {behind}. "
            f"{'Its write-ahead log is missing, or ' if lacks_log else ''}an old backup was put in its place.",
            hint=_hint(place, FROM_BACKUP),
        )
    if own.run == beside.run and beside.digest and own.digest != beside.digest:
        raise ConfigError(
            f"Records {place}: run {own.run:04d} in it is not the run {own.run:04d} that was kept here. Was an old "
            "backup used meanwhile on another computer?",
            hint=_hint(place, FROM_BACKUP),
        )


def _log(path: Path) -> bool:
    return path.with_name(f"{path.name}-wal").exists()
