"""Bench seconds that the simulated world passes in a second of CPU, without and with its instruments; and a profile.

    python tests/benchmarks/world_speed.py --runs 5 --profile 12

One core, virtual clock. The run is that of a qualification: pump down, 35 s hold, fill, ten clicks recorded at 10 kS/s.
Beside each run a plain Python loop of two million additions: where that is slow, the computer is.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import statistics
import time

from firmware_protocol.messages import COIL, COIL_CURRENT, ISOLATION, PRESSURE, PUMP, SUPPLY, VENT
from simulators.entry import open_bench
from simulators.simulated_bench import SimulatedBench

LOOP = 2_000_000


def loop_s() -> float:
    began = time.process_time()
    total = 0
    for number in range(LOOP):
        total += number
    return time.process_time() - began


def record(
    simulated_bench: SimulatedBench, mask: int, period_us: int, samples: int, outputs: int, on_s: float, off_s: float
) -> None:
    """Capture through the board's pins, as its firmware does, while the outputs switch on and off again."""
    pins = simulated_bench.pins
    began = simulated_bench.now_s
    pins.capture_start(mask, period_us, samples)
    simulated_bench.world.set_outputs(outputs | COIL if on_s else outputs)
    simulated_bench.advance_to(began + on_s)
    simulated_bench.world.set_outputs(outputs)
    simulated_bench.advance_to(began + on_s + off_s)
    pins.capture_block(0, samples)


def run(condition: str) -> float:
    """One run through world and pins; bench seconds."""
    simulated_bench = open_bench({"condition": condition, "seed": 3}).simulated_bench
    world = simulated_bench.world
    world.set_outputs(VENT)
    simulated_bench.advance_to(0.5)
    world.set_outputs(VENT | PUMP | ISOLATION)
    for tenth in range(75):
        simulated_bench.advance_to(0.5 + 0.1 * (tenth + 1))
        simulated_bench.pins.read_channel(PRESSURE)
    record(simulated_bench, 1 << PRESSURE, 10_000, 3500, VENT, 0.0, 35.01)
    record(simulated_bench, 1 << PRESSURE | 1 << COIL_CURRENT, 1_000, 6000, VENT, 6.01, 0.0)
    world.set_outputs(0)
    simulated_bench.advance_to(simulated_bench.now_s + 2.0)
    for _ in range(10):
        record(simulated_bench, 1 << COIL_CURRENT | 1 << SUPPLY, 100, 2000, 0, 0.1, 0.11)
        simulated_bench.advance_to(simulated_bench.now_s + 0.4)
    simulated_bench.advance_to(75.0)
    return simulated_bench.now_s


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument(
        "--conditions", nargs="+", default=["good", "sluggish", "intermittent-joint", "coil-fails-warm"]
    )
    parser.add_argument("--profile", type=int, default=0, metavar="LINES")
    asked = parser.parse_args()
    run("good")
    print(f"{'condition':20} {'bench s per CPU s':>18} {'least':>8} {'CPU s':>8} {'loop ms':>8}")
    for condition in asked.conditions:
        took, loops, bench_s = [], [], 0.0
        for _ in range(asked.runs):
            loops.append(loop_s())
            began = time.process_time()
            bench_s = run(condition)
            took.append(time.process_time() - began)
        middle = statistics.median(took)
        print(
            f"{condition:20} {bench_s / middle:18.0f} {bench_s / max(took):8.0f} {middle:8.3f}"
            f" {1e3 * statistics.median(loops):8.0f}"
        )
    if asked.profile:
        profile = cProfile.Profile()
        profile.runcall(run, "good")
        pstats.Stats(profile).sort_stats("tottime").print_stats(asked.profile)


if __name__ == "__main__":
    main()
