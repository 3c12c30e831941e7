"""How many bench seconds pass in a second of wall time, for the whole process of `benchrig demo`.

    python tests/benchmarks/demo_speed.py --runs 8

Beside it, in the same run, the time of a plain Python loop: where that is slow, the computer is.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time


def loop_s() -> float:
    """Two million additions, the yardstick for the computer's mood."""
    began = time.perf_counter()
    total = 0
    for number in range(2_000_000):
        total += number
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=8)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as home:
        env = {**os.environ, "BENCHRIG_HOME": home}
        env.pop("PYTHONDONTWRITEBYTECODE", None)  # as on any user's computer: modules are compiled once
        command = [sys.executable, "-m", "benchrig", "demo", "--json"]
        walls, loops, bench_s = [], [], 0.0
        for number in range(runs + 1):
            loops.append(loop_s())
            began = time.perf_counter()
            done = subprocess.run(command, env=env, capture_output=True, text=True, check=True)
            if number:  # the first run compiles
                walls.append(time.perf_counter() - began)
            bench_s = json.loads(done.stdout)["bench_seconds"]
    print(f"{'':10} {'wall s':>8} {'times real time':>16} {'loops of additions':>19}")
    for name, pick in (("best", min), ("median", statistics.median), ("worst", max)):
        wall = pick(walls)
        print(f"{name:10} {wall:8.3f} {bench_s / wall:16.1f} {wall / statistics.median(loops):19.1f}")
    print(
        f"{runs} runs of {bench_s:.1f} bench seconds; a loop of additions took {1e3 * statistics.median(loops):.0f} ms"
    )


if __name__ == "__main__":
    main()
