"""How often `benchrig analyse` is wrong and sure: off by more than matters and than 2 u, on traces by other physics.

    python tests/benchmarks/strangers.py [--traces 1000] [--seed 1] [--kind hold|flow|inrush] [--only CLASS] [--jobs 2]
                                         [--list] [--json FILE]
    python tests/benchmarks/strangers.py --only CLASS --index I --plot out.png      one trace with its fit

A trace is drawn from (seed, class, index) alone. Every class counts the same in the totals. Prints Markdown tables.
"""

from __future__ import annotations

import argparse
import ctypes
import importlib.util
import json
import math
import os
import signal
import sys
import tempfile
import traceback
import warnings
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from stranger_case import MATTERS, Stranger, StrangerClass, wrong_and_sure

from benchrig.analysis.armature.inrush import analyse_inrush
from benchrig.analysis.flow.open_flow import analyse_flow
from benchrig.analysis.leak.hold_vacuum import analyse_hold

ANALYSES = {"hold": analyse_hold, "flow": analyse_flow, "inrush": analyse_inrush}
LONGEST_S = 60
GOALS = "goals: wrong and sure < 1 % (keeps), < 5 % (breaks); not measured < 3 % (keeps)"
COVERAGE_GOALS = "goals: coverage 92 to 98 %, z rms 0.8 to 1.2, |mean z| < 0.2"


def classes(kind: str | None = None) -> list[StrangerClass]:
    found: list[StrangerClass] = []
    for module in ("stranger_gas", "stranger_coil"):
        if importlib.util.find_spec(module):
            found += importlib.import_module(module).CLASSES
    return [c for c in found if kind is None or c.kind == kind]


def draw(one: StrangerClass, seed: int, index: int) -> Stranger:
    """The trace of this class with this number."""
    return one.make(np.random.default_rng([seed, zlib.crc32(f"{one.kind}/{one.name}".encode()), index]))


@dataclass
class Value:
    """One value of one trace. `state`: stated, wrong, missing, bound, refused (by ValueError)."""

    name: str
    state: str
    value: float | bool | None
    u: float | None
    true: float | bool | None

    @property
    def z(self) -> float | None:
        """Error in standard uncertainties, where there is one true value and a stated uncertainty."""
        if self.state not in ("stated", "wrong") or isinstance(self.true, bool) or self.true is None or not self.u:
            return None
        return (float(self.value or 0.0) - self.true) / self.u


@dataclass
class Outcome:
    """What became of one trace. `failure`: an exception that is no refusal, or text on stdout."""

    kind: str
    name: str
    index: int
    values: list[Value] = field(default_factory=list)
    notes: str = ""
    failure: str = ""
    refusal: str = ""
    truth: str = ""


@contextmanager
def stdout_caught() -> Iterator[list[str]]:
    """What anything, Fortran included, writes on file descriptor 1 meanwhile."""
    said: list[str] = []
    libc = ctypes.CDLL(None)
    sys.stdout.flush()
    with tempfile.TemporaryFile() as file:
        kept = os.dup(1)
        os.dup2(file.fileno(), 1)
        try:
            yield said
        finally:
            sys.stdout.flush()
            libc.fflush(None)
            os.dup2(kept, 1)
            os.close(kept)
            file.seek(0)
            said.append(file.read().decode(errors="replace").strip())


def _too_long(number: int, frame: Any) -> None:
    raise TimeoutError(f"no answer within {LONGEST_S} s of processor time")


def judged(name: str, true: float | bool | None, result: Any) -> Value:
    value = getattr(result, name)
    u = getattr(result, name + "_u", None)
    bounds = getattr(result, "bounds", {})
    bound = bounds.get(name, "") or (getattr(result, "bound", "") if name == "hold_leak_sccm" else "")
    above = getattr(result, "drop_out_above_ms", None) if name == "drop_out_time_ms" else None
    if value is None and above is not None:
        # a bound says something where there is a time; where there is none (true is None) it claims none
        below = true is not None and wrong_and_sure(name, float(above), None, float(true), "above")
        return Value(name, "wrong" if below else "bound", float(above), None, true)
    if value is None:
        return Value(name, "missing", None, None, true)
    if isinstance(true, bool) or isinstance(value, (bool, np.bool_)):
        return Value(name, "stated" if value == true else "wrong", bool(value), None, true)
    wrong = wrong_and_sure(name, float(value), u, true, bound)
    return Value(
        name, "wrong" if wrong else "bound" if bound else "stated", float(value), None if u is None else float(u), true
    )


def outcome(task: tuple[str, str, int, int]) -> Outcome:
    kind, name, seed, index = task
    one = next(c for c in classes(kind) if c.name == name)
    out = Outcome(kind, name, index)
    stranger = draw(one, seed, index)
    out.truth = ", ".join(f"{k} {v:.4g}" if isinstance(v, float) else f"{k} {v}" for k, v in stranger.true.items())
    with stdout_caught() as said, warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        signal.signal(signal.SIGPROF, _too_long)
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
        try:
            result = ANALYSES[kind](stranger.time_s, stranger.signal, **stranger.told)
        except ValueError as refusal:
            if isinstance(refusal, np.linalg.LinAlgError):
                out.failure = _where(refusal)
            out.refusal = str(refusal) or "ValueError"
            out.values = [Value(n, "refused", None, None, t) for n, t in stranger.true.items()]
            result = None
        except Exception as error:  # noqa: BLE001 - any other exception is what is looked for
            out.failure = _where(error)
            out.values = [Value(n, "missing", None, None, t) for n, t in stranger.true.items()]
            result = None
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
    if said[0]:
        out.failure = (out.failure + f" on stdout: {said[0][:80]!r}").strip()
    if warned and not out.failure:
        out.failure = f"warning: {warned[0].category.__name__}: {str(warned[0].message)[:80]}"
    if result is not None:
        out.values = [judged(n, t, result) for n, t in stranger.true.items()]
        out.notes = " | ".join([*result.notes, *getattr(result, "why_not", {}).values()])
    if out.refusal and one.keeps and not out.failure:
        out.failure = f"refused: {out.refusal[:80]}"
    return out


def _where(error: BaseException) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} at {os.path.basename(last.filename)}:{last.lineno}: {str(error)[:80]}"


@dataclass
class Row:
    """One class in the table. Rates are parts of its traces; `not_measured` of its values that are true."""

    kind: str
    name: str
    keeps: bool
    hidden: bool
    traces: int
    wrong: float
    not_measured: float
    named: float
    failures: list[str]
    worst: str


def badness(v: Value) -> float:
    """How far beyond both marks a wrong value is; for the worst case only."""
    if v.true is None or isinstance(v.true, bool):
        return 1.0
    least, part = MATTERS[v.name]
    return abs(float(v.value or 0) - v.true) / max(least, part * abs(v.true))


def row(one: StrangerClass, outcomes: Sequence[Outcome]) -> Row:
    wrong = [o for o in outcomes if any(v.state == "wrong" for v in o.values)]
    wanted = [v for o in outcomes for v in o.values if v.true is not None]
    absent = [v for v in wanted if v.state in ("missing", "refused")]
    named = [o for o in outcomes if any(w.lower() in (o.notes + o.refusal).lower() for w in one.words)]
    worst = ""
    if wrong:
        pairs = [(badness(v), o, v) for o in wrong for v in o.values if v.state == "wrong"]
        _, o, v = max(pairs, key=lambda p: p[0])
        truth = "no single value" if v.true is None else f"{v.true:.4g}"
        u = "" if v.u is None else f" ± {v.u:.2g}"
        worst = f"#{o.index}: {v.name} {v.value:.4g}{u}, true {truth}"
    failures = sorted({o.failure for o in outcomes if o.failure})
    n = len(outcomes)
    return Row(
        one.kind,
        one.name,
        one.keeps,
        one.hidden,
        n,
        len(wrong) / n,
        len(absent) / max(1, len(wanted)),
        len(named) / n,
        [f"{sum(o.failure == f for o in outcomes)} x {f}" for f in failures],
        worst,
    )


def percent(x: float) -> str:
    return f"{100 * x:.1f} %"


def mean(xs: Sequence[float]) -> float:
    return sum(xs) / len(xs) if xs else math.nan


def class_table(rows: Sequence[Row]) -> str:
    lines = [
        "| kind | class | keeps | traces | wrong and sure | not measured | named | worst |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for r in rows:
        keeps = "yes" if r.keeps else "hidden" if r.hidden else "no"
        lines.append(
            f"| {r.kind} | {r.name} | {keeps} | {r.traces} | {percent(r.wrong)} | {percent(r.not_measured)} | "
            f"{percent(r.named)} | {r.worst} |"
        )
    lines += [
        "",
        "Totals, every class equally (" + GOALS + "):",
        "",
        "| kind | classes | traces | wrong and sure | not measured | failures |",
        "|---|---|---|---|---|---|",
    ]
    for kind in [*dict.fromkeys(r.kind for r in rows), "all"]:
        mine = [r for r in rows if kind in (r.kind, "all")]
        for title, chosen in (
            ("keep", [r for r in mine if r.keeps]),
            ("break", [r for r in mine if not r.keeps and not r.hidden]),
            ("hidden", [r for r in mine if r.hidden]),
        ):
            if chosen:
                failed = sum(int(f.split(" x ")[0]) for r in chosen for f in r.failures)
                lines.append(
                    f"| {kind} | {len(chosen)} that {title} | {sum(r.traces for r in chosen)} | "
                    f"{percent(mean([r.wrong for r in chosen]))} | "
                    f"{percent(mean([r.not_measured for r in chosen]))} | {failed} |"
                )
    failures = [f"- {r.kind}, {r.name}: {f}" for r in rows for f in r.failures]
    return "\n".join([*lines, *(["", "Failures:", "", *failures] if failures else [])])


def quantity_table(one_by_name: dict[tuple[str, str], StrangerClass], outcomes: Sequence[Outcome]) -> str:
    """Per quantity over the population that keeps, each class with the same weight."""
    lines = [
        "Over the classes that keep (" + COVERAGE_GOALS + "):",
        "",
        "| kind | quantity | values | within 2 u | z rms | z rms, inner 99 % | mean z | median u | u/value | "
        "not measured |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    groups: dict[tuple[str, str], list[tuple[float, Value]]] = {}
    for o in outcomes:
        if one_by_name[o.kind, o.name].keeps:
            weight = 1.0 / sum(p.kind == o.kind and p.name == o.name for p in outcomes) if len(outcomes) < 300 else 1.0
            for v in o.values:
                if v.true is not None and not isinstance(v.true, bool):
                    groups.setdefault((o.kind, v.name), []).append((weight, v))
    for (kind, name), pairs in groups.items():
        have = [(w, v.z, v) for w, v in pairs if v.z is not None]
        absent = sum(w for w, v in pairs if v.state in ("missing", "refused")) / sum(w for w, _ in pairs)
        if not have:
            lines.append(f"| {kind} | {name} | 0 | | | | | | | {percent(absent)} |")
            continue
        w, z = np.array([h[0] for h in have]), np.array([h[1] for h in have])
        inner = np.abs(z) <= np.quantile(np.abs(z), 0.99)
        us = np.array([h[2].u for h in have], dtype=float)
        relative = np.median(us / np.abs([float(h[2].value or math.nan) for h in have]))
        lines.append(
            f"| {kind} | {name} | {len(have)} | {percent(np.average(np.abs(z) <= 2, weights=w))} | "
            f"{math.sqrt(np.average(z**2, weights=w)):.2f} | {np.sqrt(np.mean(z[inner] ** 2)):.2f} | "
            f"{np.average(z, weights=w):+.2f} | {np.median(us):.3g} | {percent(relative)} | "
            f"{percent(absent)} |"
        )
    return "\n".join(lines)


def plot(one: StrangerClass, seed: int, index: int, path: str) -> None:
    """The trace, its fit, and what is left; prints told, true, found."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    s = draw(one, seed, index)
    print("told:", {k: v for k, v in s.told.items() if not isinstance(v, np.ndarray)}, "\ntrue:", dict(s.true))
    figure, axes = pyplot.subplots(2, 1, sharex=True, figsize=(10, 7))
    axes[0].plot(s.time_s, s.signal, ".", ms=1.5, label="record")
    try:
        r = ANALYSES[one.kind](s.time_s, s.signal, **s.told)
    except Exception:  # noqa: BLE001 - shown, beside the trace
        traceback.print_exc()
    else:
        for name in s.true:
            print(f"{name}: {getattr(r, name)} ± {getattr(r, name + '_u', None)}")
        print("notes:", r.notes, getattr(r, "why_not", ""), "widening:", getattr(r, "widening", ""))
        fit = getattr(r, "fit_pressure_pa", getattr(r, "fit_current_a", np.array([])))
        if fit.size:
            axes[0].plot(r.fit_time_s, fit, lw=0.8, label="fit")
            axes[1].plot(s.time_s, s.signal - np.interp(s.time_s, r.fit_time_s, fit), ".", ms=1.5)
    axes[0].legend()
    axes[1].set(xlabel="s", ylabel="record - fit")
    axes[0].set_title(f"{one.kind}: {one.name} #{index}, seed {seed}")
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--traces", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=sorted(ANALYSES))
    parser.add_argument("--only", metavar="CLASS", help="classes whose name holds this text")
    parser.add_argument("--index", type=int, help="this trace of the class alone")
    parser.add_argument("--plot", metavar="FILE")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--json", metavar="FILE")
    args = parser.parse_args()
    exact = [c for c in classes(args.kind) if args.only == c.name]
    chosen = exact or [c for c in classes(args.kind) if args.only is None or args.only.lower() in c.name.lower()]
    if not chosen:
        parser.error(f"no class has {args.only!r} in its name")
    if args.list:
        for c in chosen:
            print(f"{c.kind:7} {'keeps' if c.keeps else 'hidden' if c.hidden else 'breaks':7} {c.name}")
        return
    if args.plot:
        plot(chosen[0], args.seed, args.index or 0, args.plot)
        return
    each = max(1, math.ceil(args.traces / len(chosen)))
    numbers = [args.index] if args.index is not None else range(each)
    tasks = [(c.kind, c.name, args.seed, i) for c in chosen for i in numbers]
    with ProcessPoolExecutor(args.jobs) as pool:
        outcomes = list(pool.map(outcome, tasks, chunksize=4))
    rows = [row(c, [o for o in outcomes if (o.kind, o.name) == (c.kind, c.name)]) for c in chosen]
    print(f"{len(outcomes)} traces, seed {args.seed}\n\n{class_table(rows)}\n")
    print(quantity_table({(c.kind, c.name): c for c in chosen}, outcomes))
    if args.index is not None:
        for o in outcomes:
            print("\n", o.truth, "\n", [asdict(v) for v in o.values], "\n", o.notes, o.refusal)
    if args.json:
        with open(args.json, "w", encoding="utf-8") as file:
            json.dump(
                {"seed": args.seed, "rows": [asdict(r) for r in rows], "outcomes": [asdict(o) for o in outcomes]},
                file,
                indent=1,
            )


if __name__ == "__main__":
    main()
