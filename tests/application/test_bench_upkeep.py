"""Check, calibration and study of a bench, as a batch or a console would have them done."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.application.bench_check import check_bench
from benchrig.application.bench_choice import BenchChoice, open_bench
from benchrig.application.calibration import calibrate_bench, method_for, withdraw_calibration
from benchrig.application.events import (
    CalibrationBegan,
    Checked,
    Connected,
    Event,
    NothingKept,
    ReferenceRead,
    StudyComplete,
    StudyOpened,
    StudyPartMeasured,
    StudyStopped,
    Warned,
)
from benchrig.application.paths import home, pages_folder, store_path
from benchrig.application.repeatability import StudyRequest, run_study
from benchrig.bench.opening import OpenedBench
from benchrig.errors import ConfigError, aborted
from benchrig.records import Store
from benchrig.records.study_file import study_path
from benchrig.sequencer.operator import Unattended
from tests.application.consoles import Console
from tests.sequencer.short_runs import valve


def opened(*faults: str, hands: bool = True) -> OpenedBench:
    found = open_bench(BenchChoice(simulated={"condition": "good", "seed": 1, "faults": list(faults)}))
    return found if hands else OpenedBench(found.bench, found._close)


@pytest.mark.slow
def test_a_check_is_stored_with_its_page_and_each_look_is_told():
    console = Console()
    checked = check_bench(Store(store_path()), opened(), operator_name="me", seed=1, tell=console)
    assert checked.result.passed
    assert [each.item.name for each in console.of(Checked)] == [item.name for item in checked.result.items]
    assert console.of(ReferenceRead)[0].what == "barometer"
    assert checked.page == pages_folder() / "check-0001.html"
    assert Store(store_path()).calibration_store.check("check-0001")[2].operator == "me"


@pytest.mark.slow
def test_a_bench_without_hands_is_checked_by_who_answers_and_fed_while_armed():
    bench = opened(hands=False)
    console = Console(bench._close.__self__.hands, feeds=2)
    checked = check_bench(Store(store_path()), bench, operator_name="me", seed=1, questions=console, tell=console)
    assert checked.result.passed
    assert console.asked[0] == "read barometer"  # nothing is armed yet, so nothing needs feeding
    assert "connect blind-plug" in console.asked
    assert console.of(Connected) == []


def test_with_nobody_there_a_bench_that_needs_a_person_is_not_checked():
    with pytest.raises(ConfigError, match="cannot connect anything by itself"):
        check_bench(Store(store_path()), opened(hands=False), operator_name="me", seed=1)
    assert Store(store_path()).calibration_store.checks() == ()


def test_a_calibration_is_kept_with_its_number_and_what_connects_is_told():
    console = Console()
    key, kept = calibrate_bench(
        Store(store_path()), opened(), method_for("leads"), operator_name="me", seed=1, tell=console
    )
    assert (kept.name, kept.kind, key.seed) == ("cal-0001", "leads", 1)
    assert console.of(CalibrationBegan)[0].title == "Meter leads, by a short circuit"
    assert [each.fitting.value for each in console.of(Connected)] == ["shorted-leads", "valve"]
    assert Store(store_path()).calibration_store.calibrations(key) == (kept,)


def test_a_kind_without_such_a_way_is_refused():
    with pytest.raises(ConfigError, match="leads is not calibrated by vessel"):
        method_for("leads", "vessel")


@pytest.mark.parametrize(("answer", "said"), [(False, "Not kept"), (None, "is not kept unasked")])
def test_a_constant_that_moves_by_much_is_kept_only_when_somebody_says_so(monkeypatch, answer, said):
    monkeypatch.setattr("benchrig.application.calibration.MOVED_MOST", -1.0)
    console = Console(keep=answer)
    store, bench = Store(store_path()), opened()
    with pytest.raises(ConfigError, match=said):
        calibrate_bench(store, bench, method_for("leads"), operator_name="me", seed=1, questions=console)
    assert console.asked == ["keep"]
    assert Store(store_path()).calibration_store.calibrations() == ()


def test_a_calibration_that_is_stopped_keeps_nothing_and_ends_with_the_outputs_off():
    console = Console()
    bench = opened()
    board = bench._close.__self__.simulated_bench.board
    with pytest.raises(KeyboardInterrupt) as stopped:
        calibrate_bench(
            Store(store_path()),
            bench,
            method_for("background"),
            operator_name="me",
            seed=1,
            tell=console,
            stop_wanted=lambda: bool(console.of(Connected)),
        )
    assert console.of(NothingKept) == [NothingKept()]
    assert board.outputs == 0
    assert "all outputs off" in aborted(stopped.value).bench_state


def test_a_withdrawn_calibration_counts_no_more_and_needs_a_reason():
    store = Store(store_path())
    _, kept = calibrate_bench(store, opened(), method_for("leads"), operator_name="me", seed=1)
    with pytest.raises(ConfigError, match="reason is empty"):
        withdraw_calibration(store, kept.name, operator_name="me", reason=" ")
    gone = withdraw_calibration(store, kept.name, operator_name="me", reason="wrong plug")
    assert (gone.calibration.name, gone.runs) == ("cal-0001", ())
    assert store.calibration_store.calibrations()[0].withdrawal is not None


def study(**more) -> StudyRequest:
    known = {
        "name": "s",
        "model": valve(),
        "parts": ("P1", "P2"),
        "operators": ("O1",),
        "trials": 2,
        "steps": ("coil",),
        "bench_file": None,
        "condition": "good",
        "severity": None,
        "seed": 1,
    }
    return StudyRequest(**{**known, **more})


def test_a_study_of_simulated_parts_goes_through_and_then_is_complete():
    path = study_path(home() / "studies", "s")
    console = Console()
    done = run_study(path, study(), Store(store_path()), tell=console)
    assert done.left == ()
    assert console.of(StudyOpened) == [StudyOpened("s", 0, 4, simulated=True)]
    assert [each.number for each in console.of(StudyPartMeasured)] == [1, 2, 3, 4]
    again = Console()
    run_study(path, study(), Store(store_path()), tell=again)
    assert again.events == [StudyComplete("s", 4)]


def test_a_study_that_is_stopped_keeps_what_was_measured_and_goes_on_from_there():
    path = study_path(home() / "studies", "s")
    console = Console()

    def after_one() -> bool:
        return bool(console.of(StudyPartMeasured))

    with pytest.raises(KeyboardInterrupt):
        run_study(path, study(), Store(store_path()), tell=console, stop_wanted=after_one)
    assert console.of(StudyStopped) == [StudyStopped(1, 4)]
    more: list[Event] = []
    run_study(path, study(), Store(store_path()), tell=more.append)
    assert more[0] == StudyOpened("s", 1, 4, simulated=True)


def test_a_study_does_not_draw_more_vacuum_than_the_bench_reaches():
    deep = valve().model_copy(update={"hold_vacuum_kpa": 95.0})
    with pytest.raises(ConfigError, match="this bench draws only"):
        run_study(study_path(home() / "studies", "s"), study(model=deep), Store(store_path()))


def test_a_study_on_a_real_bench_has_each_part_put_on_and_nobody_is_no_answer(tmp_path, monkeypatch):
    monkeypatch.setattr("benchrig.application.repeatability.open_bench", lambda _: opened())
    console = Console()
    run_study(study_path(tmp_path, "s"), study(condition=None), Store(store_path()), questions=console, tell=console)
    assert sorted(console.asked) == sorted(f"part {p} for O1, trial {t}" for p in ("P1", "P2") for t in (1, 2))
    with pytest.raises(Unattended, match="put part P"):
        run_study(study_path(tmp_path, "t"), study(name="t", condition=None), Store(store_path()))


def test_a_check_and_a_calibration_say_what_was_exchanged_since_and_do_not_rest_on_it():
    store, leads = Store(store_path()), method_for("leads")
    key, kept = calibrate_bench(store, opened(), leads, operator_name="me", seed=1, keep_whatever=True)
    assert kept.constants[0].value != kept.before[0].value
    store.calibration_store.keep_calibration(key, replace(kept, made_on=(("meter", "ANOTHER,METER,7"),)))
    console = Console()
    _, again = calibrate_bench(store, opened(), leads, operator_name="me", seed=1, keep_whatever=True, tell=console)
    assert [each.text.partition(":")[0] for each in console.of(Warned)] == ["cal-0002 (leads) does not count"]
    assert again.before == kept.before  # the bench file's, not that of the other meter


@pytest.mark.slow
def test_a_check_says_what_was_exchanged_since_the_calibrations_and_does_not_rest_on_them():
    store = Store(store_path())
    key, kept = calibrate_bench(store, opened(), method_for("leads"), operator_name="me", seed=1, keep_whatever=True)
    other = kept.constants[0]._replace(value=9.0)
    store.calibration_store.keep_calibration(
        key, replace(kept, constants=(other,), made_on=(("meter", "ANOTHER,METER,7"),))
    )
    console = Console()
    checked = check_bench(store, opened(), operator_name="me", seed=1, tell=console)
    assert checked.result.passed  # 9 ohm of leads would have failed it
    assert "the meter was ANOTHER,METER,7" in console.of(Warned)[0].text
    dead = check_bench(store, opened("meter-unplug@0"), operator_name="me", seed=1)
    assert not dead.result.passed
