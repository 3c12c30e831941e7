"""What a bench recorded by itself comes to the shared store once, whole and in order, whatever happens meanwhile."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from benchrig.bench.calibrations import Withdrawal
from benchrig.bench.traceability import TraceabilityItem
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.decisions import Decision
from benchrig.records.delivery import delivering
from benchrig.records.delivery.delivering import Delivered, Waits, deliver, waits
from benchrig.records.identity import identity_path
from benchrig.records.label_code import label_code
from benchrig.records.run_list import RunsWanted
from tests.postgresql import Cluster
from tests.records.raw_database import behind
from tests.records.test_calibration_store import CHECK, VOLUME
from tests.records.test_seals import REAL, told
from tests.reports.sample_record import BENCH, STARTED, ended, record_into, started, steps

pytestmark = pytest.mark.slow  # each makes a store on a server
ON_REAL = replace(BENCH, name=REAL.name, simulated=False)


@pytest.fixture
def shared(server_url: str, workshop: Path) -> StorePlace:
    return place_named(server_url, workshop)


def bench_of(folder: Path) -> Store:
    """A bench with a store of its own: a check, a calibration, two runs, a decision, a withdrawal."""
    store = Store(folder / "records.sqlite")
    store.calibration_store.keep_check(REAL, CHECK)
    store.calibration_store.keep_calibration(REAL, VOLUME)
    record_into(store.recorder(), "accept", tag="C-1")
    recorder = store.recorder()
    grounds = (TraceabilityItem("check", 1, "c"), TraceabilityItem("volume", 1, "v"))
    later = STARTED + timedelta(hours=1)
    recorder.run_started(replace(started("C-2"), at=later, bench=replace(ON_REAL, grounds=grounds)))
    for step in steps("reject"):
        recorder.step_finished(step)
    recorder.run_ended(ended("reject", steps("reject")))
    store.decide(store.run("run:2"), Decision(STARTED, "R. Counter", "scrap", "cracked"))
    store.calibration_store.withdraw(1, Withdrawal(STARTED, "R. Counter", "dented"))
    return store


def test_all_of_it_comes_over_once_and_stands_as_it_was_sealed(workshop: Path, shared: StorePlace) -> None:
    own, there = bench_of(workshop), Store(shared)
    assert waits(own, shared) == Waits(10, 2, 0)
    assert deliver(own, there) == Delivered(10, 2)
    assert waits(own, shared) == Waits(0, 0, 0)
    assert deliver(own, there) == Delivered(0, 0)
    found = there.verify()
    assert told(found) == []
    assert found.counts == own.verify().counts
    assert [each.digest for each in there.heads()] == [each.digest for each in own.heads()]
    for number in ("run:1", "run:2"):
        here, copy = own.run(number), there.run(number)
        assert replace(copy, steps=()) == replace(here, steps=())
        assert copy.digest_faults() == ()
        assert copy.seal is not None
        assert (copy.seal.state, copy.own_name) == ("sealed", here.own_name)
    assert [run.run for run in there.runs(wanted=RunsWanted(calibration=1))] == ["0002"]
    assert there.run("2").decisions == own.run("2").decisions


def test_runs_of_two_benches_that_go_by_one_name_and_number_are_two_runs(workshop: Path, shared: StorePlace) -> None:
    first, second, there = bench_of(workshop / "a"), bench_of(workshop / "b"), Store(shared)
    deliver(first, there)
    deliver(second, there)
    runs = [there.run(f"run:{number}") for number in (1, 2, 3, 4)]
    assert [run.own_number for run in runs] == ["0001", "0002"] * 2
    assert len({run.own_name for run in runs}) == 4
    found = there.verify()
    assert told(found) == []
    assert any(
        "2 computers have sealed as demo bench: do two benches go by one name?" in each for each in found.remarks
    )
    # A third one writes into the shared store itself.
    assert record_into(there.recorder(), "accept", tag="C-9") == "0005"
    record_into(second.recorder(), "accept", tag="C-8")
    assert deliver(second, there).runs == 1
    assert there.run("C-8").run == "0006"
    assert told(there.verify()) == []


def test_a_run_that_is_going_on_waits_with_all_that_came_after_its_beginning(
    workshop: Path, shared: StorePlace
) -> None:
    own, there = Store(workshop / "records.sqlite"), Store(shared)
    recorder = own.recorder()
    recorder.run_started(started("C-1"))
    record_into(own.recorder(), "accept", tag="C-2")
    assert deliver(own, there).runs == 0
    assert there.runs() == []
    assert waits(own, shared) == Waits(3, 1, 1)
    recorder.run_ended(ended("aborted", steps("aborted")))
    assert deliver(own, there).runs == 2
    assert [(run.tag, run.ending) for run in there.runs()] == [("C-2", "finished"), ("C-1", "aborted")]
    assert told(there.verify()) == []


def test_a_delivery_that_breaks_off_leaves_whole_runs_and_goes_on_where_it_was(
    workshop: Path, shared: StorePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, there = bench_of(workshop), Store(shared)
    once = delivering._Copy.run

    def broken(self: object, number: int) -> None:
        once(self, number)  # type: ignore[arg-type]
        if number == 2:
            raise BenchError("the cable was pulled")

    monkeypatch.setattr(delivering._Copy, "run", broken)
    with pytest.raises(BenchError, match="cable"):
        deliver(own, there)
    assert [run.tag for run in there.runs()] == ["C-1"]
    assert told(there.verify()) == []
    monkeypatch.undo()
    deliver(own, there)
    assert [run.tag for run in there.runs()] == ["C-2", "C-1"]
    assert told(there.verify()) == []


def test_odd_characters_and_large_seeds_come_over_as_they_are(workshop: Path, shared: StorePlace) -> None:
    own, there = Store(workshop / "records.sqlite"), Store(shared)
    recorder = own.recorder()
    recorder.run_started(replace(started("C-1", complaint="a\0b \udcff Ω %s :x"), seed=2**63 - 1))
    recorder.run_ended(ended("aborted", steps("aborted")))
    assert deliver(own, there).runs == 1
    record = there.run("C-1")
    assert (record.intake.complaint, record.seed) == ("a?b ? Ω %s :x", 2**63 - 1)
    assert record.digest_faults() == ()
    assert told(there.verify()) == []


def test_a_server_that_was_lost_or_put_back_from_a_backup_is_told_with_what_to_do(
    workshop: Path, shared: StorePlace, postgresql: Cluster
) -> None:
    own, there = bench_of(workshop), Store(shared)
    deliver(own, there)
    behind(shared, "UPDATE identity SET run = 1")
    with pytest.raises(ConfigError, match="older than it once was") as caught:
        Store(shared)
    assert "delivers what is missing anew" in caught.value.hint
    schema = shared.url.rpartition("%3D")[2]
    postgresql.execute(f"DROP SCHEMA {schema} CASCADE", f"CREATE SCHEMA {schema}")
    with pytest.raises(ConfigError, match="a store was kept here") as caught:
        Store(shared)
    assert str(identity_path(shared.beside)) in caught.value.hint
    identity_path(shared.beside).unlink()
    anew = Store(shared)
    assert deliver(own, anew).runs == 2
    assert told(anew.verify()) == []


def test_a_server_that_is_killed_between_two_runs_loses_nothing_and_has_nothing_twice(workshop: Path) -> None:
    from tests.postgresql import binaries

    if binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    own = bench_of(workshop)
    for tag in ("C-3", "C-4"):
        record_into(own.recorder(), "accept", tag=tag)
    with Cluster(durable=True) as cluster:
        place = place_named(cluster.new_schema(), workshop)
        with pytest.raises(BenchError, match=r"delivery could not be written|cannot be read"):
            deliver(own, Store(place), lambda done: cluster.kill() if done.runs == 2 else None)
        record_into(own.recorder(), "accept", tag="C-5")  # the bench goes on
        with pytest.raises(ConfigError, match="cannot be opened") as away:
            Store(place)
        assert "running" in away.value.hint
        cluster.start()
        there = Store(place)
        deliver(own, there)
        assert sorted(run.tag for run in there.runs()) == ["C-1", "C-2", "C-3", "C-4", "C-5"]
        assert told(there.verify()) == []
        del there


def test_what_is_changed_on_the_server_is_named_with_both_its_numbers(workshop: Path, shared: StorePlace) -> None:
    there = Store(shared)
    record_into(there.recorder(), "accept", tag="C-9")
    deliver(bench_of(workshop), there)
    behind(shared, "UPDATE runs SET operator = 'X' WHERE tag = 'C-1'", "UPDATE delivered SET here = 2 WHERE here = 1")
    lines = told(Store(shared).verify())
    assert any("sealed as 0001 of store" in line or "sealed as 0001 of demo bench" in line for line in lines)
    seal = Store(shared).run("C-1").seal
    assert seal is not None
    assert seal.state == "broken"
    behind(shared, "DELETE FROM delivered WHERE kind = 'run'")
    lines = told(Store(shared).verify())
    assert any("has no seal" in line for line in lines)
    assert any(line.startswith("removed run") for line in lines)


def test_a_store_that_was_put_back_from_a_backup_is_not_mixed_with_what_it_delivered(
    workshop: Path, shared: StorePlace
) -> None:
    own, there = bench_of(workshop), Store(shared)
    old = workshop / "old"
    shutil.copyfile(own.path, old)
    record_into(own.recorder(), "accept", tag="C-3")
    deliver(own, there)
    shutil.copyfile(old, own.path)
    (workshop / "records.sqlite.identity").unlink()
    back = Store(workshop / "records.sqlite")
    with pytest.raises(ConfigError, match="does not come that far"):
        deliver(back, there)
    record_into(back.recorder(), "reject", tag="C-4")
    with pytest.raises(ConfigError, match="another entry of that number"):
        deliver(back, there)
    assert len(there.runs()) == 3


def test_the_label_of_a_bench_finds_its_run_in_the_shared_store(workshop: Path, shared: StorePlace) -> None:
    there = Store(shared)
    record_into(there.recorder(), "accept", tag="C-9")
    own = bench_of(workshop)
    deliver(own, there)
    label = label_code(own.run("run:2"))
    assert there.run(label).own_name == own.run("run:2").own_name
    assert there.run(own.run("run:2").own_name).tag == "C-2"
