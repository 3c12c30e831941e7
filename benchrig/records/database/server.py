"""A store on PostgreSQL: reaching it, taking turns in it, its tables, and what to check when it cannot be reached."""

from __future__ import annotations

import importlib.util
import weakref
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

from benchrig.errors import BenchError, ConfigError
from benchrig.records.database.place import StorePlace
from benchrig.records.waiting import Waiting

__all__ = ["StoreAway", "holds_other_tables", "server_cannot", "server_engines", "server_has_store", "server_is_away"]


class StoreAway(ConfigError):
    """The server cannot be reached now: the network, or the server itself."""


CONNECT_S = 5
"""So long a server may take to answer before it counts as away."""
SILENT_S = 10
"""So long a connection may be silent with something unacknowledged before it counts as broken."""
TURNS = 0x62724C31
"""First half of the advisory lock that whoever writes into a store holds; the second is the schema's number."""
_SETTINGS = """
SELECT set_config('synchronous_commit', CASE current_setting('synchronous_commit') WHEN 'off' THEN 'on'
ELSE current_setting('synchronous_commit') END, false), set_config('jit', 'off', false)
"""
"""A commit is on the disk when it returns, whatever the server's file says. Compiling costs more than our queries."""
SCHEMA = "(SELECT oid::int FROM pg_namespace WHERE nspname = current_schema())"
_TURN = f"SELECT pg_try_advisory_xact_lock({TURNS}, {SCHEMA})"


def server_engines(place: StorePlace, waiting: Waiting) -> tuple[sa.Engine, sa.Engine]:
    """Engines to write and to read; nothing is asked of the server yet.

    A transaction that writes waits for its turn first, as in SQLite; one that reads sees the store as it was when it
    began.

    Raises
    ------
    ConfigError
        The driver is not installed.
    """
    if importlib.util.find_spec("psycopg") is None:
        raise ConfigError(
            f"Records {place}: the driver for PostgreSQL, psycopg, is not installed.",
            hint="pip install 'benchrig[postgres]'",
        )
    writer = _engine(place, {})

    @event.listens_for(writer, "begin")
    def _begin(connection: sa.Connection) -> None:
        waiting.until_done(lambda: _take_turn(connection))

    return writer, _engine(place, {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True})


def _engine(place: StorePlace, options: dict[str, Any]) -> sa.Engine:
    """An engine that hands its connections back to the server when nobody has it any more."""
    given = sa.make_url(place.url).query
    usual = {
        "connect_timeout": CONNECT_S,
        "keepalives_idle": SILENT_S,
        "keepalives_interval": 2,
        "keepalives_count": 3,
        "tcp_user_timeout": SILENT_S * 1000,
        "application_name": "benchrig",
    }
    engine = sa.create_engine(
        place.url,
        connect_args={name: value for name, value in usual.items() if name not in given},
        pool_size=2,
        pool_pre_ping=True,
    )

    @event.listens_for(engine, "connect")
    def _set_up(dbapi: Any, _record: object) -> None:
        dbapi.execute(_SETTINGS)
        dbapi.commit()

    handed_out = engine.execution_options(**options)
    weakref.finalize(handed_out, engine.dispose)
    return handed_out


def _take_turn(connection: sa.Connection) -> None:
    if not connection.exec_driver_sql(_TURN).scalar():
        raise sa.exc.OperationalError("begin", None, BlockingIOError("locked: another program is writing into it"))


def server_has_store(connection: sa.Connection) -> bool:
    """Whether the schema holds a store of ours, of whatever revision."""
    query = "SELECT to_regclass('alembic_version') IS NOT NULL AND to_regclass('identity') IS NOT NULL"
    return bool(connection.exec_driver_sql(query).scalar())


def holds_other_tables(connection: sa.Connection) -> bool:
    """Whether there is anything in the schema that is no store of ours."""
    here = "relnamespace = current_schema()::regnamespace AND relkind = 'r'"
    query = f"SELECT EXISTS (SELECT 1 FROM pg_class WHERE {here})"
    return bool(connection.exec_driver_sql(query).scalar())


_HINTS = (
    ("password authentication failed", "The user's name and password: in the URL, in ~/.pgpass or in PGPASSWORD."),
    ("no password supplied", "The user's password: in the URL, in ~/.pgpass or in PGPASSWORD."),
    ("pg_hba.conf", "Does the server let this computer and this user in? Its file pg_hba.conf says so."),
    ("does not exist", "The names in the URL. A database is made on the server: createdb NAME."),
    ("could not translate host name", "The server's name in the URL; is the network there?"),
    ("name or service not known", "The server's name in the URL; is the network there?"),
    ("failed to resolve host", "The server's name in the URL; is the network there?"),
    ("connection refused", "Is the server running? Does it listen there? Host and port in the URL."),
    ("no such file or directory", "Is the server running? The folder of its socket in the URL."),
    ("starting up", "The server is starting. Try again in a moment."),
    ("shutting down", "The server is being stopped. Try again when it is back."),
    ("permission denied", "The user's rights: he must be owner of the schema, or have been granted its use."),
    ("read-only", "The server takes no changes: a copy, or in recovery? Name the one that does."),
    ("too many clients", "The server has no connection left: its max_connections."),
    ("disk full", "Free some space on the server's disk."),
    ("no space left", "Free some space on the server's disk."),
    ("locked", "Is another program stopped in the middle of writing? The server's pg_stat_activity names it."),
)


def server_cannot(place: StorePlace, error: Exception) -> ConfigError | BenchError:
    """The error for a server that could not be reached, or would not."""
    said = str(error.orig if isinstance(error, sa.exc.DBAPIError) else error)
    low = said.lower()
    hint = next((hint for mark, hint in _HINTS if mark in low), "Is the server running, and the network there?")
    reason = " ".join(said.split())
    kind = StoreAway if server_is_away(error) else ConfigError
    return kind(f"Records {place}: cannot be opened ({reason}).", hint=hint)


_AWAY = ("08", "57P", "53300")


def server_is_away(error: BaseException) -> bool:
    """Whether an error means that the server could not be reached or went away, and not that it said no."""
    if not isinstance(error, sa.exc.OperationalError | sa.exc.InterfaceError | sa.exc.TimeoutError):
        return False
    if isinstance(error, sa.exc.TimeoutError) or error.connection_invalidated:
        return True
    state = getattr(error.orig, "sqlstate", None)
    if state is not None:
        return str(state).startswith(_AWAY)
    said = str(error.orig).lower()
    return not any(mark in said for mark in ("authentication", "password", "does not exist", "pg_hba", "locked"))
