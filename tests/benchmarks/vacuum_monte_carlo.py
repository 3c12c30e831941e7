"""Monte Carlo of the hold and flow analyses on traces from `vacuum_models`: errors, coverage and time, as a table.

    python tests/benchmarks/vacuum_monte_carlo.py [--draws 2000] [--only WORD] [--seed 1]

Every row says what was drawn. "within" is the part of the draws inside the goal; "covers" the part whose interval of
plus and minus two standard uncertainties holds the truth (95.4 % if the uncertainties are right).
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.special import erf

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from vacuum_models import (  # the folder of this script is put on the path just above
    CV,
    ELLIPSE,
    LAMINAR,
    NOISE_PA,
    NOZZLE,
    SCCM_KG_S,
    Hole,
    R,
    conductance_from_iso,
    draw_bench,
    integrate,
    seen,
)

from benchrig.analysis.flow.open_flow import analyse_flow
from benchrig.analysis.leak.hold_vacuum import analyse_hold

CHUNK = 250
VOLUME_U = 0.005


def row(label, goal, errors, us, within, given, total):
    z = errors / us
    covers = np.mean(np.abs(z) <= 2)
    print(
        f"{label:<46} {goal:<22} {np.mean(within):7.1%} {covers:7.1%} {np.median(np.abs(errors)):9.4f} "
        f"{np.percentile(np.abs(errors), 95):9.4f} {np.median(us):9.4f} {np.median(z):7.2f} {given}/{total}"
    )


HEAD = (
    f"{'quantity':<46} {'goal':<22} {'within':>7} {'covers':>7} {'|e| med':>9} {'|e| 95%':>9} {'u med':>9} "
    f"{'z med':>7} given"
)


def best_possible(bench, hole, times, pressure, leak, noise_pa=NOISE_PA):
    """Part of the draws within the goal, shape (n,), that the best unbiased estimate would reach: Cramer-Rao bound.

    Start, coldness, time constant and leak are unknown, all else is taken as known, so that it is a bound indeed; the
    volume is known as well as it is told.
    """
    slopes = []
    for name in ("start_pa", "start_k", "tau_s"):
        by = 1e-4 * getattr(bench, name)
        there = integrate(replace(bench, **{name: getattr(bench, name) + by}), hole, times)
        slopes.append((there - pressure) / by[:, None])
    by = 1e-3 * np.maximum(leak, 1.0)
    unit = SCCM_KG_S / replace(hole, conductance=np.ones(len(leak))).flow(bench, bench.start_pa)
    more = replace(hole, conductance=hole.conductance + by * unit)
    slopes.append((integrate(bench, more, times) - pressure) / by[:, None])
    bound = np.empty(len(leak))
    for i, jacobian in enumerate(np.stack(slopes, -1)):
        size = np.linalg.norm(jacobian, axis=0) / noise_pa
        known = jacobian.T @ jacobian / noise_pa**2 / np.outer(size, size)
        bound[i] = np.sqrt(np.linalg.inv(known)[3, 3]) / size[3]
    return erf(np.maximum(0.3, 0.03 * leak) / np.hypot(bound, VOLUME_U * leak) / np.sqrt(2))


def hold_case(label, n, rng, *, seconds=10.0, free=0.0, laminar=False, prior=True, cold=(14.0, 14.0), tau=(1.0, 4.0)):
    period = 0.005
    errors, us, within, tau_errors, tau_us, cpu, big, quick, best = [], [], [], [], [], [], [], [], []
    total = unmeasured = 0
    while total < n:
        k = min(CHUNK, n - total)
        total += k
        bench = draw_bench(k, rng, cold_k=cold, free=free)
        bench.tau_s = rng.uniform(*tau, k)
        leak = np.where(rng.random(k) < 0.5, rng.uniform(0, 200, k), 10 ** rng.uniform(-1, np.log10(200), k))
        leak = np.where(rng.random(k) < 0.1, 0.0, leak)
        kind = np.full(k, LAMINAR) if laminar else rng.choice([ELLIPSE, NOZZLE], k)
        hole = Hole(kind, np.ones(k), rng.uniform(0.2, 0.528, k), np.full(k, 0.999))
        hole.conductance = leak * SCCM_KG_S / hole.flow(bench, bench.start_pa)
        times = np.arange(round(seconds / period)) * period
        pressure = integrate(bench, hole, times)
        traces = seen(pressure, period, rng)
        best.append(best_possible(bench, hole, times, pressure, leak))
        told_volume = bench.volume * (1 + VOLUME_U * rng.standard_normal(k))
        told_k = bench.ambient_k + 0.3 * rng.standard_normal(k)
        for i in range(k):
            begin = time.process_time()
            found = analyse_hold(
                times, traces[i], volume_m3=told_volume[i], volume_u_m3=VOLUME_U * told_volume[i],
                ambient_pa=bench.ambient_pa[i], ambient_k=told_k[i], ambient_u_k=0.3,
                thermal_time_constant_s=2.5 if prior else None, thermal_time_constant_u_s=0.9 if prior else None,
            )  # fmt: skip
            cpu.append(time.process_time() - begin)
            if found.hold_leak_sccm is None or found.hold_leak_sccm_u is None:
                unmeasured += 1
                continue
            errors.append(found.hold_leak_sccm - leak[i])
            us.append(found.hold_leak_sccm_u)
            within.append(abs(errors[-1]) <= max(0.3, 0.03 * leak[i]))
            big.append(leak[i] > 10)
            quick.append(bench.tau_s[i] <= 2.0)
            # m c_v / G for the mass that is there; the model's tau belongs to gas at ambient temperature
            tau_errors.append(found.thermal_time_constant_s - bench.tau_s[i] * bench.ambient_k[i] / bench.start_k[i])
            tau_us.append(found.thermal_time_constant_s_u)
    errors, us, big, quick = np.array(errors), np.array(us), np.array(big), np.array(quick)
    row(f"{label}: leak, sccm", "max(0.3 sccm, 3 %)", errors, us, within, total - unmeasured, total)
    best = np.concatenate(best)
    head = "  at best, by the Cramer-Rao bound"
    print(f"{head:<69} {np.mean(best):7.1%}; not measured {unmeasured / total:.1%}")
    row("  of these 10 sccm or less", "", errors[~big], us[~big], np.array(within)[~big], np.sum(~big), total)
    row("  of these more than 10 sccm", "", errors[big], us[big], np.array(within)[big], np.sum(big), total)
    row("  of these tau 2 s or less", "", errors[quick], us[quick], np.array(within)[quick], np.sum(quick), total)
    row("  thermal time constant, s", "", np.array(tau_errors), np.array(tau_us), [1.0], total, total)
    print(f"  CPU per analysis: median {1e3 * np.median(cpu):.1f} ms, largest {1e3 * max(cpu):.1f} ms")


def flow_case(
    label,
    n,
    rng,
    *,
    grows=0.0,
    goal=0.02,
    nozzle=False,
    start_u_k=0.5,
    laminar=(0.999, 0.9999),
    told=0.0,
    departs=False,
    plain=0.0,
):
    period = 0.0005
    times = -0.2 + np.arange(round(6.2 / period)) * period
    names = ("C", "b", "delay", "rated", "tau")
    errors, us = {k: [] for k in names}, {k: [] for k in names}
    cpu, total = [], 0
    truths = []
    while total < n:
        k = min(CHUNK, n - total)
        total += k
        bench = draw_bench(k, rng, grows=grows, start_u_k=start_u_k)
        bench.grows = np.where(rng.random(k) < plain, 0.0, bench.grows)
        c = np.exp(rng.uniform(np.log(0.05), np.log(1.2), k))
        b = np.full(k, 0.528) if nozzle else rng.uniform(0.2, 0.528, k)
        hole = Hole(np.full(k, NOZZLE if nozzle else ELLIPSE), conductance_from_iso(c), b, rng.uniform(*laminar, k))
        if departs:
            hole.index = np.clip(0.5 + 0.05 * rng.standard_normal(k), 0.4, 0.65)
            hole.wave, hole.wave_turns = 0.01 * rng.standard_normal(k), rng.uniform(0.7, 2.0, k)
        opened = 0.0005 * rng.integers(8, 60, k)
        travels = 0.0005 * rng.integers(0, 8, k) * (rng.random(k) < 0.6)
        steps = np.concatenate([times[(times >= 0) & (times < 1.0)], np.arange(1.0, times[-1] + 0.003, 0.0025)])
        pressure = integrate(bench, hole, steps, opened, travels)
        traces = seen(np.array([np.interp(times, steps, one) for one in pressure]), period, rng)
        told_volume = bench.volume * (1 + VOLUME_U * rng.standard_normal(k))
        told_k = bench.ambient_k + 0.3 * rng.standard_normal(k)
        tau_u = rng.uniform(0.05, 0.25, k)
        # what a hold says is not quite the fill's: the constant varies by a tenth with pressure and temperature
        told_tau = bench.tau_s * np.exp(np.hypot(0.1, tau_u) * rng.standard_normal(k))
        rated_pa = bench.ambient_pa - 30e3
        # what 1 g/s adds to the walls' conductance, W/K: grows counts at 0.5 g/s, over the constant part
        wall_w_k = bench.start_pa * bench.volume / (R * bench.ambient_k) * CV / bench.tau_s
        inflow = wall_w_k * bench.grows * 2.0**bench.power
        told_inflow = np.maximum(inflow + told * np.mean(inflow) * rng.standard_normal(k), 0.0)
        rated = hole.flow(bench, rated_pa) / 1.185 * 60e3
        for i in range(k):
            begin = time.process_time()
            found = analyse_flow(
                times, traces[i], volume_m3=told_volume[i], volume_u_m3=VOLUME_U * told_volume[i],
                ambient_pa=bench.ambient_pa[i], ambient_k=told_k[i], ambient_u_k=0.3, rated_vacuum_pa=30e3,
                start_u_k=max(start_u_k, 0.1), thermal_time_constant_s=told_tau[i],
                thermal_time_constant_u_s=tau_u[i] * told_tau[i],
                inflow_w_k=told_inflow[i] if told else None, inflow_u_w_k=told * np.mean(inflow) if told else None,
            )  # fmt: skip
            cpu.append(time.process_time() - begin)
            truths.append((c[i], b[i], bench.tau_s[i], bench.grows[i], travels[i]))
            for name, value, u, truth in (
                ("C", found.sonic_conductance_dm3_s_bar, found.sonic_conductance_dm3_s_bar_u, c[i]),
                ("b", found.critical_pressure_ratio, found.critical_pressure_ratio_u, b[i]),
                ("delay", found.opening_delay_ms, found.opening_delay_ms_u, 1e3 * opened[i]),
                ("rated", found.flow_at_rated_vacuum_lpm_anr, found.flow_at_rated_vacuum_lpm_anr_u, rated[i]),
                ("tau", found.thermal_time_constant_s, found.thermal_time_constant_s_u, bench.tau_s[i]),
            ):
                relative = truth if name in ("C", "rated", "tau") else 1.0
                errors[name].append(np.nan if value is None else (value - truth) / relative)
                us[name].append(np.nan if u is None else u / relative)
    texts = {
        "C": (f"{label}: C, relative", f"{goal:.0%}", goal),
        "b": ("  b", "0.05", 0.05),
        "delay": ("  opening delay, ms", "", np.inf),
        "rated": ("  flow at rated vacuum, relative", "", np.inf),
        "tau": ("  thermal time constant, relative", "", np.inf),
    }
    for name, (text, said, limit) in texts.items():
        e, u = np.array(errors[name]), np.array(us[name])
        have = ~np.isnan(e)
        row(text, said, e[have], u[have], np.abs(e[have]) <= limit, np.sum(have), total)
    print(f"  CPU per analysis: median {1e3 * np.median(cpu):.1f} ms, largest {1e3 * max(cpu):.1f} ms", flush=True)
    return np.array(truths), {k: np.array(v) for k, v in errors.items()}, {k: np.array(v) for k, v in us.items()}


CASES = {
    "hold-quick": lambda n, rng: hold_case("hold 10 s, 14 K cold, tau 1-2.3 s", n, rng, tau=(1.0, 2.3)),
    "hold-10s": lambda n, rng: hold_case("hold 10 s, 14 K cold, tau 1-4 s", n, rng),
    "hold-30s": lambda n, rng: hold_case("hold 30 s, 14 K cold, tau 1-4 s", n, rng, seconds=30.0),
    "hold-noprior": lambda n, rng: hold_case("hold, nothing known of tau", n, rng, prior=False),
    "hold-laminar": lambda n, rng: hold_case("hold, laminar leak", n, rng, laminar=True),
    "hold-free": lambda n, rng: hold_case("hold, free convection", n, rng, free=0.25),
    "flow-constant": lambda n, rng: flow_case("flow, constant wall transfer", n, rng),
    "flow-grows": lambda n, rng: flow_case("flow, transfer grows", n, rng, grows=4.0, goal=0.05),
    "flow-either": lambda n, rng: flow_case(
        "flow, constant or growing, half each", n, rng, grows=4.0, goal=0.05, plain=0.5
    ),
    "flow-told": lambda n, rng: flow_case("flow, growth told to 20 %", n, rng, grows=4.0, goal=0.05, told=0.2),
    "flow-departs": lambda n, rng: flow_case(
        "flow, growth told, 1 % off the curve", n, rng, grows=4.0, goal=0.05, told=0.2, departs=True
    ),
    "flow-nozzle": lambda n, rng: flow_case("flow, isentropic nozzle", n, rng, nozzle=True),
}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="cases whose name begins with this")
    wanted = parser.parse_args()
    print(f"{wanted.draws} draws a case, seed {wanted.seed}")
    print(HEAD)
    for name, case in CASES.items():
        if name.startswith(wanted.only):
            case(wanted.draws, np.random.default_rng([wanted.seed, sum(map(ord, name))]))


if __name__ == "__main__":
    main()
