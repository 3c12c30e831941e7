"""Bench seconds in a second of CPU for whole runs in one process: world, instruments, analyses, verdict, record.

    python tests/benchmarks/run_speed.py --runs 10 [--profile]

With ``--profile``: where the time goes, by own time. Without the record (as in a rehearsal) stands beside it.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import statistics
import tempfile
import time
from pathlib import Path

from benchrig.application.paths import model_folders
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue
from benchrig.records import Store
from benchrig.rehearsal.one_valve import InMemory
from benchrig.sequencer.events import Intake, Sink
from benchrig.sequencer.run import qualify


def one(seed: int, sink: Sink) -> tuple[float, float]:
    """Bench seconds and CPU seconds of one run of a good valve."""
    model = Catalogue(model_folders()).get("alder-24")
    began = time.process_time()
    options = {"model": model.model, "condition": "good", "seed": seed, "faults": []}
    with open_registered("simulated", options) as bench:
        finished = qualify(
            bench,
            model,
            Intake(f"S-{seed}", model.model, "core", "benchmark"),
            sink=sink,
        )
    return finished.bench_seconds, time.process_time() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--profile", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "records.sqlite")
        one(0, store.recorder())  # imports and caches
        for title, sink in (("with record", store.recorder), ("without", InMemory)):
            runs = [one(seed, sink()) for seed in range(1, asked.runs + 1)]
            cpu = [cpu_s for _, cpu_s in runs]
            times = statistics.median(bench_s / cpu_s for bench_s, cpu_s in runs)
            said = f"CPU s a run: median {statistics.median(cpu):.3f}, {min(cpu):.3f} to {max(cpu):.3f}"
            print(f"{title:12} {times:6.1f} bench seconds a CPU second   {said}")
        if asked.profile:
            profile = cProfile.Profile()
            profile.runcall(one, 99, store.recorder())
            pstats.Stats(profile).sort_stats("tottime").print_stats(18)


if __name__ == "__main__":
    main()
