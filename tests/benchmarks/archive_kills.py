"""Kill `records archive` at random instants: nothing may be lost, and no trace may be in two places.

python -m tests.benchmarks.archive_kills --kills 40 --runs 60 --seed 1
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchrig.records import Store
from tests.reports.sample_record import record_into


def fingerprint(path: Path) -> str:
    """Every sample of every trace, in order, wherever it is read from."""
    told = hashlib.sha256()
    store = Store(path)
    for record in store.read(range(1, len(store.runs(100_000)) + 1), traces=True):
        for step in record.steps:
            for trace in step.traces:
                told.update(trace.name.encode() + trace.time_s.tobytes())
                for name, values in trace.columns.items():
                    told.update(name.encode() + values.tobytes())
    return told.hexdigest()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--within", type=float, default=1.0, help="s after the archive's folder was made")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    choose = random.Random(given.seed)
    moments = {"before": 0, "meanwhile": 0, "after": 0}
    for kill in range(given.kills):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "records.sqlite"
            store = Store(path)
            for number in range(given.runs):
                record_into(store.recorder(), "accept", tag=f"T-{number}")
            whole = fingerprint(path)
            command = [sys.executable, "-m", "benchrig", "records", "archive", "--before", "2027-01-01"]
            environment = {**os.environ, "BENCHRIG_HOME": folder}
            started = time.monotonic()
            program = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
            archive = Path(folder) / "archive"
            while not archive.exists() and program.poll() is None:
                time.sleep(0.002)
            if kill % 4:  # most of them while the file is written, or when it has its name and is taken up
                pattern = "*.parquet" if kill % 4 > 1 else ".*.part"
                while program.poll() is None and not list(archive.glob(pattern)):
                    time.sleep(0.0005)
                time.sleep(choose.uniform(0.0, 0.02))
            else:
                time.sleep(choose.uniform(0.0, given.within))
            program.send_signal(signal.SIGKILL)
            program.communicate()
            files = sorted(each.name for each in archive.glob("*.parquet")) if archive.exists() else []
            moved = sum(record.away is not None for record in Store(path).read(range(1, given.runs + 1), traces=True))
            moment = "after" if moved else "meanwhile" if files else "before"
            moments[moment] += 1
            assert moved in (0, given.runs), f"kill {kill}: {moved} runs were moved"
            assert fingerprint(path) == whole, f"kill {kill}: not the same traces"
            assert Store(path).verify().faults == [], f"kill {kill}: not as sealed"
            subprocess.run(command, env=environment, capture_output=True, check=True)
            assert fingerprint(path) == whole, f"kill {kill}: not the same traces once taken up again"
            assert len(list(archive.glob("*.parquet"))) == 1, f"kill {kill}: {list(archive.iterdir())}"
            assert Store(path).verify().faults == []
            print(f"kill {kill}: {moment} ({time.monotonic() - started:.1f} s)", flush=True)
    print(f"{given.kills} kills, none lost or doubled a trace: {moments}")


if __name__ == "__main__":
    main()
