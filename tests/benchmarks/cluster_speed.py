"""Stored runs judged again on one core and on a Dask cluster of two workers: the same to the bit, and how much sooner?

    nice .venv/bin/python -m tests.benchmarks.cluster_speed --runs 2000
    nice .venv/bin/python -m tests.benchmarks.cluster_speed --runs 100 --each 50 --idle

Simulated runs of all conditions, stored with their traces and copied until there are enough. Both ways take the same
piece of them in turn, so that neighbours on the machine slow both alike; in the second piece a worker is killed half
way, and another one started for the third. The cluster is this program's own, on loopback. `--idle` first waits for a
load under 1.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from benchrig.application.events import Event, RunsJudgedAgain
from benchrig.application.judging_again import judge_again
from benchrig.records import Store
from simulators.world import CONDITIONS
from tests.workers.small_cluster import small_cluster

ROOT = Path(__file__).parents[2]


def copied(path: Path, have: int, runs: int) -> None:
    """Copy the first runs with their steps, values and traces until there are enough, without their seals."""
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA synchronous=OFF")
        for number in range(have + 1, runs + 1):
            source = (number - 1) % have + 1
            _copy(raw, "runs", f"id = {source}", {"id": str(number)})
            (first,) = raw.execute("SELECT max(id) FROM steps").fetchone()
            for (step,) in raw.execute("SELECT id FROM steps WHERE run_id = ? ORDER BY position", (source,)).fetchall():
                first += 1
                _copy(raw, "steps", f"id = {step}", {"id": str(first), "run_id": str(number)})
                for table in ("characteristics", "traces"):
                    _copy(raw, table, f"step_id = {step}", {"id": "NULL", "step_id": str(first)})
        raw.execute("UPDATE identity SET run = ?", (runs,))
        raw.commit()


def _copy(raw: sqlite3.Connection, table: str, where: str, new: dict[str, str]) -> None:
    names = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
    quoted = ", ".join(f'"{name}"' for name in names)
    taken = ", ".join(new.get(name, f'"{name}"') for name in names)
    raw.execute(f"INSERT INTO {table} ({quoted}) SELECT {taken} FROM {table} WHERE {where} ORDER BY id")


def stored(home: Path, runs: int, source: Path | None) -> Store:
    path = home / "records.sqlite"
    home.mkdir()
    if source is not None:
        shutil.copyfile(source, path)
    else:
        environment = os.environ | {"BENCHRIG_HOME": str(home)}
        for condition in CONDITIONS:
            command = [sys.executable, "-m", "benchrig", "demo", "--condition", condition, "--json"]
            subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, check=False)
    with closing(sqlite3.connect(path)) as raw:
        (have,) = raw.execute("SELECT count(*) FROM runs").fetchone()
    copied(path, have, runs)
    print(f"{runs} runs, copies of {have} with {path.stat().st_size / 1e6:.0f} MB", flush=True)
    return Store(path, reading=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--each", type=int, default=100, help="Runs in a piece.")
    parser.add_argument("--copy", type=Path, help="A store whose runs are copied, in place of simulated ones.")
    parser.add_argument("--idle", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, small_cluster(Path(folder) / "cluster") as cluster:
        home = Path(folder) / "home"
        store = stored(home, given.runs, given.copy)
        while given.idle and os.getloadavg()[0] > 1:
            time.sleep(5)
        here_s = there_s = 0.0
        done = other = 0
        # Not counted: what each interpreter imports.
        judge_again(store, [1], jobs=1)
        judge_again(store, [1, 2, 3, 4], scheduler=cluster.address)
        for piece, first in enumerate(range(1, given.runs + 1, given.each)):
            numbers = range(first, min(first + given.each, given.runs + 1))
            here = judge_again(store, numbers, jobs=1)

            def half_way(event: Event, *, kill: bool = piece == 1, half: int = len(numbers) // 2) -> None:
                if (
                    kill
                    and isinstance(event, RunsJudgedAgain)
                    and event.done == half
                    and cluster.workers[0].poll() is None
                ):
                    cluster.workers[0].kill()
                    print("  a worker killed", flush=True)

            there = judge_again(store, numbers, scheduler=cluster.address, tell=half_way)
            done += len(numbers)
            other += sum(one != two for one, two in zip(here.runs, there.runs, strict=True))
            failed = [run.why_not for run in there.runs if run.why_not]
            if piece == 1:
                cluster.add_worker()
                cluster.wait_for_workers(2)
            else:
                here_s += here.wall_s
                there_s += there.wall_s
            print(
                f"{done} runs: {other} other on the cluster, {len(failed)} not judged {failed[:1]}; this piece "
                f"{here.wall_s:.1f} s on one core, {there.wall_s:.1f} s on the cluster; all but the one with a worker "
                f"killed {here_s / there_s if there_s else 0:.2f} times as fast; load {os.getloadavg()[0]:.1f}",
                flush=True,
            )
    if other:
        sys.exit("results are not the same")


if __name__ == "__main__":
    main()
