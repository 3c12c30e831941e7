"""Which look of the bench check catches which simulated fault, and how often a healthy bench is called wrong.

python tests/benchmarks/bench_check_faults.py --seeds 3 --healthy 100
"""

from __future__ import annotations

import argparse
from collections import Counter

from benchrig.sequencer.check.check import bench_check
from simulators.bench_faults import FAULT_KINDS
from tests.sequencer.simulated_hands import simulated


def failed(seed: int, *faults: str, spread: float | None = None) -> tuple[list[str], float]:
    options: dict[str, object] = {"seed": seed, "faults": list(faults)}
    if spread is not None:
        options |= {"bench_seed": seed, "bench_spread": spread}
    _, bench, operator = simulated(**options)
    result = bench_check(
        bench, operator, operator_name="nobody", program="study", barometer_pa=operator.read("barometer", "kPa") * 1e3
    )
    return [item.name for item in result.items if item.outcome == "fail"], result.bench_seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--healthy", type=int, default=20)
    asked = parser.parse_args()
    missed = 0
    for kind in FAULT_KINDS:
        caught: Counter[str] = Counter()
        for seed in range(1, asked.seeds + 1):
            names, _ = failed(seed, f"{kind}@0")
            caught.update(names)
            missed += not names
        print(f"{kind:24} {', '.join(f'{n} {c}/{asked.seeds}' for n, c in caught.most_common()) or 'NOT CAUGHT'}")
    print(f"{missed} of {asked.seeds * len(FAULT_KINDS)} not caught")
    alarms: Counter[str] = Counter()
    wrong, longest_s = 0, 0.0
    for seed in range(1, asked.healthy + 1):
        names, seconds = failed(seed, spread=1.0)
        alarms.update(names)
        wrong += bool(names)
        longest_s = max(longest_s, seconds)
    print(
        f"healthy benches within their file: {wrong} of {asked.healthy} called wrong {dict(alarms)}; {longest_s:.0f} s"
    )


if __name__ == "__main__":
    main()
