"""Requests to stop at random instants of a command: are the outputs off at once, is the record closed, what is said?

    nice .venv/bin/python -m tests.benchmarks.stop_signals --signals 300
    nice .venv/bin/python -m tests.benchmarks.stop_signals --signals 66 --served --at-a-time 3

A phase of a command is the time between two changes of the outputs, as an undisturbed run shows it; each case draws a
phase and an instant within it. In memory (the default) a copy of this process runs the command and signals itself, by
the clock of the bench. `--served` is the program as it is used, in real time, against the instruments served on a
pseudo-terminal and a TCP port, and the signals come from outside. A signal comes once, twice within 5 ms, five times
within 5 ms, or goes on through the ending. Counted is from the first signal to the outputs being off (served: as seen
from outside, so with what the busy computer adds), and whether the board switched them off itself.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import simulators.entry
from benchrig import stop_requests
from benchrig.__main__ import main as program
from benchrig.bench.constants import KINDS
from benchrig.records import Store
from simulators.entry import OpenedSimulation

ROOT = Path(__file__).parents[2]
COMMANDS: dict[str, list[str]] = {
    "qualify": ["qualify", "--model", "alder-24", "--tag", "S-1", "--json"],
    "bench check": ["bench", "check", "--json", "--barometer-kpa", "101.325"],
    **{f"calibrate {each}": ["bench", "calibrate", each, "--json", "--yes"] for each in KINDS},
}
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT")
SHAPES: dict[str, tuple[float, ...]] = {
    "once": (0.0,),
    "twice": (0.0, 0.003),
    "five": (0.0, 0.001, 0.002, 0.003, 0.005),
    "through the ending": (0.0, 0.0, 0.001, 0.002, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5),
}
FIRST_HEARD_S = 0.3
"""An interpreter that has not come as far as our first line is not ours yet."""
STARTED_S = 1.2
GIVE_UP_S = 120.0


@dataclass(frozen=True)
class Case:
    """When to signal: so far into the phase that begins with the n-th change of the outputs (0: the start)."""

    command: str
    phase: int
    into_s: float
    at_s: float
    """On the clock of the bench in memory."""
    shape: str
    signal: str

    def __str__(self) -> str:
        return f"{self.command}, {self.signal} {self.shape}, {self.into_s:.3f} s into phase {self.phase}"


@dataclass
class Told:
    """What happened."""

    signalled: bool
    on: bool
    off_s: float | None
    left_on: bool
    tripped: bool
    status: int
    said: str
    errors: str
    open_records: bool


def left_open(home: Path) -> bool:
    """Whether a record was not closed, looked at before any program can close it."""
    if not (home / "records.sqlite").exists():
        return False
    locks = any(home.glob("*.lock"))
    return locks or any(run.ending == "running" for run in Store(home / "records.sqlite").runs())


# -- in memory


def _child(words: list[str], told: Path, out: Path, prepare: Callable[[Any, dict[str, Any]], None]) -> None:
    """Run one command as the program does; write what `prepare` let be noted."""
    seen: dict[str, Any] = {}
    real = simulators.entry.open_bench

    def open_bench(options: Mapping[str, object]) -> OpenedSimulation:
        opened = real(options)
        prepare(opened.simulated_bench, seen)
        seen["simulated_bench"] = opened.simulated_bench
        return opened

    simulators.entry.open_bench = open_bench
    os.dup2(os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
    os.dup2(os.open(f"{out}.err", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    sys.argv = ["benchrig", *words, "--simulated"]
    leave = os._exit

    def left_with(status: int) -> None:
        simulated_bench = seen.pop("simulated_bench", None)
        if simulated_bench is not None:
            seen.update(left=simulated_bench.board.outputs, ended_s=simulated_bench.now_s)
        told.write_text(json.dumps({**seen, "status": status}))
        leave(0)

    os._exit = left_with  # type: ignore[assignment]  # what the program ends with
    program()


def _in_memory(words: list[str], home: Path, prepare: Callable[[Any, dict[str, Any]], None]) -> dict[str, Any]:
    pid = os.fork()
    if pid == 0:
        os.environ["BENCHRIG_HOME"] = str(home)
        try:
            stop_requests.listen()
            _child(words, home / "told", home / "out", prepare)
        finally:
            os._exit(0)
    os.waitpid(pid, 0)
    told = home / "told"
    return json.loads(told.read_text()) if told.exists() else {}


def changes_s(command: str) -> list[float]:
    """The instants at which the outputs change in an undisturbed run, its start before them and its end after."""

    def prepare(simulated_bench: Any, seen: dict[str, Any]) -> None:
        seen["changes"] = []
        simulated_bench.on_change = lambda t_s, _outputs, _cause: seen["changes"].append(t_s)

    with tempfile.TemporaryDirectory() as folder:
        found = _in_memory(COMMANDS[command], Path(folder), prepare)
    if found.get("status") != 0:
        raise SystemExit(f"{command}: the undisturbed run ended with {found}")
    return [0.0, *found["changes"], found["ended_s"]]


def memory_case(case: Case) -> Told:
    """Signal a copy of this process by the clock of its bench."""

    def prepare(simulated_bench: Any, seen: dict[str, Any]) -> None:
        seen.update(signalled_s=None, off_s=None, on=False, cause=0)

        def send() -> None:
            if seen["signalled_s"] is None:
                seen["signalled_s"], seen["on"] = simulated_bench.now_s, bool(simulated_bench.board.outputs)
            os.kill(os.getpid(), getattr(signal, case.signal))

        def changed(t_s: float, outputs: int, cause: int) -> None:
            seen["cause"] = seen["cause"] or cause
            if seen["signalled_s"] is not None and not outputs and seen["off_s"] is None:
                seen["off_s"] = t_s

        simulated_bench.on_change = changed
        for offset in SHAPES[case.shape]:
            simulated_bench.at(case.at_s + offset, send)

    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        seen = _in_memory(COMMANDS[case.command], home, prepare)
        signalled_s, off_s = seen.get("signalled_s"), seen.get("off_s")
        return Told(
            signalled_s is not None,
            bool(seen.get("on")),
            None if signalled_s is None or off_s is None else off_s - signalled_s,
            bool(seen.get("left")),
            bool(seen.get("cause")),
            seen.get("status", -1),
            (home / "out").read_text(errors="replace"),
            (home / "out.err").read_text(errors="replace"),
            left_open(home),
        )


# -- served


class Served:
    """Served instruments, and what they say about their outputs as it happens."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "benchrig", "simulate", "--folder", str(folder)]
        self._program = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        self.bench = folder / "bench.toml"
        self.changes: list[tuple[float, str]] = []
        self.changed = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        give_up = time.monotonic() + GIVE_UP_S
        while not self.bench.exists() or not self.bench.stat().st_size:
            if time.monotonic() > give_up:
                raise SystemExit("the simulated instruments do not come up")
            time.sleep(0.05)

    def _read(self) -> None:
        assert self._program.stdout is not None
        for line in self._program.stdout:
            if "outputs" in line:
                with self.changed:
                    self.changes.append((time.monotonic(), line))
                    self.changed.notify_all()

    def off_after(self, instant: float) -> float | None:
        """When the outputs went off after an instant; None when they are on to this day."""
        return next((at for at, line in self.changes if at >= instant and "all outputs off" in line), None)

    def close(self) -> None:
        self._program.send_signal(signal.SIGINT)
        self._program.wait(30)


def served_case(case: Case) -> Told:
    """The program itself against served instruments, signalled from outside."""
    with tempfile.TemporaryDirectory() as folder:
        home, rig = Path(folder) / "home", Path(folder) / "rig"
        home.mkdir()
        rig.mkdir()
        served = Served(rig)
        try:
            environment = {**os.environ, "BENCHRIG_HOME": str(home), "OPENBLAS_NUM_THREADS": "1"}
            command = [sys.executable, "-m", "benchrig", *COMMANDS[case.command], "--bench", str(served.bench)]
            with (home / "out").open("w") as out, (home / "err").open("w") as err:
                started = time.monotonic()
                host = subprocess.Popen(
                    command, stdin=subprocess.DEVNULL, stdout=out, stderr=err, env=environment, cwd=ROOT
                )
                with served.changed:
                    served.changed.wait_for(
                        lambda: len(served.changes) >= case.phase or host.poll() is not None, GIVE_UP_S
                    )
                began = started if case.phase == 0 or not served.changes else served.changes[-1][0]
                time.sleep(max(0.0, began + case.into_s - time.monotonic()))
                alive, on = host.poll() is None, bool(served.changes) and "outputs on" in served.changes[-1][1]
                first = time.monotonic()
                for offset in SHAPES[case.shape]:
                    time.sleep(max(0.0, first + offset - time.monotonic()))
                    with suppress(ProcessLookupError):
                        host.send_signal(getattr(signal, case.signal))
                status = host.wait(GIVE_UP_S)
            time.sleep(0.2)
            off = served.off_after(first)
            return Told(
                alive,
                on,
                None if off is None else off - first,
                bool(served.changes) and "outputs on" in served.changes[-1][1],
                any("tripped" in line for _, line in served.changes),
                status,
                (home / "out").read_text(errors="replace"),
                (home / "err").read_text(errors="replace"),
                left_open(home),
            )
        finally:
            served.close()


# -- all of them


def drawn(signals: int, seed: int, *, served: bool) -> list[Case]:
    """So many cases, the commands in turn, their phases at random."""
    draw = random.Random(seed)
    known = {name: changes_s(name) for name in COMMANDS}
    cases = []
    for number in range(signals):
        name = list(COMMANDS)[number % len(COMMANDS)]
        at_s = known[name]
        # The phase after the last change ends with the program itself, in real time: it may be over in a moment.
        long = [k for k in range(len(at_s) - 1) if at_s[k + 1] - at_s[k] > 1e-3 or (served and k == 0)]
        phase = draw.choice([k for k in long if not served or k < len(at_s) - 2] or [0])
        lasts_s = at_s[phase + 1] - at_s[phase]
        into_s = draw.uniform(FIRST_HEARD_S, STARTED_S) if served and phase == 0 else draw.uniform(0.0, lasts_s)
        cases.append(Case(name, phase, into_s, at_s[phase] + into_s, draw.choice(list(SHAPES)), draw.choice(SIGNALS)))
    return cases


def wrongs(told: Told) -> list[str]:
    """What should not be."""
    found = []
    if not told.signalled and told.status:
        found.append("ended by itself")
    if told.left_on:
        found.append("outputs left on")
    if told.tripped:
        found.append("board tripped by itself")
    if told.status not in (0, 3):
        found.append(f"status {told.status}")
    try:
        json.loads(told.said)
    except ValueError:
        found.append("no JSON on stdout")
    if "Traceback" in told.errors:
        found.append("traceback")
    if told.open_records:
        found.append("record not closed")
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--signals", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--served", action="store_true", help="Against served instruments, in real time.")
    parser.add_argument("--at-a-time", type=int, default=3, help="Served: so many benches side by side.")
    given = parser.parse_args()
    cases = drawn(given.signals, given.seed, served=given.served)
    if given.served:
        with ThreadPoolExecutor(given.at_a_time) as pool:
            found = list(pool.map(served_case, cases))
    else:
        found = [memory_case(case) for case in cases]
    tally: dict[str, Counter[str]] = {name: Counter() for name in COMMANDS}
    off_s: dict[str, list[float]] = {name: [0.0] for name in COMMANDS}
    odd = []
    for case, told in zip(cases, found, strict=True):
        tally[case.command]["signalled" if told.signalled else "over before"] += 1
        tally[case.command]["with outputs on"] += told.on
        if told.on and told.off_s is not None:
            off_s[case.command].append(told.off_s)
        for each in wrongs(told):
            tally[case.command][each] += 1
            odd.append(f"{case}: {each}; {told.errors.strip()[-200:]}")
    for name, counted in tally.items():
        print(f"{name}: {dict(counted)}; outputs off after at most {1000 * max(off_s[name]):.0f} ms")
    together = sum(tally.values(), Counter())
    slowest = max(max(each) for each in off_s.values())
    print(f"all: {dict(together)}; outputs off after at most {1000 * slowest:.0f} ms")
    print(*odd[:30], sep="\n")


if __name__ == "__main__":
    main()
