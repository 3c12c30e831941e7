"""The database behind the store's back, on either engine."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from benchrig.records.database.place import StorePlace, place_of

__all__ = ["behind", "raw_database"]


@contextmanager
def raw_database(place: Path | StorePlace) -> Iterator[Any]:
    """A connection whose transaction is committed at the end, or rolled back on an error, and which is closed.

    Its `execute` takes SQL with ``?`` for values and gives a cursor, as that of sqlite3.
    """
    at = place_of(place)
    if not at.on_server:
        with closing(sqlite3.connect(at.beside)) as raw, raw:
            yield raw
        return
    import psycopg

    with psycopg.connect(at.url.replace("+psycopg", "")) as server:
        yield _Server(server)


class _Server:
    def __init__(self, connection: Any) -> None:
        self._connection = connection

    def execute(self, sql: str, values: tuple[Any, ...] = ()) -> Any:
        return self._connection.execute(sql.replace("%", "%%").replace("?", "%s"), values)


def behind(place: Path | StorePlace, *statements: str) -> None:
    """Do something to the database behind the store's back: none of its rules hold meanwhile."""
    with raw_database(place) as raw:
        if place_of(place).on_server:
            raw.execute("SET session_replication_role = replica")
            rules = []
        else:
            rules = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in rules:
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert raw.execute(statement).rowcount > 0
        for _, sql in rules:
            raw.execute(sql)
