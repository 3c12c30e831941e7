"""Runs on a bench with a vacuum tank: let down in a second, as sure as pumped down, right when it is not drawn too."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from benchrig.bench.file import parse_bench_file
from benchrig.bench.traceability import Traceability
from benchrig.clock import utc_now
from benchrig.errors import BenchError, InterlockOpen
from benchrig.sequencer.analysed_again import FinishedRun, JudgedBy, analysed_again, bench_of_run
from benchrig.sequencer.calibration.calibrate import METHODS, calibrate
from benchrig.sequencer.events import Intake
from benchrig.sequencer.let_down import FAR, let_down_slowly
from benchrig.sequencer.run import qualify
from benchrig.sequencer.steps.hold import CHILL_LABEL, EXPECTED_LABEL, LET_DOWN_LABEL, hold, known_recovery_of
from benchrig.sequencer.steps.ready import ready
from simulators.bench_file import demo_bench_toml, with_tank
from tests.sequencer.short_runs import Kept, context, valve
from tests.sequencer.simulated_hands import simulated


def run_on(bench, operator):
    intake = Intake("T-1", "alder-24", "core", "me")
    finished = qualify(bench, valve(), intake, sink=Kept(), operator=operator, full=False)
    return finished, {step.name: step for step in finished.steps}


def hold_readings(steps):
    return {label: value for label, (value, _) in steps["hold"].readings.items()}


def calibrated(**options):
    opened, bench, operator = simulated(tank=True, **options)
    method = next(each for each in METHODS if each.kind == "heat")
    made = calibrate(method, bench, operator, operator_name="me", now=utc_now())
    bench.apply_calibrations(Traceability(used=(made,), assessed=utc_now()))
    bench.clock.sleep_until(bench.clock.now() + 60.0)
    return opened, bench, operator, made


@pytest.mark.slow
def test_a_good_valve_is_accepted_sooner_than_without_a_tank_and_all_outputs_are_off():
    opened, bench, operator, made = calibrated(seed=4)
    assert {each.name for each in made.constants} == {"heat time_constant_s", "heat chill_k", "heat outflow_w_k"}
    finished, steps = run_on(bench, operator)
    read = hold_readings(steps)
    assert finished.judgement.verdict == "accept"
    assert finished.bench_seconds < 9.0
    assert read[LET_DOWN_LABEL] < 1.0
    trace = steps["hold"].traces[0]
    deepest_pa = np.convolve(trace.columns["pressure_pa"], np.ones(5) / 5, "valid").min()
    ambient_pa = steps["ready"].readings["ambient pressure"][0] * 1000
    assert 1000 * read["vacuum reached"] == pytest.approx(ambient_pa - deepest_pa, abs=40.0)
    assert not any("instead of" in note for note in steps["hold"].notes)
    assert read[EXPECTED_LABEL] == pytest.approx(bench.file.heat.chill_k, rel=0.01)
    assert opened.simulated_bench.board.outputs == 0
    assert not any("letting down took" in note for note in steps["hold"].notes)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["tank-not-drawn", "tank-line-blocked"])
@pytest.mark.parametrize(("condition", "verdict"), [("good", "accept"), ("seat-leak", "reject")])
def test_a_tank_that_is_not_drawn_or_cannot_be_reached_costs_seconds_and_no_verdict(fault, condition, verdict):
    opened, bench, operator = simulated(seed=4, tank=True, condition=condition, faults=[f"{fault}@0"])
    finished, steps = run_on(bench, operator)
    assert finished.judgement.verdict == verdict
    assert any("letting down took" in note for note in steps["hold"].notes) or condition != "good"
    assert opened.simulated_bench.board.outputs == 0


@pytest.mark.slow
def test_a_tank_that_leaks_more_than_its_pump_draws_is_the_benchs_fault_and_never_the_valves():
    opened, bench, operator = simulated(seed=4, tank=True, faults=["tank-leak@0"])
    finished, steps = run_on(bench, operator)
    (leak,) = steps["hold"].characteristics
    assert (finished.judgement.verdict, leak.value) == ("undecided", None)
    assert "could be drawn" in leak.why_not
    opened, bench, operator = simulated(seed=4, tank=True, condition="seat-leak", faults=["tank-leak@0"])
    with pytest.raises(BenchError, match="Without the valve"):
        run_on(bench, operator)
    assert opened.simulated_bench.board.outputs == 0


@pytest.mark.slow
@pytest.mark.parametrize("starts_pa", [20_000.0, 26_000.0, 30_000.0])
def test_the_let_down_tells_how_cold_the_gas_is_however_far_the_tank_was_drawn(starts_pa):
    opened, bench, _, _ = calibrated(seed=6)
    world = opened.simulated_bench.world
    world.pump_fed = False  # so that the tank stays as it is now put
    world._gas.tank.fill(world._gas.state, starts_pa, world.ambient_k)
    usual_k = bench.file.heat.chill_k
    unknown = bench.file.heat.model_copy(update={"chill_u_k": 5.0})  # so that the hold itself tells it
    bench.file = bench.file.model_copy(update={"heat": unknown})
    run = context(bench, coil="sound")
    ready(run)
    found_k = hold(run).readings[CHILL_LABEL][0]
    assert abs(run.expected_chill_k - found_k) < 0.005 * usual_k + FAR * abs(found_k - usual_k)
    assert abs(found_k - usual_k) > 0.5 or starts_pa < 21_000.0


def test_a_chill_is_scaled_to_what_the_let_down_tells_and_less_known_the_further_it_is_from_the_calibrated_one():
    bench = simulated(tank=True)[1]
    heat = bench.file.heat.model_copy(update={"chill_k": 30.0, "chill_u_k": 0.1, "outflow_w_k": 1.5})
    bench.file = bench.file.model_copy(update={"heat": heat})
    run = context(bench, let_down=True)
    assert "chill_k" not in known_recovery_of(run)  # nothing tells how cold this one is
    run.expected_chill_k = 30.0
    assert (known_recovery_of(run)["chill_k"], known_recovery_of(run)["chill_u_k"]) == (30.0, 0.1)
    run.expected_chill_k = 27.0
    known = known_recovery_of(run)
    assert known["chill_k"] == 27.0
    assert known["chill_u_k"] == pytest.approx((0.1**2 + (FAR * 3.0) ** 2) ** 0.5)


@pytest.mark.slow
def test_a_let_down_is_analysed_again_as_it_was_though_the_file_at_hand_knows_of_no_tank():
    _, bench, operator = simulated(seed=4, tank=True)
    sink = Kept()
    finished = qualify(
        bench, valve(), Intake("T-1", "alder-24", "core", "me"), sink=sink, operator=operator, full=False
    )
    facts, file = sink.started[0].bench, parse_bench_file(demo_bench_toml(), where="here").file
    record = FinishedRun(sink.started[0].intake, facts, finished.steps, finished.judgement)
    again = analysed_again(record, bench_of_run(facts, file), JudgedBy.of(valve()))
    then, now = (
        next(each.characteristic for each in judgement.judged if each.characteristic.name == "hold_leak_sccm")
        for judgement in (finished.judgement, again)
    )
    assert now.value == pytest.approx(then.value, abs=1e-3 * then.u)
    assert now.u == pytest.approx(then.u, rel=1e-3)


def test_a_slow_let_down_is_worth_a_word_from_twice_the_usual_time_on():
    file = parse_bench_file(with_tank(demo_bench_toml()), where="here").file
    for seconds, said in ((2.0 * file.tank.let_down_s + 0.01, 1), (2.0 * file.tank.let_down_s - 0.01, 0)):
        assert len(let_down_slowly(SimpleNamespace(bench=SimpleNamespace(file=file), drawn_s=seconds))) == said


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "severity"), [(4, 1.0), (205299587, 0.1285)])
def test_a_valve_that_does_not_close_is_given_up_before_it_has_flooded_the_tank(seed, severity):
    _, bench, operator = simulated(seed=seed, tank=True, condition="stuck-open", severity=severity)
    finished, steps = run_on(bench, operator)
    assert (finished.judgement.verdict, finished.judgement.cause) == ("reject", "stuck open")
    read = hold_readings(steps)
    assert read[LET_DOWN_LABEL] < 2.5
    assert read["vacuum reached"] < 1.0  # what the tank drew for a moment is no vacuum that the valve holds


@pytest.mark.slow
def test_the_emergency_stop_during_a_let_down_stops_the_tanks_pump_and_leaves_all_outputs_off():
    opened, bench, operator = simulated(seed=4, tank=True, faults=["estop@2.0"])
    with pytest.raises(InterlockOpen):
        run_on(bench, operator)
    assert opened.simulated_bench.board.outputs == 0
    world = opened.simulated_bench.world
    before_kg = world._gas.state.tank_kg
    opened.simulated_bench.advance_to(opened.simulated_bench.now_s + 20.0)
    assert world._gas.state.tank_kg >= before_kg  # nothing draws on it any more,
    assert world.tank_pa() < 40e3  # and it keeps its vacuum


def test_a_bench_file_with_a_tank_allows_longer_draw_downs_and_expects_shorter_ones():
    plain = parse_bench_file(demo_bench_toml(), where="here").file
    with_one = parse_bench_file(with_tank(demo_bench_toml()), where="here").file
    assert plain.draw_limit_s == plain.reservoir.pump_limit_s
    assert with_one.draw_limit_s == 5 * plain.reservoir.pump_limit_s
    assert (plain.draw_down_s, with_one.draw_down_s) == (plain.check.pump_s, with_one.tank.let_down_s)
