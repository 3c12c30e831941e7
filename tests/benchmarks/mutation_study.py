"""Change the program in one place at a time and see whether its tests notice.

Each entry of `mutations.MUTATIONS` names a file, a text in it, what takes its place, and the tests that should fail
then. The change is made in a temporary copy of the work tree; the quick tests run first, the slow ones only if those
saw nothing. A test that fails must pass on the unchanged program, or the entry counts as an error; so does an entry
whose text is not in its file exactly once.

Run from the top of the tree:  python tests/benchmarks/mutation_study.py [--list] [--only NAME] [--quick] [--jobs 2]
Exit status 0: all were killed; 1: some survived; 2: some could not be tried.
"""

from __future__ import annotations

import argparse
import itertools
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from queue import Queue

from mutations import MUTATIONS, Mutation

TOP = Path(__file__).resolve().parents[2]
LONGEST_S = 300
"""A change can make the program run for ever: that is noticed too."""
ALL_PASSED, SOME_FAILED, NONE_CHOSEN = 0, 1, 5
"""What pytest says by its exit status; any other means that it could not run the tests."""


@dataclass(frozen=True)
class Outcome:
    """What became of one mutation: killed, survived, or an error with its reason."""

    mutation: Mutation
    what: str
    by: str = ""
    seconds: float = 0.0


@dataclass
class Copies:
    """Copies of the work tree, one a worker, and what is known of the tests on the unchanged program."""

    folder: Path
    idle: Queue[Path] = field(default_factory=Queue)
    sound: dict[tuple[str, str], tuple[str, ...] | None] = field(default_factory=dict)
    """What fails without any change, by file of tests and speed; None: they do not run at all."""
    lock: threading.Lock = field(default_factory=threading.Lock)

    def make(self, count: int) -> None:
        listed = subprocess.run(
            ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
            cwd=TOP, check=True, capture_output=True, text=True,
        ).stdout.splitlines()  # fmt: skip
        for number in range(count):
            copy = self.folder / f"copy-{number}"
            for name in listed:
                if (TOP / name).is_file():
                    (copy / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(TOP / name, copy / name)
            # what is compiled is held against the text at each import, not against its date: two changes may share it
            compiled = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "."]
            subprocess.run(compiled, cwd=copy, check=False, capture_output=True)
            self.idle.put(copy)


def run_tests(copy: Path, chosen: list[str]) -> tuple[int, tuple[str, ...]]:
    """Run tests in a copy; return pytest's exit status and the names of those that failed, or what it said instead."""
    env = {**os.environ, "PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--tb=no", "-rfE", *chosen]
    try:
        done = subprocess.run(
            command, cwd=copy, env=env, capture_output=True, text=True, timeout=LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        return SOME_FAILED, (f"(longer than {LONGEST_S} s)",)
    found = re.findall(r"^(?:FAILED|ERROR) (\S+(?:\[.*?\])?)(?: - .*)?$", done.stdout, re.MULTILINE)
    return done.returncode, tuple(found) or (done.stdout[-300:],)


def passes_unchanged(copies: Copies, copy: Path, test: str, speed: str) -> bool:
    """Whether a test passes on the unchanged program: quick ones are tried a file at a time, once."""
    chosen = test if speed == "slow" else test.partition("::")[0]
    with copies.lock:
        known = (chosen, speed) in copies.sound
    if not known:
        status, failed = run_tests(copy, ["-m", speed, chosen])
        with copies.lock:
            copies.sound[chosen, speed] = failed if status == SOME_FAILED else () if status == ALL_PASSED else None
    failing = copies.sound[chosen, speed]
    return failing is not None and test not in failing


def tried(mutation: Mutation, copies: Copies, *, quick: bool) -> Outcome:
    """Make the change in one copy, run its tests there, and take the change back."""
    copy = copies.idle.get()
    path = copy / mutation.file
    began_s = time.perf_counter()

    def outcome(what: str, by: str = "") -> Outcome:
        return Outcome(mutation, what, by, time.perf_counter() - began_s)

    try:
        before = path.read_text(encoding="utf-8") if path.is_file() else ""
        count = before.count(mutation.old)
        if count != 1:
            return outcome("does not apply", f"its text is {count} times in {mutation.file}")
        by = ""
        try:
            path.write_text(before.replace(mutation.old, mutation.new), encoding="utf-8")
            speeds = ("not slow",) if quick or mutation.quick else ("not slow", "slow")
            for speed, chosen in itertools.product(speeds, mutation.tests):
                status, (by, *_) = run_tests(copy, ["-x", "-m", speed, chosen])
                if status not in (ALL_PASSED, NONE_CHOSEN):
                    break
            else:
                return outcome("survived")
        finally:
            path.write_text(before, encoding="utf-8")
        if status != SOME_FAILED:
            return outcome("does not run", by)
        if by.startswith("("):
            return outcome("killed", by)
        known = passes_unchanged(copies, copy, by, speed)
        return outcome("killed" if known else "does not run", by if known else f"{by} fails without the change too")
    finally:
        copies.idle.put(copy)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--list", action="store_true", help="print the list and stop")
    parser.add_argument("--only", action="append", default=[], metavar="NAME", help="only those with this in the name")
    parser.add_argument("--quick", action="store_true", help="quick tests only")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    names = [each.name for each in MUTATIONS]
    assert len(set(names)) == len(names), "two mutations of one name"
    wanted = [each for each in MUTATIONS if not given.only or any(part in each.name for part in given.only)]
    if given.list:
        for each in wanted:
            print(f"{each.name:58} {each.file}")
        print(f"{len(wanted)} mutations")
        return 0
    if not wanted:
        print("no mutation has that in its name", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copies = Copies(Path(folder))
        copies.make(given.jobs)
        outcomes = []
        with ThreadPoolExecutor(given.jobs) as pool:
            for each in pool.map(lambda one: tried(one, copies, quick=given.quick), wanted):
                outcomes.append(each)
                print(f"{each.what:14} {each.mutation.name:58} {each.seconds:5.1f} s  {each.by}", flush=True)
    counted = {what: sum(each.what == what for each in outcomes) for what in sorted({each.what for each in outcomes})}
    print(f"{len(outcomes)} mutations: " + ", ".join(f"{count} {what}" for what, count in counted.items()))
    if set(counted) - {"killed", "survived"}:
        return 2
    return 1 if "survived" in counted else 0


if __name__ == "__main__":
    sys.exit(main())
