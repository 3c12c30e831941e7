"""A simulated bench on a still world, served until interrupted. Arguments: folder, faults. For test_server.py."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

from simulators.bench_faults import parse_fault, schedule
from simulators.links.server import serve
from simulators.simulated_bench import SimulatedBench
from tests.simulators.still_world import METER, StillWorld


def say(line: str) -> None:
    print(line, flush=True)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a parent in the background hands it down as ignored
    world = StillWorld()
    simulated_bench = SimulatedBench(world, seed=1)
    world.set_outputs(METER)
    schedule(simulated_bench, [parse_fault(text) for text in sys.argv[2:]])
    try:
        serve(simulated_bench, folder=Path(sys.argv[1]), announce=say)
    except KeyboardInterrupt:
        say("ended")
