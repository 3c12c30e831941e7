"""The host dies at a random instant of a run: how long after its last word are the outputs off, by the board's clock?

    python tests/benchmarks/random_kills.py --kills 1000 --seed 1

Whole runs on the virtual clock; at random instants the process is forked, and in the copy the host says no more. The
host-silent limit is drawn anew for each run, 1 to 5 s. The board's loop is made to come round only every so often
(drawn for each run, 0.1 to 5 ms), as on a real board, which does other things in between.
"""

from __future__ import annotations

import argparse
import functools
import json
import os
import random
import statistics
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import benchrig.bench.bench
from simulators.entry import OpenedSimulation
from simulators.world import CONDITIONS, MODELS
from tests.benchmarks.whole_run import whole_run

LIMIT_S = (1.0, 5.0)
TURN_US = (100, 5000)
RUN_S = 51.0
ALLOWED_S = 0.020


class Mortal:
    """A bench whose host dies at given instants, each time in a copy of this process."""

    def __init__(self, opened: OpenedSimulation, instants_s: list[float], limit_s: float, turn_us: int) -> None:
        self._simulated_bench = opened.simulated_bench
        self._limit_s = limit_s
        self._heard_s = 0.0
        self._dead = False
        self._exchange = opened.simulated_bench.board_exchange
        self.deaths: list[dict[str, float]] = []
        opened.simulated_bench.board_exchange = self._hear  # type: ignore[method-assign]  # notes when the last word came
        board = opened.simulated_bench.board
        due_us = board.next_due_us

        def next_turn() -> int | None:
            due = due_us()
            return None if due is None else (due // turn_us + 1) * turn_us

        board.next_due_us = next_turn  # type: ignore[method-assign]  # the loop comes round only every turn
        for instant_s in instants_s:
            opened.simulated_bench.at(instant_s, self._die)

    def _hear(self, data: bytes) -> bytes:
        self._heard_s = self._simulated_bench.now_s
        return self._exchange(data)

    def _die(self) -> None:
        if self._dead:
            return
        ear, mouth = os.pipe()
        child = os.fork()
        if child == 0:
            self._dead = True
            try:
                said = json.dumps(self._after())
            except BaseException as error:  # noqa: BLE001 - whatever it was, the parent is to hear of it
                said = json.dumps({"error": repr(error)})
            os.write(mouth, said.encode())
            os._exit(0)
        os.close(mouth)
        with os.fdopen(ear, encoding="utf-8") as file:
            self.deaths.append(json.loads(file.read()))
        os.waitpid(child, 0)

    def _after(self) -> dict[str, float]:
        simulated_bench = self._simulated_bench
        on = simulated_bench.board.outputs
        seen: list[tuple[float, int]] = []
        simulated_bench.on_change = lambda t_s, outputs, _cause: seen.append((t_s, outputs))
        killed_s = simulated_bench.now_s
        # Answers on their way go nowhere; requests on their way still arrive.
        simulated_bench.advance_to(killed_s + self._limit_s + 2.0)
        ever_on = on or any(outputs for _, outputs in seen)
        off_s = next((t_s for t_s, outputs in reversed(seen) if outputs == 0), killed_s)
        return {
            "killed_s": killed_s,
            "on": int(bool(ever_on)),
            "left_on": simulated_bench.board.outputs,
            "over_s": off_s - self._heard_s - self._limit_s,
            "cause": simulated_bench.board.cause,
        }


def _doom(into: list[Mortal], instants_s: list[float], limit_s: float, turn_us: int, opened: OpenedSimulation) -> None:
    into.append(Mortal(opened, instants_s, limit_s, turn_us))


def kills(wanted: int, seed: int, each: int = 20) -> list[dict[str, float]]:
    """So many deaths, `each` of them in one run."""
    choose = random.Random(seed)
    found: list[dict[str, float]] = []
    normal_s = benchrig.bench.bench.HOST_SILENT_S
    while len(found) < wanted:
        instants_s = sorted(choose.uniform(0.1, RUN_S) for _ in range(min(each, wanted - len(found))))
        limit_s = round(choose.uniform(*LIMIT_S), 3)
        turn_us = choose.randint(*TURN_US)
        mortals: list[Mortal] = []
        benchrig.bench.bench.HOST_SILENT_S = limit_s
        try:
            whole_run(
                choose.choice(MODELS),
                choose.choice(CONDITIONS),
                choose.randrange(1000),
                prepare=functools.partial(_doom, mortals, instants_s, limit_s, turn_us),
            )
        finally:
            benchrig.bench.bench.HOST_SILENT_S = normal_s
        found += mortals[0].deaths
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = kills(options.kills, options.seed)
    errors = [death for death in found if "error" in death]
    on = [death for death in found if death.get("on")]
    over_ms = sorted(1000 * death["over_s"] for death in on)
    print(f"{len(found)} kills, {len(on)} of them with an output on; {len(errors)} errors {errors[:1]}")
    print(f"outputs left on: {sum(bool(d['left_on']) for d in on)}; causes {Counter(d['cause'] for d in on)}")
    print(
        "off after the last word, less the limit: "
        f"median {statistics.median(over_ms):.3f} ms, worst {over_ms[-1]:.3f} ms"
    )
    if errors or over_ms[-1] > 1000 * ALLOWED_S or any(death["left_on"] for death in on):
        sys.exit("outputs were on for too long")


if __name__ == "__main__":
    main()
