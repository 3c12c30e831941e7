"""Measurements that end as soon as they have told enough, and those that must not."""

from __future__ import annotations

from datetime import timedelta

import pytest

from benchrig.bench.calibrations import Calibration, Constant
from benchrig.bench.traceability import Traceability
from benchrig.clock import utc_now
from benchrig.sequencer.steps.hold import known_recovery_of
from tests.sequencer.short_runs import Kept, context, short_bench, short_run, valve
from tests.sequencer.simulated_hands import simulated

ALDER = valve()


def taken(*, full: bool, condition: str = "good", model: str = "alder-24", seed: int = 3, **more):
    _, bench, operator = simulated(condition=condition, model=model, seed=seed)
    sink = Kept()
    finished = short_run(sink, bench, model=model, operator=operator, full=full, **more)
    return finished, {step.name: step for step in sink.steps}


def test_a_good_valve_takes_a_third_of_the_time_and_is_accepted_either_way():
    quick, steps = taken(full=False)
    slow, _ = taken(full=True)
    assert quick.judgement.verdict == slow.judgement.verdict == "accept"
    assert quick.bench_seconds < slow.bench_seconds / 3
    assert any("ended early, after" in note and "within its limit" in note for note in steps["hold"].notes)
    assert steps["hold"].readings["held for"][0] < 10.0


def test_a_full_run_holds_to_the_end_and_says_nothing_of_stopping():
    _, steps = taken(full=True)
    assert steps["hold"].readings["held for"][0] == pytest.approx(30.0, abs=0.1)
    assert not any("stopped" in note for note in steps["hold"].notes)


def test_a_wet_valve_is_held_to_the_end_and_still_called_wet():
    finished, steps = taken(full=False, condition="wet")
    assert finished.judgement.verdict == "undecided"
    assert finished.judgement.cause == "wet"
    assert steps["hold"].readings["held for"][0] == pytest.approx(30.0, abs=0.1)


def test_a_gross_seat_leak_ends_early_and_is_rejected():
    finished, steps = taken(full=False, condition="seat-leak", seed=4)
    assert finished.judgement.verdict == "reject"
    assert steps["hold"].readings["held for"][0] < 25.0


def test_a_sluggish_valve_gets_all_its_clicks():
    finished, steps = taken(full=False, condition="sluggish")
    assert finished.judgement.verdict == "reject"
    assert steps["clicks"].readings["pulses"][0] == 10
    _, of_good = taken(full=False)
    assert of_good["clicks"].readings["pulses"][0] == ALDER.least_clicks


def test_until_certain_leaves_the_rest_out_after_an_open_coil():
    finished, steps = taken(full=False, condition="open-coil", until_certain=True)
    assert finished.judgement.verdict == "reject"
    assert finished.judgement.cause == "open coil"
    assert "clicks" not in steps


def recovery_of(age_h: float, chill_k: float = 20.0) -> Traceability:
    """A calibration of the recovery that is so old."""
    now = utc_now()
    found = (Constant("heat chill_k", chill_k, 0.02, "K"), Constant("heat time_constant_s", 2.0, 0.01, "s"))
    made = now - timedelta(hours=age_h)
    calibration = Calibration("heat", found, found, (), made, now + timedelta(days=9), "me", "by hand", number=3)
    return Traceability(used=(calibration,), assessed=now)


def test_a_recovery_that_was_found_today_counts_for_more_than_an_older_one():
    _, bench, _ = short_bench()
    run = context(bench)
    bench.apply_calibrations(recovery_of(23.9))
    today = known_recovery_of(run)
    bench.apply_calibrations(recovery_of(24.1))
    before = known_recovery_of(run)
    assert today["chill_k"] == before["chill_k"] == 20.0
    assert all(new < old for new, old in zip(today["recovery_varies"], before["recovery_varies"], strict=True))


def test_a_model_that_is_held_at_another_vacuum_has_not_the_chill_of_the_benchs():
    _, bench, _ = short_bench()
    run = context(bench)
    assert known_recovery_of(run)["chill_k"] == bench.file.heat.chill_k
    run.model = run.model.model_copy(update={"hold_vacuum_kpa": 40.0})
    assert known_recovery_of(run) == {}
