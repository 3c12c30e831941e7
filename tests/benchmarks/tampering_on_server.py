"""Random edits of a store on PostgreSQL, by somebody who may do all: does verification find and name each?

    nice .venv/bin/python -m tests.benchmarks.tampering_on_server --edits 300 --seed 1

The store holds what two benches of one name delivered and what was written into it directly. An edit is made in a
transaction that no rule of the database holds in (`session_replication_role`), looked at in it by what `records verify`
and `records show` do, and rolled back. Every column of every table; rows taken away at the head, in the middle and at
the tail; rows put in; runs, traces and entries exchanged; the last entries of a chain cut off.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from benchrig.errors import BenchError
from benchrig.records import Store
from benchrig.records.bench_keys import keys_beside
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.delivery.delivering import deliver
from benchrig.records.identity import heads_beside
from benchrig.records.run_reading import read_run
from benchrig.records.run_seal import seal_of_run
from benchrig.records.schema import revision_of
from benchrig.records.tables import HEAD, metadata
from benchrig.records.verification import verify_store
from tests.benchmarks.tampering import make
from tests.postgresql import Cluster
from tests.reports.sample_record import record_into

READING = (ValueError, KeyError, TypeError, AttributeError, RecursionError, BenchError, sa.exc.SQLAlchemyError)
OF_RUN = {
    "runs": "id",
    "steps": "run_id",
    "rests_on": "run_id",
    "decisions": "run_id",
    "characteristics": "(SELECT run_id FROM steps WHERE steps.id = step_id)",
    "traces": "(SELECT run_id FROM steps WHERE steps.id = step_id)",
}
WORDS = {
    "identity": ("identity", "store", "run "),
    "sealed_since": ("when sealing began", "seal"),
    "chains": ("seals of", "chain", "entry "),
    "delivered": ("no seal", "not in the store any more", "removed", "table delivered", "sealed as", "was given out"),
    "alembic_version": ("revision",),
}


class Tamperer:
    """Edits on one connection; each returns what was done, words of which one names it, and the run it is about."""

    def __init__(self, connection: sa.Connection, choose: random.Random) -> None:
        self.connection = connection
        self.choose = choose

    def sql(self, text: str, **values: Any) -> Any:
        return self.connection.execute(sa.text(text), values)

    def some_row(self, table: str, where: str | None = None) -> str | None:
        rows = self.sql(f"SELECT CAST(ctid AS text) FROM {table} ORDER BY 1").scalars().all()
        if not rows:
            return None
        return {"head": rows[0], "tail": rows[-1]}.get(where or "", self.choose.choice(rows))

    def names(self, table: str, row: str) -> tuple[tuple[str, ...], int | None]:
        at = "WHERE ctid = CAST(:row AS tid)"
        if table in OF_RUN:
            run = self.sql(f"SELECT {OF_RUN[table]} FROM {table} {at}", row=row).scalar()
            words = [f"run {run or 0:04d}", "identity"]
            if table == "decisions":
                words = [f"decision {self.sql(f'SELECT id FROM decisions {at}', row=row).scalar():04d}"]
            return tuple(words), run
        if table == "seals":
            number = self.sql(f"SELECT number FROM seals {at}", row=row).scalar()
            return (
                f"entry {number} ",
                f"entry {number + 1} ",
                f"entries {number} ",
                "come to entry",
                "seals of",
                "key",
            ), None
        single = {"checks": "check-", "calibrations": "cal-", "withdrawals": "withdrawal "}
        if table in single:
            return (
                f"{single[table]}{self.sql(f'SELECT id FROM {table} {at}', row=row).scalar():04d}",
                "identity",
            ), None
        return WORDS[table], None

    def column(self, table: str, column: str) -> tuple[str, tuple[str, ...], int | None] | None:
        row = self.some_row(table)
        if row is None:
            return None
        at = "WHERE ctid = CAST(:row AS tid)"
        value = self.sql(f'SELECT "{column}" FROM {table} {at}', row=row).scalar()
        others = self.sql(f'SELECT DISTINCT "{column}" FROM {table} LIMIT 50').scalars().all()
        others = [each for each in others if each is not None and each != value]
        kind = str(metadata.tables[table].c[column].type) if table in metadata.tables else "TEXT"
        new = self.choose.choice(others) if others and self.choose.random() < 0.4 else self.other(value, kind)
        if new == value:
            return None
        words, run = self.names(table, row)
        self.sql(f'UPDATE {table} SET "{column}" = :new {at}', new=new, row=row)
        return f"{table}.{column}: {str(value)[:24]!r} -> {str(new)[:24]!r}", words, run

    def other(self, value: Any, kind: str) -> Any:
        if isinstance(value, int):
            return value + self.choose.choice((1, -1, 7, 1000))
        if isinstance(value, float):
            return value * 1.01 + 1e-9
        if isinstance(value, bytes) and value:
            at = self.choose.randrange(len(value))
            return value[:at] + bytes([value[at] ^ 1]) + value[at + 1 :]
        if isinstance(value, str) and value:
            at = self.choose.randrange(len(value))
            return value[:at] + self.choose.choice("abcdef0123456789 ") + value[at + 1 :]
        return 5 if "INT" in kind or "DOUBLE" in kind or "FLOAT" in kind else "made up"

    def gone(self) -> tuple[str, tuple[str, ...], int | None] | None:
        table = self.choose.choice([*metadata.tables, "alembic_version"])
        where = self.choose.choice(("head", "middle", "tail"))
        row = self.some_row(table, where)
        if row is None:
            return None
        words, run = self.names(table, row)
        self.sql(f"DELETE FROM {table} WHERE ctid = CAST(:row AS tid)", row=row)
        return f"{table}: a row at the {where} deleted", words, run

    def put_in(self) -> tuple[str, tuple[str, ...], int | None] | None:
        table = self.choose.choice(("runs", "checks", "calibrations", "decisions", "characteristics", "traces"))
        row = self.some_row(table)
        if row is None:
            return None
        names = [each.name for each in metadata.tables[table].c if each.name != "id"]
        taken = ", ".join("position + 100" if name == "position" else f'"{name}"' for name in names)
        named = ", ".join(f'"{name}"' for name in names)
        number = self.sql(f"SELECT max(id) + 1 FROM {table}").scalar()
        self.sql(
            f"INSERT INTO {table} (id, {named}) SELECT :number, {taken} FROM {table} WHERE ctid = CAST(:row AS tid)",
            number=number,
            row=row,
        )
        made = self.sql(f"SELECT CAST(ctid AS text) FROM {table} WHERE id = :number", number=number).scalar()
        words, run = self.names(table, made)
        return f"a row put into {table}", words, run

    def exchanged_runs(self) -> tuple[str, tuple[str, ...], int | None]:
        first, second = self.choose.sample(self.sql("SELECT id FROM runs").scalars().all(), 2)
        for table, column in (("runs", "id"), ("steps", "run_id"), ("rests_on", "run_id")):
            for old, new in ((first, -1), (second, first), (-1, second)):
                self.sql(f"UPDATE {table} SET {column} = :new WHERE {column} = :old", new=new, old=old)
        return f"runs {first} and {second} exchanged", (f"run {first:04d}", f"run {second:04d}"), first

    def exchanged_numbers(self) -> tuple[str, tuple[str, ...], int | None]:
        first, second = self.choose.sample(self.sql("SELECT here FROM delivered WHERE kind = 'run'").scalars().all(), 2)
        for old, new in ((first, -1), (second, first), (-1, second)):
            self.sql("UPDATE delivered SET here = :new WHERE here = :old AND kind = 'run'", new=new, old=old)
        return f"the numbers of runs {first} and {second} exchanged", (f"run {first:04d}", f"run {second:04d}"), first

    def exchanged_entries(self) -> tuple[str, tuple[str, ...], int | None]:
        chain = self.choose.choice(self.sql("SELECT DISTINCT chain FROM seals").scalars().all())
        numbers = self.sql("SELECT number FROM seals WHERE chain = :chain", chain=chain).scalars().all()
        first, second = sorted(self.choose.sample(numbers, 2))
        for old, new in ((first, -1), (second, first), (-1, second)):
            self.sql("UPDATE seals SET number = :new WHERE number = :old AND chain = :c", new=new, old=old, c=chain)
        return f"entries {first} and {second} exchanged", (f"entry {first} ", f"entry {second} "), None

    def tail_cut(self) -> tuple[str, tuple[str, ...], int | None]:
        chain = self.choose.choice(self.sql("SELECT DISTINCT chain FROM seals").scalars().all())
        highest = self.sql("SELECT max(number) FROM seals WHERE chain = :chain", chain=chain).scalar()
        keep = highest - self.choose.randint(1, max(1, highest // 2))
        self.sql("DELETE FROM seals WHERE chain = :chain AND number > :keep", chain=chain, keep=keep)
        return f"chain {chain} cut off after {keep}", ("seals of", "come to entry"), None


def fill(place: StorePlace, folder: Path) -> None:
    """Two benches that go by the same names deliver; a third run and a decision are written there directly."""
    there = Store(place)
    for name in ("a", "b"):
        own = folder / name / "records.sqlite"
        make(own)
        deliver(Store(own), there)
        # Their keys are known where the study looks: otherwise each is only a stranger's.
        keys_beside(place.beside).folder.mkdir(exist_ok=True)
        for key in (folder / name / "keys").iterdir():
            (keys_beside(place.beside).folder / f"{name}-{key.name}").write_bytes(key.read_bytes())
    record_into(there.recorder(), "accept", tag="direct")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--edits", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    choose = random.Random(given.seed)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name, Cluster() as cluster:
        folder = Path(name)
        place = place_named(cluster.new_schema(), folder)
        fill(place, folder)
        assert [str(each) for each in Store(place).verify().faults] == []
        engine = sa.create_engine(place.url)
        columns = [(table.name, each.name) for table in metadata.tables.values() for each in table.c]
        queue = choose.sample([*columns, ("alembic_version", "version_num")], len(columns) + 1)
        while counts["edits"] < given.edits:
            with engine.connect() as connection, connection.begin() as transaction:
                connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
                tamperer = Tamperer(connection, choose)
                other = (
                    tamperer.gone,
                    tamperer.put_in,
                    tamperer.exchanged_runs,
                    tamperer.exchanged_numbers,
                    tamperer.exchanged_entries,
                    tamperer.tail_cut,
                )
                try:
                    one_value = queue and choose.random() < 0.7
                    edit = tamperer.column(*queue.pop()) if one_value else choose.choice(other)()
                except sa.exc.DBAPIError:
                    edit = None  # the database itself says no, by a key, a check or a type
                if edit is not None:
                    look(connection, place, edit, counts)
                    if counts["edits"] % 50 == 0:
                        print(dict(counts), flush=True)
                transaction.rollback()
            if not queue:
                queue = choose.sample(columns, len(columns))
        engine.dispose()
    print(dict(counts))
    if counts["named by verify"] < counts["edits"] or counts["found by show"] < counts["about a run"]:
        sys.exit("something was not found")


def look(
    connection: sa.Connection, place: StorePlace, edit: tuple[str, tuple[str, ...], int | None], counts: Counter[str]
) -> None:
    how, words, run = edit
    keys, beside = keys_beside(place.beside), heads_beside(place.beside)

    def read(number: int) -> Any:
        return read_run(connection, number, traces=True)

    counts["edits"] += 1
    if revision_of(connection) != HEAD:
        said = "revision"
    else:
        try:
            found = verify_store(connection, keys, beside, read).faults
            said = "\n".join(f"{each.what} {each.how}: {each.says}" for each in found)
        except READING as error:
            said = f"run store refused: {error!r}"
    counts["found by verify"] += bool(said)
    named = any(word in said for word in words)
    counts["named by verify"] += named
    if not named:
        print(f"verify: {how}: said {said[:400]!r}, wanted one of {words}", flush=True)
    if run is None or run < 1:
        return
    counts["about a run"] += 1
    try:
        seal = seal_of_run(connection, keys, run, beside)
        record = read(run)
        shown = seal.state == "broken" or bool(record.digest_faults() if record.ending != "finished" else ())
    except READING:
        shown = True
    counts["found by show"] += shown
    if not shown:
        print(f"show: {how}", flush=True)


if __name__ == "__main__":
    main()
