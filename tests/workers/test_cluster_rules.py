"""Who is held to have died or to hang on a cluster, with a client that does as it is told here."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest

pytest.importorskip("distributed", reason="a Dask cluster needs its library")
from distributed import KilledWorker

from benchrig.clock import RealClock
from benchrig.rehearsal.one_valve import lost_valve
from benchrig.workers.cluster import Cluster
from benchrig.workers.work import Work
from tests.workers import tasks
from tests.workers.test_processes import SETTING, entries


class Told:
    """A future that has its end already."""

    def __init__(self, key: str, error: Exception | None, result: Any) -> None:
        self.key, self.status, self._error, self._result = key, "finished", error, result

    def add_done_callback(self, call: Callable[[Any], None]) -> None:
        call(self)

    def result(self, timeout: float) -> bytes:
        if self._error is not None:
            raise self._error
        return pickle.dumps((self._result, ""))


class ScriptedClient:
    """One worker: whoever is given together with entry 3 dies with it; alone, only entry 3 does."""

    def __init__(self) -> None:
        self.given: list[int] = []
        self.stacks: dict[str, dict[str, list[str]]] = {}
        self.cancelled = 0

    def nthreads(self) -> dict[str, int]:
        return {"one": 1, "two": 1}

    def submit(self, _function: Any, _here: Any, cargo: bytes, **_: Any) -> Told:
        _, _, entry = pickle.loads(cargo)
        self.given.append(entry.index)
        beside = self.given.count(entry.index) == 1 and entry.index in (3, 4, 5)
        dies = entry.index == 3 or beside
        killed = KilledWorker(f"task-{entry.index}", "worker one", 0) if dies else None
        return Told(f"task-{len(self.given)}", killed, tasks.finishes(SETTING, entry))

    def call_stack(self, _futures: list[Any]) -> dict[str, dict[str, list[str]]]:
        return self.stacks

    def cancel(self, futures: list[Any], *, force: bool) -> None:
        self.cancelled += len(futures)


def test_who_died_beside_the_killer_is_tried_again_by_itself_and_only_the_killer_is_lost() -> None:
    client = ScriptedClient()
    cluster = Cluster("tcp://nowhere:1", client, workers=2)
    work = Work(SETTING, entries(8), tasks.finishes, lost_valve)
    with closing(cluster.work_through(work, clock=RealClock())) as coming:
        found = {each.entry.index: each for each in coming if each is not None}
    assert sorted(found) == list(range(8))
    assert [index for index, each in sorted(found.items()) if "died over it" in each.said] == [3]
    assert [client.given.count(index) for index in range(8)] == [1, 1, 1, 2, 2, 2, 1, 1]


def test_what_waits_behind_a_hang_is_not_held_to_hang_itself() -> None:
    client = ScriptedClient()
    cluster = Cluster("tcp://nowhere:1", client, workers=2)
    hanging, waiting, elsewhere = (Told(name, None, None) for name in ("a", "b", "c"))
    client.stacks = {
        "one": {"a": ["File task.py, line 1, in hangs_at_one"], "b": ["File cluster.py, line 9, in _done_there"]},
        "two": {"c": ["File cluster.py, line 9, in _done_there"]},
    }
    first, second, third = entries(3)
    assert cluster._hung({hanging: first, waiting: second, elsewhere: third}) == [first]
    assert cluster._sound() == ["two"]
    assert client.cancelled == 3
