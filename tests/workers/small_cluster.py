"""A Dask cluster on this computer's loopback: a scheduler and a few workers as programs of their own, without dashboard
and nanny."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.helpers import REPOSITORY, absent

START_S = 240.0


@dataclass
class SmallCluster:
    """Scheduler and workers."""

    folder: Path
    scheduler: subprocess.Popen[bytes]
    address: str
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_worker(
        self, python: str = sys.executable, threads: int = 1, *, bare: bool = False
    ) -> subprocess.Popen[bytes]:
        """Start one more; a bare one does not find this checkout."""
        options = ["--no-nanny", "--no-dashboard", "--nthreads", str(threads), "--host", "127.0.0.1"]
        command = [*_dask(python), "worker", self.address, *options, "--local-directory", str(self.folder)]
        self.workers.append(_started(command, self.folder, {} if bare else {"PYTHONPATH": str(REPOSITORY)}))
        return self.workers[-1]

    def wait_for_workers(self, count: int) -> None:
        """Return when the scheduler knows so many."""
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=START_S)

    def end(self) -> None:
        """End all of it."""
        for each in (*self.workers, self.scheduler):
            each.kill()
            each.wait()


@contextmanager
def small_cluster(
    folder: Path, workers: int = 2, *, threads: int = 1, allowed_failures: int = 3
) -> Iterator[SmallCluster]:
    """Start one; skips the test where the library is not installed.

    `allowed_failures`: how many workers may die over an entry before the next one is its last.
    """
    try:
        import distributed  # noqa: F401
    except ModuleNotFoundError:
        absent("dask distributed is not installed")
    folder.mkdir(parents=True, exist_ok=True)
    told = folder / "scheduler.json"
    options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(told)]
    more = {"PYTHONPATH": str(REPOSITORY), "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(allowed_failures)}
    scheduler = _started([*_dask(sys.executable), "scheduler", *options], folder, more)
    cluster = SmallCluster(folder, scheduler, "")
    try:
        deadline = time.monotonic() + START_S  # noqa: TID251  # another program's start is waited for
        while not cluster.address:
            assert scheduler.poll() is None, (folder / "log").read_text()
            assert time.monotonic() < deadline, "the scheduler does not start"  # noqa: TID251
            time.sleep(0.05)  # noqa: TID251
            if told.exists() and (text := told.read_text()).strip().endswith("}"):
                cluster.address = json.loads(text)["address"]
        for _ in range(workers):
            cluster.add_worker(threads=threads)
        if workers:
            cluster.wait_for_workers(workers)
        yield cluster
    finally:
        cluster.end()


def _dask(python: str) -> list[str]:
    return [python, "-m", "dask"]


def _started(command: list[str], folder: Path, more: dict[str, str]) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **more}
    with (folder / "log").open("ab") as log:
        return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment, cwd=folder)
