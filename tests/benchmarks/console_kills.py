"""One of the console's two processes is killed at a random moment of a run, over real ports, in real time.

    python tests/benchmarks/console_kills.py --kills 100 --seed 1
    python tests/benchmarks/console_kills.py --stops 30            # the page's stop instead

The simulated instruments run in a process of their own, as the board does, and tell each change of their outputs. After
each kill: how long until all outputs were off, what the store says of the run, whether the next run begins clean.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchrig.application.paths import store_path
from benchrig.bench.bench import HOST_SILENT_S
from benchrig.records import Store
from tests.console.running import BENCHRIG, CLOCK, RunningConsole, console, gone

LONGEST_RUN_S, EARLY_S = 14.0, 1.5
REACTION_S = 0.5
"""Over the host-silent limit: for the killed process's last word, and for this program to hear of it."""


class Outputs:
    """What the instruments say of their outputs, with when they said it."""

    def __init__(self, folder: Path) -> None:
        command = [*BENCHRIG, "simulate", "--folder", str(folder)]
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        self.said: list[tuple[float, str]] = []
        self.ready = threading.Event()
        threading.Thread(target=self._hear, daemon=True).start()
        assert self.ready.wait(30)

    def _hear(self) -> None:
        for line in self.process.stdout or ():
            if "outputs" in line or "coil" in line or "pump" in line or "vent" in line or "meter " in line:
                self.said.append((CLOCK.now(), line.strip()))
            if line.startswith("bench file"):
                self.ready.set()

    @property
    def off(self) -> bool:
        return not self.said or "all outputs off" in self.said[-1][1] or self.said[-1][1].startswith("meter  ")

    def off_after(self, killed_s: float) -> float:
        """Seconds from the kill until all outputs were off; 0 where none was on."""
        until_s = CLOCK.now() + HOST_SILENT_S + 3.0
        while not self.off and CLOCK.now() < until_s:
            CLOCK.sleep_until(CLOCK.now() + 0.01)
        if not self.off:
            return float("inf")
        return max(0.0, self.said[-1][0] - killed_s) if self.said else 0.0


def one_kill(page: RunningConsole, outputs: Outputs, which: str, after_s: float, tag: str) -> dict[str, object]:
    """Begin a run, kill, look."""
    assert page.start(tag=tag).status_code == 200
    if after_s > EARLY_S:  # the others also hit a bench process that has not begun yet
        page.until(lambda state: state["run"] != "", answering=False)
    CLOCK.sleep_until(CLOCK.now() + after_s)
    bench = page.bench_process()
    killed_s, were_on = CLOCK.now(), not outputs.off
    if which == "stop":
        page.stop()
    else:
        page.kill(bench if which == "bench" else page.process.pid)
    off_s = outputs.off_after(killed_s)
    if which == "web":
        assert gone(bench, within_s=30.0)  # it may still be starting, on a busy computer
    else:
        page.until(lambda state: state["phase"] == "ended")
    found = [run for run in Store(store_path()).runs() if run.tag == tag]
    endings = [run.ending for run in found]
    return {"which": which, "after_s": after_s, "were_on": were_on, "off_s": off_s, "endings": endings}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--stops", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    chance = random.Random(asked.seed)
    done: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        os.environ["BENCHRIG_HOME"] = str(Path(folder) / "home")
        outputs = Outputs(Path(folder) / "rig")
        stack.callback(outputs.process.terminate)
        running = ExitStack()
        page: RunningConsole | None = None
        for number in range(asked.stops or asked.kills):
            if page is None:
                page = running.enter_context(console("--bench", str(Path(folder) / "rig" / "bench.toml")))
            which = "stop" if asked.stops else chance.choice(["bench", "web"])
            done.append(one_kill(page, outputs, which, chance.uniform(0.0, LONGEST_RUN_S), f"K-{number}"))
            print(number + 1, done[-1], file=sys.stderr, flush=True)
            if which == "web":
                running.close()
                page = None
        # The next start is clean: a whole run.
        if page is None:
            page = running.enter_context(console("--bench", str(Path(folder) / "rig" / "bench.toml")))
        assert page.start(tag="LAST").status_code == 200
        last = page.ended()["ended"]["how"]
        running.close()
    on = [each for each in done if each["were_on"]]
    seconds = sorted(float(str(each["off_s"])) for each in on)
    limit_s = HOST_SILENT_S + REACTION_S
    print(
        json.dumps(
            {
                "kills": len(done),
                "of bench": sum(each["which"] == "bench" for each in done),
                "outputs were on": len(on),
                "off after s, median": round(statistics.median(seconds), 3) if seconds else None,
                "off after s, most": round(seconds[-1], 3) if seconds else None,
                "later than the limit": sum(each > limit_s for each in seconds),
                "runs in the store, aborted": sum(each["endings"] == ["aborted"] for each in done),
                "killed before a run was in the store": sum(each["endings"] == [] for each in done),
                "otherwise": [each for each in done if each["endings"] not in (["aborted"], [])],
                "the run afterwards": last,
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
