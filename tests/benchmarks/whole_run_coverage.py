"""Whole simulated runs against the simulated truth: bias, z, coverage of 2 u; verdicts with fuel, drift and liners.

    python tests/benchmarks/whole_run_coverage.py --good 300 --faulty 300 --jobs 2
    python tests/benchmarks/whole_run_coverage.py --disturbed 300 --jobs 2

Every valve has a bench of its own, drawn from the distributions that the bench file states (`as_stated`). The truth
comes from the simulator's own parameters and motions; nothing of `benchrig.analysis` is used for it. z is the error
over the stated standard uncertainty: its rms should be 0.8 to 1.2 and 95 % should lie within 2. A bound (above x, below
x) is right when the truth lies beyond it.

``--disturbed``: valves that are wet, wet and leaking; good and leaking ones in a room that drifts around a light
reservoir, and on a wall with a liner. Wanted: no good valve rejected, no leaking one accepted, the wet called wet.

``--keep FILE`` adds each run to a file as it ends, so that a long study can be made in pieces, each of its own seed;
``--add FILE`` takes runs that were kept into the tables.

``--exact``: good and faulty valves on benches that are as their file says, so that what is left of an error is the
analysis' own.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import random
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from benchrig.application.paths import model_folders
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue, ValveModel
from benchrig.errors import BenchError
from benchrig.rehearsal.one_valve import InMemory
from benchrig.sequencer.events import Intake
from benchrig.sequencer.operator import Silent
from benchrig.sequencer.run import qualify
from simulators.world import World

MODELS = ("alder-24", "alder-24", "birch-26", "cedar-44")
FAULTY = ("open-coil", "shorted-turns", "stuck-closed", "stuck-open", "seat-leak", "restricted", "sluggish")
NAMES = (
    "coil_resistance_20c_ohm",
    "hold_leak_sccm",
    "sonic_conductance_dm3_s_bar",
    "flow_at_rated_vacuum_lpm_anr",
    "pull_in_time_ms",
    "drop_out_time_ms",
)
COIL = 0x01
PULSE_S = (0.115, 0.125)
"""A click: the coil is on for so long. Holding it on or opening for the flow takes longer."""


@dataclass(frozen=True)
class Asked:
    """One run: what the simulated bench is asked for, and what sort it is."""

    sort: str
    options: Mapping[str, Any]


@dataclass(frozen=True)
class Came:
    """How it ended, and for each characteristic: value, u, bound, truth (None: not measured, or no truth)."""

    sort: str
    options: Mapping[str, Any]
    verdict: str
    cause: str
    why: str
    leaks: bool
    found: Mapping[str, tuple[float | None, float | None, str, float | None]] = field(default_factory=dict)


@cache
def _model(name: str) -> ValveModel:
    return Catalogue(model_folders()).get(name)


def leak_sccm(world: World) -> float:
    """Choked flow through the seat as the bench finds it: that of its figure, at the room's temperature."""
    return world.valve.port.leak_sccm * math.sqrt(293.15 / world.bench.ambient_k) * world.bench.ambient_pa / 101_325.0


def flow_lpm_anr(world: World, vacuum_pa: float) -> float:
    """Flow into a vacuum as the bench finds it: from air at the room's temperature, not that of the reference."""
    return world.flow_lpm_anr(vacuum_pa) * math.sqrt(293.15 / world.bench.ambient_k)


def times_ms(world: World, switched: list[tuple[float, int]]) -> tuple[float | None, float | None]:
    """Mean first arrivals of the armature over all clicks, after the coil was switched on and off."""
    pulls, drops = [], []
    for (on_s, on), (off_s, off) in itertools.pairwise(switched):
        if not (on & COIL and not off & COIL and PULSE_S[0] < off_s - on_s < PULSE_S[1]):
            continue
        arrivals = [m for m in world.motions if m.what == "meets" and on_s < m.t_s < off_s + 0.3]
        pulls += [m.t_s - on_s for m in arrivals if m.stroke == 1.0 and m.t_s < off_s][:1]
        drops += [m.t_s - off_s for m in arrivals if m.stroke == 0.0 and m.t_s > off_s][:1]
    return tuple(1e3 * float(np.mean(each)) if each else None for each in (pulls, drops))  # type: ignore[return-value]


def jammed(world: World) -> bool:
    """Whether the armature has no stroke to speak of; what it does within its play is no motion of a valve."""
    arm = world.valve.armature
    return arm.blocked is not None or arm.free_to - arm.free_from < 0.5


def truths(world: World, valve: ValveModel) -> dict[str, float | None]:
    """What is true of the valve as it comes to the bench: of all but the times, which its motions tell."""
    r20 = world.valve.coil.r20_ohm
    flows = not jammed(world) and r20 < 100.0
    return {
        "coil_resistance_20c_ohm": r20 if r20 < 100.0 else None,
        "hold_leak_sccm": None if jammed(world) else leak_sccm(world),
        "sonic_conductance_dm3_s_bar": 1e8 * world.sonic_conductance_m3_s_pa() if flows else None,
        "flow_at_rated_vacuum_lpm_anr": flow_lpm_anr(world, valve.rated_vacuum_kpa * 1e3) if flows else None,
    }


def run(asked: Asked) -> Came:
    """Take one valve through the sequence and put what came beside what is true."""
    valve = _model(asked.options["model"])
    opened = open_registered("simulated", {"as_stated": True, **asked.options})
    simulated_bench = opened.hands._simulated_bench  # type: ignore[union-attr]
    world: World = simulated_bench.world
    switched: list[tuple[float, int]] = []
    through = world.set_outputs

    def set_outputs(mask: int) -> None:
        if not switched or (mask ^ switched[-1][1]) & COIL:
            switched.append((world.t_s, mask))
        through(mask)

    world.set_outputs = set_outputs  # type: ignore[method-assign]
    limit = next((limit.high for limit in valve.limits if limit.name == "hold_leak_sccm"), None) or math.inf
    leaks = world.valve.port.leak_sccm > limit
    true = truths(world, valve)
    try:
        with opened as bench:
            finished = qualify(
                bench,
                valve,
                Intake("C-1", valve.model, "core", "study"),
                sink=InMemory(),
                operator=Silent(opened.hands),  # type: ignore[arg-type]
            )
    except BenchError as error:
        return Came(asked.sort, asked.options, "no verdict", "", str(error), leaks)
    times = (None, None) if jammed(world) else times_ms(world, switched)
    true["pull_in_time_ms"], true["drop_out_time_ms"] = times
    judgement = finished.judgement
    by_name = {each.characteristic.name: each.characteristic for each in judgement.judged}
    found = {n: (by_name[n].value, by_name[n].u, by_name[n].bound, true[n]) for n in NAMES if n in by_name}
    return Came(asked.sort, asked.options, judgement.verdict, judgement.cause or "", judgement.why, leaks, found)


def plain(sort: str, count: int, seed: int, *, exact: bool = False) -> Iterable[Asked]:
    """Good valves, or faulty ones of the main conditions from barely to grossly; on exact benches or drawn ones."""
    for index in range(count):
        draw = random.Random(f"{sort} {seed} {index}")
        options: dict[str, Any] = {"model": draw.choice(MODELS), "condition": "good", "seed": draw.randrange(2**32)}
        if sort == "faulty":
            options |= {"condition": FAULTY[index % len(FAULTY)], "severity": draw.random()}
        if exact:
            options |= {"as_stated": False, "bench_spread": 0.0}
        yield Asked(sort, options)


def disturbed(count: int, seed: int) -> Iterable[Asked]:
    """Wet valves, drifting rooms, lined walls; a leak is often near its limit, where it is hardest."""
    sorts = ("wet", "wet", "wet", "wet and leaking", "drift", "drift and leaking", "liner", "liner and leaking")
    for index in range(count):
        draw = random.Random(f"disturbed {seed} {index}")
        sort = sorts[index % len(sorts)]
        options: dict[str, Any] = {"model": draw.choice(MODELS), "condition": "good", "seed": draw.randrange(2**32)}
        limit = next(each.high for each in _model(options["model"]).limits if each.name == "hold_leak_sccm")
        if sort == "wet":
            options |= {"condition": "wet", "severity": draw.random()}
        if "leaking" in sort:
            options["value"] = (limit or 5.0) * 1.05 * 10 ** draw.uniform(0.0, 1.2 if draw.random() < 0.5 else 0.3)
            options["condition"] = "wet-and-leaking" if "wet" in sort else "seat-leak"
        if "drift" in sort:
            light = {"wall_j_k": 10 ** draw.uniform(1.3, 2.4), "wall_ambient_w_k": draw.uniform(0.3, 1.5)}
            options["bench_truth"] = {"room_k_s": draw.choice((-1, 1)) * draw.uniform(0.5, 3.0) / 60.0, **light}
        if "liner" in sort:
            heat = draw.uniform(1.5, 6.0)
            seconds = 10 ** draw.uniform(math.log10(15.0), math.log10(60.0))
            options["bench_truth"] = {
                "liner_share": draw.uniform(0.3, 0.8),
                "liner_j_k": heat,
                "liner_wall_w_k": heat / seconds,
            }
        yield Asked(sort, options)


# --- tables -----------------------------------------------------------------------------------------------------------


def coverage(results: list[Came], title: str) -> dict[str, Any]:
    """Print and return one line for each characteristic."""
    print(f"\n{title}: {len(results)} runs, verdicts {dict(Counter(each.verdict for each in results))}")
    heads = f"{'':30}{'with truth':>10}{'measured':>9}{'bounds':>7}{'wrong':>6}"
    print(f"{heads}{'bias':>10}{'bias %':>8}{'mean z':>8}{'z rms':>7}{'95 % in':>9}{'U':>9}")
    table = {}
    for name in NAMES:
        rows = [each.found[name] for each in results if name in each.found and each.found[name][3] is not None]
        bounds = [(value, bound, true) for value, _, bound, true in rows if bound]
        wrong = sum((true < value) if bound == "above" else (true > value) for value, bound, true in bounds)  # type: ignore[operator]
        told = [(value, u, true) for value, u, bound, true in rows if value is not None and u and not bound]
        line: dict[str, Any] = {
            "truths": len(rows),
            "measured": len(told),
            "bounds": len(bounds),
            "bounds_wrong": wrong,
        }
        text = f"{name:30}{len(rows):10}{len(told):9}{len(bounds):7}{wrong:6}"
        if told:
            value, u, true = np.array(told, dtype=np.float64).T
            z = (value - true) / u
            line |= {
                "bias": float(np.mean(value - true)),
                "bias_percent": float(100 * np.mean((value - true) / true)),
                "mean_z": float(z.mean()),
                "z_rms": float(np.sqrt(np.mean(z * z))),
                "within_2u": float(np.mean(np.abs(z) <= 2.0)),
                "median_expanded_u": float(np.median(2 * u)),
                "worst": [float(each) for each in sorted(z, key=lambda each: -abs(each))[:3]],
            }
            text += f"{line['bias']:10.4f}{line['bias_percent']:8.2f}{line['mean_z']:8.2f}{line['z_rms']:7.2f}"
            text += f"{100 * line['within_2u']:8.1f}%{line['median_expanded_u']:9.4f}"
        print(text)
        table[name] = line
    return table


def verdicts(results: list[Came]) -> dict[str, Any]:
    """Print and return how the disturbed ones were judged."""
    print(f"\n{'sort':20}{'runs':>5}{'accept':>8}{'reject':>8}{'undecided':>10}{'called wet':>11}{'no verdict':>11}")
    for sort in dict.fromkeys(each.sort for each in results):
        of = [each for each in results if each.sort == sort]
        counts = Counter(each.verdict for each in of)
        wet = sum(each.cause == "wet" for each in of)
        print(
            f"{sort:20}{len(of):5}{counts['accept']:8}{counts['reject']:8}{counts['undecided']:10}{wet:11}"
            f"{counts['no verdict']:11}"
        )
    wet = [each for each in results if each.sort == "wet"]
    told = {
        "good_rejected": sum(each.verdict == "reject" and not each.leaks for each in results),
        "leaking_accepted": sum(each.verdict == "accept" and each.leaks for each in results),
        "wet": len(wet),
        "wet_named": sum(each.cause == "wet" for each in wet),
    }
    print(f"good valves rejected {told['good_rejected']}, leaking ones accepted {told['leaking_accepted']}, ", end="")
    print(f"wet called wet {told['wet_named']} of {told['wet']}")
    for each in results:
        missed_wet = each.sort == "wet" and each.cause != "wet"
        wrong = (each.verdict == "reject" and not each.leaks) or (each.verdict == "accept" and each.leaks)
        if each.verdict == "no verdict" or missed_wet or wrong:
            leak = each.found.get("hold_leak_sccm")
            print(f"  {each.sort}: {each.verdict} {each.cause}; leak {leak}; {dict(each.options)}; {each.why[:100]}")
    return told


def kept(file: Path) -> list[Came]:
    """Runs that were kept in a file."""
    return [Came(**json.loads(line)) for line in file.read_text(encoding="utf-8").splitlines()]


def taken(valves: Iterable[Asked], jobs: int, keep: Path | None) -> list[Came]:
    """Take all of them through the sequence, and keep each as it ends."""
    came = []
    with get_context("spawn").Pool(jobs) as pool:
        for each in pool.imap_unordered(run, valves):
            came.append(each)
            if keep is not None:
                with keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(each)) + "\n")
    return came


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--good", type=int, default=0)
    parser.add_argument("--faulty", type=int, default=0)
    parser.add_argument("--disturbed", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--exact", action="store_true", help="Good and faulty ones on benches as their file says.")
    parser.add_argument("--keep", type=Path, help="Add each run to this file.")
    parser.add_argument("--add", type=Path, nargs="+", default=[], help="Take runs from these files as well.")
    parser.add_argument("--json", help="Write the tables into this file.")
    asked = parser.parse_args()
    if not asked.good + asked.faulty + asked.disturbed and not asked.add:
        asked.good = asked.faulty = 300
    valves = [
        *plain("good", asked.good, asked.seed, exact=asked.exact),
        *plain("faulty", asked.faulty, asked.seed, exact=asked.exact),
        *disturbed(asked.disturbed, asked.seed),
    ]
    results = [each for file in asked.add for each in kept(file)] + taken(valves, asked.jobs, asked.keep)
    tables: dict[str, Any] = {}
    for sort in ("good", "faulty"):
        if of := [each for each in results if each.sort == sort]:
            tables[sort] = coverage(of, sort)
    wrong = [each for each in results if each.sort == "good" and each.verdict != "accept"]
    wrong += [each for each in results if each.sort == "faulty" and each.verdict in ("accept", "no verdict")]
    for each in wrong:
        print(f"  {each.sort}: {each.verdict} {each.cause}; {dict(each.options)}; {each.why[:160]}")
    if of := [each for each in results if each.sort not in ("good", "faulty")]:
        for kind in ("wet", "drift", "liner"):
            tables[kind] = coverage([each for each in of if kind in each.sort], kind)
        tables["verdicts"] = verdicts(of)
    if asked.json:
        with open(asked.json, "w", encoding="utf-8") as file:
            json.dump(tables, file, indent=1)


if __name__ == "__main__":
    main()
