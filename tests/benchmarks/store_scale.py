"""How long looking takes in a store of very many runs.

    nice .venv/bin/python -m tests.benchmarks.store_scale --runs 100000

CPU seconds of each command, in a store of a few runs (start-up and the work itself) and in the large one. One run is
copied that often, with its rows as long as they are, but without its traces (those of the last 1,000
runs are kept): a million runs with traces would be 120 GB.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from benchrig.records import Store
from tests.reports.sample_record import record_into

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
    "report": ["report", "run:LAST"],
    "bench chart (1,000 runs)": ["bench", "chart", "--tag", "CHECK"],
    "demo (a run recorded)": ["demo"],
}


def columns(raw: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in raw.execute(f"PRAGMA table_info({table})") if row[1] != "id"]


def multiply(path: Path, runs: int) -> None:
    """Copy run 1 (a core) and run 2 (a check valve) by SQL."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA synchronous=OFF")
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
        for table, last in (("characteristics", 0), ("traces", runs - WITH_TRACES)):
            named = [c for c in columns(raw, table) if c != "step_id"]
            quoted = ", ".join(f'"{c}"' for c in named)
            raw.execute(
                f"INSERT INTO {table} (step_id, {quoted}) {numbers} SELECT 1000 + i * {steps} + s.position, "
                f"{', '.join(f't.{c}' for c in named)} FROM n JOIN steps s ON s.run_id = {of} "
                f"JOIN {table} t ON t.step_id = s.id WHERE i > {last}"
            )
        raw.commit()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--repeat", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.sqlite"
        environment = {**os.environ, "BENCHRIG_HOME": folder, "OPENBLAS_NUM_THREADS": "1"}

        def command(words: list[str], last: int) -> float:
            words = [word.replace("LAST", str(last)).replace("MIDDLE", str(max(1, last // 2))) for word in words]
            before = os.times()
            done = subprocess.run(
                [sys.executable, "-m", "benchrig", *words], capture_output=True, env=environment, cwd=ROOT, check=False
            )
            if done.returncode:
                raise SystemExit(f"{words}: {done.stderr.decode()}")
            after = os.times()
            return after.children_user + after.children_system - before.children_user - before.children_system

        def table(last: int) -> dict[str, float]:
            return {name: min(command(each, last) for _ in range(given.repeat)) for name, each in COMMANDS.items()}

        store = Store(path)
        record_into(store.recorder(), "accept", tag="T-77")
        record_into(store.recorder(), "accept", tag="CHECK", reason="check-valve")
        small = table(2)
        small_runs = len(Store(path).runs())
        with closing(sqlite3.connect(path)) as raw:
            for table_of in ("characteristics", "traces"):
                raw.execute(f"DELETE FROM {table_of} WHERE step_id IN (SELECT id FROM steps WHERE run_id > 2)")
            raw.execute("DELETE FROM steps WHERE run_id > 2")
            raw.execute("DELETE FROM runs WHERE id > 2")
            raw.commit()
        began = time.perf_counter()
        multiply(path, given.runs)
        made = time.perf_counter() - began
        large = table(given.runs)
        print(f"{given.runs} runs, {path.stat().st_size / 1e6:.0f} MB, made in {made:.0f} s")
        print(f"{'CPU seconds, best of ' + str(given.repeat):28}{small_runs:>8} runs{given.runs:>10} runs{'more':>10}")
        for name in COMMANDS:
            print(f"{name:28}{small[name]:13.2f}{large[name]:15.2f}{large[name] - small[name]:10.2f}")


if __name__ == "__main__":
    main()
