"""Is a part put to its model, and noticed when it is not the one on the ticket?

    python -m tests.benchmarks.model_matches --parts 200 --known 20 --seed 1 [--by-limits]

Twenty fictional models, drawn: coil of 15 to 30 ohm, pull-in of 5 to 15 ms, drop-out of 6 to 18 ms, flow of 8 to 40
L/min, one in four open without current. Parts of a model scatter by 1.5, 5, 5 and 6 %. Each model is known from so many
accepted parts, or by limits at three standard deviations alone. Faulty parts with a sound coil: leaking (nothing of
this changes), restricted, sluggish, or slow to drop out. Nothing of the program makes these numbers.
"""

from __future__ import annotations

import argparse

import numpy as np

from benchrig.analysis.results import Characteristic
from benchrig.verdict.judgement import Limit
from benchrig.verdict.model_match import FAR_BETTER, Signature, by_limits, by_runs, fits

NAMES = ("coil_resistance_20c_ohm", "pull_in_time_ms", "drop_out_time_ms", "flow_at_rated_vacuum_lpm_anr")
RANGES = ((15.0, 30.0), (5.0, 15.0), (6.0, 18.0), (8.0, 40.0))
SCATTER = np.array([0.015, 0.05, 0.05, 0.06])
MEASURED_U = np.array([0.004, 0.003, 0.005, 0.015])


def part(centre: np.ndarray, rng: np.random.Generator, fault: str = "") -> np.ndarray:
    values = centre * (1 + SCATTER * rng.standard_normal(4))
    if fault == "restricted":
        values[3] *= rng.uniform(0.05, 0.7)
    elif fault == "sluggish":
        values[1] *= rng.uniform(1.5, 4.0)
        values[2] *= rng.uniform(1.2, 3.0)
    elif fault == "slow to drop out":
        values[2] *= rng.uniform(1.5, 3.0)
    return values * (1 + MEASURED_U * rng.standard_normal(4))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parts", type=int, default=200, help="Of each model, good and faulty.")
    parser.add_argument("--known", type=int, default=20, help="Accepted parts that each model is known from.")
    parser.add_argument("--by-limits", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    centres = np.array([[rng.uniform(*each) for each in RANGES] for _ in range(20)])
    normally = ["open" if rng.random() < 0.25 else "closed" for _ in range(20)]
    models: list[Signature] = []
    for at, centre in enumerate(centres):
        wide = 3 * SCATTER * centre
        limits = [Limit(NAMES[0], centre[0] - wide[0], centre[0] + wide[0], "")]
        limits += [Limit(NAMES[n], None, centre[n] + wide[n], "") for n in (1, 2)]
        limits.append(Limit(NAMES[3], centre[3] - wide[3], None, ""))
        known = by_limits(f"fictional-{at}", normally[at], limits)  # type: ignore[arg-type]
        if not given.by_limits:
            parts = np.array([part(centre, rng) for _ in range(given.known)])
            known = by_runs(known, {name: parts[:, n].tolist() for n, name in enumerate(NAMES)})
        models.append(known)

    def first(values: np.ndarray, works_as: str, ticket: int) -> tuple[int, bool]:
        found = {
            name: Characteristic(name, float(value), float(value * u), "", how="")
            for name, value, u in zip(NAMES, values, MEASURED_U, strict=True)
        }
        order = fits(found, works_as, models)  # type: ignore[arg-type]
        named = next(each for each in order if each.model == f"fictional-{ticket}")
        other = order[0].model != named.model and order[0].probability >= FAR_BETTER * named.probability
        return int(order[0].model.rpartition("-")[2]), other

    print(f"{given.parts} parts of each of 20 models, known from "
          f"{'their limits' if given.by_limits else f'{given.known} accepted parts'}; seed {given.seed}")  # fmt: skip
    for kind in ("good", "leaking", "restricted", "sluggish", "slow to drop out"):
        right, flagged_wrong, flagged_right, n = 0, 0, 0, 0
        for at, centre in enumerate(centres):
            works_as = "" if kind in ("leaking",) else normally[at]
            for _ in range(given.parts):
                values = part(centre, rng, "" if kind in ("good", "leaking") else kind)
                best, other = first(values, works_as, at)
                swapped = int((at + rng.integers(1, 20)) % 20)
                right += best == at
                flagged_wrong += other
                # On a ticket of the other sort the bench drives the valve the wrong way round: it does not work.
                works = works_as if normally[swapped] == normally[at] else ""
                flagged_right += first(values, works, swapped)[1]
                n += 1
        print(f"{kind:17} right first {100 * right / n:5.1f} %   swapped and told {100 * flagged_right / n:5.1f} %   "
              f"told wrongly {100 * flagged_wrong / n:.2f} %")  # fmt: skip


if __name__ == "__main__":
    main()
