"""Random edits of a store behind its back: does `records verify` find and name each, and do `show` and `report`?

    nice .venv/bin/python tests/benchmarks/tampering.py --edits 300 --seed 1

Every column of every table, rows taken away at the head, in the middle and at the tail, rows exchanged, put in, whole
runs taken away with their seals, records sealed anew without the key, bytes of the file itself. The triggers that
forbid it are dropped first and put back afterwards, so that nothing but the seals can tell. An edit counts as named
where what is told names what was edited (run 0007, check-0002, entry 12, identity ...).
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from click.testing import CliRunner  # noqa: E402

from benchrig.bench.calibrations import Withdrawal  # noqa: E402
from benchrig.bench.traceability import BenchKey, TraceabilityItem  # noqa: E402
from benchrig.cli import cli  # noqa: E402
from benchrig.errors import BenchError  # noqa: E402
from benchrig.records import Store  # noqa: E402
from benchrig.records.bench_keys import BenchKeys  # noqa: E402
from benchrig.records.decisions import Decision  # noqa: E402
from benchrig.records.seals import Entry, signed_bytes  # noqa: E402
from tests.records.test_calibration_store import CHECK, VOLUME  # noqa: E402
from tests.reports.sample_record import BENCH, STARTED, ended, started, steps  # noqa: E402

KINDS = ("accept", "reject", "undecided", "accept", "aborted", "reject", "accept", "undecided")
RUN_TABLES = {"runs", "steps", "characteristics", "traces", "rests_on", "decisions", "seals"}


def make(path: Path) -> None:
    """Two benches, checks, calibrations, one of them withdrawn, runs that rest on them, decisions, a run cut off."""
    store = Store(path)
    real = BenchKey("bench-1", simulated=False)
    for _ in range(2):
        store.calibration_store.keep_calibration(real, VOLUME)
        store.calibration_store.keep_check(real, CHECK)
    for number, kind in enumerate((*KINDS, *KINDS)):
        bench = BENCH if number % 2 else replace(BENCH, name="bench-1", simulated=False)
        if not number % 2:
            bench = replace(bench, grounds=(TraceabilityItem("check", 1, "c"), TraceabilityItem("volume", 1, "v")))
        recorder = store.recorder()
        found = steps(kind)
        at = STARTED + timedelta(hours=number)
        moved = tuple(replace(each, started_s=each.started_s + 0.01 * number) for each in found)
        told = started(f"C-{number}", operator=("A", "B", "C")[number % 3])
        run = recorder.run_started(replace(told, at=at, bench=bench, seed=None if not number % 2 else 7))
        for each in moved:
            recorder.step_finished(each)
        recorder.run_ended(ended(kind, found))
        if number % 4 == 1:
            decided = Decision(at, "A", "scrap", f"because {number}")
            store.decide(store.run(f"run:{run}"), decided)
    store.calibration_store.withdraw(2, Withdrawal(STARTED, "R. Counter", "the vessel was dented"))
    store.calibration_store.keep_check(real, CHECK)


@dataclass
class Edit:
    """What was done, which words would name it, and the run it is about."""

    how: str
    words: tuple[str, ...]
    run: int | None = None


class Tamperer:
    """Does something to a store that it should notice."""

    def __init__(self, path: Path, choose: random.Random, folder: Path) -> None:
        self.path = path
        self.choose = choose
        self.folder = folder
        self.raw = sqlite3.connect(path, isolation_level=None)
        self.raw.execute("PRAGMA foreign_keys=OFF")
        self.raw.execute("PRAGMA ignore_check_constraints=ON")
        self.triggers = [row[0] for row in self.raw.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'")]
        for (name,) in self.raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            self.raw.execute(f"DROP TRIGGER {name}")

    def done(self) -> None:
        for sql in self.triggers:
            self.raw.execute(sql)
        self.raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self.raw.close()

    # -- what can be done

    def one_column(self, table: str, column: str) -> Edit | None:
        rows = self.raw.execute(f'SELECT rowid, "{column}" FROM "{table}" ORDER BY rowid').fetchall()
        if not rows:
            return None
        rowid, value = self.choose.choice(rows)
        words, run = self.names(table, rowid)
        others = [other for _, other in rows if other != value and type(other) is type(value)]
        new = self.choose.choice(others) if others and self.choose.random() < 0.4 else self.other(value, table, column)
        try:
            self.raw.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (new, rowid))
        except sqlite3.IntegrityError:
            return None  # two rows with one key: the database itself says no
        now = self.raw.execute(f'SELECT "{column}" FROM "{table}" WHERE "{column}" IS ?', (new,)).fetchone()
        if now is None or (type(value) is type(new) and value == new):
            return None
        return Edit(f"{table}.{column}: {str(value)[:30]!r} -> {str(new)[:30]!r}", words, run)

    def other(self, value: object, table: str, column: str) -> object:
        if isinstance(value, int):
            return value + self.choose.choice((1, -1, 7, 1000)) if column not in ("simulated", "passed") else 1 - value
        if isinstance(value, float):
            return self.choose.choice((value * 1.01 + 1e-9, value + 1.0, None))
        if isinstance(value, bytes):
            at = self.choose.randrange(len(value))
            return value[:at] + bytes([value[at] ^ 1]) + value[at + 1 :]
        if isinstance(value, str) and value:
            at = self.choose.randrange(len(value))
            return value[:at] + self.choose.choice("abcdef0123456789 ") + value[at + 1 :]
        numeric = {"REAL": 1.5, "INTEGER": 5}
        kind = next(row[2] for row in self.raw.execute(f"PRAGMA table_info({table})") if row[1] == column)
        return numeric.get(kind, "made up")

    def row_gone(self, table: str) -> Edit | None:
        rowids = [row[0] for row in self.raw.execute(f'SELECT rowid FROM "{table}" ORDER BY rowid')]
        if not rowids:
            return None
        where = self.choose.choice(("head", "middle", "tail"))
        rowid = {"head": rowids[0], "tail": rowids[-1]}.get(where, self.choose.choice(rowids))
        words, run = self.names(table, rowid)
        self.raw.execute(f'DELETE FROM "{table}" WHERE rowid = ?', (rowid,))
        return Edit(f"{table}: row at the {where} deleted", words, run)

    def run_gone(self) -> Edit:
        """A whole run, perhaps with its seals, perhaps with what the store says of its numbers."""
        runs = [row[0] for row in self.raw.execute("SELECT id FROM runs ORDER BY id")]
        where = self.choose.choice(("head", "middle", "tail"))
        run = {"head": runs[0], "tail": runs[-1]}.get(where, self.choose.choice(runs))
        of = f"(SELECT id FROM steps WHERE run_id = {run})"
        for table in ("characteristics", "traces"):
            self.raw.execute(f"DELETE FROM {table} WHERE step_id IN {of}")
        for table in ("steps", "rests_on", "decisions"):
            self.raw.execute(f"DELETE FROM {table} WHERE run_id = {run}")
        self.raw.execute(f"DELETE FROM runs WHERE id = {run}")
        how = f"run {run} deleted at the {where}"
        if self.choose.random() < 0.5:
            how += " with its seals"
            self.raw.execute(f"DELETE FROM seals WHERE kind IN ('run', 'run end') AND subject = {run}")
            if run == runs[-1]:
                how += " and its number"
                before = self.raw.execute("SELECT id, start_digest FROM runs ORDER BY id DESC").fetchone()
                self.raw.execute("UPDATE identity SET run = ?, digest = ?", before)
        return Edit(how, (f"run {run:04d}",), run)

    def swapped_runs(self) -> Edit:
        first, second = self.choose.sample([row[0] for row in self.raw.execute("SELECT id FROM runs")], 2)
        for table, column in (("runs", "id"), ("steps", "run_id"), ("rests_on", "run_id")):
            for old, new in ((first, -1), (second, first), (-1, second)):
                self.raw.execute(f"UPDATE {table} SET {column} = {new} WHERE {column} = {old}")
        return Edit(f"runs {first} and {second} exchanged", (f"run {first:04d}", f"run {second:04d}"), first)

    def swapped_traces(self) -> Edit | None:
        query = "SELECT t.id, s.run_id, t.arrays FROM traces t JOIN steps s ON s.id = t.step_id ORDER BY t.id"
        first, second = self.choose.sample(self.raw.execute(query).fetchall(), 2)
        if first[2] == second[2]:
            return None
        for one, other in ((first, second), (second, first)):
            self.raw.execute("UPDATE traces SET arrays = ? WHERE id = ?", (other[2], one[0]))
        return Edit("two traces exchanged", (f"run {first[1]:04d}", f"run {second[1]:04d}"), first[1])

    def swapped_seals(self) -> Edit:
        chain = self.choose.choice([row[0] for row in self.raw.execute("SELECT DISTINCT chain FROM seals")])
        numbers = [row[0] for row in self.raw.execute(f"SELECT number FROM seals WHERE chain = {chain}")]
        first, second = sorted(self.choose.sample(numbers, 2))
        for old, new in ((first, -1), (second, first), (-1, second)):
            self.raw.execute(f"UPDATE seals SET number = {new} WHERE number = {old} AND chain = {chain}")
        return Edit(f"entries {first} and {second} reordered", (f"entry {first} ", f"entry {second} "))

    def put_in(self) -> Edit:
        what = self.choose.choice(("runs", "checks", "calibrations", "decisions", "characteristics", "traces"))
        columns = [row[1] for row in self.raw.execute(f"PRAGMA table_info({what})") if row[1] != "id"]
        row = self.raw.execute(f"SELECT id FROM {what} ORDER BY random() LIMIT 1").fetchone()[0]
        place = ", ".join("position + 100" if c == "position" else f'"{c}"' for c in columns)
        named = ", ".join(f'"{c}"' for c in columns)
        self.raw.execute(f"INSERT INTO {what} ({named}) SELECT {place} FROM {what} WHERE id = {row}")
        made = self.raw.execute("SELECT last_insert_rowid()").fetchone()[0]
        words, run = self.names(what, made)
        return Edit(f"a row put into {what}", words, run)

    def sealed_anew(self) -> Edit:
        """A run is changed, and its seal and all after it made anew; without the bench's key, so with another one."""
        with_key = self.choose.random() < 0.6
        whole = with_key and self.choose.random() < 0.4
        run = self.choose.choice(
            [row[0] for row in self.raw.execute("SELECT subject FROM seals WHERE kind = 'run end' ORDER BY subject")]
        )
        self.raw.execute("UPDATE runs SET operator = operator || ' x', tag = tag || '0' WHERE id = ?", (run,))
        query = "SELECT chain, number FROM seals WHERE kind = 'run' AND subject = ?"
        chain, number = self.raw.execute(query, (run,)).fetchone()
        bench, simulated = self.raw.execute("SELECT bench, simulated FROM chains WHERE id = ?", (chain,)).fetchone()
        signer = BenchKeys(self.folder / "forged").signer(bench, simulated=bool(simulated))
        import sqlalchemy as sa

        from benchrig.records.sealed_content import content_of, short_parts

        engine = sa.create_engine(f"sqlite:///{self.path}")
        before, shift = "", 0
        names = ", ".join(Entry._fields)
        rows = self.raw.execute(f"SELECT {names} FROM seals WHERE chain = ? ORDER BY number", (chain,)).fetchall()
        made: list[Entry] = []
        for entry in (Entry(*row) for row in rows):
            if entry.number < number and not whole:
                made.append(entry)
                before = entry.digest
                continue
            told = entry.told()
            if with_key and entry.kind == "key":
                entry = entry._replace(says=_json({**told, "public": signer.public}))
                entry = entry._replace(content=_digest(entry.told()))
            elif with_key and not whole and not shift:
                says = {**made[0].told(), "public": signer.public}
                new = made[0]._replace(number=entry.number, says=_json(says), content=_digest(says), before=before)
                new = _forge(new, signer, bench, simulated, with_key=True)
                made.append(new)
                before, shift = new.digest, 1
            if entry.subject == run and entry.kind in ("run", "run end"):
                with engine.connect() as connection:
                    content = content_of(connection, entry.kind, run)
                says_text = _json(short_parts(content)) if entry.kind == "run end" else entry.says
                entry = entry._replace(content=content.digest, says=says_text)
            entry = entry._replace(number=entry.number + shift, before=before)
            entry = _forge(entry, signer, bench, simulated, with_key=with_key)
            made.append(entry)
            before = entry.digest
        engine.dispose()
        self.raw.execute("DELETE FROM seals WHERE chain = ?", (chain,))
        marks = ", ".join("?" for _ in Entry._fields)
        self.raw.executemany(f"INSERT INTO seals (chain, {names}) VALUES ({chain}, {marks})", made)
        how = "all of the chain" if whole else "from there on" if with_key else "signatures left"
        return Edit(f"run {run} changed and sealed anew, {how}", (f"run {run:04d}", f"seals of {bench}"), run)

    def byte_of_file(self) -> Edit | None:
        """A letter of some text, changed in the file itself."""
        texts = ("runs.tag", "runs.judgement", "steps.title", "characteristics.how", "seals.digest")
        table, column = self.choose.choice(texts).split(".")
        rows = self.raw.execute(f"SELECT {column} FROM {table} WHERE length({column}) > 2").fetchall()
        text = self.choose.choice(rows)[0]
        self.raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        data = bytearray(self.path.read_bytes())
        places = [found.start() for found in re.finditer(re.escape(text.encode()[:60]), bytes(data))]
        if not places:
            return None
        place = self.choose.choice(places) + self.choose.randrange(min(len(text), 50))
        data[place] = ord("x") if data[place] != ord("x") else ord("y")
        self.path.write_bytes(bytes(data))
        # The text may stand in other rows or in an index too: which one was hit is not known here.
        return Edit(f"a byte of the file, near {table}.{column}", ("run ", "entry ", "database file"), None)

    def names(self, table: str, rowid: int) -> tuple[tuple[str, ...], int | None]:
        """What would name a row, and the run that it is about."""
        if table == "runs":
            return (f"run {rowid:04d}", "identity"), rowid
        if table in ("steps", "rests_on"):
            run = self.raw.execute(f"SELECT run_id FROM {table} WHERE id = ?", (rowid,)).fetchone()[0]
            return (f"run {run:04d}",), run
        if table == "decisions":
            run = self.raw.execute("SELECT run_id FROM decisions WHERE id = ?", (rowid,)).fetchone()[0]
            return (f"decision {rowid:04d}",), run
        if table in ("characteristics", "traces"):
            query = f"SELECT run_id FROM steps JOIN {table} t ON t.step_id = steps.id WHERE t.id = ?"
            run = self.raw.execute(query, (rowid,)).fetchone()[0]
            return (f"run {run:04d}",), run
        if table == "seals":
            query = "SELECT number, kind, subject FROM seals WHERE rowid = ?"
            number, kind, subject = self.raw.execute(query, (rowid,)).fetchone()
            named = (f"entry {number} ", f"entry {number + 1} ", f"come to entry {number}", "seals of", "key")
            return named, subject if kind in ("run", "run end") else None
        words = {
            "checks": (f"check-{rowid:04d}", "identity"),
            "calibrations": (f"cal-{rowid:04d}", "identity"),
            "withdrawals": (f"withdrawal {rowid:04d}",),
            "identity": ("identity", "store", "run "),
            "sealed_since": ("when sealing began", "seal", "not there"),
            "chains": ("seals of", "chain", "table seals"),
            "alembic_version": ("revision",),
        }
        return words[table], None


def _json(content: object) -> str:
    from benchrig.records.serialization import canonical

    return canonical(content)


def _digest(content: object) -> str:
    from benchrig.records.sealed_content import digest_of

    return digest_of(content)


def _forge(entry: Entry, signer, bench: str, simulated: int, *, with_key: bool) -> Entry:
    entry = entry._replace(key=signer.name) if with_key else entry
    entry = entry._replace(digest=entry.right_digest(bench, simulated))
    return entry._replace(signature=signer.sign(signed_bytes(entry.digest))) if with_key else entry


def told_by_verify(path: Path) -> str:
    """All that verify says; empty where it finds nothing."""
    try:
        found = Store(path, reading=True).verify()
    except BenchError as error:
        return f"refused: {error}"
    return "\n".join(f"{each.what} {each.how}: {each.says}" for each in found.faults)


def told_by(words: list[str]) -> tuple[int, str]:
    """Exit status of a command and what it said."""
    done = CliRunner().invoke(cli, words)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--edits", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--verbose", action="store_true")
    given = parser.parse_args()
    choose = random.Random(given.seed)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "whole"
        whole.mkdir()
        make(whole / "records.sqlite")
        with closing(sqlite3.connect(whole / "records.sqlite")) as raw:
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            tables = [row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            columns = [(t, row[1]) for t in tables for row in raw.execute(f"PRAGMA table_info({t})")]
        assert told_by_verify(whole / "records.sqlite") == "", told_by_verify(whole / "records.sqlite")
        queue = columns.copy()
        choose.shuffle(queue)
        home = Path(folder) / "home"
        os.environ["BENCHRIG_HOME"] = str(home)
        tried = 0
        while tried < given.edits:
            shutil.rmtree(home, ignore_errors=True)
            shutil.copytree(whole, home)
            path = home / "records.sqlite"
            tamperer = Tamperer(path, choose, home)
            ways: list[Callable[[], Edit | None]] = [
                tamperer.run_gone,
                tamperer.swapped_runs,
                tamperer.swapped_traces,
                tamperer.swapped_seals,
                tamperer.put_in,
                tamperer.sealed_anew,
                tamperer.byte_of_file,
                lambda t=tamperer: t.row_gone(choose.choice(tables)),
            ]
            column = None
            if queue and choose.random() < 0.6:
                column = queue.pop()
                edit = tamperer.one_column(*column)
            else:
                edit = choose.choice(ways)()
            tamperer.done()
            if edit is None:
                if column is not None and counts[f"again {column}"] < 3:
                    counts[f"again {column}"] += 1
                    queue.insert(0, column)
                continue
            tried += 1
            if not queue:
                queue = columns.copy()
                choose.shuffle(queue)
            said = told_by_verify(path)
            counts["edits"] += 1
            counts["found by verify"] += bool(said)
            named = any(word in said for word in edit.words)
            counts["named by verify"] += named
            if not said or not named:
                print(f"verify: {edit.how}: said {said!r}, wanted one of {edit.words}", flush=True)
            elif given.verbose:
                print(f"{edit.how}\n    {said}", flush=True)
            if edit.run is None:
                continue
            counts["about a run"] += 1
            for name, words in (
                ("show", ["records", "show", f"run:{edit.run}"]),
                ("report", ["report", f"run:{edit.run}"]),
            ):
                status, output = told_by(words)
                counts[f"found by {name}"] += status in (2, 3)
                if status not in (2, 3):
                    print(f"{name}: {edit.how}: status {status}: {output[:300]!r}", flush=True)
    print({name: count for name, count in counts.items() if not name.startswith("again")})
    if counts["named by verify"] < counts["edits"] or counts["found by show"] < counts["about a run"]:
        sys.exit("something was not found")


if __name__ == "__main__":
    main()
