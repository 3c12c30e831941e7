"""Stand-ins for the run of one valve. In a module of their own: workers are fresh interpreters and import them."""

from __future__ import annotations

import os
import signal
import time
from typing import Any

from benchrig.rehearsal.one_valve import RehearsalSettings, Result
from benchrig.rehearsal.plan import Entry


def finishes(setting: RehearsalSettings, entry: Entry) -> Result:
    return Result(entry, "bench fault", said=f"seed {entry.seed}")


def kills_itself_at_three(setting: RehearsalSettings, entry: Entry) -> Result:
    if entry.index == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return finishes(setting, entry)


def always_dies(setting: RehearsalSettings, entry: Entry) -> Result:
    os._exit(7)


def hangs_at_one(setting: RehearsalSettings, entry: Entry) -> Result:
    if entry.index == 1:
        time.sleep(3600)  # noqa: TID251  # a hang that is not of our bench
    return finishes(setting, entry)


def kills_itself_at_three_and_hangs_at_one(setting: RehearsalSettings, entry: Entry) -> Result:
    return hangs_at_one(setting, entry) if entry.index == 1 else kills_itself_at_three(setting, entry)


def fails_at_three(setting: RehearsalSettings, entry: Entry) -> Result:
    if entry.index == 3:
        return Result(entry, "bench fault", said=str(1 / 0))
    return finishes(setting, entry)


def takes_a_moment(setting: RehearsalSettings, entry: Entry) -> Result:
    time.sleep(0.05)  # noqa: TID251  # work, for this purpose
    return finishes(setting, entry)


_running: list[int] = []


def how_many_at_once(setting: RehearsalSettings, entry: Entry) -> Result:
    _running.append(entry.index)
    time.sleep(0.05)  # noqa: TID251  # long enough to be met by another thread
    count = len(_running)
    _running.remove(entry.index)
    return Result(entry, "bench fault", said=str(count))


def fetched_by(number: int) -> tuple[int, int]:
    return number, os.getpid()


def where_am_i(setting: RehearsalSettings, fetched: tuple[int, int]) -> tuple[int, int, int]:
    return (*fetched, os.getpid())


def nowhere(number: int, said: str) -> tuple[int, int, int]:
    raise AssertionError(f"{number} was lost: {said}")


def tasks_left(dask_scheduler: Any) -> int:
    """In the scheduler."""
    return len(dask_scheduler.tasks)
