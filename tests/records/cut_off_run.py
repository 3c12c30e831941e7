"""Run by a test in a process of its own: record up to the named step, say so, then vanish or wait to be killed."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from benchrig.records import Store
from tests.reports.sample_record import started, steps


def main(store: Path, last: str, then: str) -> None:
    recorder = Store(store).recorder()
    print(recorder.run_started(started()), flush=True)
    for step in steps("accept"):
        recorder.step_finished(step)
        if step.name == last:
            break
    print("recorded", flush=True)
    if then == "vanish":
        os._exit(9)
    sys.stdin.readline()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
