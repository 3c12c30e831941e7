"""What `benchrig.analysis.armature.inrush` gets wrong, and how long it takes, on draws that are not the simulator's.

False and missed motion, errors and coverage of each value. The levels in the program were set with seeds 11
and 21, that of "moved" with the blocked ones of seed 41 too; other seeds are free for checking.

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

import armature_models as models  # noqa: E402 - found through the path set above

from benchrig.analysis.armature.inrush import InrushResult, analyse_inrush  # noqa: E402 - likewise

VALUES = (
    ("pull_in_time_ms", "arrival_ms"),
    ("motion_start_ms", "start_ms"),
    ("drop_out_time_ms", "return_ms"),
    ("release_start_ms", "release_ms"),
)


FAULTS = (
    "AC-coupled", "peak-and-hold", "PWM", "supply dropped out", "second pulse", "missing", "jumps", "negative",
    "spikes", "moved by", "rises fastest only", "current begins", "first sample already", "as told", "bounces",
    "converter can show", "hum of", "stuck", "no solenoid valve",
)  # fmt: skip


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
    time_ms = draws.time_ms[:: args.every]
    for k in range(len(draws.dip)):
        measured = models.measure(
            draws.current_a(k)[:: args.every], draws.full_a[k], rng, bits=args.bits, noise=args.noise,
            unipolar=k % 2 == 0, hum=args.hum, time_ms=time_ms,
        )  # fmt: skip
        seen = time_ms < (models.PULSE_MS if args.bare else np.inf)
        began = time.process_time()
        results.append(
            analyse_inrush(
                time_ms[seen] * 1e-3,
                measured[seen],
                supply_v=float(p.supply_v[k]),
                off_s=models.PULSE_MS * 1e-3 if args.off and not args.bare else None,
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
    counts = (("moved", yes), ("not moved", no), ("cannot tell", n - yes - no))
    print("  " + ", ".join(f"{words} {count / n:.2%} ({count})" for words, count in counts))
    alarms = [note for r in results if (note := next((n for n in r.notes if any(w in n for w in FAULTS)), ""))]
    print(f"  false alarms (a fault of the record is named): {len(alarms) / n:.2%} ({len(alarms)}) {alarms[:1]}")
    e = np.array([r.evidence for r in results])
    print("  evidence: min 0.1% 1% 50% 99% 99.9% max", np.round(np.percentile(e, [0, 0.1, 1, 50, 99, 99.9, 100]), 2))
    rows = [(name, getattr(draws, true)) for name, true in VALUES if kind != "blocked"]
    if kind == "brisk":
        rows.append(("dip_a", draws.dip * draws.full_a))
    rows.append(("steady_current_a", draws.full_a))
    rows.append(("resistance_ohm", draws.parameters.resistance_ohm))
    heads = ("median", "95 %", "99 %", "max", "bias", "covered", "u median")
    print(f"  {'value':18} {'found':>7} " + " ".join(f"{h:>8}" for h in heads))
    for name, true in rows:
        x, u = numbers(results, name)
        if name in ("steady_current_a", "resistance_ohm", "dip_a"):
            whole = draws.full_a if name == "dip_a" else true
            x, u, true = x / whole, u / whole, true / whole
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
    parser.add_argument("--every", type=int, default=1, help="keep every n-th sample of 10 kS/s")
    parser.add_argument("--kinds", nargs="+", default=["blocked", "brisk", "damped"])
    parser.add_argument(
        "--off", action=argparse.BooleanOptionalAction, default=True, help="tell the analysis the release"
    )
    parser.add_argument("--bare", action="store_true", help="cut the record off at the release")
    parser.add_argument("--keep", type=Path, help="folder to keep the solved traces in")
    args = parser.parse_args()
    for kind in args.kinds:
        draws = solved(kind, args.draws, args.seed, args.keep)
        table(kind, draws, *analysed(draws, args.seed + 1000, args))


if __name__ == "__main__":
    main()
