"""A meter that lies: does any lie become a verdict that the sound meter does not give?

    nice .venv/bin/python -m tests.benchmarks.bad_meter --cases 500

Each valve is measured with the sound meter and with one whose answers are changed in one of the ways of `LIES`. Counted
is what the change makes of the verdict: the same, none (status 3), undecided, or another one, which must not be.
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from benchrig.application.paths import demo_folder
from benchrig.bench.bench import Bench
from benchrig.bench.file import parse_bench_file
from benchrig.catalogue import Catalogue
from benchrig.drivers.links import TextLink
from benchrig.drivers.multimeter import Multimeter
from benchrig.drivers.relay_board import RelayBoard
from benchrig.errors import BenchError
from benchrig.sequencer.events import Intake
from benchrig.sequencer.operator import Silent
from benchrig.sequencer.run import qualify
from simulators.entry import open_bench
from tests.benchmarks.whole_run import NoStore

OVERLOADED = 9e37


def scaled(factor: float) -> Callable[[int, float], float]:
    return lambda _number, ohm: ohm if abs(ohm) > OVERLOADED else factor * ohm


LIES: dict[str, Callable[[int, float], float]] = {
    "negative": scaled(-1.0),
    "zero": lambda _number, _ohm: 0.0,
    "x 0.001": scaled(0.001),
    "x 0.05": scaled(0.05),
    "x 0.15": scaled(0.15),
    "x 0.35": scaled(0.35),
    "x 0.5": scaled(0.5),
    "x 0.8": scaled(0.8),
    "x 1.3": scaled(1.3),
    "x 2": scaled(2.0),
    "x 1000": scaled(1000.0),
    "5 ohm more": lambda _number, ohm: ohm if abs(ohm) > OVERLOADED else ohm + 5.0,
    "one stale of three": lambda number, ohm: 12.0 if number == 1 else ohm,
    "one stale overload": lambda number, ohm: 9.9e37 if number == 1 else ohm,
    "stuck at 24.5": lambda _number, _ohm: 24.5,
    "always overload": lambda _number, _ohm: 9.9e37,
    "drifts": lambda number, ohm: ohm if abs(ohm) > OVERLOADED else ohm * (1.0 + 0.1 * number),
}
VALVES = (
    "good",
    "shorted-turns",
    "high-resistance-joint",
    "joint-fails-warm",
    "open-coil",
    "stuck-closed",
    "seat-leak",
)


class LyingLink:
    """The meter's link, with the answers to ``FETC?`` changed."""

    def __init__(self, link: TextLink, lie: Callable[[int, float], float]) -> None:
        self._link, self._lie, self._asked, self._count = link, lie, "", 0
        self.name = link.name

    def write(self, line: str) -> None:
        self._asked = line
        self._link.write(line)

    def read(self, deadline: float) -> str | None:
        answer = self._link.read(deadline)
        if answer is None or self._asked != "FETC?":
            return answer
        changed = self._lie(self._count, float(answer))
        self._count += 1
        return f"{changed:+.8E}"

    def reopen(self) -> None:
        self._link.reopen()

    def close(self) -> None:
        self._link.close()


def verdict(valve: str, seed: int, lie: str | None) -> str:
    """The verdict with its cause; or why there is none."""
    model = Catalogue((demo_folder() / "models",)).get("alder-24")
    opened = open_bench({"model": "alder-24", "condition": valve, "seed": seed})
    meter = opened.meter_link if lie is None else LyingLink(opened.meter_link, LIES[lie])
    loaded = parse_bench_file(opened.bench_file, where="here")
    bench = Bench(loaded, opened.clock, RelayBoard(opened.board_link, opened.clock), Multimeter(meter, opened.clock))
    try:
        finished = qualify(
            bench,
            model,
            Intake("T", "alder-24", "core", "nobody", "", ""),
            sink=NoStore(),
            operator=Silent(opened.hands),
        )
    except BenchError as error:
        return f"status 3: {error}"
    return f"{finished.judgement.verdict} {finished.judgement.cause or ''}".strip()


def case(told: tuple[str, int, str | None]) -> tuple[tuple[str, int, str | None], str]:
    return told, verdict(*told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    draw = random.Random(given.seed)
    told = [
        (VALVES[n // len(LIES) % len(VALVES)], 1 + draw.randrange(12), list(LIES)[n % len(LIES)])
        for n in range(given.cases)
    ]
    sound = sorted({(valve, seed, None) for valve, seed, _ in told})
    with ProcessPoolExecutor(given.workers) as pool:
        found = dict(pool.map(case, [*sound, *told], chunksize=4))
    tally: dict[str, Counter[str]] = {lie: Counter() for lie in LIES}
    wrong = []
    for valve, seed, lie in told:
        truth, said = found[valve, seed, None], found[valve, seed, lie]
        if said.startswith("status 3"):
            kind = "status 3"
        elif said.startswith("undecided"):
            kind = "undecided"
        elif said.split()[0] == truth.split()[0]:
            kind = "same verdict"
            if said != truth:
                kind = "other cause"
        else:
            kind = "OTHER VERDICT"
        if kind in ("OTHER VERDICT", "other cause"):
            wrong.append(f"{valve} {seed}, {lie}: {truth} -> {said}")
        tally[lie][kind] += 1
    kinds = ("same verdict", "status 3", "undecided", "other cause", "OTHER VERDICT")
    print(f"{given.cases} cases, {len(sound)} valves")
    print("sound meter:", dict(Counter(found[each].split()[0] for each in sound)))
    print(f"{'lie':20}" + "".join(f"{kind:>15}" for kind in kinds))
    for lie, counted in tally.items():
        print(f"{lie:20}" + "".join(f"{counted[kind]:15d}" for kind in kinds))
    print("\n".join(sorted(set(wrong))[:40]))


if __name__ == "__main__":
    main()
