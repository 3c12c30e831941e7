"""The square code of a page or a label held against the store."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.bench.calibrations import Withdrawal
from benchrig.bench.traceability import BenchKey, TraceabilityItem
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from benchrig.records.code_check import CodeChecked, check_code
from benchrig.records.decisions import Decision
from benchrig.records.label_code import label_code
from tests.records.raw_database import raw_database
from tests.records.test_calibration_store import VOLUME
from tests.reports.sample_record import STARTED, ended, record_into, started, steps


@pytest.fixture
def store(workshop: Path) -> Store:
    """Run 1 of C-1, which rests on a calibration; run 2 of another part."""
    store = Store(workshop / "records.sqlite")
    store.calibration_store.keep_calibration(BenchKey("demo bench", simulated=True, seed=1), VOLUME)
    begun = started("C-1")
    bench = replace(begun.bench, grounds=(TraceabilityItem("volume", 1, "made up"),))
    recorder, found = store.recorder(), tuple(replace(step, traces=()) for step in steps("reject"))
    recorder.run_started(replace(begun, bench=bench))
    for step in found:
        recorder.step_finished(step)
    recorder.run_ended(ended("reject", found))
    record_into(store.recorder(), "aborted", tag="C-2")
    return store


def says(found: CodeChecked) -> list[str]:
    return [f"{each.how}: {each.says}" for each in found.faults]


def test_a_code_of_today_fits_and_nothing_came_since(store: Store) -> None:
    found = check_code(store, label_code(store.run("run:1")))
    assert (found.record.run, found.faults, found.newer, found.says_how_new) == ("0001", (), (), True)
    assert found.document()["out_of_date"] is False


def test_what_came_since_is_told_in_its_order_and_a_new_page_is_up_to_date(store: Store) -> None:
    old = label_code(store.run("run:1"))
    store.decide(store.run("run:1"), Decision(STARTED, "R. Counter", "scrap", "cracked"))
    middle = label_code(store.run("run:1"))
    record_into(store.recorder(), "accept", tag="C-1")
    store.calibration_store.withdraw(1, Withdrawal(STARTED.replace(year=2027), "R. Counter", "dented"))
    assert [each.says for each in check_code(store, old).newer] == [
        "decided by R. Counter: scrap, cracked",
        "the part was tested again, run 0003: accept",
        "cal-0001 (volume), which it rests on, was withdrawn: dented",
    ]
    assert [each.kind for each in check_code(store, middle).newer] == ["run", "withdrawal"]
    assert check_code(store, middle).document()["out_of_date"] is True
    assert check_code(store, label_code(store.run("run:1"))).newer == ()
    assert check_code(store, label_code(store.run("run:3"))).newer == ()


def test_an_aborted_run_of_the_part_and_runs_of_other_parts_make_no_page_old(store: Store) -> None:
    code = label_code(store.run("run:1"))
    record_into(store.recorder(), "aborted", tag="C-1")
    record_into(store.recorder(), "accept", tag="C-9")
    assert check_code(store, code).newer == ()


@pytest.mark.parametrize(
    ("place", "other", "said"),
    [
        (2, "C-2", "changed: it names another part; run 0001 is of C-1"),
        (3, "accept", "changed: it says accept; the record says reject"),
        (4, "0123456789", "swapped: it is of another record than run 0001 of this store"),
        (4, "", "swapped: it is of another record"),
        (5, "1", "removed: 1 later entries were known when it was made; the store has 0"),
    ],
)
def test_a_code_that_was_made_up_does_not_fit(store: Store, place: int, other: str, said: str) -> None:
    fields = label_code(store.run("run:1")).split(":")
    fields[place] = other
    (fault,) = says(check_code(store, ":".join(fields)))
    assert fault.startswith(said)


def test_a_code_of_a_record_that_was_changed_says_so(store: Store) -> None:
    code = label_code(store.run("run:1"))
    with raw_database(store.path) as raw:
        raw.execute("UPDATE runs SET operator = 'nobody' WHERE id = 1")
    assert says(check_code(store, code)) == ["changed: not as it was sealed: operator"]


def test_an_older_label_fits_and_does_not_say_how_new_it_is(store: Store) -> None:
    older = re.sub(r"^BR2:[0-9a-f]{8}-|:0$", "BR1:", label_code(store.run("run:1"))).removesuffix("BR1:")
    store.decide(store.run("run:1"), Decision(STARTED, "R. Counter", "scrap", "cracked"))
    found = check_code(store, older)
    assert (found.faults, found.newer, found.says_how_new) == ((), (), False)
    assert found.document()["out_of_date"] is None


@pytest.mark.parametrize(
    "text", ["C-1", "", "BR2:0001:C-1:reject", "BR2:0001:C-1:reject:0123456789:x", "BR3:1:2:3:4:5"]
)
def test_what_is_no_code_is_refused(store: Store, text: str) -> None:
    with pytest.raises(ConfigError, match="no code of a page or a label"):
        check_code(store, text)


def test_a_code_of_a_run_that_the_store_never_had_is_no_run(store: Store) -> None:
    with pytest.raises(ConfigError, match="run:0099"):
        check_code(store, "BR2:0099:C-1:reject:0123456789:0")


def test_a_code_of_a_run_that_was_taken_out_says_so(store: Store) -> None:
    with raw_database(store.path) as raw:
        for table in ("traces", "characteristics", "steps", "runs"):
            raw.execute(f"DELETE FROM {table} WHERE {'1 = 1' if table != 'runs' else 'id = 2'}")
    with pytest.raises(BenchError, match="has been taken out"):
        check_code(store, "BR2:0002:C-2:aborted:0123456789:0")
