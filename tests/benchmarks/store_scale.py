"""How long looking takes in a store of very many runs, and how it grows; of two revisions of the program side by side.

    nice .venv/bin/python -m tests.benchmarks.store_scale --runs 100000 1000000
    nice .venv/bin/python -m tests.benchmarks.store_scale --tree ../before .
    nice .venv/bin/python -m tests.benchmarks.store_scale --inserts 300
    nice .venv/bin/python -m tests.benchmarks.store_scale --url throwaway --runs 10000 1000000   # store_queries.py

CPU seconds in a store of two runs and in the large ones: of the command once all that it imports is there (told in one
process, the first time not counted), and of the whole program. `--tree` is a checkout: its own program makes the store,
in its own schema, and is timed on it. One run is copied that often, with its rows as long as they are, but without its
traces (those of the last 200 runs are kept): a million runs with traces would be 120 GB.
"""

from __future__ import annotations

import argparse
import math
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
WITH_TRACES = 200
CHECK_VALVE = 1000
COMMANDS: dict[str, list[str]] = {
    "start-up (models list)": ["models", "list"],
    "records list": ["records", "list"],
    "records list --tag": ["records", "list", "--tag", "T-77"],
    "records list --json": ["records", "list", "--json"],
    "the last 100 rejects": ["records", "list", "--verdict", "reject", "--most", "100"],
    "rejects of a day, a cause": ["records", "list", "--verdict", "reject", "--cause", "stuck closed", "--from", "DAY"],
    "records show (number)": ["records", "show", "run:MIDDLE"],
    "records show (tag)": ["records", "show", "T-77"],
    "records show (no such tag)": ["records", "show", "nowhere"],
    "report": ["report", "run:LAST"],
    "bench chart (1,000 runs)": ["bench", "chart", "--tag", "CHECK"],
    "a run recorded": [],
}
INSERTS = """
import os, sqlite3, sys, time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from benchrig.records import Store, digests, serialization
from benchrig.records.sealed_content import digest_of
from tests.reports.sample_record import ended, started, steps

key = Ed25519PrivateKey.generate()
folder, times, traced = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "traced"
found = steps("accept")
found = found if traced else tuple(replace(each, traces=()) for each in found)

def seconds(work):
    began, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - began, time.process_time() - cpu

def ours():
    recorder = ours_store.recorder()
    recorder.run_started(started("T-1"))
    for each in found:
        recorder.step_finished(each)
    recorder.run_ended(ended("accept", found))

def rows(raw, table, where):
    at = raw.execute(f"SELECT * FROM {table} WHERE {where}")
    names = [each[0] for each in at.description]
    made = at.fetchall()
    text = ", ".join('"' + name + '"' for name in names)
    return names, f"INSERT INTO {table} ({text}) VALUES ({', '.join('?' for _ in names)})", made

ours_store = Store(folder / "ours.sqlite")
store = Store(folder / "plain.sqlite")
recorder = store.recorder()
recorder.run_started(started("T"))
[recorder.step_finished(each) for each in found]
recorder.run_ended(ended("accept", found))
with closing(sqlite3.connect(folder / "plain.sqlite")) as raw:
    of = "step_id IN (SELECT id FROM steps WHERE run_id = 1) ORDER BY step_id, position"
    run, step, value, trace, seal = (
        rows(raw, *each)
        for each in (
            ("runs", "id = 1"), ("steps", "run_id = 1 ORDER BY id"), ("characteristics", of), ("traces", of),
            ("seals", "kind <> 'key'"),
        )
    )

def covered(raw, number, whole):
    # What a seal covers, read back and signed by hand.
    parts = [raw.execute("SELECT * FROM runs WHERE id = ?", (number,)).fetchone()]
    if whole:
        inside = "(SELECT id FROM steps WHERE run_id = ?)"
        parts += raw.execute("SELECT * FROM steps WHERE run_id = ? ORDER BY position", (number,)).fetchall()
        for table in ("characteristics", "traces"):
            parts += raw.execute(f"SELECT * FROM {table} WHERE step_id IN {inside}", (number,)).fetchall()
    digest = digest_of([digest_of(list(each)) for each in parts])
    return digest, key.sign(digest.encode()).hex()

def plain(by_hand):
    # The same rows in the same transactions, with the same promises of the disk, a connection for each run so that
    # one plain file is left; compressed traces ready made. `by_hand`: digests of the steps and seals are made anew.
    with_id = lambda kind, row, **new: [new.get(n, v) for n, v in zip(kind[0], row)]
    with closing(sqlite3.connect(folder / "plain.sqlite", isolation_level=None)) as raw:
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            raw.execute(f"PRAGMA {pragma}")
        kept = ("runs", "steps", "characteristics", "traces")
        ids = {t: raw.execute(f"SELECT coalesce(max(id), 0) FROM {t}").fetchone()[0] for t in kept}
        number = raw.execute("SELECT max(number) FROM seals").fetchone()[0]
        ids["runs"] += 1
        number += 1
        raw.execute("BEGIN IMMEDIATE")
        first = with_id(run, run[2][0], id=ids["runs"], ending="running", verdict=None, cause=None, judgement=None)
        raw.execute(run[1], first)
        last = digests.start_digest(str(ids["runs"]), started("T-1")) if by_hand else ""
        made = dict(zip(("digest", "signature"), covered(raw, ids["runs"], False))) if by_hand else {}
        raw.execute(seal[1], with_id(seal, seal[2][0], number=number, subject=ids["runs"], **made))
        raw.execute("UPDATE identity SET run = ?", (ids["runs"],))
        raw.execute("COMMIT")
        for each, result in zip(step[2], found):
            raw.execute("BEGIN IMMEDIATE")
            ids["steps"] += 1
            last = digests.step_digest(last, result) if by_hand else ""
            raw.execute(step[1], with_id(step, each, id=ids["steps"], run_id=ids["runs"]))
            for kind, table in ((value, "characteristics"), (trace, "traces")):
                for one in (r for r in kind[2] if r[kind[0].index("step_id")] == each[0]):
                    ids[table] += 1
                    raw.execute(kind[1], with_id(kind, one, id=ids[table], step_id=ids["steps"]))
            raw.execute("COMMIT")
        raw.execute("BEGIN IMMEDIATE")
        last = dict(zip(run[0], run[2][0]))
        names = ("ended_at", "ending", "verdict", "cause", "disposition", "judgement", "bench_seconds")
        text = ", ".join(f"{n} = ?" for n in names)
        raw.execute(f"UPDATE runs SET {text} WHERE id = ?", [*(last[n] for n in names), ids["runs"]])
        number += 1
        if by_hand:
            digests.end_digest(last["end_digest"], ended("accept", found))
            made = dict(zip(("digest", "signature"), covered(raw, ids["runs"], True)))
        raw.execute(seal[1], with_id(seal, seal[2][1], number=number, subject=ids["runs"], **made))
        raw.execute("COMMIT")

for _ in range(3):
    ours(), plain(False), plain(True)
for _ in range(times):  # in turn, so that both meet the same disk and the same neighbours
    for name, work in (("ours", ours), ("plain", lambda: plain(False)), ("by hand", lambda: plain(True))):
        print(name.replace(" ", "-"), *seconds(work))
"""
"""The same runs recorded by the program and by hand-written SQL, in turn: seconds and CPU seconds of each run."""
BEGIN = """
import sys
from pathlib import Path
from benchrig.records import Store
from tests.reports.sample_record import record_into
store = Store(Path(sys.argv[1]))
record_into(store.recorder(), "accept", tag="T-77")
record_into(store.recorder(), "accept", tag="CHECK", reason="check-valve")
record_into(store.recorder(), "reject", tag="T-78")
"""
WARM = """
import sys, time
from pathlib import Path
from click.testing import CliRunner
from benchrig.cli import cli
from benchrig.records import Store
from tests.reports.sample_record import record_into

path, times, *words = sys.argv[1:]

def once():
    began = time.process_time()
    if words:
        done = CliRunner().invoke(cli, words)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    else:
        record_into(Store(Path(path)).recorder(), "accept", tag="NEW")
    return time.process_time() - began

once()
print(min(once() for _ in range(int(times))))
"""
"""One command some times in one process: all that it imports is there already."""


def columns(raw: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in raw.execute(f"PRAGMA table_info({table})") if row[1] != "id"]


def multiply(path: Path, runs: int) -> None:
    """Copy runs 1 and 3 (cores, one in ten a reject) and 2 (a check valve) by SQL; its values vary by 0.4 %.

    Ten minutes lie between two runs. Seals are copied too, and so do not fit: `show` says so and ends with status 3.
    """
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode=OFF")  # nothing is lost that could not be made again
        raw.execute("PRAGMA synchronous=OFF")
        raw.execute("PRAGMA cache_size=-500000")
        numbers = f"WITH RECURSIVE n(i) AS (SELECT 4 UNION ALL SELECT i + 1 FROM n WHERE i < {runs}) "
        checks = runs - CHECK_VALVE
        of = f"(CASE WHEN i > {checks} THEN 2 WHEN i % 10 = 0 THEN 3 ELSE 1 END)"
        named = columns(raw, "runs")
        tag = f"CASE WHEN i > {checks} THEN 'CHECK' ELSE 'T-' || (i % {runs // 4}) END"
        begun = "strftime('%Y-%m-%dT%H:%M:%S.000000Z', r.started_at, (i * 10) || ' minutes')"
        made = {"tag": tag, "started_at": begun}
        taken = ", ".join(made.get(c, f'r."{c}"') for c in named)
        quoted = ", ".join(f'"{c}"' for c in named)
        raw.execute(f"INSERT INTO runs (id, {quoted}) {numbers} SELECT i, {taken} FROM n JOIN runs r ON r.id = {of}")
        steps = raw.execute("SELECT max(position) + 1 FROM steps WHERE run_id = 1").fetchone()[0]
        named = [c for c in columns(raw, "steps") if c != "run_id"]
        quoted = ", ".join(f'"{c}"' for c in named)
        raw.execute(
            f"INSERT INTO steps (id, run_id, {quoted}) {numbers} SELECT 1000 + i * {steps} + s.position, i, "
            f"{', '.join(f's.{c}' for c in named)} FROM n JOIN steps s ON s.run_id = {of}"
        )
        varied = "t.value * (1 + 0.004 * random() / 9223372036854775808.0)"
        for table, last in (("characteristics", 0), ("traces", runs - WITH_TRACES)):
            named = [c for c in columns(raw, table) if c != "step_id"]
            quoted = ", ".join(f'"{c}"' for c in named)
            raw.execute(
                f"INSERT INTO {table} (step_id, {quoted}) {numbers} SELECT 1000 + i * {steps} + s.position, "
                f"{', '.join(varied if c == 'value' else f't.{c}' for c in named)} "
                f"FROM n JOIN steps s ON s.run_id = {of} JOIN {table} t ON t.step_id = s.id WHERE i > {last}"
            )
        if columns(raw, "seals"):
            named = [c for c in columns(raw, "seals") if c not in ("number", "subject")]
            quoted = ", ".join(f'"{c}"' for c in named)
            raw.execute(
                f"INSERT INTO seals (number, subject, {quoted}) {numbers} SELECT 2 * i + (s.kind = 'run end'), i, "
                f"{', '.join('s.' + c for c in named)} FROM n JOIN seals s ON s.subject = {of} "
                "WHERE s.kind IN ('run', 'run end')"
            )
        last = raw.execute("SELECT max(id) FROM runs").fetchone()[0]
        raw.execute("UPDATE identity SET run = ?", (last,))
        raw.commit()
        raw.execute("PRAGMA journal_mode=WAL")


@dataclass(frozen=True)
class Timed:
    """One checkout with one store."""

    tree: Path
    store: Path
    repeat: int

    def python(self, *words: str) -> tuple[str, float]:
        """What a program prints, and its CPU seconds."""
        home = {"BENCHRIG_HOME": str(self.store.parent), "PYTHONPATH": str(self.tree), "OPENBLAS_NUM_THREADS": "1"}
        before = os.times()
        done = subprocess.run(
            [sys.executable, *words], capture_output=True, text=True, env=os.environ | home, cwd=self.tree, check=False
        )
        after = os.times()
        if done.returncode not in (0, 2, 3):
            raise SystemExit(f"{self.tree}: {words}: {done.stderr}")
        took = after.children_user + after.children_system - before.children_user - before.children_system
        return done.stdout, took

    def table(self) -> dict[str, tuple[float, float]]:
        """CPU seconds of each command: what it does once all is imported, and the whole program."""
        with closing(sqlite3.connect(self.store)) as raw:
            last, day = raw.execute("SELECT max(id), substr(max(started_at), 1, 10) FROM runs").fetchone()
        found = {}
        for name, words in COMMANDS.items():
            words = [
                word.replace("DAY", day).replace("LAST", str(last)).replace("MIDDLE", str(max(1, last // 2)))
                for word in words
            ]
            work = min(float(self.python("-c", WARM, str(self.store), str(self.repeat), *words)[0]) for _ in range(2))
            whole = min(self.python("-m", "benchrig", *words)[1] for _ in range(self.repeat)) if words else math.nan
            found[name] = (work, whole)
        return found


def compare_inserts(tree: Path, times: int) -> None:
    """A run recorded by the program, against the same rows written by hand-written SQL."""
    for kind in ("without traces", "traced"):
        with tempfile.TemporaryDirectory() as folder:
            timed = Timed(tree, Path(folder) / "records.sqlite", 1)
            lines = [line.split() for line in timed.python("-c", INSERTS, folder, str(times), kind)[0].splitlines()]
        took = {
            name: [[float(line[n]) for line in lines if line[0] == name] for n in (1, 2)]
            for name in ("ours", "plain", "by-hand")
        }
        (wall, cpu) = map(statistics.median, took["ours"])
        print(f"a run recorded, {kind}: {1e3 * wall:.1f} ms ({1e3 * cpu:.1f} ms of CPU)")
        for name, said in (("by-hand", "digests and seals made too"), ("plain", "digests and seals ready made")):
            other_wall, other_cpu = map(statistics.median, took[name])
            low, middle, high = statistics.quantiles(
                [one / other for one, other in zip(took["ours"][0], took[name][0], strict=True)], n=4
            )
            print(
                f"  plain sqlite3, {said}: {1e3 * other_wall:.1f} ms ({1e3 * other_cpu:.1f} ms); ours takes "
                f"{wall / other_wall:.2f} times that; of neighbouring pairs {middle:.2f} ({low:.2f} to {high:.2f}), "
                f"CPU {cpu / other_cpu:.2f}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, nargs="+", default=[100_000])
    parser.add_argument("--tree", type=Path, nargs="+", default=[ROOT])
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--inserts", type=int, default=0, help="Only compare so many inserts with plain sqlite3.")
    parser.add_argument(
        "--url",
        help="Compare SQLite with PostgreSQL there, or with a server of its own: 'throwaway' (store_queries.py).",
    )
    given = parser.parse_args()
    if given.url:
        from tests.benchmarks.store_queries import compare_engines

        compare_engines(given.url, given.runs, given.repeat)
        return
    if given.inserts:
        for tree in given.tree:
            compare_inserts(tree.resolve(), given.inserts)
        return
    heads, tables = [], []
    for tree in (each.resolve() for each in given.tree):
        for runs in (2, *given.runs):
            with tempfile.TemporaryDirectory() as folder:
                timed = Timed(tree, Path(folder) / "records.sqlite", given.repeat)
                began = time.perf_counter()
                timed.python("-c", BEGIN, str(timed.store))
                if runs > 2:
                    multiply(timed.store, runs)
                made, size = time.perf_counter() - began, timed.store.stat().st_size / 1e6
                print(f"{tree}: {runs} runs, {size:.0f} MB, made in {made:.0f} s", flush=True)
                heads.append(f"{tree.name[:12]} {runs}")
                tables.append(timed.table())
    print(f"CPU seconds, best of {given.repeat}: work of the command itself | the whole program with its start")
    print(f"{'':28}" + "".join(f"{head:>22}" for head in heads))
    for name in COMMANDS:
        print(f"{name:28}" + "".join(f"{table[name][0]:14.3f} |{table[name][1]:6.2f}" for table in tables))


if __name__ == "__main__":
    main()
