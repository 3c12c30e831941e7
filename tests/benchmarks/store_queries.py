"""What the questions of every day cost in a store of very many runs, on SQLite and PostgreSQL side by side.

    nice .venv/bin/python -m tests.benchmarks.store_scale --url throwaway --runs 10000 100000 1000000
    nice .venv/bin/python -m tests.benchmarks.store_scale --url postgresql://user@host/database --runs 100000

`throwaway` starts a server in a folder of its own, which keeps its promises of the disk. Three recorded runs are copied
by SQL, a minute apart, one in ten a reject; without traces, and with steps and values for the last 20,000 only (a
summary of a day needs them). Milliseconds in one process: by the clock the first time and the median of `--repeat`, and
the mean of the CPU's, of this process and, where the server is on this computer, of its own that serves us: on a busy
computer only that tells. Recording is by the program, run after run, without traces.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from benchrig.records import Store
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.run_list import RunsWanted
from tests.postgresql import Cluster
from tests.reports.sample_record import ended, record_into, started, steps

WITH_VALUES = 20_000
RECORDED = 30


@contextmanager
def places(url: str, folder: Path, runs: int) -> Iterator[list[tuple[str, StorePlace]]]:
    """A fresh store on each engine."""
    file = StorePlace(folder / f"records-{runs}.sqlite")
    if url == "throwaway":
        with Cluster(durable=True) as cluster:
            yield [("SQLite", file), ("PostgreSQL", place_named(cluster.new_schema(), folder))]
        return
    schema = f"store_scale_{runs}"
    server = sa.create_engine(place_named(url, folder).url)
    with server.begin() as connection:
        connection.exec_driver_sql(f"CREATE SCHEMA {schema}")
    try:
        yield [("SQLite", file), ("PostgreSQL", place_named(f"{url}?options=-csearch_path%3D{schema}", folder))]
    finally:
        with server.begin() as connection:
            connection.exec_driver_sql(f"DROP SCHEMA {schema} CASCADE")
        server.dispose()


def multiply(place: StorePlace, runs: int) -> float:
    """Copy the three runs until there are so many; seconds. Seals are copied too, and so do not fit."""
    engine = sa.create_engine(place.url or f"sqlite:///{place.beside}")
    began = time.perf_counter()
    with engine.begin() as connection:
        server = connection.dialect.name == "postgresql"
        if server:
            connection.exec_driver_sql("SET session_replication_role = replica")
            # Made anew at the end: a tenth of the time that it takes to keep them up row by row.
            indexes = connection.exec_driver_sql(
                "SELECT indexname, indexdef FROM pg_indexes WHERE schemaname = current_schema() "
                "AND tablename IN ('runs', 'seals') AND indexname LIKE 'ix_%%'"
            ).all()
            for name, _ in indexes:
                connection.exec_driver_sql(f"DROP INDEX {name}")
        columns = {
            table: [each["name"] for each in sa.inspect(connection).get_columns(table)]
            for table in ("runs", "steps", "characteristics", "seals")
        }

        def copy(table: str, source: str, made: dict[str, str], first: int = 4) -> None:
            names = [name for name in columns[table] if name != "id" or "id" in made]
            taken = ", ".join(made.get(name, f't."{name}"') for name in names)
            named = ", ".join(f'"{name}"' for name in names)
            numbers = f"WITH RECURSIVE n(i) AS (SELECT {first} UNION ALL SELECT i + 1 FROM n WHERE i < {runs}) "
            sql = f"INSERT INTO {table} ({named}) {numbers} SELECT {taken} FROM n JOIN {source}"
            connection.exec_driver_sql(sql.replace("%", "%%") if server else sql)

        of = "(CASE WHEN i % 10 = 0 THEN 3 ELSE 1 END)"
        at = (
            "to_char(CAST(t.started_at AS timestamptz) AT TIME ZONE 'UTC' + i * interval '1 minute', "
            """'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""
            if server
            else "strftime('%Y-%m-%dT%H:%M:%S.000000Z', t.started_at, i || ' minutes')"
        )
        tag = f"'T-' || (i % {max(1, runs // 4)})"
        copy("runs", f"runs t ON t.id = {of}", {"id": "i", "tag": tag, "started_at": at})
        last = "(CASE WHEN t.kind = 'run end' THEN 1 ELSE 0 END)"
        source = f"seals t ON t.subject = {of} AND t.kind IN ('run', 'run end')"
        copy("seals", source, {"number": f"10 + 2 * i + {last}", "subject": "i"})
        first = max(4, runs - WITH_VALUES)
        place_of = "1000 + i * 10 + {}.position"
        copy("steps", f"steps t ON t.run_id = {of}", {"id": place_of.format("t"), "run_id": "i"}, first)
        source = f"steps s ON s.run_id = {of} JOIN characteristics t ON t.step_id = s.id"
        noise = "(1 + 0.004 * (((i % 1000) * 7919) % 1000 - 500) / 500.0)"
        copy("characteristics", source, {"step_id": place_of.format("s"), "value": f"t.value * {noise}"}, first)
        connection.exec_driver_sql(f"UPDATE identity SET run = {runs}")
        if server:
            for _, sql in indexes:
                connection.exec_driver_sql(sql)
            for table in ("steps", "characteristics"):
                highest = f"(SELECT max(id) FROM {table})"
                connection.exec_driver_sql(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {highest})")
    took = time.perf_counter() - began
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("VACUUM ANALYZE" if server else "ANALYZE")
    engine.dispose()
    return took


def record(place: StorePlace, count: int) -> float:
    """Record runs without traces as the program does; runs a second."""
    found = tuple(replace(each, traces=()) for each in steps("accept"))
    store = Store(place)
    began = time.perf_counter()
    for number in range(count):
        recorder = store.recorder()
        recorder.run_started(started(f"NEW-{number}"))
        for each in found:
            recorder.step_finished(each)
        recorder.run_ended(ended("accept", found))
    return count / (time.perf_counter() - began)


def cpu_s(backends: list[int]) -> float:
    """CPU seconds of this process and of some of the server's."""
    used = time.process_time()
    for process in backends:
        fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        used += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return used


def timed(work: Callable[[], Any], repeat: int, backends: list[int]) -> tuple[float, float, float]:
    """Milliseconds: the first time, the median of the others, the mean of the CPU's."""
    took = []
    used = 0.0
    for _ in range(repeat + 1):
        if len(took) == 1:
            used = cpu_s(backends)
        began = time.perf_counter()
        work()
        took.append(1e3 * (time.perf_counter() - began))
    return took[0], statistics.median(took[1:]), 1e3 * (cpu_s(backends) - used) / repeat


def measure(place: StorePlace, runs: int, repeat: int) -> dict[str, tuple[float, float, float]]:
    """The questions of every day."""
    store = Store(place, reading=True)
    with store.reading() as connection:
        served = place.on_server and connection.dialect.name == "postgresql"
        asked = "SELECT pg_backend_pid() WHERE inet_server_addr() <<= '127.0.0.0/8'"
        backends = list(connection.exec_driver_sql(asked).scalars()) if served else []
    newest = store.runs(1)[0].started
    day = datetime(newest.year, newest.month, newest.day, tzinfo=UTC) - timedelta(days=1)
    middle = f"run:{max(1, runs // 2)}"
    return {
        "list by tag": timed(lambda: store.runs(50, wanted=RunsWanted(tag="T-7")), repeat, backends),
        "last 100 rejects": timed(lambda: store.runs(100, wanted=RunsWanted(verdict="reject")), repeat, backends),
        "last 50 runs": timed(lambda: store.runs(50), repeat, backends),
        "summary of a day": timed(
            lambda: store.summary(RunsWanted(since=day, before=day + timedelta(days=1))), repeat, backends
        ),
        "one run, without traces": timed(
            lambda: next(iter(store.read([int(middle[4:])], traces=False))), repeat, backends
        ),
        "open the store": timed(lambda: Store(place, reading=True), repeat, []),
    }


def compare_engines(url: str, counts: list[int], repeat: int) -> None:
    """Print a table for each number of runs."""
    for runs in counts:
        with tempfile.TemporaryDirectory() as folder, places(url, Path(folder), runs) as both:
            found = {}
            for _, place in both:
                store = Store(place)
                for kind, tag in (("accept", "T-77"), ("accept", "CHECK"), ("reject", "T-78")):
                    record_into(store.recorder(), kind, tag=tag)
                del store
            with ThreadPoolExecutor() as pool:
                seconds = list(pool.map(multiply, [place for _, place in both], [runs, runs]))
            for (name, place), copied in zip(both, seconds, strict=True):
                found[name] = measure(place, runs, repeat)
                rate = record(place, RECORDED)
                print(
                    f"{runs} runs, {name}: copied in {copied:.0f} s ({runs / copied:.0f} a second), "
                    f"the program records {rate:.1f} runs a second",
                    flush=True,
                )
            print(f"load of this computer: {os.getloadavg()[0]:.0f} on {os.cpu_count()} cores")
            print(f"{'ms: first, median, CPU':26}" + "".join(f"{name:>30}" for name in found))
            for what in found["SQLite"]:
                print(f"{what:26}" + "".join("{:12.1f}{:9.1f}{:9.1f}".format(*found[name][what]) for name in found))
