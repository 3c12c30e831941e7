"""The database file behind the store's back."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

__all__ = ["raw_database"]


@contextmanager
def raw_database(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection whose transaction is committed at the end, or rolled back on an error, and which is closed."""
    with closing(sqlite3.connect(path)) as raw, raw:
        yield raw
