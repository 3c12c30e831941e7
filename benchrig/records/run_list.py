"""Which runs are wanted, and their summaries, newest first. What is looked for is found by an index."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Literal, NamedTuple

import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import tables
from benchrig.records.database.place import StorePlace
from benchrig.records.database_errors import unreadable
from benchrig.records.identity import head_of
from benchrig.records.recorder import run_number
from benchrig.records.run_record import RunSummary

__all__ = ["ALL_RUNS", "BatchKept", "RunsWanted", "batches", "day_from", "day_to", "numbers_wanted", "summaries"]

UNREADABLE = "the store is damaged at this run: restore it from a backup"
_AS_THEY_ARE = (
    "tag",
    "model",
    "batch",
    "ending",
    "verdict",
    "cause",
    "cause_probability",
    "disposition",
    "bench_seconds",
    "error",
)


@dataclass(frozen=True)
class RunsWanted:
    """Which runs: all that fit to everything that is said here.

    Attributes
    ----------
    tag, model, bench, batch, cause : str or None
        As they stand in the records; a cause in any case of its letters.
    verdict : str or None
        Or ``aborted``.
    since, before : datetime or None
        Begun at the earlier of these instants or later, and before the later one.
    simulated : bool or None
        Only of simulated benches, or only of real ones.
    calibration, check : int or None
        That rested on it.
    """

    tag: str | None = None
    model: str | None = None
    verdict: Literal["accept", "reject", "undecided", "aborted"] | None = None
    cause: str | None = None
    bench: str | None = None
    since: datetime | None = None
    before: datetime | None = None
    simulated: bool | None = None
    calibration: int | None = None
    check: int | None = None
    batch: str | None = None

    def conditions(self) -> list[sa.ColumnElement[bool]]:
        """The same for the database."""
        c, r = tables.runs.c, tables.rests_on.c
        found: list[sa.ColumnElement[bool]] = []
        if self.tag is not None:
            found.append(c.tag == self.tag.strip())
        cause = None if self.cause is None else self.cause.lower()
        for column, wanted in ((c.model, self.model), (c.bench, self.bench), (c.cause, cause), (c.batch, self.batch)):
            if wanted is not None:
                found.append(column == wanted.strip())
        if self.verdict == "aborted":
            found += [c.verdict.is_(None), c.ending == "aborted"]
        elif self.verdict is not None:
            found.append(c.verdict == self.verdict)
        if self.since is not None:
            found.append(c.started_at >= self.since)
        if self.before is not None:
            found.append(c.started_at < self.before)
        if self.simulated is not None:
            found.append(c.simulated == int(self.simulated))
        for column, number in ((r.calibration_id, self.calibration), (r.check_id, self.check)):
            if number is not None:
                found.append(c.id.in_(sa.select(r.run_id).where(column == number)))
        return found

    @property
    def by_time(self) -> bool:
        """Whether the index that finds them has them in the order of their beginnings, not of their numbers."""
        asked = (self.verdict, self.cause, self.bench, self.batch, self.since, self.before)
        return self.tag is None and any(each is not None for each in asked)


ALL_RUNS = RunsWanted()


def day_from(typed: str) -> datetime:
    """The beginning of a day, or an instant, in the computer's time zone.

    Raises
    ------
    ConfigError
        It is neither.
    """
    return _instant(typed)[0]


def day_to(typed: str) -> datetime:
    """The end of a day (the first instant that is not in it any more), or an instant. Raises ConfigError."""
    return _instant(typed)[1]


def _instant(typed: str) -> tuple[datetime, datetime]:
    text = typed.strip()
    try:
        if len(text) <= 10:
            day = date.fromisoformat(text)
            first, last = (datetime.combine(each, time()) for each in (day, day + timedelta(days=1)))
        else:
            first = last = datetime.fromisoformat(text)
        return first.astimezone(UTC), last.astimezone(UTC)
    except (ValueError, OverflowError, OSError) as error:
        raise ConfigError(
            f"{typed!r} is no date.", hint="As 2026-11-27, or with a time of day: 2026-11-27T14:30."
        ) from error


def numbers_wanted(wanted: RunsWanted) -> sa.Select[Any]:
    """The numbers of runs, the first that was begun first."""
    c = tables.runs.c
    query = sa.select(c.id).where(*wanted.conditions())
    return query.order_by(c.started_at, c.id) if wanted.by_time else query.order_by(c.id)


def summaries(reader: sa.Engine, place: StorePlace, wanted: RunsWanted, limit: int) -> list[RunSummary]:
    """Summaries of the runs that are wanted, newest first, at most `limit` of them.

    Raises
    ------
    BenchError
        The file is damaged inside, where some runs are looked for; of all runs those are named that can be read.
    """
    c = tables.runs.c
    started = sa.type_coerce(c.started_at, sa.Text).label("started")  # a date that is none must not hide the rest
    query = sa.select(c.id, started, c.simulated, *(c[name] for name in _AS_THEY_ARE))
    query = query.where(*wanted.conditions()).limit(limit)
    order = (c.started_at.desc(), c.id.desc()) if wanted.by_time else (c.id.desc(),)
    try:
        with reader.begin() as connection:
            return [_summary(row) for row in connection.execute(query.order_by(*order)).mappings()]
    except sa.exc.DatabaseError as error:
        if wanted != ALL_RUNS:
            raise unreadable(place, error) from error
        return _one_by_one(reader, place, query, limit)


class BatchKept(NamedTuple):
    """One batch in the store; `last` is when its last run began."""

    name: str
    runs: int
    parts: int
    accepted: int
    rejected: int
    undecided: int
    bench_seconds: float | None
    first: datetime
    last: datetime


def batches(connection: sa.Connection, limit: int) -> list[BatchKept]:
    """The batches whose last runs began last, newest first, at most `limit` of them."""
    c = tables.runs.c
    count = sa.func.count
    last = sa.func.max(c.started_at)
    query = (
        sa.select(
            c.batch,
            count(),
            count(c.tag.distinct()),
            *(count().filter(c.verdict == verdict) for verdict in ("accept", "reject", "undecided")),
            sa.func.sum(c.bench_seconds),
            sa.type_coerce(sa.func.min(c.started_at), c.started_at.type),
            sa.type_coerce(last, c.started_at.type),
        )
        .where(c.batch != "")
        .group_by(c.batch)
        .order_by(last.desc())
        .limit(limit)
    )
    return [BatchKept(*row) for row in connection.execute(query)]


def _one_by_one(reader: sa.Engine, place: StorePlace, query: sa.Select[Any], limit: int) -> list[RunSummary]:
    """Summaries from a file that is damaged inside, each run looked up by itself; what cannot be read is named."""
    c = tables.runs.c
    try:
        with reader.begin() as connection:
            own = head_of(connection)
    except sa.exc.DatabaseError as error:
        raise unreadable(place, error) from error
    found: list[RunSummary] = []
    run_id = 0 if own is None else own.run
    while run_id > 0 and len(found) < limit:
        try:
            with reader.begin() as connection:
                row = connection.execute(query.where(c.id == run_id)).mappings().first()
            if row is not None:
                found.append(_summary(row))
        except sa.exc.DatabaseError:
            found.append(_damaged_summary(run_id))
        run_id -= 1
    return found


def _summary(row: Any) -> RunSummary:
    started: datetime | None
    try:
        started = datetime.fromisoformat(row["started"])
        if started.tzinfo is None:
            started = None
    except (ValueError, TypeError):
        started = None
    return RunSummary(
        run=run_number(row["id"]),
        started=started,
        simulated=bool(row["simulated"]),
        **{key: row[key] for key in _AS_THEY_ARE},
    )


def _damaged_summary(run_id: int) -> RunSummary:
    return RunSummary(run_number(run_id), "", "", "", None, "damaged", None, None, None, None, None, False, UNREADABLE)
