"""Nothing that happens to one valve loses another."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

import pytest

from benchrig.clock import RealClock
from benchrig.rehearsal.one_valve import RehearsalSettings, Result, lost_valve
from benchrig.rehearsal.plan import Entry
from benchrig.workers import processes
from benchrig.workers.work import Work
from tests.workers import tasks

SETTING = RehearsalSettings(1, {})


def entries(count: int) -> list[Entry]:
    return [Entry(index, "alder-24", "good", None, 100 + index) for index in range(count)]


def run(task: Callable[[RehearsalSettings, Entry], Result], count: int, workers: int) -> list[Result]:
    work = Work(SETTING, entries(count), task, lost_valve)
    results = processes.work_through(work, workers=workers, clock=RealClock())
    with closing(results) as coming:
        return sorted((result for result in coming if result is not None), key=lambda result: result.entry.index)


@pytest.mark.slow
def test_every_valve_comes_back_once():
    results = run(tasks.finishes, 7, 2)
    assert [(each.entry.index, each.said) for each in results] == [(n, f"seed {100 + n}") for n in range(7)]


@pytest.mark.slow
def test_a_worker_that_dies_is_listed_and_another_takes_its_place():
    results = run(tasks.kills_itself_at_three, 6, 1)
    assert [each.ending for each in results] == ["bench fault"] * 3 + ["worker lost"] + ["bench fault"] * 2
    assert "SIGKILL" in results[3].said


@pytest.mark.slow
def test_a_valve_that_hangs_is_given_up_and_the_others_finish(monkeypatch):
    monkeypatch.setattr(processes, "LONGEST_S", 4.0)
    results = run(tasks.hangs_at_one, 3, 1)
    assert [each.ending for each in results] == ["bench fault", "worker lost", "bench fault"]
    assert "no end within" in results[1].said


@pytest.mark.slow
def test_workers_that_never_do_anything_are_an_error_and_not_a_table_of_losses():
    with pytest.raises(RuntimeError, match="do not start: its process died \\(status 7\\)"):
        run(tasks.always_dies, 50, 1)
