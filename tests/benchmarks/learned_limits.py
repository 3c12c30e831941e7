"""Limits learned from good parts, then parts judged by them: are good ones rejected as seldom as promised?

    python -m tests.benchmarks.learned_limits --learn 10 30 100 --judge 2000 --times 20 --seed 1

A population of its own, nothing of the program in it: seven characteristics of a fictional model, normal or (leak,
click spread) skewed, measured with an uncertainty of its own. From each sample limits are learned as 'models learn'
does; then good and defective parts are drawn, each defective one off in one characteristic. A good part is within its
limits where its true values are, which is what a tolerance interval promises; rejects and accepts are of measured
values, by the guard band of 0.83 U.
"""

from __future__ import annotations

import argparse

import numpy as np

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.analysis.results import Characteristic
from benchrig.analysis.studies.learned_limit import LearnedLimit, learn_limit
from benchrig.application.learning import LEARNED
from benchrig.verdict.conformity import guard_band_width, judge
from benchrig.verdict.judgement import Limit

# name -> (mean, standard deviation, skewed, standard uncertainty of a measurement, a defect's factor from and to)
POPULATION = {
    "coil_resistance_20c_ohm": (24.3, 0.45, False, 0.10, (0.55, 0.85)),
    "hold_leak_sccm": (0.6, 0.35, True, 0.10, (8.0, 80.0)),
    "flow_at_rated_vacuum_lpm_anr": (21.5, 0.9, False, 0.35, (0.05, 0.7)),
    "opening_delay_ms": (6.5, 0.8, False, 0.7, (3.0, 8.0)),
    "pull_in_time_ms": (8.3, 0.35, False, 0.03, (1.5, 4.0)),
    "drop_out_time_ms": (11.8, 0.5, False, 0.06, (1.5, 4.0)),
    "click_spread_ms": (0.05, 0.03, True, 0.03, (20.0, 60.0)),
}


def drawn(name: str, n: int, rng: np.random.Generator) -> np.ndarray:
    mean, sd, skewed, _, _ = POPULATION[name]
    if not skewed:
        return rng.normal(mean, sd, n)
    shape = (mean / sd) ** 2
    return rng.gamma(shape, mean / shape, n)


def learned_from(n: int, content: float, confidence: float, rng: np.random.Generator) -> dict[str, LearnedLimit]:
    found = {}
    for name, sides in LEARNED.items():
        u = POPULATION[name][3]
        measured = drawn(name, n, rng) + rng.normal(0, u, n)
        found[name] = learn_limit(
            [np.array([each]) for each in measured],
            sides,
            content=content,
            confidence=confidence,
            from_zero=CHARACTERISTICS[name].from_zero,
            allowance=guard_band_width("0.83 U", u),
        )
    return found


def verdicts(limits: dict[str, LearnedLimit], values: dict[str, np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """0 accept, 1 undecided, 2 reject of each part, by what is measured of it."""
    n = len(next(iter(values.values())))
    worst = np.zeros(n, dtype=int)
    for name, learned in limits.items():
        u = POPULATION[name][3]
        limit = Limit(name, learned.low, learned.high, "learned")
        seen = values[name] + rng.normal(0, u, n)
        for at, value in enumerate(seen.tolist()):
            outcome = judge(Characteristic(name, value, u, "", how=""), limit, "0.83 U").outcome
            worst[at] = max(worst[at], 2 if outcome == "fail" else 0 if outcome == "pass" else 1)
    return worst


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--learn", type=int, nargs="+", default=[10, 30, 100])
    parser.add_argument("--judge", type=int, default=2000)
    parser.add_argument("--times", type=int, default=20, help="Samples learned from, of each size.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--content", type=float, default=0.99)
    parser.add_argument("--confidence", type=float, default=0.95)
    given = parser.parse_args()
    print("| learned from | limits of 7 | within each limit, least | kept promise | good: reject | undecided | "
          "defective: accept | undecided |\n|---|---|---|---|---|---|---|---|")  # fmt: skip
    for n in given.learn:
        rows = []
        for time in range(given.times):
            rng = np.random.default_rng([given.seed, n, time])
            limits = {k: v for k, v in learned_from(n, given.content, given.confidence, rng).items() if v.method}
            good = {name: drawn(name, given.judge, rng) for name in POPULATION}
            held = [
                float(np.mean((good[k] >= (v.low if v.low is not None else -np.inf))
                              & (good[k] <= (v.high if v.high is not None else np.inf))))
                for k, v in limits.items()
            ]  # fmt: skip
            bad = {name: values.copy() for name, values in good.items()}
            which = rng.integers(len(POPULATION), size=given.judge)
            for at, (name, (*_, (low, high))) in enumerate(POPULATION.items()):
                bad[name][which == at] *= rng.uniform(low, high, int(np.sum(which == at)))
            of_good, of_bad = verdicts(limits, good, rng), verdicts(limits, bad, rng)
            kept = sum(each >= limits[name].content for each, name in zip(held, limits, strict=True))
            rows.append((len(limits), min(held), kept, len(held), np.mean(of_good == 2), np.mean(of_good == 1),
                         np.mean(of_bad == 0), np.mean(of_bad == 1)))  # fmt: skip
        table = np.array(rows, dtype=float)
        kept = table[:, 2].sum() / table[:, 3].sum()
        rates = " | ".join(f"{100 * each:.2f} %" for each in table[:, 4:].mean(axis=0))
        print(f"| {n} parts | {table[:, 0].mean():.1f} | {100 * table[:, 1].min():.1f} % | {100 * kept:.1f} % "
              f"(of {int(table[:, 3].sum())}) | {rates} |")  # fmt: skip


if __name__ == "__main__":
    main()
