"""Workers elsewhere: a Dask cluster (distributed) that is already there, named by its scheduler's address.

Nothing is lost with a worker that dies: the scheduler gives what it had to another one. What is sent is pickled here
and unpickled in the worker, so that the scheduler only hands on bytes.
"""

from __future__ import annotations

import logging
import pickle
import platform
import queue
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeVar

from benchrig.clock import Clock
from benchrig.errors import BenchError, ConfigError
from benchrig.workers.same_program import program
from benchrig.workers.work import LONGEST_S, LOOK_S, Work

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["Cluster", "ClusterLost"]

S = TypeVar("S")
E = TypeVar("E")
R = TypeVar("R")
ANSWER_S = 10.0
"""How long the scheduler may take to answer."""
AHEAD = 3
"""So many entries are under way for each worker: one at work, the next ones there before it is asked for them."""
COUNT_S = 20.0
"""How often the workers are counted: some may have come or gone."""
_ONE_AT_A_TIME = threading.Lock()
"""In a worker: more threads than one would share one interpreter, and the program is made for one thread."""


class ClusterLost(BenchError):
    """The cluster cannot go on; the results that came before stand. `left` are the entries that are not done."""

    def __init__(self, message: str, *, hint: str, left: list[Any]) -> None:
        super().__init__(message, hint=hint)
        self.left = left


class OtherProgram(Exception):
    """In a worker: its program is not the one that the work came from."""


@dataclass
class Cluster:
    """A cluster that was reached, with the same program on all of it. Get one from `reached`."""

    address: str
    client: Client
    workers: int
    """Processes, at the last look; they may come and go."""
    _hanging: set[str] = field(default_factory=set)

    @classmethod
    @contextmanager
    def reached(cls, address: str) -> Iterator[Cluster]:
        """Connect to a scheduler, and look at its workers before any work is given.

        Raises
        ------
        ConfigError
            The library is not installed; no scheduler answers there; it has no workers; or scheduler or workers have
            no benchrig, or another program than this one (all of them are named).
        """
        client = _client(address)
        try:
            count = len(client.nthreads())
            if not count:
                raise ConfigError(
                    f"The Dask scheduler {address} has no workers.", hint=f"Start some: 'dask worker {address}'."
                )
            _check(client, address)
            yield cls(address, client, count)
        finally:
            with suppress(OSError, RuntimeError, TimeoutError):
                client.close(timeout=2)

    def work_through(self, work: Work[S, E, R], *, clock: Clock) -> Generator[R | None, None, None]:
        """Take all entries through the task. Yields as `processes.work_through` does.

        Raises
        ------
        ClusterLost
            The scheduler went away, all workers did, or one of them has another program.

        Notes
        -----
        Close the generator (or let Ctrl-C pass through it) and what has not been begun is cancelled.
        """
        left, suspects, alone = deque(work.entries), deque[E](), False
        under_way: dict[Future[bytes], E] = {}
        ended: queue.SimpleQueue[Future[bytes]] = queue.SimpleQueue()
        here = program()
        heard_s = counted_s = clock.now()
        try:
            while True:
                if clock.now() - counted_s > COUNT_S:
                    self.workers, counted_s = max(1, self._count()), clock.now()
                while left and len(under_way) < AHEAD * self.workers:
                    entry = left[0]
                    cargo = pickle.dumps((work.task, work.setting, work.fetched(entry)), protocol=5)
                    future = self.client.submit(_done_there, here, cargo, pure=False, workers=self._sound())
                    under_way[future] = left.popleft()
                    future.add_done_callback(ended.put)
                if not under_way and suspects:
                    left.append(suspects.popleft())
                    alone = True
                    continue
                if not under_way:
                    return
                try:
                    future = ended.get(timeout=LOOK_S)
                except queue.Empty:
                    if clock.now() - heard_s > LONGEST_S:
                        hung = self._hung(under_way)
                        yield from (work.lost(entry, f"no end within {LONGEST_S:g} s of wall time") for entry in hung)
                        left.extendleft(entry for entry in under_way.values() if entry not in hung)
                        under_way.clear()
                        heard_s = clock.now()
                    else:
                        yield None
                    continue
                if future not in under_way:
                    continue  # it was given up
                result, failed, died = self._result(future)
                entry = under_way.pop(future)
                heard_s = clock.now()
                if died and not alone:  # it, or one that waited beside it: at the end each is tried by itself
                    suspects.append(entry)
                else:
                    yield work.lost(entry, failed) if failed else result
        except _Trouble as trouble:
            raise ClusterLost(
                trouble.said, hint=trouble.hint, left=[*under_way.values(), *left, *suspects]
            ) from trouble
        finally:
            if under_way:
                with suppress(OSError, RuntimeError, TimeoutError):
                    self.client.cancel(list(under_way), force=True)

    def _result(self, future: Future[bytes]) -> tuple[Any, str, bool]:
        """What a task gave, or what became of it, and whether workers died over it."""
        from distributed import KilledWorker

        try:
            result, failed = pickle.loads(future.result(timeout=ANSWER_S))
        except KilledWorker as error:
            return None, f"{error.allowed_failures + 1} workers died over it", True
        except Exception as error:
            if future.status == "error":  # not the task's: that is in `failed`
                said = f"a worker that came later cannot do the work: {_short(error)}"
                raise _Trouble(f"Dask cluster {self.address}: {said}.", _SAME_PROGRAM) from error
            raise self._away() from error
        return result, failed, False

    def _away(self) -> _Trouble:
        return _Trouble(
            f"The Dask scheduler {self.address} went away, or cancelled what it was given.",
            "Does it still run? Is the network there?",
        )

    def _count(self) -> int:
        try:
            return len(self.client.nthreads())
        except (OSError, TimeoutError, RuntimeError) as error:
            raise self._away() from error

    def _sound(self) -> list[str] | None:
        """The workers that may be given something; None for all."""
        return [each for each in self.client.nthreads() if each not in self._hanging] if self._hanging else None

    def _hung(self, under_way: dict[Future[bytes], E]) -> list[E]:
        """Nothing has come for a long time: the entries that hang. What waits behind them is to be given to others."""
        if not self._count():
            raise _Trouble(
                f"The Dask scheduler {self.address} has had no workers for {LONGEST_S:g} s.",
                f"Start some: 'dask worker {self.address}'.",
            )
        of_key = {future.key: entry for future, entry in under_way.items()}
        found = []
        for worker, stacks in self.client.call_stack(list(under_way)).items():
            for key, stack in stacks.items():
                if _done_there.__name__ not in stack[-1]:  # else it waits for its turn
                    self._hanging.add(worker)
                    found.append(of_key[key])
        if not found:
            said = f"The workers of the Dask cluster {self.address} have given nothing for {LONGEST_S:g} s."
            raise _Trouble(said, "Are they busy with somebody else's work?")
        self.client.cancel(list(under_way), force=True)
        if not self._sound():
            raise _Trouble(f"All workers of the Dask cluster {self.address} hang.", "Look at them: 'top', their logs.")
        return found


class _Trouble(Exception):
    """Why a cluster cannot go on, and what to look at."""

    def __init__(self, said: str, hint: str) -> None:
        super().__init__(said)
        self.said = said
        self.hint = hint


def _client(address: str) -> Client:
    try:
        import dask
        from distributed import Client
    except ModuleNotFoundError as error:
        raise ConfigError(
            "Work is given to other computers by the library Dask distributed, which is not installed.",
            hint="pip install 'benchrig[dask]', or leave --scheduler out: the cores of this computer do it.",
        ) from error
    # What the library has to say of a connection that was lost is told by us, once.
    for name in ("distributed", "distributed.client", "distributed.core", "distributed.comm", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with dask.config.set({"distributed.comm.timeouts.connect": ANSWER_S}):
            return Client(address, timeout=ANSWER_S, set_as_default=False, name="benchrig")
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise ConfigError(
            f"No Dask scheduler answers at {address!r} within {ANSWER_S:g} s ({_short(error)}).",
            hint="Does 'dask scheduler' run there, and is this the address that it prints (tcp://HOST:8786)? Firewall?",
        ) from error


def _short(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0][:200] if lines else type(error).__name__


_SAME_PROGRAM = (
    "Install the same benchrig with the same versions of what it uses on all of them, in the same Python, and start "
    "them again: pip freeze here, pip install -r there."
)


def _check(client: Client, address: str) -> None:
    """Hold the programs of scheduler and workers against this one; functions of the standard library ask first."""
    here = program()
    wrong: dict[str, str] = {}
    for who, said in _answers(client, platform.python_version).items():
        wrong[who] = _other("Python", ".".join(str(said).split(".")[:2]), here["Python"])
    for who, said in _answers(client, version, "benchrig").items():
        wrong[who] = wrong[who] or ("no benchrig" if isinstance(said, BaseException) else "")
    if not all(wrong.values()):
        for who, said in _answers(client, program).items():
            another = f"another benchrig ({_short(said)})" if isinstance(said, BaseException) else _others(said, here)
            wrong[who] = wrong[who] or another
    told = "\n".join(f"  {who}: {what}" for who, what in sorted(wrong.items()) if what)
    if told:
        raise ConfigError(
            f"Dask cluster {address}: the program is not the same everywhere, so results would not be.\n{told}",
            hint=_SAME_PROGRAM,
        )


def _answers(client: Client, function: Callable[..., Any], *given: Any) -> dict[str, Any]:
    """What a function says in each worker and in the scheduler, or what it raised there."""
    said = dict(client.run(function, *given, on_error="return"))
    try:
        said["the scheduler"] = client.run_on_scheduler(function, *given)
    except Exception as error:  # noqa: BLE001  # what it cannot even unpickle is what is looked for
        said["the scheduler"] = error
    return said


def _others(there: dict[str, str], here: dict[str, str]) -> str:
    return "; ".join(filter(None, (_other(name, there.get(name), own) for name, own in here.items())))


def _other(name: str, there: str | None, here: str) -> str:
    return "" if there == here else f"{name} {there or 'missing'}, here {here}"


def _done_there(wanted: dict[str, str], cargo: bytes) -> bytes:
    """In the worker: one entry, if this is the program that it came from; one that joined later was not asked."""
    own = program()
    if own != wanted:
        raise OtherProgram(_others(own, wanted))
    with _ONE_AT_A_TIME:
        task, setting, fetched = pickle.loads(cargo)
        try:
            return pickle.dumps((task(setting, fetched), ""), protocol=5)
        except Exception as error:  # noqa: BLE001  # whatever a task ends with is what became of its entry
            return pickle.dumps((None, f"{type(error).__name__}: {error}"), protocol=5)
