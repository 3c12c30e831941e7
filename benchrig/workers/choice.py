"""Where work is done: on a cluster when one is named, else over the cores of this computer."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TypeVar

from benchrig.clock import Clock
from benchrig.workers import processes
from benchrig.workers.cluster import Cluster, ClusterLost
from benchrig.workers.work import Work

__all__ = ["Workers", "chosen_workers"]

S = TypeVar("S")
E = TypeVar("E")
R = TypeVar("R")


@dataclass
class Workers:
    """Who does the work. `count` are processes here; `cluster` None for these alone."""

    count: int
    clock: Clock
    cluster: Cluster | None = None

    @property
    def at_once(self) -> int:
        """How many entries are worked on at a time."""
        return self.count if self.cluster is None else self.cluster.workers

    def work_through(
        self, work: Work[S, E, R], *, cluster_lost: Callable[[ClusterLost], object] = lambda _: None
    ) -> Generator[R | None, None, None]:
        """Take all entries through the task; what a cluster that went away leaves over is done here.

        Yields and raises as `processes.work_through` does. `cluster_lost` is told when that happens.
        """
        if self.cluster is not None:
            try:
                yield from self.cluster.work_through(work, clock=self.clock)
            except ClusterLost as error:
                cluster_lost(error)
                work = replace(work, entries=error.left)
            else:
                return
        yield from processes.work_through(work, workers=self.count, clock=self.clock)


@contextmanager
def chosen_workers(count: int | None, scheduler: str | None, clock: Clock) -> Iterator[Workers]:
    """The workers for a piece of work.

    Parameters
    ----------
    count : int or None
        Processes on this computer; None: one for each core.
    scheduler : str or None
        Address of a Dask scheduler, e.g. ``tcp://10.0.0.5:8786``; None: the work is done here.

    Raises
    ------
    ConfigError
        No such cluster, or it has another program: see `Cluster.reached`.
    """
    here = Workers(count or processes.usable_cores(), clock)
    if scheduler is None:
        yield here
    else:
        with Cluster.reached(scheduler) as cluster:
            yield replace(here, cluster=cluster)
