"""How long looking takes in a store of very many runs, and how it grows; of two revisions of the program side by side.

    nice .venv/bin/python -m tests.benchmarks.store_scale --runs 100000 1000000
    nice .venv/bin/python -m tests.benchmarks.store_scale --tree ../before .

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
    "records show (number)": ["records", "show", "run:MIDDLE"],
    "records show (tag)": ["records", "show", "T-77"],
    "records show (no such tag)": ["records", "show", "nowhere"],
    "report": ["report", "run:LAST"],
    "bench chart (1,000 runs)": ["bench", "chart", "--tag", "CHECK"],
    "a run recorded": [],
}
BEGIN = """
import sys
from pathlib import Path
from benchrig.records import Store
from tests.reports.sample_record import record_into
store = Store(Path(sys.argv[1]))
record_into(store.recorder(), "accept", tag="T-77")
record_into(store.recorder(), "accept", tag="CHECK", reason="check-valve")
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
    """Copy run 1 (a core) and run 2 (a check valve) by SQL; what the check valve measured varies by 0.4 %."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode=OFF")  # nothing is lost that could not be made again
        raw.execute("PRAGMA synchronous=OFF")
        raw.execute("PRAGMA cache_size=-500000")
        numbers = f"WITH RECURSIVE n(i) AS (SELECT 3 UNION ALL SELECT i + 1 FROM n WHERE i < {runs}) "
        checks = runs - CHECK_VALVE
        of = f"(CASE WHEN i > {checks} THEN 2 ELSE 1 END)"
        named = columns(raw, "runs")
        tag = f"CASE WHEN i > {checks} THEN 'CHECK' ELSE 'T-' || (i % {runs // 4}) END"
        taken = ", ".join(tag if c == "tag" else f'r."{c}"' for c in named)
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
        if done.returncode not in (0, 2):
            raise SystemExit(f"{self.tree}: {words}: {done.stderr}")
        took = after.children_user + after.children_system - before.children_user - before.children_system
        return done.stdout, took

    def table(self) -> dict[str, tuple[float, float]]:
        """CPU seconds of each command: what it does once all is imported, and the whole program."""
        with closing(sqlite3.connect(self.store)) as raw:
            last = raw.execute("SELECT max(id) FROM runs").fetchone()[0]
        found = {}
        for name, words in COMMANDS.items():
            words = [word.replace("LAST", str(last)).replace("MIDDLE", str(max(1, last // 2))) for word in words]
            work = min(float(self.python("-c", WARM, str(self.store), str(self.repeat), *words)[0]) for _ in range(2))
            whole = min(self.python("-m", "benchrig", *words)[1] for _ in range(self.repeat)) if words else math.nan
            found[name] = (work, whole)
        return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, nargs="+", default=[100_000])
    parser.add_argument("--tree", type=Path, nargs="+", default=[ROOT])
    parser.add_argument("--repeat", type=int, default=5)
    given = parser.parse_args()
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
