"""A store on a server: who owns a run that is going on, and what happens when the server or a program goes away."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest

from benchrig.errors import BenchError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.database.server import TURNS
from tests.postgresql import Cluster
from tests.records.test_seals import told
from tests.reports.sample_record import STARTED, ended, record_into, started, steps

pytestmark = pytest.mark.slow  # each makes a store on a server
ROOT = Path(__file__).parents[2]
CUT_OFF = """
import os, sys
from pathlib import Path
from benchrig.records import Store
from benchrig.records.database.place import place_named
from tests.reports.sample_record import started, steps
recorder = Store(place_named(sys.argv[1], Path(sys.argv[2]))).recorder()
recorder.run_started(started())
[recorder.step_finished(each) for each in steps("accept")[:2]]
print("recorded", flush=True)
os._exit(9) if sys.argv[3] == "vanish" else sys.stdin.readline()
"""


@pytest.fixture
def place(server_url: str, workshop: Path) -> StorePlace:
    return place_named(server_url, workshop)


def other_program(url: str, folder: Path, then: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CUT_OFF, url, str(folder), then],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=ROOT,
    )


def test_only_the_computer_that_began_a_run_closes_it_and_only_when_it_is_over(
    server_url: str, place: StorePlace, tmp_path: Path
) -> None:
    own, second = Store(place), Store(place_named(server_url, tmp_path / "second computer"))
    recorder = own.recorder()
    recorder.run_started(started("C-1"))
    recorder.step_finished(steps("accept")[0])
    for store in (Store(place), Store(second.place)):
        assert store.run("1").ending == "running"
    recorder._connection.close()  # type: ignore[union-attr]  # its connection is lost: nobody holds the run
    recorder._connection = None
    assert Store(second.place).run("1").ending == "running"
    recorder.step_finished(steps("accept")[1])  # and it goes on with another one
    assert Store(place).run("1").ending == "running"
    recorder._disconnect()
    record = Store(place).run("1")
    assert (record.ending, [step.name for step in record.steps]) == ("aborted", ["ready", "coil"])
    with pytest.raises(BenchError, match="was closed as aborted while the server was away"):
        recorder.step_finished(steps("accept")[2])
    recorder._let_go()
    assert told(Store(place).verify()) == []


def test_a_program_that_was_killed_lets_its_run_fall(server_url: str, place: StorePlace) -> None:
    Store(place)
    with other_program(server_url, place.beside.parent, "wait") as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "recorded"
        assert Store(place).run("1").ending == "running"
        other.kill()
        other.communicate(timeout=60)
    with psycopg.connect(server_url) as raw:  # the server notices a moment later
        for _ in range(200):
            held = raw.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone()
            if held == (0,):
                break
            raw.execute("SELECT pg_sleep(0.05)")
    record = Store(place).run("1")
    assert (record.ending, record.error) == ("aborted", "the program was cut off before the run ended")
    assert [step.name for step in record.steps] == ["ready", "coil"]
    assert told(Store(place).verify()) == []


def test_another_program_in_the_middle_of_writing_is_waited_for_and_told(server_url: str, place: StorePlace) -> None:
    store = Store(place)
    fed: list[int] = []
    recorder = store.recorder(lambda: fed.append(1))
    recorder.run_started(started())
    store._waiting.patience_s = 0.1
    with psycopg.connect(server_url) as raw:
        oid = "(SELECT oid::int FROM pg_namespace WHERE nspname = current_schema())"
        raw.execute(f"SELECT pg_advisory_xact_lock({TURNS}, {oid})".encode())
        with pytest.raises(BenchError, match="locked: another program is writing"):
            recorder.step_finished(steps("accept")[0])
    assert fed
    recorder.step_finished(steps("accept")[0])
    recorder.run_ended(ended("aborted", steps("aborted")))
    assert [step.name for step in store.run("0001").steps] == ["ready"]
    assert told(store.verify()) == []


def test_a_server_that_is_restarted_in_the_middle_of_a_run_loses_no_step_and_has_none_twice(
    postgresql: Cluster, workshop: Path
) -> None:
    with Cluster(durable=True) as cluster:
        place = place_named(cluster.new_schema(), workshop)
        store = Store(place)
        recorder = store.recorder()
        recorder.run_started(started())
        ready, coil, hold, *_ = steps("accept")
        recorder.step_finished(ready)
        cluster.kill()
        with pytest.raises(
            BenchError, match=r"could not be written .*Run 0001 keeps its finished steps \(ready\)"
        ) as lost:
            recorder.step_finished(coil)
        assert "Is the server running" in lost.value.hint
        with pytest.raises(BenchError, match="could not be written"):
            recorder.step_finished(coil)
        cluster.start()
        recorder.step_finished(coil)
        recorder.step_finished(hold)
        recorder.run_ended(ended("aborted", (ready, coil, hold)))
        record = store.run("1")
        assert [step.name for step in record.steps] == ["ready", "coil", "hold"]
        assert told(store.verify()) == []
        del recorder, store


def test_a_clock_that_was_set_back_a_year_changes_no_order_and_no_seal(place: StorePlace) -> None:
    store = Store(place)
    record_into(store.recorder(), "accept", tag="C-1")
    recorder = store.recorder()
    recorder.run_started(replace(started("C-1"), at=STARTED - timedelta(days=365)))
    recorder.run_ended(replace(ended("aborted", steps("aborted")), at=STARTED - timedelta(days=365)))
    assert store.run("C-1").run == "0002"
    assert [run.run for run in store.runs()] == ["0002", "0001"]
    assert told(store.verify()) == []
