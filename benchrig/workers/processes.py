"""Workers of this computer: one process a core, one entry at a time each. Nothing that happens to one loses another.

No pool of the standard library is used: theirs give up as a whole when one process dies, and an entry that kills its
worker is the most interesting of all.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections.abc import Generator
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar

from benchrig.clock import Clock
from benchrig.workers.work import LONGEST_S, LOOK_S, Work

__all__ = ["usable_cores", "work_through"]

S = TypeVar("S")
E = TypeVar("E")
R = TypeVar("R")
FAILED_STARTS = 3
_STOPS = {getattr(signal, name) for name in ("SIGINT", "SIGHUP", "SIGQUIT", "SIGBREAK") if hasattr(signal, name)}
"""What a terminal sends to every process in it; the workers leave it to their master, who ends them."""


def usable_cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # macOS and Windows have none
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


@dataclass
class _Worker(Generic[E]):
    process: BaseProcess
    link: Connection
    entry: E | None = None
    since_s: float = 0.0


@dataclass
class _Lost:
    """What became of a worker that died or hung."""

    said: str


def work_through(work: Work[S, E, R], *, workers: int, clock: Clock) -> Generator[R | None, None, None]:
    """Take all entries through the task, so many at a time.

    Parameters
    ----------
    work : Work
        What is to be done to which entries.
    workers : int
        Processes.
    clock : Clock
        Tells when an entry takes too long.

    Yields
    ------
    object or None
        Each result as it comes, in any order; None now and then while nothing comes, so that a screen can refresh.
        A worker that dies or hangs gives a result by `work.lost`, and another takes its place.

    Raises
    ------
    RuntimeError
        The workers cannot even start.

    Notes
    -----
    Close the generator (or let Ctrl-C pass through it) and the workers end at once.
    """
    left = list(reversed(work.entries))
    alone = replace(work, entries=())
    crew: list[_Worker[E]] = []
    gone = done = 0
    try:
        crew = [_hire(alone) for _ in range(min(workers, len(left)))]
        for worker in crew:
            _give(worker, left, clock)
        while any(worker.entry is not None for worker in crew):
            ready = wait([worker.link for worker in crew if worker.entry is not None], timeout=LOOK_S)
            if not ready:
                yield None
            for number, worker in enumerate(crew):
                if worker.entry is None:
                    continue
                result = _result_of(worker, worker.link in ready, clock)
                if result is None:
                    continue
                if not isinstance(result, _Lost):
                    yield result
                    done += 1
                    _give(worker, left, clock)
                    continue
                yield work.lost(worker.entry, result.said)
                gone += 1
                if gone >= FAILED_STARTS and not done:
                    raise RuntimeError(f"the workers do not start: {result.said}")
                _dismiss(worker)
                if left:
                    crew[number] = _hire(alone)
                    _give(crew[number], left, clock)
                else:
                    worker.entry = None
    finally:
        for worker in crew:
            _dismiss(worker)


def _hire(work: Work[S, E, R]) -> _Worker[E]:
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_work, args=(there, work), daemon=True)
    # Ctrl-C goes to every process of the terminal; the workers are not to answer it, not even while they start.
    # Windows cannot hold it back: a worker that is just starting may then end with a traceback, as its master ends.
    mask = getattr(signal, "pthread_sigmask", None)
    before = None if mask is None else mask(signal.SIG_BLOCK, _STOPS)
    try:
        process.start()
    finally:
        if mask is not None:
            mask(signal.SIG_SETMASK, before)
    there.close()
    return _Worker(process, here)


def _give(worker: _Worker[E], left: list[E], clock: Clock) -> None:
    worker.entry, worker.since_s = (left.pop() if left else None), clock.now()
    if worker.entry is not None:
        with suppress(OSError):  # it has died meanwhile: its link says so when it is read
            worker.link.send(worker.entry)


def _result_of(worker: _Worker[E], ready: bool, clock: Clock) -> Any:
    """What the worker's task gave, `_Lost`, or None while it goes on."""
    if ready:
        try:
            return worker.link.recv()
        except (EOFError, OSError):
            worker.process.join(5.0)
            return _Lost(f"its process died ({_farewell(worker.process.exitcode)})")
    if clock.now() - worker.since_s > LONGEST_S:
        return _Lost(f"no end within {LONGEST_S:g} s of wall time")
    return None


def _farewell(code: int | None) -> str:
    if code is None:
        return "no status"
    with suppress(ValueError):
        if code < 0:
            return f"by {signal.Signals(-code).name}"
    return f"status {code}"


def _dismiss(worker: _Worker[E]) -> None:
    worker.link.close()
    if worker.process.is_alive():
        worker.process.terminate()
        worker.process.join(2.0)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()


def _work(link: Any, work: Work[S, E, R]) -> None:
    """In the worker: one entry after the other, until the link closes."""
    for each in _STOPS:
        signal.signal(each, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOPS)
    gc.disable()  # collected between entries instead of within them
    with suppress(EOFError, OSError):
        while True:
            entry = link.recv()
            link.send(work.done(entry))
            gc.freeze() if gc.get_freeze_count() == 0 else gc.collect()
