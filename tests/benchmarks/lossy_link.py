"""Whole runs over a line that spoils frames, against the same runs over a clean one; on the virtual clock.

    python tests/benchmarks/lossy_link.py --runs 500 --loss 0.2
    python tests/benchmarks/lossy_link.py --runs 100 --loss 0.2 --kinds lost
    python tests/benchmarks/lossy_link.py --runs 100 --loss 0.2 --kinds lost,damaged,repeated,delayed,overtaken

Each frame, either way, meets a mishap with the chance given: lost, one bit damaged, repeated, delayed by up to 0.2 s
(what follows waits behind it) or overtaken (delayed, and what follows passes it). A run must end with the verdict and
cause of the clean run, or with status 3. At the output pins it must make the clean run's changes, each once and in
order; a run that was broken off, the first of them and then only switching off. Runs that would never end are stopped
at 600 bench seconds and counted.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchrig.drivers.links import ByteLink
from firmware_protocol.frame import Decoder
from simulators.entry import OpenedSimulation
from simulators.world import MODELS
from tests.benchmarks.whole_run import Outcome, whole_run
from tests.drivers.fakes import LossyLink

KINDS = ("lost", "damaged", "repeated", "delayed")
DELAY_S = 0.2
LONGEST_S = 600.0
CONDITIONS = ("good", "open-coil", "shorted-turns", "stuck-closed", "stuck-open", "seat-leak", "restricted", "sluggish")
"""Those that are the same at any time; a joint that comes and goes does not give the same run twice."""


class BadLine(LossyLink):
    """A link on which each frame meets at most one mishap; counts them."""

    def __init__(self, opened: OpenedSimulation, seed: int, loss: float, kinds: tuple[str, ...]) -> None:
        super().__init__(opened.simulated_bench, seed, drop=0.0, damage=0.0, repeat=0.0, delay=0.0, delay_s=DELAY_S)
        self._loss, self._kinds = loss, kinds
        self.met: Counter[str] = Counter()

    def _mishap(self) -> str:
        self.met["frames"] += 1
        if self._random.random() >= self._loss:
            return ""
        kind = self._random.choice(self._kinds)
        self.met[kind] += 1
        return kind

    def _fates(self, data: bytes) -> tuple[float, list[bytes]]:
        return self._fate(self._mishap(), data)

    def _fate(self, kind: str, data: bytes) -> tuple[float, list[bytes]]:
        if kind == "lost":
            return 0.0, []
        if kind == "damaged":
            at = self._random.randrange(len(data))
            data = data[:at] + bytes([data[at] ^ (1 << self._random.randrange(8))]) + data[at + 1 :]
        delay_s = self._random.random() * DELAY_S if kind in ("delayed", "overtaken") else 0.0
        return delay_s, [data] * (2 if kind == "repeated" else 1)

    def write(self, data: bytes) -> None:
        kind = self._mishap()
        delay_s, copies = self._fate(kind, data)
        at_s = max(self._last_out_s, self._simulated_bench.now_s)
        if kind == "overtaken":
            at_s += delay_s
        else:
            at_s = self._last_out_s = max(at_s, self._simulated_bench.now_s + delay_s)
        for copy in copies:
            self._simulated_bench.at(at_s, lambda copy=copy: self._inner.write(copy))

    def read(self, deadline: float) -> bytes:
        if self._simulated_bench.now_s > LONGEST_S:
            raise TimeoutError("the run does not come to its end")
        return super().read(deadline)


class Repeats:
    """Looks over the board's shoulder: does a frame that was heard before change an output?"""

    def __init__(self, opened: OpenedSimulation) -> None:
        self._simulated_bench = opened.simulated_bench
        self._exchange = opened.simulated_bench.board_exchange
        self._decoder = Decoder()
        self._heard: dict[int, tuple[int, bytes]] = {}
        self.seen = 0
        self.acted: list[str] = []
        opened.simulated_bench.board_exchange = self.hear  # type: ignore[method-assign]  # a look at each frame

    def hear(self, data: bytes) -> bytes:
        self._simulated_bench.board.tick()  # what is due by itself comes first, and is nobody's repeat
        before = self._simulated_bench.board.outputs
        answer = self._exchange(data)
        frames = self._decoder.feed(data)
        old = [seq for seq, kind, body in frames if self._heard.get(seq) == (kind, body)]
        self.seen += len(old)
        if old and len(old) == len(frames) and self._simulated_bench.board.outputs & ~before:
            self.acted.append(f"{frames} at {self._simulated_bench.now_s:.3f} s")
        for seq, kind, body in frames:
            self._heard[seq] = (kind, body)
            self._heard.pop((seq + 100) % 256, None)  # numbers come again after 256
        return answer


def pulses_agree(clean: list[int], lossy: list[int], status: int) -> bool:
    """Whether the changes at the pins are the clean run's, or the first of them and then only switching off."""
    if status != 3:
        return lossy == clean
    same = 0
    while same < min(len(clean), len(lossy)) and clean[same] == lossy[same]:
        same += 1
    rest = [lossy[same - 1] if same else 0, *lossy[same:]]
    return all(not after & ~before for before, after in itertools.pairwise(rest))


def runs(count: int) -> Iterator[tuple[str, str, int]]:
    """Model, condition and seed of each run: each valve of the demonstration in turn."""
    for number in range(count):
        yield (
            MODELS[number % len(MODELS)],
            CONDITIONS[number // len(MODELS) % len(CONDITIONS)],
            number // (len(MODELS) * len(CONDITIONS)),
        )


def lossy(
    valve: tuple[str, str, int], line_seed: int, loss: float, kinds: tuple[str, ...]
) -> tuple[Outcome, BadLine, Repeats]:
    """One run over a bad line."""
    lines: list[BadLine] = []
    looks: list[Repeats] = []

    def link(opened: OpenedSimulation) -> ByteLink:
        looks.append(Repeats(opened))
        lines.append(BadLine(opened, line_seed, loss, kinds))
        return lines[0]

    outcome = whole_run(*valve, link=link)
    return outcome, lines[0], looks[0]


def study(count: int, loss: float, kinds: tuple[str, ...], first_seed: int) -> Counter[str]:
    """Do the runs; print what goes wrong as it comes; return the counts."""
    clean: dict[tuple[str, str, int], Outcome] = {}
    total: Counter[str] = Counter()
    for number, valve in enumerate(runs(count)):
        if valve not in clean:
            clean[valve] = whole_run(*valve)
        want = clean[valve]
        total["runs"] += 1
        try:
            got, line, look = lossy(valve, first_seed + number, loss, kinds)
        except TimeoutError as error:
            total["hangs"] += 1
            print(f"{valve} line {first_seed + number}: {error}", flush=True)
            continue
        total.update(line.met)
        total["repeats heard"] += look.seen
        total["repeats that switched on"] += len(look.acted)
        total["extra bench seconds"] += round(got.bench_seconds - want.bench_seconds)
        same = (got.status, got.verdict, got.cause) == (want.status, want.verdict, want.cause)
        total["as on the clean line" if same else "status 3" if got.status == 3 else "OTHER VERDICT"] += 1
        if not pulses_agree(want.pins.masks, got.pins.masks, got.status):
            total["OTHER CHANGES AT THE PINS"] += 1
            print(f"{valve} line {first_seed + number}: pins {want.pins.masks}\n  {got.pins.masks}", flush=True)
        if total["runs"] % 50 == 0:
            print(dict(total), flush=True)
        if not same or look.acted:
            print(
                f"{valve} line {first_seed + number}: {got.status} {got.verdict} {got.cause} {got.error}; "
                f"clean {want.status} {want.verdict} {want.cause} {look.acted}",
                flush=True,
            )
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--loss", type=float, default=0.2)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    began = time.process_time()
    total = study(options.runs, options.loss, tuple(options.kinds.split(",")), options.seed)
    for what, number in total.items():
        print(f"{what:28} {number:9,}")
    print(f"{time.process_time() - began:.0f} s of CPU")


if __name__ == "__main__":
    main()
