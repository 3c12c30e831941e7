"""What is written is safe: programs killed, disks full, two writers, a reader meanwhile."""

from __future__ import annotations

import gc
import itertools
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa

from benchrig.clock import RealClock
from benchrig.errors import BenchError, InterlockOpen
from benchrig.records import Recorder, Store, run_document
from benchrig.records import schema as schema_module
from benchrig.records.database import run_holds
from benchrig.records.database.run_holds import lock_path
from tests.records.raw_database import raw_database
from tests.reports.sample_record import ended, record_into, started, steps

ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).with_name("cut_off_run.py")


def other_program(store: Path, last: str, then: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, str(SCRIPT), str(store), last, then]
    return subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment, cwd=ROOT
    )


@pytest.mark.slow
def test_a_run_cut_off_keeps_its_finished_steps_and_is_marked_as_aborted(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    Store(path)
    with other_program(path, "hold", "vanish") as other:
        said, _ = other.communicate(timeout=60)
    assert (other.returncode, said.split()) == (9, ["0001", "recorded"])
    assert lock_path(path, "0001").exists()
    record = Store(path).run("0001")
    assert record.ending == "aborted"
    assert record.error == "the program was cut off before the run ended"
    assert record.verdict is None
    assert [step.name for step in record.steps] == ["ready", "coil", "hold"]
    assert len(record.traces("hold")[0].time_s) == 6020
    assert record.bench_seconds == record.steps[-1].ended_s
    assert record.digest_faults() == ()
    assert run_document(record, None)["verdict"] is None
    assert sorted(entry.name for entry in workshop.iterdir()) == ["keys", "records.sqlite", "records.sqlite.identity"]


@pytest.mark.parametrize("last", ["give_back", "make_room"])
def test_a_program_killed_while_it_lets_go_of_its_run_leaves_nothing_behind_for_ever(
    workshop: Path, monkeypatch: pytest.MonkeyPatch, last: str
) -> None:
    def killed(*_: object) -> None:
        raise SystemExit  # nothing after it is done, as after kill -9

    recorder = Store(workshop / "records.sqlite").recorder()
    with monkeypatch.context() as patch:
        patch.setattr(*((run_holds, last) if last == "give_back" else (run_holds.FileHold, last)), killed)
        with pytest.raises(SystemExit):
            record_into(recorder, "accept")
    del recorder  # its lock falls with it
    gc.collect()
    record = Store(workshop / "records.sqlite").run("1")
    assert (record.ending, record.verdict) == ("finished", "accept")
    assert sorted(entry.name for entry in workshop.iterdir()) == ["keys", "records.sqlite", "records.sqlite.identity"]


@pytest.mark.slow
def test_a_run_that_is_going_on_elsewhere_is_left_alone_and_can_be_read(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    with other_program(path, "coil", "wait") as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "0001"
        assert other.stdout.readline().strip() == "recorded"
        store = Store(path)
        record = store.run("0001")
        assert (record.ending, record.ended, record.error) == ("running", None, "")
        assert [step.name for step in record.steps] == ["ready", "coil"]
        assert record.digest_faults() == ()
        assert store.runs()[0].ending == "running"
        # Two benches on one store: the second run is recorded while the first goes on.
        assert record_into(store.recorder(), "accept", tag="other") == "0002"
        other.kill()
        other.communicate(timeout=60)
    assert [summary.ending for summary in Store(path).runs()] == ["finished", "aborted"]


@pytest.mark.slow
def test_a_run_going_on_in_this_program_is_left_alone(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    first, second = Store(path), Store(path)
    one, two = first.recorder(), second.recorder()
    assert (one.run_started(started("A")), two.run_started(started("B"))) == ("0001", "0002")
    for step in steps("accept"):
        one.step_finished(step)
        two.step_finished(step)
        assert Store(path).run("A").ending == "running"
    two.run_ended(ended("reject", steps("reject")))
    assert (first.run("A").ending, first.run("B").verdict) == ("running", "reject")
    one.run_ended(ended("accept", steps("accept")))
    assert second.run("A").verdict == "accept"
    assert len(second.run("A").steps) == len(second.run("B").steps) == 5


def test_a_reader_in_the_middle_of_reading_does_not_stop_the_writer(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    recorder = store.recorder()
    recorder.run_started(started())
    with raw_database(path) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM steps").fetchone() == (0,)
        recorder.step_finished(steps("accept")[0])
        assert reader.execute("SELECT count(*) FROM steps").fetchone() == (0,)
        reader.execute("COMMIT")
        assert reader.execute("SELECT count(*) FROM steps").fetchone() == (1,)
    recorder.run_ended(ended("aborted", steps("aborted")))


def tuned(recorder: Recorder, pragma: str) -> None:
    """Set something on the recorder's own connection."""
    connection = recorder._connection
    assert connection is not None
    connection.exec_driver_sql(f"PRAGMA {pragma}")
    connection.rollback()


NO_LARGER = "max_page_count=1"
"""The file may not grow at all (SQLite takes its present size): what a full disk looks like to the program."""


def test_a_full_disk_is_a_fault_of_the_bench_and_loses_no_earlier_step(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    recorder = store.recorder()
    ready, coil, hold, *_ = steps("accept")
    recorder.run_started(started())
    recorder.step_finished(ready)
    recorder.step_finished(coil)
    tuned(recorder, NO_LARGER)
    with pytest.raises(
        BenchError, match=r"could not be written .*full.*Run 0001 keeps its finished steps \(ready, coil\)"
    ) as caught:
        recorder.step_finished(hold)
    assert type(caught.value) is BenchError
    assert caught.value.exit_status == 3
    assert "Free some space" in caught.value.hint
    recorder.run_ended(ended("aborted", (ready, coil)))
    record = store.run("0001")
    assert record.ending == "aborted"
    assert [step.name for step in record.steps] == ["ready", "coil"]
    assert record.digest_faults() == ()


@pytest.mark.slow
def test_a_full_disk_before_the_first_step_is_told_and_no_lock_stays_held(
    workshop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(workshop / "records.sqlite")
    monkeypatch.setattr("benchrig.records.serialization.text", lambda value: value * 20_000)
    monkeypatch.setattr(schema_module, "_PRAGMAS", (*schema_module._PRAGMAS, NO_LARGER))
    with pytest.raises(BenchError, match="could not be written"):
        store.recorder().run_started(started())
    monkeypatch.undo()
    assert store.runs() == []
    assert record_into(store.recorder(), "accept") == "0001"


@pytest.mark.slow
def test_a_disk_that_is_really_full_loses_nothing_that_was_written(tmp_path: Path) -> None:
    disk = tmp_path / "small"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "benchrig-test", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"no small disk to fill: {mounted.stderr.decode(errors='replace').strip()}")
    try:
        store = Store(disk / "records.sqlite")
        recorder = store.recorder()
        recorder.run_started(started())
        kept: list[str] = []

        def record_all() -> None:
            for step in steps("accept"):
                recorder.step_finished(step)
                kept.append(step.name)

        with pytest.raises(BenchError, match="could not be written"):
            record_all()
        assert kept[:2] == ["ready", "coil"]
        assert len(kept) < 5
        recorder.run_ended(ended("aborted", steps("aborted")))
        record = Store(disk / "records.sqlite").run("0001")
        assert [step.name for step in record.steps] == kept
        assert (record.ending, record.error) == ("aborted", "The board switched everything off: guard opened.")
        assert record.digest_faults() == ()
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_locked_file_is_told_as_such_and_the_run_can_go_on_after(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    recorder = store.recorder()
    recorder.run_started(started())
    store._waiting.patience_s = 0.0
    ready = steps("accept")[0]
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(BenchError, match="locked") as caught:
        recorder.step_finished(ready)
    assert "other program" in caught.value.hint
    other.execute("ROLLBACK")
    other.close()
    recorder.step_finished(ready)
    recorder.run_ended(ended("aborted", (ready,)))
    assert [step.name for step in store.run("0001").steps] == ["ready"]


def test_a_record_that_cannot_be_closed_is_closed_as_cut_off_next_time(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    recorder = store.recorder()
    recorder.run_started(started())
    store._waiting.patience_s = 0.0
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(BenchError, match="locked"):
        recorder.run_ended(ended("accept", steps("accept")))
    other.execute("ROLLBACK")
    other.close()
    record = Store(path).run("0001")
    assert (record.ending, record.verdict) == ("aborted", None)


def test_every_commit_is_synced_and_the_log_is_folded_back(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    with store._writer.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    record_into(store.recorder(), "aborted")
    assert sorted(entry.name for entry in workshop.iterdir()) == ["keys", "records.sqlite", "records.sqlite.identity"]


def test_creating_a_table_is_rolled_back_with_the_rest(workshop: Path) -> None:
    store = Store(workshop / "records.sqlite")
    with store._writer.connect() as connection, connection.begin() as transaction:
        connection.execute(sa.text("CREATE TABLE half (a INTEGER)"))
        transaction.rollback()
    with store._reader.begin() as connection:
        assert "half" not in sa.inspect(connection).get_table_names()


@pytest.mark.slow
def test_a_run_waits_for_another_program_and_feeds_the_board_meanwhile(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    other = sqlite3.connect(path, isolation_level=None)
    fed: list[float] = []
    clock = RealClock()

    def meanwhile() -> None:
        fed.append(clock.now())
        if len(fed) == 12:  # about 1.4 s: longer than the board would wait without a word
            other.execute("ROLLBACK")

    recorder = store.recorder(meanwhile)
    recorder.run_started(started())
    other.execute("BEGIN IMMEDIATE")
    recorder.step_finished(steps("accept")[0])
    recorder.run_ended(ended("aborted", steps("aborted")))
    other.close()
    assert len(fed) == 12
    assert max(b - a for a, b in itertools.pairwise(fed)) < 0.6  # a busy computer; 0.12 s on an idle one
    assert [step.name for step in store.run("0001").steps] == ["ready"]


def test_the_board_says_no_while_another_program_is_waited_for_and_that_is_what_is_told(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    recorder = store.recorder(lambda: (_ for _ in ()).throw(InterlockOpen("guard opened")))
    recorder.run_started(started())
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(InterlockOpen, match="guard opened"):
        recorder.step_finished(steps("accept")[0])
    other.execute("ROLLBACK")
    other.close()
    recorder.run_ended(ended("aborted", steps("aborted")))
    assert store.run("0001").digest_faults() == ()
