"""Requests to stop at random instants of a command: are the outputs off at once, is the record closed, what is said?

    nice .venv/bin/python -m tests.benchmarks.stop_signals --signals 300

Each case is a copy of this process that runs one command on the simulated bench, in memory. At an instant by the
clock of the bench it signals itself: once, twice within 5 ms, or in a burst that goes on through the ending. Counted
is from the first signal to the outputs being off, by the board's clock, and whether the board switched them off itself.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import simulators.entry
from benchrig import stop_requests
from benchrig.__main__ import main as program
from benchrig.records import Store
from simulators.entry import OpenedBench

COMMANDS: dict[str, tuple[list[str], float]] = {
    "qualify": (["qualify", "--model", "alder-24", "--tag", "S-1", "--simulated", "--json"], 52.0),
    "bench check": (["bench", "check", "--simulated", "--json", "--barometer-kpa", "101.325"], 60.0),
    "calibrate volume": (["bench", "calibrate", "volume", "--simulated", "--json", "--yes"], 60.0),
    "calibrate shunt": (["bench", "calibrate", "shunt", "--simulated", "--json", "--yes"], 1.5),
}
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
SHAPES: dict[str, tuple[float, ...]] = {
    "once": (0.0,),
    "twice": (0.0, 0.003),
    "burst": (0.0, 0.0, 0.001, 0.002, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5),
}


def child(words: list[str], at_s: float, offsets: tuple[float, ...], number: int, told: Path, out: Path) -> None:
    """Run one command and signal it; write what happened."""
    seen: dict[str, Any] = {"signalled_s": None, "off_s": None, "on": False, "cause": 0}
    real = simulators.entry.open_bench

    def open_bench(options: dict[str, object]) -> OpenedBench:
        opened = real(options)
        machine = opened.machine

        def send() -> None:
            if seen["signalled_s"] is None:
                seen["signalled_s"], seen["on"] = machine.now_s, bool(machine.board.outputs)
            os.kill(os.getpid(), number)

        def changed(t_s: float, outputs: int, cause: int) -> None:
            seen["cause"] = seen["cause"] or cause
            if seen["signalled_s"] is not None and not outputs and seen["off_s"] is None:
                seen["off_s"] = t_s

        machine.on_change = changed
        for offset in offsets:
            machine.at(at_s + offset, send)
        seen["machine"] = machine
        return opened

    simulators.entry.open_bench = open_bench
    os.dup2(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
    os.dup2(os.open(f"{out}.err", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    sys.argv = ["benchrig", *words]
    leave = os._exit

    def left_with(status: int) -> None:
        machine = seen.pop("machine", None)
        left = None if machine is None else machine.board.outputs
        told.write_text(json.dumps({**seen, "status": status, "outputs": left}))
        leave(0)

    os._exit = left_with  # type: ignore[assignment]  # what the program ends with
    program()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--signals", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    draw = random.Random(given.seed)
    tally: dict[str, Counter[str]] = {name: Counter() for name in COMMANDS}
    worst: dict[str, float] = dict.fromkeys(COMMANDS, 0.0)
    odd = []
    for case in range(given.signals):
        name = list(COMMANDS)[case % len(COMMANDS)]
        words, lasts_s = COMMANDS[name]
        shape, sent = draw.choice(list(SHAPES)), draw.choice(SIGNALS)
        at_s = draw.uniform(0.0, lasts_s)
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            pid = os.fork()
            if pid == 0:
                os.environ["BENCHRIG_HOME"] = folder
                try:
                    stop_requests.listen()
                    child(words, at_s, SHAPES[shape], getattr(signal, sent), home / "told", home / "out")
                finally:
                    os._exit(0)
            os.waitpid(pid, 0)
            what = f"{name}, {sent} {shape} at {at_s:.3f} s"
            if not (home / "told").exists():
                tally[name]["ended without a word"] += 1
                odd.append(f"{what}: ended without a word")
                continue
            told = json.loads((home / "told").read_text())
            if told["signalled_s"] is None:
                tally[name]["over before"] += 1
                continue
            tally[name]["signalled"] += 1
            tally[name]["with outputs on"] += told["on"]
            if told["on"] and told["off_s"] is not None:
                worst[name] = max(worst[name], told["off_s"] - told["signalled_s"])
            wrong = []
            if told["outputs"]:
                wrong.append("outputs left on")
            if told["cause"]:
                wrong.append(f"board tripped by itself ({told['cause']})")
            if told["status"] not in (0, 3):
                wrong.append(f"status {told['status']}")
            try:
                json.loads((home / "out").read_text())
            except ValueError:
                wrong.append("no JSON on stdout")
            if "Traceback" in (home / "out.err").read_text(errors="replace"):
                wrong.append("traceback")
            if (home / "records.sqlite").exists():
                store = Store(home / "records.sqlite")
                if any(home.glob("*.lock")) or any(run.ending == "running" for run in store.runs()):
                    wrong.append("record not closed")
            for each in wrong:
                tally[name][each] += 1
                odd.append(f"{what}: {each}")
    for name, counted in tally.items():
        print(f"{name}: {dict(counted)}; outputs off after at most {1000 * worst[name]:.0f} ms")
    print(*odd[:30], sep="\n")


if __name__ == "__main__":
    main()
