"""The store keeps what it was told, exactly, and tells it again."""

from __future__ import annotations

import dataclasses
import json
import math
import sqlite3
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import psycopg
import pytest
import sqlalchemy as sa

from benchrig.analysis.results import Characteristic, Trace
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store, run_document
from benchrig.records.database.place import StorePlace
from benchrig.records.label_code import label_code
from benchrig.records.run_list import RunsWanted
from benchrig.records.tables import UtcText, traces
from benchrig.sequencer.events import RunEnded, StepResult
from tests.records.raw_database import raw_database
from tests.reports.sample_record import KINDS, ended, record_into, sample, started, steps

REFUSED = (sqlite3.IntegrityError, psycopg.IntegrityError, psycopg.DataError)
ODD_TAGS = (
    "C/1042\\..",
    'it\'s "quoted"; DROP TABLE runs; --',
    "Ωмега-日本語-٣٤٥",
    "%_%",
    "x" * 300,
    "<script>alert(1)</script>",
    "0001x",
)


@pytest.fixture
def store(place: StorePlace) -> Store:
    return Store(place)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_run_comes_back_as_it_was_told(store: Store, kind: str) -> None:
    told = sample(kind, run="0001")
    read = store.run(record_into(store.recorder(), kind))
    flat = {"steps": ()}
    assert dataclasses.replace(read, **flat) == dataclasses.replace(told, **flat)
    assert [step.name for step in read.steps] == [step.name for step in told.steps]
    for back, there in zip(read.steps, told.steps, strict=True):
        assert dataclasses.replace(back, traces=()) == dataclasses.replace(there, traces=())
        assert len(back.traces) == len(there.traces)
        for one, other in zip(back.traces, there.traces, strict=True):
            assert (one.name, one.marks, list(one.columns)) == (other.name, other.marks, list(other.columns))
            assert one.time_s.tobytes() == other.time_s.tobytes()
            assert all(one.columns[name].tobytes() == values.tobytes() for name, values in other.columns.items())
            assert [(c, k.label, k.time_s.tobytes(), k.values.tobytes()) for c, k in one.curves] == [
                (c, k.label, k.time_s.tobytes(), k.values.tobytes()) for c, k in other.curves
            ]
    assert read.digest_faults() == ()


@pytest.mark.slow
def test_runs_are_numbered_and_listed_newest_first(store: Store) -> None:
    numbers = [record_into(store.recorder(), kind, tag=f"T-{kind}") for kind in KINDS]
    assert numbers == ["0001", "0002", "0003", "0004"]
    listed = store.runs()
    assert [summary.run for summary in listed] == numbers[::-1]
    assert [summary.verdict for summary in listed] == [None, "undecided", "reject", "accept"]
    assert [summary.run for summary in store.runs(limit=2)] == ["0004", "0003"]
    assert [summary.run for summary in store.runs(wanted=RunsWanted(tag="T-reject"))] == ["0002"]
    assert store.runs(wanted=RunsWanted(tag="nobody")) == []
    assert all(json.dumps(summary.document(), allow_nan=False) for summary in listed)


@pytest.mark.slow
def test_the_latest_run_of_a_tag_is_found(store: Store) -> None:
    record_into(store.recorder(), "reject")
    record_into(store.recorder(), "accept")
    assert store.run("C-1042").run == "0002"
    assert store.run("0001").verdict == "reject"
    assert store.run("1").verdict == "reject"


@pytest.mark.slow
def test_a_number_that_is_a_run_and_a_tag_is_asked_about_and_never_guessed(store: Store) -> None:
    record_into(store.recorder(), "accept", tag="0002")
    record_into(store.recorder(), "reject", tag="other")
    for typed in ("0002",):
        with pytest.raises(ConfigError, match="run 0002, of the part with the tag 'other', and the tag of") as asked:
            store.run(typed)
        assert "run:0002 or tag:0002" in asked.value.hint
    assert store.run("run:0002").tag == "other"
    assert store.run("run:2").tag == "other"
    assert store.run("tag:0002").run == "0001"
    assert store.run("2").tag == "other"  # no part has the tag 2


@pytest.mark.slow
def test_a_scanned_label_means_its_run_and_its_part(store: Store) -> None:
    long_tag = "C" * 120
    record_into(store.recorder(), "reject", tag="C-7/1")
    record_into(store.recorder(), "accept", tag="C-7/1")
    record_into(store.recorder(), "accept", tag=long_tag)
    label = label_code(store.run("run:1"))
    assert store.run(label).run == "0001"
    assert store.tag_of(label) == "C-7/1"
    assert store.tag_of("C-7/1") == "C-7/1"
    assert store.tag_of(label_code(store.run("run:3"))) == long_tag
    # A label of another store: the run of that number is not meant, the part is.
    run, tag = "BR2:00000000-0003", label.split(":")[2]
    assert store.run(f"{run}:{tag}:reject:ffffffffff:0").run == "0002"
    with pytest.raises(ConfigError, match="not in"):
        store.tag_of("BR1:0009:~0000000000:reject:ffffffffff")


@pytest.mark.parametrize("tag", ODD_TAGS)
def test_an_odd_tag_is_only_data(store: Store, tag: str) -> None:
    number = record_into(store.recorder(), "aborted", tag=tag, complaint=tag, findings=tag, operator=tag)
    record_into(store.recorder(), "aborted", tag="plain")
    record = store.run(tag)
    assert record.run == number
    assert record.intake.tag == record.intake.complaint == record.intake.findings == record.intake.operator == tag
    assert [summary.run for summary in store.runs(wanted=RunsWanted(tag=tag))] == [number]
    assert record.digest_faults() == ()


def test_half_a_character_from_a_damaged_command_line_is_kept_as_a_question_mark(store: Store) -> None:
    number = record_into(store.recorder(), "aborted", complaint="bad\udcff byte")
    record = store.run(number)
    assert record.intake.complaint == "bad? byte"
    assert record.digest_faults() == ()


@pytest.mark.slow
def test_an_unknown_run_names_near_tags(store: Store) -> None:
    for tag in ("C-1042", "C-1043", "Z-9"):
        record_into(store.recorder(), "aborted", tag=tag)
    with pytest.raises(ConfigError, match="No run and no tag 'c-104'") as caught:
        store.run("c-104")
    assert "C-1042" in caught.value.hint
    assert "C-1043" in caught.value.hint
    assert "Z-9" not in caught.value.hint
    with pytest.raises(ConfigError) as caught:
        store.run("9999")
    assert "records list" in caught.value.hint


def test_a_number_that_is_none_becomes_null_with_its_reason(store: Store) -> None:
    recorder = store.recorder()
    number = recorder.run_started(started())
    broken = Characteristic("hold_leak_sccm", math.nan, math.inf, "sccm", "fit")
    recorder.step_finished(
        StepResult("hold", "Hold", 0.0, 1.0, (broken,), readings={"left": (math.nan, "kPa"), "got": (1.5, "kPa")})
    )
    recorder.run_ended(ended("aborted", steps("aborted")))
    record = store.run(number)
    assert record.characteristics == (
        Characteristic("hold_leak_sccm", None, None, "sccm", "fit", why_not="the analysis gave no finite number"),
    )
    assert record.steps[0].readings["got"] == (1.5, "kPa")
    assert math.isnan(record.steps[0].readings["left"][0])
    assert record.digest_faults() == ()
    assert json.dumps(run_document(record, None), allow_nan=False)


def test_numpy_numbers_are_taken_as_plain_ones(store: Store) -> None:
    recorder = store.recorder()
    number = recorder.run_started(started())
    found = Characteristic("pull_in_time_ms", np.float64(8.8), np.float32(0.5), "ms", "")  # type: ignore[arg-type]
    recorder.step_finished(StepResult("clicks", "Clicks", 0.0, 1.0, (found,), readings={"pulses": (np.int64(10), "")}))  # type: ignore[dict-item]
    recorder.run_ended(ended("aborted", steps("aborted")))
    record = store.run(number)
    assert record.characteristics[0].value == 8.8
    assert type(record.characteristics[0].u) is float
    assert record.digest_faults() == ()


def test_every_float64_of_a_trace_survives(store: Store) -> None:
    odd = np.array([0.1, -0.0, 5e-324, 1.7976931348623157e308, math.pi, math.nan, -math.inf])
    recorder = store.recorder()
    number = recorder.run_started(started())
    recorder.step_finished(
        StepResult("hold", "Hold", 0.0, 1.0, traces=(Trace("hold", odd, {"pressure_pa": odd[::-1]}),))
    )
    recorder.run_ended(ended("aborted", steps("aborted")))
    trace = store.run(number).traces("hold")[0]
    assert trace.time_s.tobytes() == odd.tobytes()
    assert trace.columns["pressure_pa"].tobytes() == odd[::-1].tobytes()


def test_times_are_kept_in_utc_and_a_time_without_zone_is_refused(store: Store) -> None:
    east = datetime(2026, 11, 25, 11, 30, tzinfo=timezone(timedelta(hours=2)))
    recorder = store.recorder()
    number = recorder.run_started(dataclasses.replace(started(), at=east))
    recorder.run_ended(dataclasses.replace(ended("aborted", steps("aborted")), at=east))
    assert store.run(number).started == datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    assert store.run(number).started.utcoffset() == timedelta(0)
    with raw_database(store.place) as raw:
        assert raw.execute("SELECT started_at FROM runs").fetchone() == ("2026-11-25T09:30:00.000000Z",)
    with pytest.raises(ValueError, match="time zone"):
        UtcText().process_bind_param(datetime(2026, 11, 25), sa.create_engine("sqlite://").dialect)  # noqa: DTZ001 - the point


def test_a_text_where_a_number_belongs_is_refused_by_the_database_itself(store: Store) -> None:
    record_into(store.recorder(), "aborted")
    said = r"TEXT value in REAL column|invalid input syntax"
    with raw_database(store.place) as raw, pytest.raises(REFUSED, match=said):
        raw.execute("UPDATE characteristics SET value = 'hello'")


def test_a_verdict_without_a_finished_run_is_refused_by_the_database_itself(store: Store) -> None:
    record_into(store.recorder(), "aborted")
    with raw_database(store.place) as raw, pytest.raises(REFUSED, match="verdict_only_when_finished"):
        raw.execute("UPDATE runs SET verdict = 'reject'")


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ("UPDATE runs SET tag = 'X'", "the start of the run"),
        ("UPDATE characteristics SET value = value + 0.01 WHERE name = 'coil_resistance_20c_ohm'", "step coil"),
        ("UPDATE steps SET notes = '[\"nothing to see\"]' WHERE name = 'flow'", "step flow"),
        ("UPDATE runs SET judgement = replace(judgement, '\"reject\"', '\"accept\"')", "the end of the run"),
        ("UPDATE steps SET digest = 'made up' WHERE name = 'hold'", "step hold"),
        ("DELETE FROM traces WHERE name = 'click 3'", "step clicks"),
    ],
)
def test_a_changed_record_is_found_out(store: Store, change: str, fault: str) -> None:
    number = record_into(store.recorder(), "reject")
    assert store.run(number).digest_faults() == ()
    with raw_database(store.place) as raw:
        assert raw.execute(change).rowcount >= 1
    assert any(fault in line for line in store.run(number).digest_faults())


def test_a_changed_sample_is_found_out(store: Store) -> None:
    number = record_into(store.recorder(), "accept")
    with raw_database(store.place) as raw:
        raw.execute(
            "UPDATE traces SET arrays = (SELECT arrays FROM traces WHERE name = 'click 2') WHERE name = 'click 1'"
        )
    assert store.run(number).digest_faults() == ("step clicks is not as it was written",)


def test_a_step_taken_away_is_found_out(store: Store) -> None:
    number = record_into(store.recorder(), "accept")
    with raw_database(store.place) as raw:
        raw.execute("DELETE FROM characteristics WHERE step_id = (SELECT id FROM steps WHERE name = 'coil')")
        raw.execute("DELETE FROM steps WHERE name = 'coil'")
    assert store.run(number).digest_faults() != ()


def test_damaged_samples_are_a_fault_of_the_store_and_not_a_traceback(store: Store) -> None:
    number = record_into(store.recorder(), "accept")
    with raw_database(store.place) as raw:
        raw.execute("UPDATE traces SET arrays = ? WHERE name = 'hold'", (b"\x01\x02",))
    with pytest.raises(BenchError, match=r"run 0001 .* is damaged") as caught:
        store.run(number)
    assert "backup" in caught.value.hint


@pytest.mark.slow
def test_equal_samples_make_equal_bytes(store: Store) -> None:
    record_into(store.recorder(), "accept")
    record_into(store.recorder(), "accept")
    with raw_database(store.place) as raw:
        kept = [row[0] for row in raw.execute(f"SELECT arrays FROM {traces.name} WHERE name = 'hold'")]
    assert len(kept) == 2
    assert kept[0] == kept[1]


def test_a_recorder_out_of_step_is_a_bug_and_says_so(store: Store) -> None:
    recorder = store.recorder()
    with pytest.raises(ValueError, match="no run"):
        recorder.step_finished(steps("accept")[0])
    recorder.run_started(started())
    with pytest.raises(ValueError, match="one run at a time"):
        recorder.run_started(started())
    recorder.run_ended(RunEnded(datetime(2026, 11, 25, tzinfo=UTC), "aborted", 0.0, error="stopped"))
    assert recorder.run_started(started()) == "0002"
