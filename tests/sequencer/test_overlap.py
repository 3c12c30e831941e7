"""Steps that go on beside each other: only as the table allows, and never with an output that the other needs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.bench.file import parse_bench_file
from benchrig.errors import BenchError
from benchrig.sequencer.overlap import may_overlap, planned, take_steps
from benchrig.sequencer.sequence import EVERYTHING, STEPS, Step, occupied
from benchrig.sequencer.steps.step_output import StepOutput
from simulators.bench_file import demo_bench_toml, with_tank
from simulators.world.relays import COIL as SUPPLY
from simulators.world.relays import METER
from tests.sequencer.short_runs import Kept, context, short_bench, short_run
from tests.sequencer.simulated_hands import simulated

READY, COIL, HOLD, FLOW, CLICKS = STEPS


@pytest.mark.parametrize(
    ("earlier", "later", "normally", "together"),
    [
        (COIL, HOLD, "closed", True),
        (COIL, HOLD, "open", False),
        (READY, COIL, "closed", False),
        (HOLD, FLOW, "closed", False),
        (FLOW, CLICKS, "closed", False),
    ],
)
def test_only_what_the_table_allows_goes_on_together(earlier, later, normally, together):
    assert may_overlap(earlier, later, normally) is together


def test_a_step_of_which_nothing_is_said_occupies_everything():
    assert occupied(Step("new", "New", lambda run: StepOutput()), "closed") == EVERYTHING


def test_the_meter_is_off_the_coil_before_a_recording_begins_and_never_on_with_the_supply():
    opened, bench, operator = short_bench(seed=2)
    masks = []
    through = opened.simulated_bench.world.set_outputs
    opened.simulated_bench.world.set_outputs = lambda mask: (masks.append(mask), through(mask))[1]
    short_run(Kept(), bench, operator=operator)
    assert any(mask & METER for mask in masks)
    assert not any(mask & METER and mask & SUPPLY for mask in masks)


def test_a_step_beside_another_ends_before_the_next_that_needs_its_part():
    _, bench, _ = short_bench(seed=2)
    run = context(bench)
    told = []

    def slow(run):
        told.append("slow began")
        yield run.bench.clock.now() + 3.0
        told.append("slow ended")
        return StepOutput()

    def quick(run):
        told.append("quick began")
        run.bench.wait(1.0)
        told.append("quick ended")
        return StepOutput()

    first = Step("slow", "Slow", slow, occupies=frozenset({"plug"}))
    beside = Step("quick", "Quick", quick, occupies=frozenset({"manifold"}), beside=("slow",))
    after = replace(beside, name="after", beside=())
    ended = [result.name for result in take_steps([first, beside, after], run)]
    assert told == ["slow began", "quick began", "quick ended", "slow ended", "quick began", "quick ended"]
    assert ended == ["quick", "slow", "after"]


def test_what_goes_wrong_in_a_step_beside_another_ends_the_run_there():
    _, bench, _ = short_bench(seed=2)
    run = context(bench)

    def breaks(run):
        yield run.bench.clock.now() + 0.5
        raise BenchError("the meter fell off")

    def long(run):
        run.bench.wait(60.0)
        return StepOutput()

    steps = [
        Step("breaks", "Breaks", breaks, occupies=frozenset({"plug"})),
        Step("long", "Long", long, occupies=frozenset({"manifold"}), beside=("breaks",)),
    ]
    began_s = bench.clock.now()
    with pytest.raises(BenchError, match="fell off"):
        take_steps(steps, run)
    assert bench.clock.now() - began_s < 2.0


def test_a_bench_that_was_made_safe_resumes_nothing():
    _, bench, _ = short_bench(seed=2)
    context(bench)

    def never_again():
        yield bench.clock.now() + 1.0
        raise AssertionError("resumed on a bench that was made safe")

    bench.alongside(never_again())
    bench.wait(0.1)
    bench.make_safe()
    bench.arm(20.0)
    bench.wait(2.0)


def test_the_plan_is_the_order_in_which_a_run_really_goes():
    """Begin and end of every step of a full run lie where the plan says, to the pump's and the meter's pace."""
    _, bench, operator = simulated(seed=3)
    sink = Kept()
    short_run(sink, bench, operator=operator, full=True)
    really = {step.name: step for step in sink.steps}
    for each in planned(STEPS, bench.file, "closed", "full"):
        assert really[each.step.name].started_s == pytest.approx(each.begins_s, abs=2.0)
        assert really[each.step.name].ended_s == pytest.approx(each.ends_s, abs=2.0)


@pytest.mark.parametrize("normally", ["closed", "open"])
def test_in_every_plan_no_two_steps_occupy_the_same_at_once(normally):
    _, bench, _ = short_bench()
    for pace in ("usual", "full", "floor"):
        plan = planned(STEPS, bench.file, normally, pace)
        for at, earlier in enumerate(plan):
            for later in plan[at + 1 :]:
                if later.begins_s < earlier.ends_s:
                    assert not occupied(earlier.step, normally) & occupied(later.step, normally)


def test_the_floor_of_every_step_is_below_what_it_usually_takes():
    _, bench, _ = short_bench()
    for step in STEPS:
        takes = step.takes(bench.file)
        assert 0 <= takes.floor <= takes.usual <= takes.full


def test_with_a_vacuum_tank_the_plan_counts_the_let_down_in_place_of_the_pump():
    plain, with_one = (
        parse_bench_file(text, where="here").file for text in (demo_bench_toml(), with_tank(demo_bench_toml()))
    )
    saves_s = plain.check.pump_s - with_one.tank.let_down_s
    for pace in ("usual", "full", "floor"):
        ends = [planned(STEPS, file, "closed", pace)[-1].ends_s for file in (plain, with_one)]
        assert ends[0] - ends[1] == pytest.approx(saves_s)
