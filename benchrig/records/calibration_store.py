"""Bench checks and calibrations in the store: written once, never changed, and which runs rested on which."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from datetime import date, datetime
from typing import Any, Literal

import sqlalchemy as sa

from benchrig.bench.calibrations import Calibration, Constant, Reference, Withdrawal
from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.clock_steps import ClockLook
from benchrig.bench.exchanged_parts import Made
from benchrig.bench.traceability import BenchKey, CheckDone
from benchrig.errors import ConfigError
from benchrig.records import serialization, tables
from benchrig.records.bench_keys import keys_beside
from benchrig.records.database.place import StorePlace
from benchrig.records.database_errors import read_connection, write_connection
from benchrig.records.head_beside import head_kept
from benchrig.records.identity import next_number
from benchrig.records.seals import seal

__all__ = ["CalibrationStore"]


_ANYTHING = "SELECT EXISTS (SELECT 1 FROM checks) OR EXISTS (SELECT 1 FROM calibrations)"


class CalibrationStore:
    """Bench checks and calibrations, append-only by the database's own rules too. See `Store.calibration_store`."""

    def __init__(self, writer: sa.Engine, reader: sa.Engine, place: StorePlace) -> None:
        self._writer = writer
        self._reader = reader
        self._place = place

    def _keep(
        self,
        table: sa.Table,
        what: Literal["calibration", "check"],
        bench: BenchKey,
        at: datetime,
        content: object,
        **columns: Any,
    ) -> int:
        """Write one row with the next number of its kind, and return that number."""
        written = serialization.text(serialization.canonical(content))
        named = "bench check" if what == "check" else what
        with head_kept(self._place.beside) as keep, write_connection(self._writer, self._place, named) as connection:
            number = next_number(connection, what)
            connection.execute(
                sa.insert(table).values(
                    id=number,
                    **_bench_columns(bench),
                    **columns,
                    content=written,
                    digest=_digest(written),
                )
            )
            seal(connection, keys_beside(self._place.beside), (bench.name, bench.simulated), what, number, at)
            keep(connection)
        return number

    # -- calibrations

    def keep_calibration(self, bench: BenchKey, calibration: Calibration) -> Calibration:
        """Keep a calibration and return it with its number. Raises BenchError when it cannot be written."""
        content = {**vars(calibration), "bench": bench}
        del content["number"], content["withdrawal"]  # one is given here, the other is an entry of its own
        number = self._keep(
            tables.calibrations,
            "calibration",
            bench,
            calibration.made,
            content,
            kind=calibration.kind,
            made_at=calibration.made,
            until_at=calibration.until,
            operator=calibration.operator,
        )
        return replace(calibration, number=number)

    def calibrations(self, bench: BenchKey | None = None) -> tuple[Calibration, ...]:
        """All calibrations, oldest first; of one bench, or of all."""
        return tuple(each for _, each in self.calibrations_with_bench(bench))

    def calibrations_with_bench(self, bench: BenchKey | None = None) -> tuple[tuple[BenchKey, Calibration], ...]:
        """The same, each with the bench that it is of."""
        c = tables.calibrations.c
        query = sa.select(tables.calibrations).order_by(c.id)
        if bench is not None:
            query = query.where(*_of_bench(c, bench))
        with read_connection(self._reader, self._place) as connection:
            gone = _withdrawals(connection)
            return tuple((_key(row), _calibration(row, gone)) for row in connection.execute(query).mappings())

    def calibration(self, wanted: str) -> tuple[BenchKey, Calibration]:
        """One calibration by its name (``cal-0003``, or ``3``), and the bench that it is of. Raises ConfigError."""
        number = _number(wanted, "cal")
        c = tables.calibrations.c
        with read_connection(self._reader, self._place) as connection:
            row = connection.execute(sa.select(tables.calibrations).where(c.id == number)).mappings().first()
            if row is None:
                raise ConfigError(
                    f"No calibration {wanted!r} in {self._place}.", hint="'benchrig bench history' lists them."
                )
            return _key(row), _calibration(row, _withdrawals(connection))

    def withdraw(self, number: int, withdrawal: Withdrawal) -> None:
        """Say that a calibration was found wrong; it stays in the store and no longer counts.

        Raises
        ------
        ConfigError
            It was withdrawn before.
        BenchError
            It could not be written.
        """
        place = self._place
        with head_kept(place.beside) as keep, write_connection(self._writer, place, "withdrawal") as connection:
            if number in _withdrawals(connection):
                raise ConfigError(
                    f"Calibration cal-{number:04d} was withdrawn before.", hint="'benchrig bench history' says why."
                )
            own = tables.insert_row(
                connection,
                tables.withdrawals,
                {
                    "calibration_id": number,
                    "at": withdrawal.at,
                    "operator": withdrawal.operator,
                    "reason": withdrawal.reason,
                },
            )
            c = tables.calibrations.c
            bench = connection.execute(sa.select(c.bench, c.simulated).where(c.id == number)).one()
            of = (bench.bench, bool(bench.simulated))
            seal(connection, keys_beside(self._place.beside), of, "withdrawal", own, withdrawal.at)
            keep(connection)

    # -- checks

    def keep_check(self, bench: BenchKey, check: CheckResult) -> CheckDone:
        """Keep a bench check, passed or not. Raises BenchError when it cannot be written."""
        number = self._keep(
            tables.checks,
            "check",
            bench,
            check.ended,
            _check_content(bench, check),
            started_at=check.started,
            ended_at=check.ended,
            operator=check.operator,
            passed=int(check.passed),
        )
        return _done(number, check)

    def check(self, wanted: str) -> tuple[BenchKey, CheckDone, CheckResult]:
        """One check by its name (``check-0003``, or ``3``), and the bench that it is of. Raises ConfigError."""
        number = _number(wanted, "check")
        with read_connection(self._reader, self._place) as connection:
            row = connection.execute(sa.select(tables.checks).where(tables.checks.c.id == number)).mappings().first()
        if row is None:
            raise ConfigError(
                f"No bench check {wanted!r} in {self._place}.", hint="'benchrig bench history' lists them."
            )
        check = _check(row)
        return _key(row), _done(number, check), check

    def last_check_and_calibrations(self, bench: BenchKey) -> tuple[CheckDone | None, tuple[Calibration, ...]]:
        """The last check and all calibrations of a bench, in one look."""
        c, k = tables.calibrations.c, tables.checks.c
        with read_connection(self._reader, self._place) as connection:
            if not connection.exec_driver_sql(_ANYTHING).scalar():
                return None, ()  # every workshop's first day, and most demonstrations: no need to build the queries
            query = sa.select(tables.calibrations).where(*_of_bench(c, bench)).order_by(c.id)
            last = sa.select(tables.checks).where(*_of_bench(k, bench)).order_by(k.id.desc()).limit(1)
            check = connection.execute(last).mappings().first()
            rows = connection.execute(query).mappings().all()
            gone = _withdrawals(connection) if rows else {}
        done = None if check is None else _done(check["id"], _check(check))
        return done, tuple(_calibration(row, gone) for row in rows)

    def last_seen(self) -> tuple[datetime | None, ClockLook | None]:
        """When the last run began or the last check ended, whichever was later, and the clock as that run found it.

        None where there is nothing, or where the run's record cannot be read.
        """
        r, c = tables.runs.c, tables.checks.c
        facts = sa.type_coerce(r.bench_facts, sa.Text).label("facts")  # unreadable ones must not hide the date
        with read_connection(self._reader, self._place) as connection:
            run = connection.execute(sa.select(r.started_at, facts).order_by(r.id.desc()).limit(1)).first()
            checked = connection.execute(sa.select(c.ended_at).order_by(c.id.desc()).limit(1)).scalar()
        clock = None
        if run is not None:
            with suppress(ValueError, KeyError, TypeError, RecursionError):  # told where the run is asked for
                clock = ClockLook(run.started_at, serialization.bench_from(json.loads(run.facts)).since_boot)
        seen = (None if run is None else run.started_at, checked)
        return max((at for at in seen if at is not None), default=None), clock

    def checks(self, bench: BenchKey | None = None, limit: int = 20) -> tuple[CheckDone, ...]:
        """The last checks, newest first; of one bench, or of all."""
        c = tables.checks.c
        query = sa.select(tables.checks).order_by(c.id.desc()).limit(limit)
        if bench is not None:
            query = query.where(*_of_bench(c, bench))
        with read_connection(self._reader, self._place) as connection:
            return tuple(_done(row["id"], _check(row)) for row in connection.execute(query).mappings())

    def faults(self) -> tuple[str, ...]:
        """Compare each check and calibration with the digest written beside it; name those that do not fit."""
        found = []
        with read_connection(self._reader, self._place) as connection:
            for table, prefix in ((tables.calibrations, "cal"), (tables.checks, "check")):
                for row in connection.execute(sa.select(table).order_by(table.c.id)).mappings():
                    if _digest(row["content"]) != row["digest"]:
                        found.append(f"{prefix}-{row['id']:04d} is not as it was written")
        return tuple(found)


def _bench_columns(bench: BenchKey) -> dict[str, Any]:
    return {"bench": bench.name, "simulated": int(bench.simulated), "seed": bench.seed}


def _of_bench(c: Any, bench: BenchKey) -> tuple[Any, ...]:
    seed = c.seed.is_(None) if bench.seed is None else c.seed == bench.seed
    return c.bench == bench.name, c.simulated == int(bench.simulated), seed


def _key(row: Any) -> BenchKey:
    return BenchKey(row["bench"], bool(row["simulated"]), row["seed"])


def _digest(written: str) -> str:
    return hashlib.sha256(written.encode()).hexdigest()


def _number(wanted: str, prefix: str) -> int:
    digits = wanted.strip().removeprefix(f"{prefix}-")
    if not (digits.isascii() and digits.isdigit() and len(digits) < 18):
        raise ConfigError(f"{wanted!r} is no name like {prefix}-0003.", hint="'benchrig bench history' lists them.")
    return int(digits)


def _made_content(made_on: Made) -> dict[str, Any]:
    """Left out where there is nothing, as it once was: digests of older entries stay what they are."""
    return {"made_on": [[name, serialization.text(what)] for name, what in made_on]} if made_on else {}


def _calibration(row: Any, gone: Mapping[int, Withdrawal]) -> Calibration:
    content = json.loads(row["content"])
    return Calibration(
        kind=content["kind"],
        constants=tuple(Constant(*each) for each in content["constants"]),
        before=tuple(Constant(*each) for each in content["before"]),
        references=tuple(
            Reference(**{**each, "dated": None if each["dated"] is None else date.fromisoformat(each["dated"])})
            for each in content["references"]
        ),
        made=row["made_at"],
        until=row["until_at"],
        operator=content["operator"],
        how=content["how"],
        parts=tuple((label, u) for label, u in content["parts"]),
        notes=tuple(content["notes"]),
        number=row["id"],
        withdrawal=gone.get(row["id"]),
        made_on=tuple((name, what) for name, what in content.get("made_on", ())),
    )


def _withdrawals(connection: sa.Connection) -> dict[int, Withdrawal]:
    return {
        row["calibration_id"]: Withdrawal(row["at"], row["operator"], row["reason"])
        for row in connection.execute(sa.select(tables.withdrawals)).mappings()
    }


def _check_content(bench: BenchKey, check: CheckResult) -> dict[str, Any]:
    return {
        "bench": asdict(bench),
        "started": check.started.isoformat(),
        "ended": check.ended.isoformat(),
        "operator": serialization.text(check.operator),
        "bench_seconds": serialization.number(check.bench_seconds),
        "bench_file_sha256": check.bench_file_sha256,
        "board": serialization.text(check.board),
        "meter": serialization.text(check.meter),
        "program": serialization.text(check.program),
        **_made_content(check.made_on),
        "looks": [
            {
                **{key: serialization.text(value) for key, value in asdict(item).items() if isinstance(value, str)},
                **{key: serialization.number(getattr(item, key)) for key in ("value", "u", "low", "high")},
            }
            for item in check.items
        ],
    }


def _check(row: Any) -> CheckResult:
    content = json.loads(row["content"])
    seconds = content["bench_seconds"]
    return CheckResult(
        items=tuple(CheckItem(**item) for item in content["looks"]),
        started=datetime.fromisoformat(content["started"]),
        ended=datetime.fromisoformat(content["ended"]),
        operator=content["operator"],
        bench_seconds=0.0 if seconds is None else seconds,
        bench_file_sha256=content["bench_file_sha256"],
        board=content["board"],
        meter=content["meter"],
        program=content["program"],
        made_on=tuple((name, what) for name, what in content.get("made_on", ())),
    )


def _done(number: int, check: CheckResult) -> CheckDone:
    failed = tuple(item.title for item in check.items if item.outcome == "fail")
    failed = failed or tuple(item.title for item in check.items if item.outcome == "not done")
    return CheckDone(number, check.passed, check.ended, check.operator, failed, check.made_on)
