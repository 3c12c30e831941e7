"""False and missed motion, timing errors, coverage and time of `benchrig.analysis.inrush`, on draws that are not the simulator's.

    python tests/benchmarks/inrush_monte_carlo.py --draws 2000
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import armature_models as models

from benchrig.analysis.inrush import InrushResult, analyse_inrush

VALUES = (
    ("pull_in_time_ms", "arrival_ms"),
    ("motion_start_ms", "start_ms"),
    ("drop_out_time_ms", "return_ms"),
    ("release_start_ms", "release_ms"),
)


def solved(kind: str, draws: int, seed: int, keep: Path | None) -> models.Draws:
    """The population, from the folder of solutions when it is there."""
    path = keep / f"{kind}-{seed}-{draws}.pickle" if keep else None
    if path is not None and path.exists():
        return pickle.loads(path.read_bytes())
    found = models.population(kind, draws, seed)
    if path is not None:
        path.write_bytes(pickle.dumps(found))
    return found


def analysed(draws: models.Draws, seed: int, args: argparse.Namespace) -> tuple[list[InrushResult], float]:
    rng = np.random.default_rng(seed)
    results, spent = [], 0.0
    p = draws.parameters
    for k in range(len(draws.dip)):
        measured = models.measure(
            draws.current_a(k), draws.full_a[k], rng, bits=args.bits, noise=args.noise,
            unipolar=k % 2 == 0, hum=args.hum, time_ms=draws.time_ms,
        )  # fmt: skip
        began = time.process_time()
        results.append(
            analyse_inrush(
                draws.time_ms * 1e-3, measured, supply_v=float(p.supply_v[k]), off_s=models.PULSE_MS * 1e-3 if args.off else None
            )
        )
        spent += time.process_time() - began
    return results, spent / len(results)


def numbers(results: list[InrushResult], name: str) -> tuple[np.ndarray, np.ndarray]:
    def pick(n: str) -> np.ndarray:
        return np.array([np.nan if getattr(r, n) is None else getattr(r, n) for r in results], dtype=float)

    return pick(name), pick(name + "_u")


def table(kind: str, draws: models.Draws, results: list[InrushResult], each_s: float) -> None:
    n = len(results)
    yes = sum(r.armature_moved is True for r in results)
    no = sum(r.armature_moved is False for r in results)
    print(f"\n{kind}: {n} draws, {1e3 * each_s:.1f} ms each")
    print(f"  moved {yes / n:.2%} ({yes}), not moved {no / n:.2%} ({no}), cannot tell {(n - yes - no) / n:.2%} ({n - yes - no})")
    e = np.array([r.evidence for r in results])
    print("  evidence: min 0.1% 1% 50% 99% 99.9% max", np.round(np.percentile(e, [0, 0.1, 1, 50, 99, 99.9, 100]), 2))
    rows = [(name, getattr(draws, true)) for name, true in VALUES if kind != "blocked"]
    rows.append(("steady_current_a", draws.full_a))
    rows.append(("resistance_ohm", draws.parameters.resistance_ohm))
    print(f"  {'value':18} {'found':>7} {'median':>8} {'95 %':>8} {'99 %':>8} {'max':>8} {'bias':>8} {'covered':>8} {'u median':>8}")
    for name, true in rows:
        x, u = numbers(results, name)
        if name in ("steady_current_a", "resistance_ohm"):
            x, u, true = x / true, u / true, np.ones(n)
        ok = np.isfinite(x) & np.isfinite(true)
        if not ok.any():
            continue
        error = np.abs(x - true)[ok]
        covered = np.mean(error <= 2 * u[ok])
        happened = np.isfinite(true).sum()
        print(
            f"  {name:18} {ok.sum() / max(happened, 1):7.1%} "
            + " ".join(f"{v:8.4f}" for v in np.percentile(error, [50, 95, 99, 100]))
            + f" {np.median((x - true)[ok]):8.4f} {covered:8.1%} {np.median(u[ok]):8.4f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bits", type=int, default=12)
    parser.add_argument("--noise", type=float, default=0.01)
    parser.add_argument("--hum", type=float, default=0.0)
    parser.add_argument("--kinds", nargs="+", default=["blocked", "brisk", "damped"])
    parser.add_argument("--off", action=argparse.BooleanOptionalAction, default=True, help="tell the analysis the release")
    parser.add_argument("--keep", type=Path, help="folder to keep the solved traces in")
    args = parser.parse_args()
    for kind in args.kinds:
        draws = solved(kind, args.draws, args.seed, args.keep)
        table(kind, draws, *analysed(draws, args.seed + 1000, args))


if __name__ == "__main__":
    main()
