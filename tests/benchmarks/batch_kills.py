"""kill -9 at random instants of a batch: is all there that was reported as recorded, and does no half-run look whole?

    nice .venv/bin/python -m tests.benchmarks.batch_kills --kills 500 --seed 1
    nice .venv/bin/python -m tests.benchmarks.batch_kills --kills 500 --seed 2 --postgresql
    nice .venv/bin/python -m tests.benchmarks.batch_kills --kills 500 --seed 3 --delivery
    nice .venv/bin/python -m tests.benchmarks.batch_kills --kills 25 --seed 4 --whole

A copy of this process records run after run (`--whole`: takes simulated valves through `qualify --batch`) and says what
is recorded once the recorder has returned. It is killed after a random word and a random part of what comes between two
of them, most of which is committing. With `--postgresql` the victim is in turn the program, the server with all of its
processes, and both; the server keeps its promises of the disk. Then the store is opened again and looked at; in all of
it `records verify` has to find nothing. With `--delivery` the batch is recorded into a file and brought to the server
after each run: at the end each run has to be there once, in order. A kill ends programs and not the computer: what the
system has not written out yet is not lost by it.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from benchrig.errors import BenchError
from benchrig.records import Store
from benchrig.records.cut_off_runs import CUT_OFF
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.delivery.delivering import deliver
from benchrig.records.recorder import Recorder
from benchrig.sequencer.events import RunEnded, RunStarted, StepResult
from tests.postgresql import Cluster
from tests.reports.sample_record import ended, started, steps

KINDS = ("accept", "reject", "undecided", "aborted")
RUNS = 3
"""In one batch: as many as are killed on the way to its end, or just after it."""
_RUNS = "SELECT start_digest, end_digest FROM runs ORDER BY id"
WORDS = {kind: len(steps(kind)) + 2 for kind in KINDS}
SLOWEST_S = 60.0
_SHORT = {kind: tuple(replace(each, traces=each.traces[:1]) for each in steps(kind)) for kind in KINDS}
"""With one trace a step: packing traces would be most of the time, and that is not what is looked at."""


@dataclass
class Told:
    """What one program said of one run: `number` empty when it said nothing of it yet."""

    steps: list[str] = field(default_factory=list)
    ending: str = ""


def telling(mouth: int) -> None:
    """Let each recorder of this process say what it has recorded, once it has."""

    def say(*what: str) -> None:
        os.write(mouth, (json.dumps(what) + "\n").encode())

    began, kept, closed = Recorder.run_started, Recorder.step_finished, Recorder.run_ended

    def run_started(self: Recorder, run: RunStarted) -> str:
        number = began(self, run)
        say("began", number)
        return number

    def step_finished(self: Recorder, step: StepResult) -> None:
        kept(self, step)
        say("step", step.name)

    def run_ended(self: Recorder, end: RunEnded) -> None:
        closed(self, end)
        say("ended", end.ending)

    Recorder.run_started, Recorder.step_finished, Recorder.run_ended = run_started, step_finished, run_ended  # type: ignore[method-assign]


def quick_batch(place: StorePlace, seed: int, shared: StorePlace | None = None) -> None:
    """Made-up runs, one after the other, of all kinds; each brought to the shared store where there is one."""
    choose = random.Random(seed)
    store = Store(place)
    for number in range(RUNS):
        kind = choose.choice(KINDS)
        recorder = store.recorder()
        recorder.run_started(started(f"T-{seed}-{number}"))
        for each in _SHORT[kind]:
            recorder.step_finished(each)
        recorder.run_ended(ended(kind, _SHORT[kind]))
        if shared is not None:
            with suppress(BenchError):  # the server is away: it waits here
                deliver(store, Store(shared))


def whole_batch(place: StorePlace, seed: int) -> None:
    """Simulated valves through the command, with a hand scanner's input."""
    from click.testing import CliRunner

    from benchrig.cli import cli

    os.environ["BENCHRIG_HOME"] = str(place.beside.parent)
    scans = "".join(f"T-{seed}-{number}\n\n" for number in range(RUNS)) + "q\n"
    CliRunner().invoke(cli, ["qualify", "--batch", "--simulated", "--model", "alder-24"], input=scans)


class Study:
    """One store that survives all kills, and what was found in it."""

    def __init__(
        self,
        place: StorePlace,
        seed: int,
        *,
        batch: Callable[[StorePlace, int], None] = quick_batch,
        server: Cluster | None = None,
        shared: StorePlace | None = None,
    ) -> None:
        self.place = place
        self.choose = random.Random(seed)
        self.batch = batch
        self.server = server
        self.shared = shared
        self.victims: Counter[str] = Counter()
        self.endings: Counter[str] = Counter()
        self.faults: list[str] = []
        self.words = self.left_over = 0
        self.seen: set[str] = set()
        Store(place)

    def kill_once(self, number: int) -> None:
        """One batch, its end by force, and a look at what it left."""
        after = self.choose.randrange(RUNS * max(WORDS.values()))
        wait_part = self.choose.random()
        victim = self.choose.choice(("program", "server", "both")) if self.server is not None else "program"
        ear, mouth = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(ear)
            null = os.open(os.devnull, os.O_RDWR)
            os.dup2(null, 1)
            os.dup2(null, 2)
            try:
                telling(mouth)
                self.batch(self.place, number)
            except BaseException as error:  # noqa: BLE001  # the parent is to hear of it
                what = "told" if isinstance(error, BenchError) else "not told"
                os.write(mouth, (json.dumps([what, f"{type(error).__name__}: {error}"]) + "\n").encode())
            os._exit(0)
        os.close(mouth)
        said = self._kill(child, ear, after, wait_part, victim)
        self.victims[victim] += 1
        self._look(number, said, victim)

    def _kill(self, child: int, ear: int, after: int, wait_part: float, victim: str) -> list[list[str]]:
        said: list[list[str]] = []
        with os.fdopen(ear, encoding="utf-8") as file:
            began_s = last_s = time.monotonic()
            gaps = [0.02]
            for line in file:
                now_s = time.monotonic()
                said.append(json.loads(line))
                gaps.append(now_s - last_s)
                last_s = now_s
                if len(said) > after or now_s - began_s > SLOWEST_S:
                    break
            time.sleep(wait_part * 1.5 * sorted(gaps)[len(gaps) // 2])
            if victim != "program":
                assert self.server is not None
                self.server.kill()
            if victim != "server":
                os.kill(child, signal.SIGKILL)
            if victim != "program":
                assert self.server is not None
                self.server.start()
            said += [json.loads(line) for line in file]  # what was under way when it died
        os.waitpid(child, 0)
        return said

    def _look(self, number: int, said: list[list[str]], victim: str) -> None:
        told: dict[str, Told] = {}
        current = ""
        for what, value in said:
            self.words += 1
            if what == "began":
                current = value
                told[current] = Told()
                if value in self.seen:
                    self._fault(number, f"run number {value} was given out twice")
            elif what == "step":
                told[current].steps.append(value)
            elif what == "ended":
                told[current].ending = value
            elif victim == "program" or what == "not told":
                self._fault(number, f"the batch itself failed: {value}")
        store = Store(self.place)
        there = {each.run for each in store.runs(limit=4 * RUNS)} - self.seen
        for run in sorted(there | set(told)):
            self.seen.add(run)
            self._look_at_run(number, store, run, told.get(run))
        left = [each.name for each in self.place.beside.parent.iterdir() if each.suffix in (".lock", ".spare", ".part")]
        if left:
            self._fault(number, f"files left over: {left}")

    def _look_at_run(self, number: int, store: Store, run: str, told: Told | None) -> None:
        try:
            record = store.run(f"run:{run}")
        except BenchError as error:
            self._fault(number, f"run {run}, told as {told}: {error}")
            return
        told = told if told is not None else Told()
        there = [step.name for step in record.steps]
        if there[: len(told.steps)] != told.steps or len(there) > len(told.steps) + 1:
            self._fault(number, f"run {run}: told {told.steps}, there {there}")
        if told.ending and record.ending != told.ending:
            self._fault(number, f"run {run}: told {told.ending}, there {record.ending}")
        cut_off = record.error == CUT_OFF
        whole = cut_off or record.ending == "aborted" or {"ready", "coil", "hold", "flow", "clicks"} <= set(there)
        if record.ending == "running" or (told.ending and cut_off) or not whole or (cut_off and record.judgement):
            self._fault(number, f"run {run}: {record.ending}, {record.error!r}, with {there}, told {told}")
        if record.seal is None or record.seal.state != "sealed":
            self._fault(number, f"run {run}: seal {record.seal}")
        self.endings["cut off" if cut_off else record.ending] += 1

    def verify(self) -> None:
        """All of the store against its seals."""
        for fault in Store(self.place).verify().faults:
            self.faults.append(f"verify: {fault.how} {fault.what}: {fault.says}")
        if self.shared is not None:
            self._look_at_delivery(self.shared)

    def _look_at_delivery(self, place: StorePlace) -> None:
        """What is left is brought over; then each run is there once, in order, and nothing waits."""
        own, shared = Store(self.place), Store(place)
        self.left_over += deliver(own, shared).runs
        digests = []
        for store in (own, shared):
            with store.reading() as connection:
                digests.append(connection.exec_driver_sql(_RUNS).all())
        if digests[0] != digests[1]:
            self.faults.append(f"delivered: {len(digests[1])} runs on the server, {len(digests[0])} here, or not alike")
        if deliver(own, shared).entries:
            self.faults.append("delivered: something was brought over twice")
        for fault in shared.verify().faults:
            self.faults.append(f"verify on the server: {fault.how} {fault.what}: {fault.says}")

    def _fault(self, number: int, said: str) -> None:
        self.faults.append(f"kill {number}: {said}")

    def said(self) -> str:
        """The figures so far."""
        return (
            f"{self.victims.total()} kills ({_list(self.victims)}), {len(self.seen)} runs ({_list(self.endings)}), "
            f"{self.words} words of what was recorded, "
            f"{f'{self.left_over} runs left over by deliveries, ' if self.shared else ''}{len(self.faults)} faults"
        )


def _list(counted: Counter[str]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counted.most_common())


def study(
    kills: int,
    seed: int,
    *,
    postgresql: bool = False,
    delivery: bool = False,
    whole: bool = False,
    say: Callable[[Any], None] = print,
) -> Study:
    """So many kills in a store of their own."""
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(Cluster(durable=True)) if postgresql or delivery else None
        there = None if server is None else place_named(server.new_schema(), home)
        here = StorePlace(home / "records.sqlite")
        if delivery and there is not None:
            Store(there)
            done = Study(here, seed, batch=functools.partial(quick_batch, shared=there), server=server, shared=there)
        else:
            done = Study(there or here, seed, batch=whole_batch if whole else quick_batch, server=server)
        for number in itertools.count():
            if number == kills:
                break
            done.kill_once(number)
            if number % 50 == 49:
                done.verify()
                say(done.said())
        done.verify()
    return done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--postgresql", action="store_true", help="A server of its own, which is killed as well.")
    parser.add_argument("--delivery", action="store_true", help="Into a file, and from there to such a server.")
    parser.add_argument("--whole", action="store_true", help="The whole command on the simulated bench.")
    given = parser.parse_args()
    done = study(given.kills, given.seed, postgresql=given.postgresql, delivery=given.delivery, whole=given.whole)
    print(done.said())
    for fault in done.faults:
        print(f"  {fault}")
    if done.faults:
        sys.exit("records were lost, or are not what was told")


if __name__ == "__main__":
    main()
