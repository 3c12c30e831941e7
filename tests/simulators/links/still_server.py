"""A machine on a still world, served until it is interrupted. Arguments: folder, faults. Run by test_serve.py."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

from simulators.faults import parse_fault, schedule
from simulators.links.server import serve
from simulators.simulated_bench import SimulatedBench
from tests.simulators.plants import METER, StillPlant


def say(line: str) -> None:
    print(line, flush=True)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a parent in the background hands it down as ignored
    plant = StillPlant()
    machine = SimulatedBench(plant, seed=1)
    plant.set_outputs(METER)
    schedule(machine, [parse_fault(text) for text in sys.argv[2:]])
    try:
        serve(machine, folder=Path(sys.argv[1]), announce=say)
    except KeyboardInterrupt:
        say("ended")
