"""Stand-ins for the run of one valve. In a module of their own: workers are fresh interpreters and import them."""

from __future__ import annotations

import os
import signal
import time

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
