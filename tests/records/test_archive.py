"""Old traces in Parquet files: nothing lost, nothing twice, and held against what was sealed."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import ConfigError
from benchrig.records import RunRecord, Store
from benchrig.records.archive import archiving
from benchrig.records.archive.archive_files import ArchiveFolder
from benchrig.records.archive.archived_arrays import MARK
from benchrig.records.database.place import StorePlace
from tests.records.raw_database import raw_database
from tests.reports.sample_record import STARTED, record_into

pq = pytest.importorskip("pyarrow.parquet", reason="archives are Parquet files")
pytestmark = pytest.mark.slow
LATER = STARTED + timedelta(days=1)


@pytest.fixture
def path(place: StorePlace) -> StorePlace:
    """Three runs with traces and an aborted one."""
    store = Store(place)
    for kind in ("accept", "reject", "aborted", "accept"):
        record_into(store.recorder(), kind, tag=f"T-{kind}")
    return place


def in_store(path: StorePlace) -> tuple[int, int]:
    """How many traces stand in the store, and how many places of such that were moved."""
    with raw_database(path) as raw:
        moved = "SELECT count(*) FROM traces WHERE substr(arrays, 1, ?) = ?"
        (there,) = raw.execute(moved.replace("=", "<>"), (len(MARK), MARK)).fetchone()
        return there, raw.execute(moved, (len(MARK), MARK)).fetchone()[0]


def records(path: StorePlace) -> list[RunRecord]:
    store = Store(path)
    return [store.run(f"run:{number}") for number in (1, 2, 3, 4)]


def alike(one: RunRecord, other: RunRecord) -> bool:
    """Whether all traces are the same, bit by bit."""
    pairs = zip([t for s in one.steps for t in s.traces], [t for s in other.steps for t in s.traces], strict=True)
    return all(
        a.name == b.name
        and list(a.columns) == list(b.columns)
        and a.time_s.tobytes() == b.time_s.tobytes()
        and all(a.columns[name].tobytes() == b.columns[name].tobytes() for name in a.columns)
        and all(
            x.label == y.label and x.values.tobytes() == y.values.tobytes()
            for (_, x), (_, y) in zip(a.curves, b.curves, strict=True)
        )
        for a, b in pairs
    )


def test_archived_traces_are_read_as_before_and_everything_is_still_as_it_was_sealed(path: StorePlace) -> None:
    before = records(path)
    traces = in_store(path)[0]
    assert traces > 3
    done = Store(path).archive(LATER)
    assert (done.runs, done.traces, done.left) == (4, traces, [])
    assert in_store(path) == (0, traces)
    after = records(path)
    assert all(alike(a, b) for a, b in zip(before, after, strict=True))
    assert [record.seal for record in after] == [record.seal for record in before]
    found = Store(path).verify()
    assert (found.faults, found.remarks, found.counts["in archive files"]) == ([], [], 4)
    assert Store(path).archive(LATER).files == []


def test_traces_of_later_runs_stay_in_the_store(path: StorePlace) -> None:
    traces = in_store(path)
    assert Store(path).archive(STARTED).files == []
    assert in_store(path) == traces
    assert Store(path).archive(STARTED + timedelta(microseconds=1)).runs == 4


def test_every_number_is_archived_bit_by_bit_also_what_is_not_a_number(tmp_path: Path) -> None:
    odd = np.array([0.0, -0.0, np.nan, -np.inf, 5e-324, 0.1])
    odd = np.concatenate([odd, np.array([0x7FF8000000000123], dtype="u8").view("f8")])
    folder = ArchiveFolder(tmp_path)
    arrays = {"time_s": np.arange(7.0), "b": odd, "a": np.array([])}
    name = folder.write([archiving.RunTraces(7, "then", "C-1", "d", (((0, 0), "hold", "hold", arrays),))], 7, 7)
    read = ArchiveFolder(tmp_path).arrays(name, 7)[0, 0]
    assert list(read) == ["time_s", "b", "a"]
    assert [read[key].tobytes() for key in read] == [arrays[key].tobytes() for key in arrays]
    assert ArchiveFolder(tmp_path).arrays(name, 8) == {}


@pytest.mark.parametrize("moment", ["written", "named", "in the transaction", "committed"])
def test_cut_off_at_any_moment_nothing_is_lost_and_no_trace_is_twice(
    path: StorePlace, moment: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = records(path)
    traces = in_store(path)[0]

    def cut_off(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as now:
        if moment == "written":
            now.setattr("benchrig.records.export_files._name", cut_off)
        elif moment == "named":
            now.setattr(archiving, "_move", cut_off)
        elif moment == "in the transaction":
            now.setattr(archiving, "_MOVED", archiving.sa.text(f"{archiving._MOVED} AND no_such_column = 1"))
        with pytest.raises(BaseException):  # noqa: PT011, B017 - a kill, whatever it is called
            Store(path).archive(LATER, cut_off)
    assert in_store(path) in ((traces, 0), (0, traces))
    assert all(alike(a, b) for a, b in zip(before, records(path), strict=True))
    assert Store(path).verify().faults == []
    Store(path).archive(LATER)
    assert in_store(path) == (0, traces)
    files = [each for each in (path.beside.parent / "archive").iterdir() if each.name != ".lock"]
    assert [each.name for each in files] == ["traces-0001-0004.parquet"]
    rows = pq.read_table(files[0]).select(["run", "step", "trace", "array"]).to_pylist()
    assert len({tuple(row.values()) for row in rows}) == len(rows)
    assert all(alike(a, b) for a, b in zip(before, records(path), strict=True))


def test_a_file_that_was_cut_off_and_changed_since_is_not_taken_up(
    path: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = records(path)
    with monkeypatch.context() as now:
        now.setattr(archiving, "_move", lambda *_: None)
        Store(path).archive(LATER)
    file = path.beside.parent / "archive" / "traces-0001-0004.parquet"
    change_a_number(file)
    done = Store(path).archive(LATER)
    assert done.left == ["run 0002 is left in the store: what traces-0001-0004.parquet holds of it is something else"]
    assert done.files == ["traces-0001-0004.parquet", "traces-0002-0002.parquet"]
    assert all(alike(a, b) for a, b in zip(before, records(path), strict=True))


def test_a_file_that_was_cut_off_and_damaged_since_is_told_and_its_runs_are_archived_anew(
    path: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = records(path)
    with monkeypatch.context() as now:
        now.setattr(archiving, "_move", lambda *_: None)
        Store(path).archive(LATER)
    file = path.beside.parent / "archive" / "traces-0001-0004.parquet"
    raw = bytearray(file.read_bytes())
    raw[100 : len(raw) // 2] = b"\xa5" * (len(raw) // 2 - 100)  # its end, where it says what is in it, stays
    file.write_bytes(raw)
    done = Store(path).archive(LATER)
    assert [each.partition(":")[0] for each in done.left] == [
        f"{file.name} in {file.parent} is damaged and was not taken up"
    ]
    assert done.files == ["traces-0001-0004-2.parquet"]
    assert all(alike(a, b) for a, b in zip(before, records(path), strict=True))


def test_a_record_that_is_not_as_it_was_is_not_taken_up_from_a_file_that_was_cut_off(
    path: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as now:
        now.setattr(archiving, "_move", lambda *_: None)
        Store(path).archive(LATER)
    with raw_database(path) as raw:
        raw.execute("DROP TRIGGER IF EXISTS steps_no_update" + ("" if not path.on_server else " ON steps"))
        raw.execute("UPDATE steps SET readings = '{}', notes = '[\"changed\"]' WHERE run_id = 2 AND name = 'hold'")
    done = Store(path).archive(LATER)
    assert [each.partition(",")[0] for each in done.left] == ["run 0002 is left in the store"]
    assert done.runs == 3


def change_a_number(file: Path) -> None:
    """One sample of run 2, by a billionth."""
    written = pq.read_metadata(file).metadata
    table = pq.read_table(file)
    rows = table.to_pylist()
    place = next(at for at, row in enumerate(rows) if row["run"] == 2 and row["step"] == "hold")
    rows[place]["values"][3] += 1e-9
    schema = table.schema.with_metadata({key: each for key, each in written.items() if key != b"ARROW:schema"})
    pq.write_table(type(table).from_pylist(rows, schema=schema), file)


def test_a_missing_archive_file_is_said_and_no_fault_of_the_record(path: StorePlace) -> None:
    Store(path).archive(LATER)
    (path.beside.parent / "archive" / "traces-0001-0004.parquet").unlink()
    record = Store(path).run("run:2")
    assert record.seal is not None
    assert record.seal.state == "sealed"
    assert record.away is not None
    assert record.away.why_not.startswith(
        "its traces are in the archive file traces-0001-0004.parquet, and it is not in"
    )
    found = Store(path).verify()
    assert found.faults == []
    assert "it holds the traces of 4 runs" in found.remarks[-1]


def test_a_number_that_was_changed_in_an_archive_file_is_found_and_named(path: StorePlace) -> None:
    Store(path).archive(LATER)
    change_a_number(path.beside.parent / "archive" / "traces-0001-0004.parquet")
    record = Store(path).run("run:2")
    assert record.seal is not None
    assert [each.says for each in record.seal.faults] == [
        "by the archive file traces-0001-0004.parquet: step hold is not as it was written"
    ]
    assert [each.what for each in Store(path).verify().faults] == ["run 0002"]
    assert Store(path).run("run:1").seal.state == "sealed"  # type: ignore[union-attr]


def test_a_file_of_other_bytes_or_without_the_run_is_damage(path: StorePlace) -> None:
    Store(path).archive(LATER)
    file = path.beside.parent / "archive" / "traces-0001-0004.parquet"
    file.write_bytes(b"no parquet")
    record = Store(path).run("run:2")
    assert record.seal is not None
    assert [each.what for each in record.seal.faults] == ["the archive file traces-0001-0004.parquet"]
    assert len(Store(path).verify().faults) == 4


def test_a_record_that_is_not_as_it_was_written_stays_in_the_store(path: StorePlace) -> None:
    with raw_database(path) as raw:
        raw.execute("UPDATE steps SET title = 'another' WHERE run_id = 2 AND name = 'hold'")
    done = Store(path).archive(LATER)
    assert (done.runs, len(done.left)) == (3, 1)
    assert done.left[0].startswith("run 0002 is left in the store")
    assert in_store(path)[0] > 0


def test_a_place_that_names_another_file_does_not_fit_what_was_sealed(path: StorePlace) -> None:
    Store(path).archive(LATER)
    with raw_database(path) as raw:
        raw.execute(
            "UPDATE traces SET arrays = (SELECT arrays FROM traces WHERE id = 1) "
            "WHERE step_id IN (SELECT id FROM steps WHERE run_id = 2)"
        )
    assert [each.how for each in Store(path).run("run:2").seal.faults] == ["changed"]  # type: ignore[union-attr]


def test_two_programs_do_not_archive_at_once(path: StorePlace) -> None:
    from filelock import FileLock

    (path.beside.parent / "archive").mkdir()
    with FileLock(path.beside.parent / "archive" / ".lock"), pytest.raises(ConfigError, match="Another program"):
        Store(path).archive(LATER)
