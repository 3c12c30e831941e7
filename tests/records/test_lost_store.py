"""A store that was lost, emptied, exchanged or put back is noticed; its numbers are never given out twice."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace
from benchrig.records.identity import Head, compare, heads_beside, identity_path, keep_beside, read_beside
from benchrig.records.store_replacement import begin_anew, go_on_from_backup
from tests.records.test_durability import other_program
from tests.reports.sample_record import record_into, started


@pytest.fixture
def path(workshop: Path) -> Path:
    return workshop / "records.sqlite"


def record(path: Path, tag: str = "C-1") -> str:
    return record_into(Store(path).recorder(), "aborted", tag=tag)


def test_a_store_that_was_deleted_is_not_silently_begun_again(path: Path) -> None:
    record(path)
    path.unlink()
    with pytest.raises(ConfigError, match=r"missing, but a store was kept here. Runs up to 0001") as caught:
        Store(path)
    assert "backup" in caught.value.hint
    assert "new-store" in caught.value.hint
    assert not path.exists()


def test_a_store_that_was_emptied_is_not_silently_begun_again(path: Path) -> None:
    record(path)
    path.write_bytes(b"")
    with pytest.raises(ConfigError, match="empty, but a store was kept here"):
        Store(path)
    path.unlink()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode=WAL")
    with pytest.raises(ConfigError, match="empty, but a store was kept here"):
        Store(path)


def test_a_log_without_its_database_is_not_thrown_away(path: Path) -> None:
    path.parent.mkdir()
    log = path.with_name("records.sqlite-wal")
    log.write_bytes(b"x" * 100)
    with pytest.raises(ConfigError, match=r"records\.sqlite-wal, without its database"):
        Store(path)
    assert log.read_bytes() == b"x" * 100


def test_an_older_copy_in_place_of_the_store_is_refused_and_can_be_gone_on_from_by_will(path: Path) -> None:
    record(path)
    backup = path.with_name("backup")
    shutil.copyfile(path, backup)
    record(path)
    shutil.copyfile(backup, path)
    with pytest.raises(ConfigError, match="run 0002 was kept in it and it comes only to 0001") as caught:
        Store(path)
    assert "--from-backup" in caught.value.hint
    go_on_from_backup(path)
    assert record(path) == "0003"
    assert [each.run for each in Store(path).runs()] == ["0003", "0001"]
    # The lost store, found again, is not taken for this one.
    shutil.copyfile(backup, path)
    with pytest.raises(ConfigError, match="not the store that was kept here"):
        Store(path)


def test_a_backup_that_was_used_on_another_computer_meanwhile_is_refused(path: Path) -> None:
    record(path, "first")
    elsewhere = path.with_name("elsewhere") / "records.sqlite"
    elsewhere.parent.mkdir()
    shutil.copyfile(path, elsewhere)
    record(path, "here")
    record(elsewhere, "there")
    shutil.copyfile(elsewhere, path)
    with pytest.raises(ConfigError, match="run 0002 in it is not the run 0002 that was kept here"):
        Store(path)


def test_a_store_of_another_computer_in_its_place_is_refused(path: Path) -> None:
    record(path)
    other = path.with_name("other") / "records.sqlite"
    record(other)
    record(other)
    shutil.copyfile(other, path)
    with pytest.raises(ConfigError, match="not the store that was kept here"):
        Store(path)


def test_a_store_moved_to_another_folder_without_its_identity_is_taken_and_gets_one_again(path: Path) -> None:
    record(path)
    moved = path.with_name("moved") / "records.sqlite"
    moved.parent.mkdir()
    path.rename(moved)
    assert Store(moved).run("0001").tag == "C-1"
    moved.unlink()
    with pytest.raises(ConfigError, match="a store was kept here"):
        Store(moved)


def test_a_damaged_identity_beside_a_whole_store_is_written_anew(path: Path) -> None:
    record(path)
    whole = identity_path(path).read_text()
    for damage in ("", "[]", '{"store": 1}', "[" * 100_000, "\0\0"):
        identity_path(path).write_text(damage)
        Store(path)
        assert identity_path(path).read_text() == whole
    identity_path(path).write_text("")
    path.unlink()
    with pytest.raises(ConfigError, match="a store was kept here"):
        Store(path)


def test_what_is_kept_beside_never_falls_back(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    keep_beside(path, Head("one", "then", run=5, check=1, digest="of 5"), [("bench", 0, 9, "nine", "")])
    older = [("bench", 0, 8, "eight", ""), ("other", 1, 1, "one", "")]
    keep_beside(path, Head("one", "then", run=3, check=2, digest="of 3"), older)
    assert read_beside(path) == Head("one", "then", run=5, check=2, digest="of 5")
    assert heads_beside(path) == {"real: bench": [9, "nine"], "simulated: other": [1, "one"]}


def test_a_database_without_an_identity_is_not_the_store_that_was_kept_here(path: Path) -> None:
    with pytest.raises(ConfigError, match="not the store that was kept here, which came to run 0005"):
        compare(StorePlace(path), None, Head("one", "then", run=5))


def test_the_number_of_a_run_that_was_deleted_is_never_used_again(path: Path) -> None:
    for _ in range(3):
        record(path)
    with closing(sqlite3.connect(path)) as raw:
        for table in ("characteristics", "traces"):
            raw.execute(f"DELETE FROM {table} WHERE step_id IN (SELECT id FROM steps WHERE run_id > 1)")
        raw.execute("DELETE FROM steps WHERE run_id > 1")
        raw.execute("DELETE FROM runs WHERE id > 1")
        raw.commit()
    assert record(path) == "0004"


def test_a_new_store_by_will_sets_the_old_files_aside_and_goes_on_with_the_numbers(path: Path) -> None:
    record(path)
    record(path)
    path.write_bytes(b"no database at all" * 100)
    head, aside = begin_anew(path)
    assert head.run == 2
    assert any(each.read_bytes() == b"no database at all" * 100 for each in aside)
    assert record(path) == "0003"
    assert [each.run for each in Store(path).runs()] == ["0003"]


def test_a_new_store_by_will_knows_numbers_from_pages_where_nothing_else_is_left(path: Path) -> None:
    pages = path.with_name("pages")
    pages.mkdir(parents=True)
    for name in ("run-0041.html", "run-0041-label.html", "run-0007.html", "notes.txt"):
        (pages / name).touch()
    begin_anew(path, pages)
    assert record(path) == "0042"


def test_a_write_ahead_log_that_is_missing_after_a_kill_is_noticed(path: Path) -> None:
    Store(path)
    log = path.with_name("records.sqlite-wal")
    with other_program(path, "hold", "vanish") as other:
        other.communicate(timeout=60)
    assert log.exists()
    log.unlink()
    with pytest.raises(ConfigError, match=r"run 0001 was kept in it and it comes only to 0000\. Its write-ahead log"):
        Store(path)
    go_on_from_backup(path)
    assert record(path) == "0002"


def test_steps_that_are_missing_after_a_kill_are_noticed_too(path: Path) -> None:
    """The start of the run is in the file; the log with its last steps is not."""
    recorder = Store(path).recorder()
    recorder.run_started(started())
    recorder._disconnect()
    early = path.read_bytes()
    recorder._let_go()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE runs SET ending = 'running'")
    program = (
        "import os, sys; from pathlib import Path; from benchrig.records import Store; "
        "from tests.reports.sample_record import started, steps; "
        "r = Store(Path(sys.argv[1])).recorder(); r.run_started(started()); r._disconnect(); "
        "Path(sys.argv[2]).write_bytes(Path(sys.argv[1]).read_bytes()); "
        "[r.step_finished(s) for s in steps('accept')[:2]]; os._exit(9)"
    )
    del early
    kept = path.with_name("early")
    subprocess.run([sys.executable, "-c", program, str(path), str(kept)], check=False, cwd=Path(__file__).parents[2])
    path.with_name("records.sqlite-wal").unlink()
    shutil.copyfile(kept, path)
    with pytest.raises(ConfigError, match="run 0002 was cut off, and what it had written last is not in the store"):
        Store(path)
