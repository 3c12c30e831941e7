"""Bench seconds a valve, each run ending as soon as it has told enough, against the same valves measured to the end.

    python tests/benchmarks/run_seconds.py --valves 100 --seed 1 --jobs 2 [--pump 8] [--calibrated] [--good 0.7]
        [--tank] [--early-only]

So many valves, the stated part of them good, the rest over all conditions of the simulated bench by equal chance with
a severity by chance. Every valve has a bench of its own, drawn as its file states: 0.5 L, 12 Pa of noise, and a pump
of so many L/min. `--calibrated`: each bench has had 'bench calibrate heat'. `--tank`: it has a vacuum tank, which its
vacuum switch has drawn down while the part was fitted (8 L/min need 11 s from the let-down before, about 6 of them
after the verdict). Seconds are those of the bench's virtual
clock, so that this machine does not matter.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue
from benchrig.rehearsal import one_valve
from benchrig.rehearsal.one_valve import RehearsalSettings, Result, options, rehearse_one
from benchrig.rehearsal.plan import Entry
from simulators.world import CONDITIONS

MODELS = ("alder-24", "birch-26", "cedar-44")
ULTIMATE = 1 - 12.0 / 101.325
WITHOUT = {"reversed-diode"}
"""Trips the board as soon as the coil is switched on: no run to time."""


def entries(valves: int, seed: int, good: float) -> list[Entry]:
    """The valves to come."""
    rng = random.Random(seed)
    bad = sorted(set(CONDITIONS) - {"good"} - WITHOUT)
    drawn = []
    for index in range(valves):
        condition = "good" if rng.random() < good else rng.choice(bad)
        severity = None if condition == "good" else rng.random()
        drawn.append(Entry(index, rng.choice(MODELS), condition, severity, rng.randrange(2**32)))
    return drawn


def one(settings: RehearsalSettings, pump_l_min: float, entry: Entry) -> Result:
    """One valve on a bench with such a pump."""

    def with_pump(entry: Entry, *, as_stated: bool = True) -> dict[str, object]:
        return {**options(entry, as_stated=as_stated), "bench_truth": {"pump_m3_s": pump_l_min * 1e-3 / 60 / ULTIMATE}}

    one_valve.options = with_pump
    return rehearse_one(settings, entry)


def told(name: str, results: list[Result]) -> np.ndarray:
    """Print one table; return the seconds of the valves that came to a verdict."""
    seconds = np.array([each.bench_seconds for each in results if each.bench_seconds is not None])
    good = np.array([each.bench_seconds for each in results if each.entry.condition == "good" and each.bench_seconds])
    print(
        f"{name:<12} median {np.median(seconds):5.1f} s, 95 % {np.quantile(seconds, 0.95):5.1f} s, mean "
        f"{seconds.mean():5.1f} s; good valves median {np.median(good):5.1f} s, 95 % {np.quantile(good, 0.95):5.1f} s"
    )
    rows = Counter((each.entry.condition, each.verdict) for each in results)
    verdicts = sorted({verdict for _, verdict in rows})
    print(f"  {'':<24}" + "".join(f"{verdict:>14}" for verdict in verdicts))
    for condition in sorted({each.entry.condition for each in results}):
        print(f"  {condition:<24}" + "".join(f"{rows[condition, verdict] or '':>14}" for verdict in verdicts))
    return seconds


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--valves", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument("--pump", type=float, default=8.0)
    asked.add_argument("--good", type=float, default=0.7)
    asked.add_argument("--calibrated", action="store_true")
    asked.add_argument("--tank", action="store_true")
    asked.add_argument("--early-only", action="store_true", help="not to the end as well")
    args = asked.parse_args()
    catalogue = Catalogue(model_folders())
    models = {name: catalogue.get(name) for name in MODELS}
    kinds = ("heat",) if args.calibrated else ()
    coming = entries(args.valves, args.seed, args.good)
    medians = []
    with Pool(args.jobs) as pool:
        for name, full in (("early ends", False), ("to the end", True)):
            settings = RehearsalSettings(args.seed, models, full=full, calibrated=kinds, tank=args.tank)
            results = pool.map(partial(one, settings, args.pump), coming, 2)
            if full and args.early_only:
                return
            medians.append(float(np.median(told(name, results))))
    print(f"to the end over early ends, medians: {medians[1] / medians[0]:.2f}")


if __name__ == "__main__":
    main()
