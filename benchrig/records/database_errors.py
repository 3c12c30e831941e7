"""Writing into the store and reading from it, with a database's errors told as ours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from benchrig.errors import BenchError
from benchrig.records.database.place import StorePlace

__all__ = ["read_connection", "reason_of", "unreadable", "write_connection"]


@contextmanager
def write_connection(writer: sa.Engine, place: StorePlace, what: str) -> Iterator[sa.Connection]:
    """A transaction that is committed at the end of the block.

    Raises
    ------
    BenchError
        `what` ("bench check") could not be written; the store is as it was before.
    """
    try:
        with writer.begin() as connection:
            yield connection
    except (sa.exc.DBAPIError, OSError) as error:
        raise BenchError(
            f"The {what} could not be written into {place}: {reason_of(error)}.",
            hint="Free space on the disk? Is another program holding the file? What was there before stands.",
        ) from error


def reason_of(error: Exception) -> str:
    """What the database or the system said, on one line and without its full stop."""
    said: object = error
    if isinstance(error, sa.exc.DBAPIError):
        said = error.orig
    elif isinstance(error, OSError):
        said = error.strerror or error
    return " ".join(str(said).split()).rstrip(".")


@contextmanager
def read_connection(reader: sa.Engine, place: StorePlace) -> Iterator[sa.Connection]:
    """A transaction that only reads.

    Raises
    ------
    BenchError
        The file is damaged inside, or what stands in it is no record.
    """
    try:
        with reader.begin() as connection:
            yield connection
    except sa.exc.DBAPIError as error:
        raise unreadable(place, error) from error
    except (ValueError, KeyError, TypeError) as error:
        raise unreadable(place, error) from error


def unreadable(place: StorePlace, error: Exception) -> BenchError:
    """The error for a store of which something cannot be read."""
    return BenchError(
        f"Records {place}: something in it cannot be read: {reason_of(error)}.",
        hint="Health of the disk; was the file changed by another program? Restore it from a backup. Until then "
        "'benchrig records list' names the runs that can be read.",
    )
