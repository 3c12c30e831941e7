"""How often the test of a fill's fit (`fill_goodness.py`) questions a record that is just what the model says.

    python tests/benchmarks/fill_false_alarms.py [--fills 20] [--noises 20000] [--seed 1]

Each drawn fill is fitted once. About that fit the problem is taken as linear, so that what a new draw of the noise
would leave behind is a product with a matrix, and many thousand draws take a second. Two rates are printed: with noise
as large as the test allows for (its own 3 Pa for the model in every block), and with the noise of the samples alone.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from vacuum_models import CV, ELLIPSE, Hole, R, conductance_from_iso, draw_bench, integrate, seen

import benchrig.analysis.flow.open_flow as flow
from benchrig.analysis.flow.fill_goodness import FALSE_ALARMS, goodness

PERIOD_S = 0.0005


def fitted_fills(n, rng):
    """The fits of n fills, each with its blocks."""
    times = -0.2 + np.arange(round(6.2 / PERIOD_S)) * PERIOD_S
    bench = draw_bench(n, rng, grows=4.0, start_u_k=0.5)
    c = np.exp(rng.uniform(np.log(0.05), np.log(1.2), n))
    hole = Hole(np.full(n, ELLIPSE), conductance_from_iso(c), rng.uniform(0.2, 0.528, n), np.full(n, 0.999))
    opened = 0.0005 * rng.integers(8, 60, n)
    steps = np.concatenate([times[(times >= 0) & (times < 1.0)], np.arange(1.0, times[-1] + 0.003, 0.0025)])
    pressure = integrate(bench, hole, steps, opened, np.zeros(n))
    traces = seen(np.array([np.interp(times, steps, one) for one in pressure]), PERIOD_S, rng)
    kept = []
    plain = flow.fit_fill

    def watched(blocks, setting, *more):
        found = plain(blocks, setting, *more)
        kept.append((blocks, found))
        return found

    flow.fit_fill = watched
    try:
        for i in range(n):
            wall_w_k = bench.start_pa[i] * bench.volume[i] / (R * bench.ambient_k[i]) * CV / bench.tau_s[i]
            inflow = wall_w_k * bench.grows[i] * 2.0 ** bench.power[i]
            kept.clear()
            flow.analyse_flow(
                times, traces[i], volume_m3=bench.volume[i], volume_u_m3=0.0, ambient_pa=bench.ambient_pa[i],
                ambient_k=bench.ambient_k[i], rated_vacuum_pa=30e3, thermal_time_constant_s=bench.tau_s[i],
                thermal_time_constant_u_s=0.1 * bench.tau_s[i], inflow_w_k=inflow, inflow_u_w_k=0.1 * inflow,
            )  # fmt: skip
            if kept:
                yield kept[0]
    finally:
        flow.fit_fill = plain


def alarms(blocks, found, noises, rng):
    """Parts of the draws that are questioned: noise as allowed for, noise of the samples alone."""
    fitted = min((one for _, one in found.members), key=lambda one: one.cost)
    known = [q.prior_u for q in fitted.parameters]
    slopes = fitted.jacobian / blocks.sd_pa[:, None]
    normal = slopes.T @ slopes + np.diag(1 / np.square(known))
    size = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    pull = slopes * size
    left = np.eye(len(slopes)) - pull @ np.linalg.pinv(normal * np.outer(size, size), hermitian=True) @ pull.T
    samples = np.maximum(np.gradient(blocks.time_s) / blocks.period_s, 1.0)
    alone = blocks.noise.sample_pa / np.sqrt(samples) / blocks.sd_pa
    rates = []
    for part in (np.ones(len(slopes)), np.minimum(alone, 1.0)):
        drawn = (rng.standard_normal((noises, len(slopes))) * part) @ left
        over = sum(goodness(one, len(known), blocks.noise.averages_out) > 1 for one in drawn)
        rates.append(over / noises)
    return rates


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fills", type=int, default=20)
    parser.add_argument("--noises", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    rng = np.random.default_rng(wanted.seed)
    rates = np.array([alarms(*fit, wanted.noises, rng) for fit in fitted_fills(wanted.fills, rng)])
    draws = len(rates) * wanted.noises
    print(f"{len(rates)} fills, {draws} draws of the noise; aim {FALSE_ALARMS:.2%}")
    for name, rate in zip(("noise as allowed for", "noise of the samples alone"), rates.T, strict=True):
        print(f"{name}: {rate.mean():.3%} questioned (from {rate.min():.3%} to {rate.max():.3%} by fill)")


if __name__ == "__main__":
    main()
