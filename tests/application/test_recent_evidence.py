"""What the last hours tell of the bench, and that a run makes use of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.application.paths import store_path
from benchrig.application.qualification import qualify_valve
from benchrig.application.recent_evidence import line_proven_by, recovery_of_the_day
from benchrig.bench.traceability import CheckDone
from benchrig.records import Store
from benchrig.records.recent_runs import RecentRun
from benchrig.sequencer.steps.hold import CHILL_LABEL, EXPECTED_LABEL, HELD_LABEL, TAU_LABEL
from tests.application.test_qualification import opened, request

NOW = datetime(2026, 11, 27, 14, 0, tzinfo=UTC)


def run(hours_ago: float, verdict: str = "accept", **more) -> RecentRun:
    hold = {TAU_LABEL: 2.1, CHILL_LABEL: 20.0, HELD_LABEL: 30.0}
    ended = NOW - timedelta(hours=hours_ago)
    return replace(RecentRun("0042", ended, "finished", verdict, True, True, hold), **more)


def check(hours_ago: float, *, passed: bool = True) -> CheckDone:
    return CheckDone(3, passed, NOW - timedelta(hours=hours_ago), "me")


def test_the_valve_before_this_one_proves_the_line_if_it_was_accepted_within_the_hours():
    assert "run 0042" in line_proven_by([run(0.5), run(1.0, "reject")], None, NOW, 4.0)
    assert line_proven_by([run(4.5)], None, NOW, 4.0) == ""
    assert line_proven_by([], None, NOW, 4.0) == ""


@pytest.mark.parametrize(
    "last",
    [
        run(0.1, "reject"),
        run(0.1, "undecided"),
        run(0.1, ending="aborted", verdict=""),
        run(0.1, ended=None, ending="running", verdict=""),
        run(0.1, leak_measured=False),
        run(0.1, flow_measured=False),
    ],
)
def test_after_anything_but_an_accepted_valve_with_its_leak_and_flow_measured_the_line_is_looked_at_again(last):
    assert line_proven_by([last, run(0.5)], check(1.0), NOW, 4.0) == ""


def test_a_bench_check_that_passed_after_the_last_run_proves_the_line_and_one_that_failed_does_not():
    assert "check-0003" in line_proven_by([run(2.0, "reject")], check(1.0), NOW, 4.0)
    assert line_proven_by([run(2.0)], check(1.0, passed=False), NOW, 4.0) == ""
    assert line_proven_by([], check(5.0), NOW, 4.0) == ""


def test_the_recovery_of_the_day_comes_from_long_holds_of_accepted_valves_only():
    long_ones = [run(hours) for hours in (1.0, 2.0, 3.0)]
    short = run(0.5, hold={TAU_LABEL: 9.0, CHILL_LABEL: 1.0, HELD_LABEL: 3.0})
    leaking = run(0.6, "reject", hold={TAU_LABEL: 9.0, CHILL_LABEL: 1.0, HELD_LABEL: 30.0})
    known = recovery_of_the_day([short, leaking, *long_ones], NOW, 12.0)
    assert (known.tau_s, known.chill_k, known.holds) == (pytest.approx(2.1), pytest.approx(20.0), 3)
    assert recovery_of_the_day([short, leaking, *long_ones[:2]], NOW, 12.0) is None
    assert recovery_of_the_day(long_ones, NOW, 2.5) is None


def test_chills_of_unlike_let_downs_are_brought_to_one_before_they_are_compared():
    unlike = ((18.0, 17.1), (20.0, 19.0), (22.0, 20.9))  # each 5 % more than was expected
    holds = [
        run(1.0, hold={TAU_LABEL: 2.1, CHILL_LABEL: chill, EXPECTED_LABEL: expected, HELD_LABEL: 30.0})
        for chill, expected in unlike
    ]
    known = recovery_of_the_day(holds, NOW, 12.0)
    assert known.expected_k == pytest.approx(19.0)
    assert known.chill_k == pytest.approx(20.0)
    assert known.chill_u_k == pytest.approx(0.1)  # what any day varies by, though the chills differ by 2 K
    (first, *rest) = holds
    untold = {label: value for label, value in first.hold.items() if label != EXPECTED_LABEL}
    assert recovery_of_the_day([run(1.0, hold=untold), *rest], NOW, 12.0).chill_u_k > 2.0


def test_recoveries_that_scatter_are_known_no_better_than_they_scatter():
    apart = [run(1.0, hold={TAU_LABEL: 2.1, CHILL_LABEL: chill, HELD_LABEL: 30.0}) for chill in (18.0, 20.0, 22.0)]
    assert recovery_of_the_day(apart, NOW, 12.0).chill_u_k > 2.0


def taken(store, condition: str, **more):
    bench = opened(condition)
    file = bench.bench.loaded.file
    evidence = file.evidence.model_copy(update={"line_h": 4.0, "recovery_h": 12.0})
    sequence = file.sequence.model_copy(update={"hold_s": 30.0})
    changed = file.model_copy(update={"evidence": evidence, "sequence": sequence})
    bench.bench.loaded = replace(bench.bench.loaded, file=changed)
    bench.bench.apply_calibrations(bench.bench.traceability)
    return qualify_valve(store, bench, request(**more)).record


@pytest.mark.slow
def test_a_leaking_valve_after_an_accepted_one_is_rejected_without_a_blind_plug_and_the_next_one_with_it():
    store = Store(store_path())
    assert taken(store, "good").judgement.verdict == "accept"
    first, second = taken(store, "seat-leak"), taken(store, "seat-leak")
    assert first.judgement.verdict == second.judgement.verdict == "reject"
    (by_proof,), (by_plug,) = ([each for each in one.steps if each.name == "control"] for one in (first, second))
    assert "proven tight and free by run 0001" in by_proof.notes[0]
    assert by_proof.ended_s - by_proof.started_s < 0.1
    assert "without the valve the bench is tight" in by_plug.notes[0]
    assert by_plug.ended_s - by_plug.started_s > 10.0


@pytest.mark.slow
def test_full_runs_of_the_day_let_a_later_hold_end_earlier():
    store = Store(store_path())
    before = taken(store, "good", full=False)
    for _ in range(3):
        taken(store, "good", full=True)
    after = taken(store, "good", full=False)
    held = [next(each for each in one.steps if each.name == "hold").readings[HELD_LABEL][0] for one in (before, after)]
    assert held[1] < 0.7 * held[0]
    assert after.judgement.verdict == "accept"
