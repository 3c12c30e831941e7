"""How long a chart of individual values runs before it warns: in control, after a shift, under a drift.

    python tests/benchmarks/chart_run_lengths.py --charts 1000

Normal values; limits known, or estimated from 20 and 40 values. "one of ten" is the first warning among ten independent
charts: what a person sees who keeps ten characteristics of one check valve.
"""

from __future__ import annotations

import argparse

import numpy as np

from benchrig.analysis.studies.control_chart import ChartLimits, chart, chart_limits

KNOWN = ChartLimits(0.0, 1.0, -3.0, 3.0, 1.128379, 3.686, 1000)
LONGEST = 3000


def run_length(draw: np.random.Generator, baseline: int, shift: float, slope: float, *, warnings: bool) -> int:
    """Values until the first warning (or any signal), counted from the end of the baseline."""
    limits = KNOWN if not baseline else chart_limits(draw.standard_normal(baseline))
    length = 250
    noise = draw.standard_normal(LONGEST)
    moved = noise + shift + slope * np.arange(1, LONGEST + 1)
    while True:
        whole = chart(moved[:length], limits)
        found = whole.warnings if warnings else whole.signals
        if found:
            return found[0].at + 1
        if length >= LONGEST:
            return LONGEST
        length = min(LONGEST, 4 * length)


def lengths(
    charts: int, seed: int, *, baseline: int, shift: float = 0.0, slope: float = 0.0, warnings: bool = True
) -> np.ndarray:
    draw = np.random.default_rng([seed, baseline, round(100 * shift), round(1000 * slope)])
    return np.array([run_length(draw, baseline, shift, slope, warnings=warnings) for _ in range(charts)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--charts", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(f"{given.charts} charts each, at most {LONGEST} values\n")
    print(f"{'limits from':>12} {'shift':>6} {'slope':>6} {'mean':>8} {'median':>7} {'95 %':>7}")
    for baseline in (0, 20, 40):
        for shift, slope in ((0, 0), (0.5, 0), (1, 0), (1.5, 0), (2, 0), (3, 0), (0, 0.02), (0, 0.05), (0, 0.1)):
            found = lengths(given.charts, given.seed, baseline=baseline, shift=shift, slope=slope)
            name = "known" if not baseline else f"{baseline} values"
            print(
                f"{name:>12} {shift:6.1f} {slope:6.2f} {found.mean():8.1f} {np.median(found):7.0f} "
                f"{np.percentile(found, 95):7.0f}"
            )
        if baseline:
            notices = lengths(given.charts, given.seed + 2, baseline=baseline, warnings=False)
            print(f"{'':>12} in control, first notice: mean {notices.mean():.1f}, median {np.median(notices):.0f}")
            first = lengths(given.charts, given.seed + 1, baseline=baseline)
            ten = first[: len(first) // 10 * 10].reshape(-1, 10).min(axis=1)
            print(f"{'':>12} in control, first of ten charts: mean {ten.mean():.1f}, median {np.median(ten):.0f}\n")
        else:
            print()


if __name__ == "__main__":
    main()
