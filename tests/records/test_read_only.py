"""A store on a disk that cannot be written is read as it is."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from tests.records.test_durability import other_program
from tests.reports.sample_record import record_into, started


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """The folder as on a read-only medium: root is refused too."""
    for command in (
        ["mount", "--bind", str(folder), str(folder)],
        ["mount", "-o", "remount,bind,ro", str(folder)],
    ):
        done = subprocess.run(command, capture_output=True, check=False)
        if done.returncode:
            subprocess.run(["umount", "-l", str(folder)], capture_output=True, check=False)
            pytest.skip(f"no read-only folder to be had: {done.stderr.decode(errors='replace').strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_runs_on_a_read_only_medium_are_listed_and_shown_and_nothing_is_written(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "aborted")
    with read_only(workshop):
        before = sorted(workshop.iterdir())
        store = Store(path, reading=True)
        assert [each.run for each in store.runs()] == ["0001"]
        assert store.run("0001").digest_faults() == ()
        assert store.calibration_store.calibrations() == ()
        assert sorted(workshop.iterdir()) == before
        with pytest.raises(ConfigError, match="cannot be opened for writing"):
            Store(path)
        with pytest.raises(BenchError, match="could not be written"):
            store.recorder().run_started(started())


@pytest.mark.slow
def test_a_run_that_was_cut_off_is_read_from_its_log_on_a_read_only_medium(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    Store(path)
    with other_program(path, "hold", "vanish") as other:
        other.communicate(timeout=60)
    with read_only(workshop):
        record = Store(path, reading=True).run("0001")
        assert (record.ending, [step.name for step in record.steps]) == ("running", ["ready", "coil", "hold"])
    assert Store(path).run("0001").ending == "aborted"


def test_an_older_store_on_a_read_only_medium_says_what_to_do(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "aborted")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '0002'")
        raw.commit()
    with read_only(workshop), pytest.raises(ConfigError, match="store revision '0002'") as caught:
        Store(path, reading=True)
    assert "Copy the whole folder" in caught.value.hint


def test_an_exchanged_store_is_noticed_on_a_read_only_medium_too(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "aborted")
    backup = path.with_name("backup")
    shutil.copyfile(path, backup)
    record_into(Store(path).recorder(), "aborted")
    shutil.copyfile(backup, path)
    with read_only(workshop), pytest.raises(ConfigError, match="older than it once was"):
        Store(path, reading=True)


def test_a_full_disk_does_not_stop_reading(workshop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "aborted")
    monkeypatch.setattr("benchrig.records.read_only._room", lambda _folder: 0)
    assert Store(path, reading=True).run("0001").ending == "aborted"
