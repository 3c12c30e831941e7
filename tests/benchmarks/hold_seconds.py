"""How long a hold takes that ends as soon as it has told enough, against one of fixed length with equal error rates.

    python -m tests.benchmarks.hold_seconds --draws 200 --seed 1 --jobs 2 [--known | --today] [--line] [--fresh-air]

Traces are those of `tests.benchmarks.vacuum_models`, which shares nothing with the analysis: half a litre, 12 Pa of
noise, gas 12 to 22 K cold that warms up with 1 to 4 s, a choked leak of so many times the limit of 5 sccm. `--known`:
time constant and chill were calibrated (1 % and 1.5 %, standard uncertainties), as by 'bench calibrate heat', and
have changed since by 10 % and 1 %; `--today`: they were found the same day (1 % and 0.3 %), and have changed by 3 % and
0.5 %. `--line`: a straight line beside an exponential (`quick_estimate`) stands in for the whole analysis, which takes
a hundredth of the time, so that thousands of draws tell how often the rule errs; it is fit for that only where the
recovery is known, since its uncertainty knows of no bent valleys.

Beside it stands Wald's sequential test (1945) for a line of known start through the same noise, without gas that
warms up: its expected information at the same risks, as seconds of such a record. Between the two lies what the
recovery costs.
The fixed test: the shortest hold whose single decision at the limit errs no more often than the risks at 0.5 and 1.5
times it, over the same draws. It knows nothing of vapour, as no trace here has any: a test that is fair to both, and
counts the seconds of the look in fresh air, is `hold_population.py`. `--fresh-air`: holds end where that look follows.
"""

from __future__ import annotations

import argparse
import math
import time
from multiprocessing import Pool

import numpy as np
from scipy.stats import binomtest

from benchrig.analysis.leak.hold_vacuum import RECOVERY_VARIES, SAME_DAY_VARIES, HoldResult, analyse_hold, leak_setting
from benchrig.analysis.leak.quick_estimate import quick_estimate
from benchrig.analysis.leak.stopping_rule import StoppingRule, looks_s
from benchrig.sequencer.steps.hold_looks import SUSPECTED_ODDS
from tests.benchmarks.vacuum_models import NOISE_PA, NOZZLE, SCCM_KG_S, Hole, draw_bench, integrate, seen

LIMIT, RISK, LONGEST_S, PERIOD_S, POLL_S = 5.0, 0.005, 30.0, 0.005, 0.25
BATCH = 250
MULTIPLES = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 10.0)


def drawn(multiple: float, n: int, seed: int, *, known: str):
    """Traces with what the analysis is told of each."""
    rng = np.random.default_rng([seed, round(1000 * multiple)])
    bench = draw_bench(n, rng, cold_k=(12.0, 22.0))
    kind = np.full(n, NOZZLE)
    hole = Hole(kind, np.ones(n), np.full(n, 0.5), np.full(n, 0.999))
    hole.conductance = multiple * LIMIT * SCCM_KG_S / hole.flow(bench, bench.start_pa)
    times = np.arange(round(LONGEST_S / PERIOD_S)) * PERIOD_S
    traces = seen(integrate(bench, hole, times), PERIOD_S, rng)
    told = []
    varies, chill_part = (SAME_DAY_VARIES, 0.003) if known == "today" else (RECOVERY_VARIES, 0.015)
    for i in range(n):
        tau_s = bench.tau_s[i] * bench.ambient_k[i] / bench.start_k[i]
        chill_k = bench.ambient_k[i] - bench.start_k[i]
        heat = {"thermal_time_constant_s": 2.3, "thermal_time_constant_u_s": 0.9}
        if known:
            heat = {
                "thermal_time_constant_s": tau_s * (1 + math.hypot(0.01, varies[0]) * rng.standard_normal()),
                "thermal_time_constant_u_s": 0.01 * tau_s,
                "chill_k": chill_k * (1 + math.hypot(chill_part, varies[1]) * rng.standard_normal()),
                "chill_u_k": chill_part * chill_k,
                "recovery_varies": varies,
            }
        told.append(
            {
                "volume_m3": bench.volume[i], "volume_u_m3": 0.005 * bench.volume[i],
                "ambient_pa": bench.ambient_pa[i], "ambient_k": bench.ambient_k[i], "ambient_u_k": 0.3,
                "limit_sccm": LIMIT, "vapour_odds": 0.01, **heat,
            }
        )  # fmt: skip
    return times, traces, told


def sequential(task):
    """One hold under the stopping rule: seconds, side, and the seconds of CPU that its looks took."""
    times, trace, told, line, fresh_air = task
    setting = leak_setting(**{name: value for name, value in told.items() if name != "limit_sccm"})
    rule = StoppingRule(LIMIT, RISK, RISK, LONGEST_S, vapour_is_seen=fresh_air)
    began = time.process_time()
    for so_far_s in np.arange(POLL_S, LONGEST_S + 1e-9, POLL_S):
        part = times < so_far_s

        def estimate(part=part):
            return quick_estimate(times[part], trace[part], setting)

        def look(*, suspicious: bool, part=part):
            estimated = estimate(part) if line else None
            if estimated is not None:
                return HoldResult(hold_leak_sccm=estimated[0], hold_leak_sccm_u=estimated[1], explanation="leak")
            return analyse_hold(
                times[part], trace[part], **(told | ({"vapour_odds": SUSPECTED_ODDS} if suspicious else {}))
            )

        stopped = rule.look(float(so_far_s), look, estimate)
        if stopped is not None:
            return stopped.after_s, stopped.side, time.process_time() - began
    return LONGEST_S, "", time.process_time() - began


def at_each_look(task):
    """The leak at each look, or nan where it was not measured."""
    times, trace, told, line = task
    if line:
        setting = leak_setting(**{name: value for name, value in told.items() if name != "limit_sccm"})
        lines = (quick_estimate(times[times < at_s], trace[times < at_s], setting) for at_s in looks_s(LONGEST_S))
        return [math.nan if each is None else each[0] for each in lines]
    found = (analyse_hold(times[times < at_s], trace[times < at_s], **told) for at_s in looks_s(LONGEST_S))
    return [math.nan if each.hold_leak_sccm is None else each.hold_leak_sccm for each in found]


def wald_s(multiple: float) -> float:
    """Expected seconds of Wald's test of 0.5 against 1.5 times the limit, from its expected information.

    A slope through white noise of `NOISE_PA` at the rate of the record, its start known: information
    n t^2 / (3 s^2) after t seconds of n = t / period samples.
    """
    pa_s = LIMIT * SCCM_KG_S * 287.1 * 295.0 / 0.5e-3
    apart = pa_s
    top = math.log((1 - RISK) / RISK)
    off = (multiple - 1.0) * pa_s
    h = -2 * off / apart
    reject = 0.5 if abs(h) < 1e-9 else (1 - math.exp(-top * h)) / (math.exp(top * h) - math.exp(-top * h))
    drift = off * apart
    information = top**2 / apart**2 if abs(drift) < 1e-12 else top * (2 * reject - 1) / drift
    return (3 * NOISE_PA**2 * PERIOD_S * information) ** (1 / 3)


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--draws", type=int, default=200)
    asked.add_argument("--fixed-draws", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument("--known", action="store_const", const="calibrated", default="")
    asked.add_argument("--today", dest="known", action="store_const", const="today")
    asked.add_argument("--line", action="store_true")
    asked.add_argument("--fresh-air", action="store_true")
    asked.add_argument("--only", type=float, nargs="*", default=list(MULTIPLES))
    args = asked.parse_args()
    with Pool(args.jobs) as pool:
        wrong = {}
        for multiple in (0.5, 1.5) if args.fixed_draws else ():
            seen_then = []
            for begin in range(0, args.fixed_draws, BATCH):
                count = min(BATCH, args.fixed_draws - begin)
                times, traces, told = drawn(multiple, count, args.seed + 1 + 1000 * begin, known=args.known)
                tasks = [(times, p, t, args.line) for p, t in zip(traces, told, strict=True)]
                seen_then += pool.map(at_each_look, tasks, 4)
            leaks = np.array(seen_then)
            wrong[multiple] = np.mean(~(leaks < LIMIT) if multiple < 1 else ~(leaks > LIMIT), axis=0)
        fixed_s = math.nan
        if wrong:
            good = np.flatnonzero(np.maximum(wrong[0.5], wrong[1.5]) <= RISK)
            fixed_s = looks_s(LONGEST_S)[good[0]] if len(good) else LONGEST_S
            print(f"fixed hold with errors of at most {RISK:.1%} at 0.5 and 1.5 times the limit: {fixed_s:.1f} s")
        print("leak / limit   mean s  median s  95 % s   of fixed   within   beyond  neither   Wald s", end="")
        print("   over Wald   CPU s")
        for multiple in args.only:
            found = []
            for begin in range(0, args.draws, BATCH):
                times, traces, told = drawn(
                    multiple, min(BATCH, args.draws - begin), args.seed + 1000 * begin, known=args.known
                )
                tasks = [(times, p, t, args.line, args.fresh_air) for p, t in zip(traces, told, strict=True)]
                found += pool.map(sequential, tasks, 4)
            seconds = np.array([each[0] for each in found])
            sides = [each[1] for each in found]
            within, beyond = sides.count("within"), sides.count("beyond")
            wald = wald_s(multiple)
            print(
                f"{multiple:12g} {seconds.mean():8.2f} {np.median(seconds):9.2f} {np.quantile(seconds, 0.95):7.2f} "
                f"{seconds.mean() / fixed_s:10.2f} {within:8d} {beyond:8d} {len(found) - within - beyond:8d} "
                f"{wald:8.2f} {seconds.mean() / wald:11.1f} {np.mean([each[2] for each in found]):7.2f}",
                flush=True,
            )
            if multiple in (0.5, 1.5):
                errors = beyond if multiple < 1 else within
                limits = binomtest(errors, len(found)).proportion_ci(0.95, "exact")
                chance = f"{limits.low:.2%} to {limits.high:.2%}; {RISK:.1%} allowed"
                print(f"{'':13}wrong side {errors} of {len(found)}: {chance}")


if __name__ == "__main__":
    main()
