"""Writing into the store, with a database's errors told as ours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from benchrig.errors import BenchError

__all__ = ["writing"]


@contextmanager
def writing(writer: sa.Engine, path: Path, what: str) -> Iterator[sa.Connection]:
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
        reason = error.orig if isinstance(error, sa.exc.DBAPIError) else error.strerror or error
        raise BenchError(
            f"The {what} could not be written into {path}: {reason}.",
            hint="Free space on the disk? Is another program holding the file? What was there before stands.",
        ) from error
