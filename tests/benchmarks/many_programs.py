"""Many programs on one store: are all runs recorded?

    nice .venv/bin/python -m tests.benchmarks.many_programs --runs 400 --at-a-time 16

Each run is a program of its own: `qualify` on the simulated bench (``--whole``), or only its record, written into the
store as a run would, which is harder on the store because nothing else takes time.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchrig.records import Store

ROOT = Path(__file__).parents[2]
RECORD = (
    "import sys; from pathlib import Path; from benchrig.records import Store; "
    "from tests.reports.sample_record import record_into; "
    "store = Store(Path(sys.argv[1])); "
    "[record_into(store.recorder(), 'accept', tag=f'{sys.argv[2]}-{n}') for n in range(int(sys.argv[3]))]"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--at-a-time", type=int, default=16)
    parser.add_argument("--each", type=int, default=5, help="Runs that one program records, one after the other.")
    parser.add_argument("--whole", action="store_true", help="Whole runs by `qualify`; --each is then 1.")
    given = parser.parse_args()
    each = 1 if given.whole else given.each
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.sqlite"
        environment = {**os.environ, "BENCHRIG_HOME": folder, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}

        def program(number: int) -> tuple[int, str]:
            whole = ["-m", "benchrig", "qualify", "--model", "alder-24", "--tag", f"P-{number}", "--simulated"]
            command = [sys.executable, *(whole if given.whole else ["-c", RECORD, str(path), f"P-{number}", str(each)])]
            done = subprocess.run(command, capture_output=True, text=True, env=environment, cwd=ROOT, check=False)
            return done.returncode, done.stderr.strip()[-300:]

        began = time.perf_counter()
        with ThreadPoolExecutor(given.at_a_time) as pool:
            ended = list(pool.map(program, range(given.runs // each)))
        seconds = time.perf_counter() - began
        runs = Store(path).runs(limit=given.runs + 10)
        failed = [said for status, said in ended if status]
        print(f"{given.runs} runs, {given.at_a_time} programs at a time, {each} runs a program: {seconds:.0f} s")
        print(f"  recorded {len(runs)}, finished {sum(run.ending == 'finished' for run in runs)}")
        print(f"  programs that failed {len(failed)}", *failed[:5], sep="\n    ")
        print(f"  numbers {runs[-1].run} to {runs[0].run}, {len({run.run for run in runs})} different")


if __name__ == "__main__":
    main()
