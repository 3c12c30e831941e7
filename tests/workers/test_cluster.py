"""Work on a Dask cluster: the same results; what goes wrong with it is told, and costs nothing."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from benchrig.clock import RealClock
from benchrig.errors import ConfigError
from benchrig.rehearsal.one_valve import lost_valve
from benchrig.workers import cluster as cluster_module
from benchrig.workers import same_program
from benchrig.workers.choice import chosen_workers
from benchrig.workers.cluster import Cluster, ClusterLost
from benchrig.workers.work import Work
from tests.workers import tasks
from tests.workers.small_cluster import SmallCluster, small_cluster
from tests.workers.test_processes import SETTING, entries

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # the library leaves sockets of a lost scheduler to the end
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


def said(work: Work, address: str) -> list[str]:
    with Cluster.reached(address) as cluster, closing(cluster.work_through(work, clock=RealClock())) as coming:
        results = [each for each in coming if each is not None]
    return [each.said for each in sorted(results, key=lambda each: each.entry.index)]


def test_every_entry_comes_back_once_and_a_task_that_fails_says_so(two: SmallCluster) -> None:
    assert said(Work(SETTING, entries(40), tasks.finishes, lost_valve), two.address) == [
        f"seed {100 + n}" for n in range(40)
    ]
    failing = said(Work(SETTING, entries(5), tasks.fails_at_three, lost_valve), two.address)
    assert failing[3] == "ZeroDivisionError: division by zero"
    assert failing[4] == "seed 104"


def test_what_lies_here_is_fetched_here_and_sent(two: SmallCluster) -> None:
    work = Work(SETTING, [3, 1, 2], tasks.where_am_i, tasks.nowhere, fetch=tasks.fetched_by)
    with Cluster.reached(two.address) as cluster:
        found = [each for each in cluster.work_through(work, clock=RealClock()) if each is not None]
    assert sorted(number for number, _, _ in found) == [1, 2, 3]
    assert {fetcher for _, fetcher, _ in found} == {os.getpid()}
    assert os.getpid() not in {worker for _, _, worker in found}


def test_a_worker_that_is_killed_costs_nothing_and_what_a_lost_scheduler_leaves_over_is_done_here(
    tmp_path: Path,
) -> None:
    told: list[ClusterLost] = []
    work = Work(SETTING, entries(60), tasks.takes_a_moment, lost_valve)
    with small_cluster(tmp_path) as made, chosen_workers(1, made.address, RealClock()) as workers:
        assert workers.at_once == 2
        found = []
        with closing(workers.work_through(work, cluster_lost=told.append)) as coming:
            for each in coming:
                if each is not None:
                    found.append(each)
                    if len(found) == 10:
                        made.workers[0].kill()
                    if len(found) == 35:
                        assert told == []
                        made.scheduler.kill()
    assert sorted(each.entry.index for each in found) == list(range(60))
    assert {each.ending for each in found} == {"bench fault"}  # which `takes_a_moment` gives: none was lost
    (lost,) = told
    assert "went away" in str(lost)
    assert 0 < len(lost.left) <= 25


def test_an_entry_that_kills_its_worker_and_one_that_hangs_are_listed_and_no_other(tmp_path: Path, monkeypatch) -> None:
    with small_cluster(tmp_path, workers=4, allowed_failures=0) as made:
        said(Work(SETTING, entries(12), tasks.takes_a_moment, lost_valve), made.address)  # each has imported its tasks
        monkeypatch.setattr(cluster_module, "LONGEST_S", 4.0)
        found = said(Work(SETTING, entries(12), tasks.kills_itself_at_three_and_hangs_at_one, lost_valve), made.address)
    assert found[1] == "no end within 4 s of wall time"
    assert found[3] == "1 workers died over it"
    assert [found[n] for n in (0, 2, *range(4, 12))] == [f"seed {100 + n}" for n in (0, 2, *range(4, 12))]


def test_a_worker_that_joins_later_with_another_program_is_refused(two: SmallCluster, monkeypatch) -> None:
    with Cluster.reached(two.address) as cluster:
        other = same_program.program() | {"benchrig": "0.0.9 (12345678)"}
        monkeypatch.setattr(cluster_module, "program", lambda: other)
        work = Work(SETTING, entries(3), tasks.finishes, lost_valve)
        with pytest.raises(ClusterLost, match=r"benchrig 0\.1\.0 .*, here 0\.0\.9") as raised:
            list(cluster.work_through(work, clock=RealClock()))
    assert sorted(each.index for each in raised.value.left) == [0, 1, 2]


def test_another_program_is_refused_before_anything_is_begun(two: SmallCluster, monkeypatch) -> None:
    other = same_program.program() | {"Python": "3.10", "numpy": "1.26.0"}
    monkeypatch.setattr(cluster_module, "program", lambda: other)
    with pytest.raises(ConfigError) as raised, Cluster.reached(two.address):
        pass
    lines = str(raised.value).splitlines()
    assert len(lines) == 4  # scheduler and both workers
    assert all(", here 3.10" in line for line in lines[1:])


def test_a_scheduler_that_is_not_there_is_told(monkeypatch) -> None:
    monkeypatch.setattr(cluster_module, "ANSWER_S", 1.0)
    for address in ("127.0.0.1:9", "no address"):
        with pytest.raises(ConfigError, match=f"No Dask scheduler answers at '{address}'"), Cluster.reached(address):
            pass


def test_a_cluster_without_workers_and_a_worker_without_benchrig_are_told(tmp_path: Path) -> None:
    bare = tmp_path / "bare"  # an environment that has the library, but not the program
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(bare)], check=True)
    (site,) = (bare / "lib").glob("python*/site-packages")
    for each in itertools.chain.from_iterable(Path(path).iterdir() for path in sys.path if "site-packages" in path):
        if "benchrig" not in each.name.lower():
            (site / each.name).symlink_to(each)
    with small_cluster(tmp_path, workers=0) as made:
        with pytest.raises(ConfigError, match="has no workers"), Cluster.reached(made.address):
            pass
        made.add_worker(str(bare / "bin" / "python"), bare=True)
        made.wait_for_workers(1)
        with pytest.raises(ConfigError, match="no benchrig") as raised, Cluster.reached(made.address):
            pass
    assert len(str(raised.value).splitlines()) == 2  # the scheduler is all right


def test_a_worker_with_many_threads_does_one_at_a_time(two: SmallCluster) -> None:
    assert set(said(Work(SETTING, entries(12), tasks.how_many_at_once, lost_valve), two.address)) == {"1"}


def test_what_is_left_is_cancelled_when_nobody_wants_it_any_more(two: SmallCluster) -> None:
    with Cluster.reached(two.address) as cluster:
        work = Work(SETTING, entries(500), tasks.takes_a_moment, lost_valve)
        coming = cluster.work_through(work, clock=RealClock())
        next(each for each in coming if each is not None)
        coming.close()
        clock = RealClock()
        until_s = clock.now() + 20
        while cluster.client.run_on_scheduler(tasks.tasks_left) and clock.now() < until_s:
            clock.sleep_until(clock.now() + 0.05)  # what is being done is done to its end
        assert cluster.client.run_on_scheduler(tasks.tasks_left) == 0


def test_ctrl_c_during_work_on_a_cluster_ends_with_what_there_is(two: SmallCluster) -> None:
    command = [sys.executable, "-m", "benchrig", "rehearse", "--valves", "5000", "--scheduler", two.address, "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert process.stdout is not None
        for line in process.stderr:
            if "written into the store" in line:
                break
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 3, err
    assert "Traceback" not in err
    assert "Stopped by the operator: partial" in err
    assert '"complete": false' in out
