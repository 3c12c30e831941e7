"""The order of a run, what is kept when, and how it ends: whole short runs on the simulated bench."""

from __future__ import annotations

import functools
import math

import pytest

from benchrig.analysis.characteristics import units_of_step
from benchrig.bench.traceability import Missing, Traceability, TraceabilityItem
from benchrig.bench.wiring import closed_up
from benchrig.errors import BenchError, InterlockOpen, LinkError, aborted
from benchrig.sequencer import run as run_module
from benchrig.sequencer.measuring import measure_only
from benchrig.sequencer.sequence import STEPS, Step
from benchrig.sequencer.steps import flow as flow_step
from benchrig.sequencer.steps.step_output import StepOutput
from tests.sequencer.short_runs import Kept, canned_flow, set_in_file, short_bench, short_run, valve

NAMES = ["ready", "coil", "hold", "flow", "clicks"]


class Fails(Kept):
    """A record that cannot be written from some moment on."""

    def __init__(self, at: str) -> None:
        super().__init__()
        self.at = at

    def _fail(self, moment: str) -> None:
        if moment == self.at:
            raise BenchError("The record could not be written: disk full.", hint="Free some space.")

    def step_finished(self, step):
        self._fail(step.name)
        super().step_finished(step)

    def run_ended(self, end):
        self._fail(f"end {end.ending}")
        super().run_ended(end)


@pytest.fixture(autouse=True)
def _quick_fill(monkeypatch):
    monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)


@functools.cache
def run_of(condition: str):
    """A short run of the first model's valve, made once: what was told, the outputs driven, and the bench after it."""
    sink = Kept()
    opened, bench, _ = short_bench(condition=condition)
    driven: list[int] = []
    through = opened.simulated_bench.world.set_outputs
    opened.simulated_bench.world.set_outputs = lambda mask: (driven.append(mask), through(mask))
    seen = []
    decide = run_module.decide
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run_module, "decide", lambda *a, **k: (seen.append(k["evidence"]), decide(*a, **k))[1])
        patch.setattr(flow_step, "analyse_flow", canned_flow)
        finished = short_run(sink, bench, seed=7, program="benchrig x", control_waived=True)
    return finished, sink, driven, opened, seen[0]


def test_each_step_finds_what_the_table_of_characteristics_says_of_it():
    finished = run_of("good")[0]
    for step in finished.steps:
        assert {each.name for each in step.characteristics} == set(units_of_step(step.name)), step.name
        assert {each.name: each.unit for each in step.characteristics} == units_of_step(step.name)


def instead(monkeypatch, name: str, does) -> None:
    """Let a step of the sequence do something else."""
    steps = tuple(Step(each.name, each.title, does) if each.name == name else each for each in STEPS)
    monkeypatch.setattr(run_module, "STEPS", steps)


def test_each_step_is_kept_before_it_is_shown_and_before_the_next_begins():
    finished, sink, _, opened, _ = run_of("good")
    wanted = ["started", "began ready", "kept ready", "showed ready"]
    wanted += ["began coil", "began hold", "kept coil", "showed coil", "kept hold", "showed hold"]
    for name in ("flow", "clicks"):
        wanted += [f"began {name}", f"kept {name}", f"showed {name}"]
    assert sink.told == [*wanted, "ended finished"]
    assert finished.number == "0001"
    assert [each.name for each in finished.steps] == NAMES
    assert finished.bench_state == "all outputs off, pump stopped, vent open"
    assert opened.simulated_bench.board.outputs == 0
    assert not opened.simulated_bench.board.armed


def test_steps_follow_each_other_on_the_bench_clock_and_end_with_the_run():
    finished, sink, *_ = run_of("good")
    for before, after in zip(sink.steps, sink.steps[1:], strict=False):
        beside = (before.name, after.name) == ("coil", "hold")
        assert before.started_s < before.ended_s <= (after.ended_s if beside else after.started_s)
    assert sink.steps[-1].ended_s <= finished.bench_seconds == sink.ends[0].bench_seconds


def test_the_coil_is_measured_before_anything_energises_it():
    _, _, driven, _, _ = run_of("good")
    assert next(mask & 0b11 for mask in driven if mask & 0b11) == 0b10


@pytest.mark.parametrize(
    ("condition", "name", "failing"),
    [
        ("open-coil", "coil_resistance_20c_ohm", "fail"),
        ("restricted", "flow_at_rated_vacuum_lpm_anr", "fail"),
        ("seat-leak", "hold_leak_sccm", "fail"),
        ("good", "coil_resistance_20c_ohm", "pass"),
    ],
)
def test_the_verdict_rests_on_what_the_steps_found(condition, name, failing):
    finished, *_ = run_of(condition)
    outcome = {each.characteristic.name: each.outcome for each in finished.judgement.judged}
    assert outcome[name] == failing
    assert (finished.judgement.verdict == "reject") == (failing == "fail")


def test_the_record_says_on_what_bench_and_constants_the_run_was_made():
    _, sink, *_ = run_of("good")
    (start,) = sink.started
    assert start.bench.constants["reservoir volume"] == (0.5, 0.0025, "L")
    assert start.bench.constants["coil current scale"] == (2.0, pytest.approx(0.006), "V/A")
    assert start.bench.constants["transducer offset"] == (0.2, pytest.approx(0.0015), "V")
    assert start.bench.constants["heat conductance by inflow of 1 g/s"] == (1.6, 0.3, "W/K")
    assert "BRSIM001" in start.bench.board
    assert start.bench.meter
    assert (start.seed, start.program, start.bench.simulated) == (7, "benchrig x", True)


@pytest.mark.parametrize("fault", ["estop@2.0", "guard@2.0", "unplug@2.0", "supply-off@0.1"])
def test_a_fault_of_the_bench_closes_the_record_without_a_verdict_and_says_how_the_bench_was_left(fault):
    sink = Kept()
    opened, bench, _ = short_bench(faults=[fault])
    with pytest.raises(BenchError) as caught:
        short_run(sink, bench)
    (end,) = sink.ends
    assert (end.ending, end.judgement) == ("aborted", None)
    assert end.error == str(caught.value)
    assert end.hint == caught.value.hint != ""
    assert end.bench_state == aborted(caught.value).bench_state != ""
    assert end.bench_seconds > 0
    opened.clock.sleep_until(opened.clock.now() + 3.0)
    assert opened.simulated_bench.board.outputs == 0


def test_an_emergency_stop_that_is_pressed_beforehand_is_named_in_the_record():
    sink = Kept()
    _, bench, _ = short_bench(faults=["estop@0.0"])
    with pytest.raises(InterlockOpen, match="Emergency stop is pressed"):
        short_run(sink, bench)
    assert [end.ending for end in sink.ends] == ["aborted"]


def test_a_bench_that_does_not_even_answer_leaves_no_record():
    sink = Kept()
    _, bench, _ = short_bench(faults=["unplug@0.0"])
    with pytest.raises(LinkError) as caught:
        short_run(sink, bench)
    assert sink.told == []
    assert "not known" in aborted(caught.value).bench_state


def test_ctrl_c_in_a_step_is_told_as_a_stop_and_leaves_the_outputs_off(monkeypatch):
    def stop(run):
        run.bench.switch(frozenset())
        raise KeyboardInterrupt

    sink = Kept()
    opened, bench, _ = short_bench()
    instead(monkeypatch, "hold", stop)
    with pytest.raises(KeyboardInterrupt) as caught:
        short_run(sink, bench)
    assert sink.ends[0].error == "stopped by the operator"
    assert aborted(caught.value).bench_state == "all outputs off, pump stopped, vent open"
    assert opened.simulated_bench.board.outputs == 0


def test_a_fault_in_the_program_is_told_as_one_and_leaves_the_outputs_off(monkeypatch):
    from benchrig.bench.wiring import pumping

    def breaks(run):
        run.bench.switch(pumping(coil=True))
        raise ZeroDivisionError("by nothing")

    sink = Kept()
    opened, bench, _ = short_bench()
    instead(monkeypatch, "hold", breaks)
    with pytest.raises(ZeroDivisionError):
        short_run(sink, bench)
    assert "a fault in the program: ZeroDivisionError: by nothing" in sink.ends[0].error
    assert opened.simulated_bench.board.outputs == 0


def canned(monkeypatch, done: list[str], **instead_of) -> None:
    """A sequence whose steps measure nothing, energise the coil and say that they were done."""

    def energise(name):
        def does(run):
            run.bench.switch(closed_up(coil=True))
            done.append(name)
            return StepOutput(notes=(f"{name} was done",))

        return does

    steps = tuple(Step(name, name, instead_of.get(name) or energise(name)) for name in NAMES)
    monkeypatch.setattr(run_module, "STEPS", steps)


@pytest.mark.parametrize("kind", [BenchError, KeyboardInterrupt, SystemExit, MemoryError])
@pytest.mark.parametrize("name", NAMES)
def test_whatever_is_raised_in_a_step_ends_the_run_there_with_what_was_measured_kept(monkeypatch, name, kind):
    def breaks(run):
        run.bench.switch(closed_up(coil=True))
        raise kind("broke")

    done: list[str] = []
    sink = Kept("0017")
    opened, bench, _ = short_bench()
    canned(monkeypatch, done, **{name: breaks})
    with pytest.raises(kind) as caught:
        short_run(sink, bench)
    before = NAMES[: NAMES.index(name)]
    assert done == [step.name for step in sink.steps] == before
    assert sink.told[-2:] == [f"began {name}", "ended aborted"]
    assert sink.ends[0].judgement is None
    assert aborted(caught.value).bench_state == sink.ends[0].bench_state == "all outputs off, pump stopped, vent open"
    assert aborted(caught.value).run == "0017"
    assert opened.simulated_bench.board.outputs == 0
    assert not opened.simulated_bench.board.armed


def test_an_error_that_already_tells_of_a_bench_still_switches_this_one_off(monkeypatch):
    error = BenchError("broke", hint="look")
    aborted(error).bench_state = "all outputs off, as an earlier run left them"

    def breaks(run):
        run.bench.switch(closed_up(coil=True))
        raise error

    opened, bench, _ = short_bench()
    canned(monkeypatch, [], coil=breaks)
    with pytest.raises(BenchError):
        short_run(Kept(), bench)
    assert opened.simulated_bench.board.outputs == 0


@pytest.mark.parametrize("at", ["began", "showed"])
def test_a_screen_that_breaks_ends_the_run_with_the_outputs_off(monkeypatch, at):
    class Breaks(Kept):
        def step_began(self, name, title, expected_s):
            if (at, name) == ("began", "hold"):
                raise OSError("no such terminal")

        def step_ended(self, step):
            if (at, step.name) == ("showed", "hold"):
                raise OSError("no such terminal")

    sink = Breaks()
    opened, bench, _ = short_bench()
    canned(monkeypatch, [])
    with pytest.raises(OSError, match="no such terminal"):
        short_run(sink, bench)
    assert [step.name for step in sink.steps] == ["ready", "coil"] + (["hold"] if at == "showed" else [])
    assert sink.ends[0].ending == "aborted"
    assert opened.simulated_bench.board.outputs == 0


def test_the_board_is_fed_between_a_steps_analysis_and_its_record(monkeypatch):
    told: list[str] = []

    class Notes(Kept):
        def step_finished(self, step):
            told.append(f"kept {step.name}")

    _, bench, _ = short_bench()
    feed = bench.feed
    monkeypatch.setattr(bench, "feed", lambda: (told.append("fed"), feed()))
    canned(monkeypatch, told)
    short_run(Notes(), bench)
    assert told == [each for name in NAMES for each in (name, "fed", f"kept {name}")]


def test_a_trip_during_a_steps_analysis_is_noticed_before_its_result_is_kept(monkeypatch):
    def trips(run):
        opened.simulated_bench.guard_closed = False
        return StepOutput()

    sink = Kept()
    opened, bench, _ = short_bench()
    canned(monkeypatch, [], hold=trips)
    with pytest.raises(InterlockOpen, match="guard"):
        short_run(sink, bench)
    assert [step.name for step in sink.steps] == ["ready", "coil"]
    assert opened.simulated_bench.board.outputs == 0


def test_a_stop_that_somebody_wants_is_heard_at_the_end_of_the_step_and_told_as_the_operators(monkeypatch):
    def asks(run):
        run.bench.stop_wanted = lambda: True
        return StepOutput()

    sink = Kept()
    opened, bench, _ = short_bench()
    canned(monkeypatch, [], coil=asks)
    with pytest.raises(KeyboardInterrupt):
        short_run(sink, bench)
    assert sink.ends[0].error == "stopped by the operator"
    assert opened.simulated_bench.board.outputs == 0


def test_a_fail_does_not_end_the_run_and_what_it_makes_senseless_is_left_out_with_the_reason():
    finished, *_ = run_of("open-coil")
    assert [step.name for step in finished.steps] == NAMES
    assert {step.name: step.skipped for step in finished.steps if step.skipped} == {
        "flow": "the coil is open: it cannot change the valve's state"
    }


@pytest.mark.parametrize("at", ["ready", "hold", "end finished"])
def test_a_record_that_cannot_be_written_ends_the_run_with_the_outputs_off(at):
    sink = Fails(at)
    opened, bench, _ = short_bench()
    with pytest.raises(BenchError, match="disk full") as caught:
        short_run(sink, bench)
    assert aborted(caught.value).bench_state == "all outputs off, pump stopped, vent open"
    assert opened.simulated_bench.board.outputs == 0
    assert [end.ending for end in sink.ends] == ([] if at == "end finished" else ["aborted"])


def test_when_the_record_cannot_even_be_closed_the_first_fault_is_the_one_told():
    _, bench, _ = short_bench(faults=["guard@2.0"])
    with pytest.raises(InterlockOpen, match="guard was opened"):
        short_run(Fails("end aborted"), bench)


def test_a_bench_that_cannot_be_made_safe_gives_no_verdict(monkeypatch):
    sink = Kept()
    _, bench, _ = short_bench()
    monkeypatch.setattr(bench, "make_safe", lambda: (False, "NOT safe: outputs still on: pump"))
    with pytest.raises(BenchError, match="could not be made safe"):
        short_run(sink, bench)
    assert (sink.ends[0].ending, sink.ends[0].judgement) == ("aborted", None)
    assert sink.ends[0].bench_state.startswith("NOT safe")


def test_without_what_the_bench_file_asks_for_every_result_is_marked():
    sink = Kept()
    _, bench, _ = short_bench()
    bench.traceability = Traceability(
        (TraceabilityItem("check", 1, "c"),), missing=(Missing("heat", "never calibrated", "do it"),)
    )
    finished = short_run(sink, bench)
    measured = [each for step in finished.steps for each in step.characteristics]
    assert measured
    assert all(each.how.startswith("UNCALIBRATED") for each in measured)
    assert sink.started[0].bench.uncalibrated == ("heat: never calibrated",)
    assert sink.started[0].bench.grounds == (TraceabilityItem("check", 1, "c"),)


def test_a_calibrated_run_is_not_marked():
    finished, *_ = run_of("good")
    assert not any("UNCALIBRATED" in each.how for step in finished.steps for each in step.characteristics)


def test_a_reject_that_rests_on_the_hose_is_controlled_and_any_other_is_not():
    sink = Kept()
    _, bench, operator = short_bench(condition="seat-leak")
    finished = short_run(sink, bench, operator=operator)
    assert [step.name for step in finished.steps] == [*NAMES, "control"]
    assert operator.asked == ["blind-plug"]
    assert "tight" in finished.steps[-1].notes[0]
    _, bench, operator = short_bench(condition="open-coil")
    assert [step.name for step in short_run(Kept(), bench, operator=operator).steps] == NAMES
    assert operator.asked == []


def test_with_nobody_to_ask_the_reject_stands_only_where_somebody_said_so():
    finished, *_ = run_of("restricted")
    assert finished.judgement.verdict == "reject"
    assert "a blocked hose would look the same" in finished.steps[-1].skipped
    alone = short_run(Kept(), short_bench(condition="restricted")[1])
    assert alone.judgement.verdict == "undecided"
    assert "a blocked hose would look the same" in alone.judgement.why


def test_what_leaks_without_the_valve_is_never_a_reject():
    sink = Kept()
    _, bench, operator = short_bench(faults=["line-leak@0"])
    with pytest.raises(BenchError, match="Nothing is said about the valve"):
        short_run(sink, bench, operator=operator)
    assert sink.ends[0].judgement is None


def test_a_normally_open_valve_is_closed_by_its_coil_and_opened_by_letting_go():
    finished = short_run(Kept(), short_bench(model="birch-26")[1], model="birch-26")
    by_name = {each.name: each for step in finished.steps for each in step.characteristics}
    assert by_name["hold_leak_sccm"].value is not None
    assert by_name["flow_at_rated_vacuum_lpm_anr"].value > 5.0


def test_a_recording_that_does_not_fit_the_board_is_refused_before_anything_is_switched():
    sink = Kept()
    opened, bench, _ = short_bench()
    set_in_file(bench, "sequence", hold_s=500.0)
    with pytest.raises(BenchError, match="hold_s = 500 needs"):
        short_run(sink, bench)
    assert sink.told == []
    assert opened.simulated_bench.board.outputs == 0


def test_measuring_only_takes_the_steps_asked_for_and_those_they_need():
    _, bench, _ = short_bench()
    of = valve()
    found = measure_only(bench, of, steps=("clicks",))
    names = {each.name for each in found.characteristics}
    assert {"coil_resistance_20c_ohm", "pull_in_time_ms"} <= names
    assert "hold_leak_sccm" not in names
    assert bench.board.status().outputs == frozenset()


def test_measuring_only_ends_with_the_outputs_off_when_something_fails():
    _, bench, _ = short_bench(faults=["supply-off@0.1"])
    of = valve()
    with pytest.raises(BenchError) as caught:
        measure_only(bench, of, steps=("hold",))
    assert "all outputs off" in aborted(caught.value).bench_state


def test_the_judgement_is_told_of_clicks_vacuum_and_opening():
    *_, evidence = run_of("good")
    assert evidence.clicks == 3
    assert (evidence.moved_fraction, evidence.still_fraction, evidence.opened) == (1.0, 0.0, True)
    assert evidence.reached_vacuum_kpa == pytest.approx(60.0, abs=3.0)
    assert evidence.load_ratio == pytest.approx(1.0, abs=0.1)
    *_, stuck = run_of("stuck-closed")
    assert (stuck.clicks, stuck.moved_fraction, stuck.opened) == (3, 0.0, False)


def test_a_meter_that_finds_a_path_now_and_then_makes_a_joint_the_suspect(monkeypatch):
    _, bench, operator = short_bench()
    real = bench.reading_coil_ohm

    def now_and_then(count):
        readings = yield from real(count)
        return [r if n % 2 else math.inf for n, r in enumerate(readings)]

    monkeypatch.setattr(bench, "reading_coil_ohm", now_and_then)
    judgement = short_run(Kept(), bench, operator=operator).judgement
    assert (judgement.verdict, judgement.cause) == ("undecided", "high-resistance joint")
