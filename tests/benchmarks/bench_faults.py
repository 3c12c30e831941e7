"""Each fault of the simulated bench, thrown in at random into runs of random valves: does it ever pass for the valve?

    python tests/benchmarks/bench_faults.py --runs 50 [--kind weak-pump] [--seed 1] [--list]

For every run the same valve goes through a healthy bench too. `wrong` counts the runs that must not be: an accept or a
reject that the healthy bench does not give. A run that ends before its fault comes, or with the healthy verdict though
it came, has done no harm. `named` counts the messages that say the right thing to check, of the runs that a fault
ended or left undecided; which words count as right stands in the table below.
"""

from __future__ import annotations

import argparse
import random
import warnings
from collections import Counter
from dataclasses import dataclass

from benchrig.application.paths import model_folders
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue
from benchrig.errors import BenchError
from benchrig.rehearsal.one_valve import InMemory, options
from benchrig.rehearsal.plan import Entry, draw_entry
from benchrig.rehearsal.valve_mix import default_mix
from benchrig.sequencer.events import Intake, StepResult
from benchrig.sequencer.operator import Silent
from benchrig.sequencer.run import qualify

RIGHT_WORDS: dict[str, tuple[str, ...]] = {
    "supply-off": ("supply",),
    "estop": ("emergency stop",),
    "guard": ("guard",),
    "unplug": ("usb", "cable", "plugged"),
    "meter-silent": ("meter",),
    "meter-late": ("meter",),
    "meter-garbage": ("meter",),
    "meter-unplug": ("meter",),
    "meter-other": ("meter",),
    "blocked-line": ("hose", "blocked", "kink"),
    "transducer-stuck": ("transducer",),
    "transducer-offset": ("transducer",),
    "transducer-slow": ("transducer",),
    "supply-sag": ("supply",),
    "supply-noise": ("supply",),
    "meter-range": ("meter",),
    "frames-lost": ("usb", "cable"),
    "frames-damaged": ("usb", "cable"),
    "frames-repeated": ("usb", "cable"),
    "frames-delayed": ("usb", "cable"),
    "ambient-step": ("ambient", "temperature", "thermistor", "draught"),
    "coil-relay-welded": ("coil switch", "k1"),
    "coil-relay-dead": ("coil switch", "k1"),
    "meter-relay-welded": ("meter relay", "k2"),
    "meter-relay-dead": ("meter", "k2"),
    "pump-relay-welded": ("pump",),
    "pump-relay-dead": ("pump",),
    "isolation-relay-welded": ("isolation", "k4"),
    "isolation-relay-dead": ("isolation", "k4"),
    "vent-relay-welded": ("vent", "k5"),
    "vent-relay-dead": ("vent", "k5"),
    "reference-relay-welded": ("reference", "k6"),
    "reference-relay-dead": ("reference", "k6"),
    "line-leak": ("hose", "joint", "leak"),
    "weak-pump": ("pump",),
}
"""One of these words, in the error, its hint, the verdict's reason or a note, names the right thing to check."""


class Noting(InMemory):
    """Keeps what the steps have to say."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def step_finished(self, step: StepResult) -> None:
        self.notes += [*step.notes, step.skipped]


@dataclass(frozen=True)
class Outcome:
    verdict: str
    said: str
    bench_seconds: float


def run(entry: Entry, faults: list[str]) -> Outcome:
    model = CATALOGUE.get(entry.model)
    noting = Noting()
    opened = open_registered("simulated", {**options(entry), "faults": faults})
    with opened as bench:
        try:
            finished = qualify(
                bench,
                model,
                Intake(f"F-{entry.index}", entry.model, "core", "benchmark"),
                sink=noting,
                operator=Silent(opened.hands),
            )
        except BenchError as error:
            return Outcome("status 3", f"{error} {error.hint}", bench.clock.now())
        judgement = finished.judgement
        return Outcome(judgement.verdict, " ".join([judgement.why, *noting.notes]), bench.clock.now())


CATALOGUE = Catalogue(model_folders())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5, help="of each kind")
    parser.add_argument("--kind", action="append", choices=fault_kinds())
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="tell every run that is wrong or not named")
    asked = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)  # of fits to what no valve does: the table is to stay readable
    mix = default_mix()
    healthy: dict[int, Outcome] = {}
    head = ("fault", "status 3", "undecided", "same", "wrong", "named")
    print(f"{head[0]:16}" + "".join(f"{name:>11}" for name in head[1:]))
    for kind in asked.kind or fault_kinds():
        counts: Counter[str] = Counter()
        told = stopped = 0
        odd: list[str] = []
        for index in range(asked.runs):
            entry = draw_entry(mix, asked.seed, index)
            if index not in healthy:
                healthy[index] = run(entry, [])
            sound = healthy[index]
            # Some from the start, the others anywhere in the run.
            draw = random.Random(f"{kind} {asked.seed} {index}")
            at_s = 0.0 if draw.random() < 0.2 else draw.uniform(0.0, sound.bench_seconds)
            spoilt = run(entry, [f"{kind}@{at_s:.3f}"])
            which = f"{kind}@{at_s:.3f} on {entry.condition} {entry.model} seed {entry.seed} severity {entry.severity}"
            if spoilt.verdict == sound.verdict:
                counts["same"] += 1
                continue
            sort = spoilt.verdict if spoilt.verdict in ("status 3", "undecided") else "wrong"
            counts[sort] += 1
            right = any(word in spoilt.said.lower() for word in RIGHT_WORDS.get(kind, ()))
            if sort != "wrong":
                stopped += 1
                told += right
            if sort == "wrong" or not right:
                odd.append(f"    {sort}: {which}: {sound.verdict} became {spoilt.verdict}: {spoilt.said}")
        named = f"{told} of {stopped}"
        print(f"{kind:16}" + "".join(f"{counts[name]:11d}" for name in head[1:-1]) + f"{named:>11}", flush=True)
        if asked.list and odd:
            print("\n".join(odd))


def fault_kinds() -> tuple[str, ...]:
    from simulators.bench_faults import FAULT_KINDS

    return tuple(FAULT_KINDS)


if __name__ == "__main__":
    main()
