"""Checks and calibrations in the store: append-only, found again, withdrawn, and which runs rested on them."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import psycopg
import pytest

from benchrig.bench.calibrations import Calibration, Constant, Reference, Withdrawal
from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.traceability import BenchKey, TraceabilityItem
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace
from benchrig.records.identity import identity_path
from benchrig.records.run_list import RunsWanted
from benchrig.records.schema import make_engine, open_database
from tests.records.raw_database import behind, raw_database
from tests.reports.sample_record import BENCH, record_into, started

REFUSED = (sqlite3.IntegrityError, psycopg.DatabaseError)
NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
KEY = BenchKey("bench-1", simulated=False)
VOLUME = Calibration(
    kind="volume",
    constants=(Constant("reservoir volume_l", 0.5013, 0.0009, "L"),),
    before=(Constant("reservoir volume_l", 0.5, 0.0025, "L"),),
    references=(Reference("known volume", 0.25, 0.0003, "L", "KV-7", date(2026, 3, 2)),),
    made=NOW,
    until=NOW + timedelta(days=365),
    operator="R. Counter",
    how="let in",
    parts=(("known volume", 0.0006),),
)
CHECK = CheckResult(
    items=(
        CheckItem("supply", "Coil supply", "pass", 13.5, 0.07, "V", 12.0, 14.8),
        CheckItem("pump", "Pump-down", "fail", None, None, "s", None, 12.0, "no vacuum", "Does the pump run?"),
    ),
    started=NOW,
    ended=NOW + timedelta(minutes=2),
    operator="R. Counter",
    bench_seconds=97.2,
    bench_file_sha256="ab" * 32,
    board="relay board",
    meter="meter",
    program="benchrig 0.1.0",
)


def test_what_was_kept_comes_back_the_same_with_its_number(place: StorePlace) -> None:
    trust = Store(place).calibration_store
    kept = trust.keep_calibration(KEY, VOLUME)
    assert (kept.name, replace(kept, number=0)) == ("cal-0001", VOLUME)
    assert trust.calibrations(KEY) == (kept,)
    assert trust.calibration("cal-0001") == (KEY, kept)
    done = trust.keep_check(KEY, CHECK)
    assert (done.name, done.passed, done.failed) == ("check-0001", False, ("Pump-down",))
    assert trust.last_check_and_calibrations(KEY)[0] == done
    assert trust.check("1") == (KEY, done, CHECK)
    assert trust.faults() == ()


def test_benches_do_not_see_each_others_and_simulated_seeds_are_benches_of_their_own(place: StorePlace) -> None:
    trust = Store(place).calibration_store
    trust.keep_calibration(BenchKey("bench-1", simulated=True, seed=3), VOLUME)
    trust.keep_check(BenchKey("bench-1", simulated=True, seed=3), CHECK)
    for other in (KEY, BenchKey("bench-1", simulated=True, seed=4), BenchKey("bench-2", simulated=True, seed=3)):
        assert trust.calibrations(other) == ()
        assert trust.last_check_and_calibrations(other)[0] is None


@pytest.mark.parametrize("table", ["calibrations", "checks", "withdrawals", "rests_on"])
def test_the_database_itself_refuses_to_change_or_lose_them(place: StorePlace, table: str) -> None:
    store = Store(place)
    trust = store.calibration_store
    trust.keep_calibration(KEY, VOLUME)
    trust.keep_check(KEY, CHECK)
    trust.withdraw(1, Withdrawal(NOW, "R. Counter", "the vessel was dented"))
    bench = replace(BENCH, grounds=(TraceabilityItem("check", 1, "c"), TraceabilityItem("volume", 1, "v")))
    store.recorder().run_started(replace(started(), bench=bench))
    with raw_database(place) as raw:
        assert raw.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0
    with raw_database(place) as raw, pytest.raises(REFUSED, match="never changed"):
        raw.execute(f"UPDATE {table} SET id = id + 1")
    with raw_database(place) as raw, pytest.raises(REFUSED, match="never taken away"):
        raw.execute(f"DELETE FROM {table}")


def test_a_withdrawn_calibration_stays_with_its_reason_and_cannot_be_withdrawn_again(place: StorePlace) -> None:
    trust = Store(place).calibration_store
    trust.keep_calibration(KEY, VOLUME)
    trust.withdraw(1, Withdrawal(NOW, "R. Counter", "the vessel was dented"))
    (found,) = trust.calibrations(KEY)
    assert found.withdrawal == Withdrawal(NOW, "R. Counter", "the vessel was dented")
    with pytest.raises(ConfigError, match="withdrawn before"):
        trust.withdraw(1, Withdrawal(NOW, "R. Counter", "again"))


def test_runs_that_rested_on_a_calibration_or_a_check_are_found(place: StorePlace) -> None:
    store = Store(place)
    for _ in range(2):
        store.calibration_store.keep_calibration(KEY, VOLUME)
    store.calibration_store.keep_check(KEY, CHECK)
    record_into(store.recorder(), "aborted")
    bench = replace(
        BENCH,
        grounds=(TraceabilityItem("check", 1, "c"), TraceabilityItem("volume", 2, "v")),
        uncalibrated=("heat: never",),
    )
    number = store.recorder().run_started(replace(started("C-7"), bench=bench))
    assert [run.run for run in store.runs(wanted=RunsWanted(calibration=2))] == [number]
    assert [run.run for run in store.runs(wanted=RunsWanted(check=1))] == [number]
    assert store.runs(wanted=RunsWanted(calibration=1)) == []
    assert store.run(number).bench == bench
    assert store.run(number).digest_faults() == ()


@pytest.mark.parametrize("wanted", ["cal-0009", "9"])
def test_a_calibration_that_is_not_there_is_told(place: StorePlace, wanted: str) -> None:
    with pytest.raises(ConfigError, match="No calibration"):
        Store(place).calibration_store.calibration(wanted)


@pytest.mark.parametrize("wanted", ["", "cal-x", "check-1", "²", "-1"])
def test_a_name_that_is_none_is_told(place: StorePlace, wanted: str) -> None:
    with pytest.raises(ConfigError, match="no name like"):
        Store(place).calibration_store.calibration(wanted)


def test_a_changed_calibration_does_not_fit_its_digest(place: StorePlace) -> None:
    trust = Store(place).calibration_store
    trust.keep_calibration(KEY, VOLUME)
    behind(place, "UPDATE calibrations SET content = replace(content, '0.5013', '0.5113')")
    assert trust.faults() == ("cal-0001 is not as it was written",)


@pytest.mark.slow
def test_a_store_of_the_first_schema_is_brought_up_to_date_with_its_runs(workshop: Path) -> None:
    from alembic import command
    from alembic.config import Config

    import benchrig.records as package

    workshop.mkdir()
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "accept")
    config = Config()
    config.set_main_option("script_location", str(Path(package.__file__).with_name("migrations")))
    config.set_main_option("path_separator", "os")
    with make_engine(path, begin="BEGIN IMMEDIATE").begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0001")
    with raw_database(path) as raw:
        assert raw.execute("SELECT count(*) FROM sqlite_master WHERE name = 'calibrations'").fetchone() == (0,)
    identity_path(path).unlink()  # programs of that day kept none
    open_database(StorePlace(path))
    store = Store(path)
    assert store.run("0001").digest_faults() == ()
    assert store.calibration_store.keep_calibration(KEY, VOLUME).number == 1
