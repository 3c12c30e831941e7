"""Wet valves, drifting rooms and lined walls in the sequence: told apart, carried to the verdict, never a leak."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchrig.analysis.leak import hold_vacuum as analysis
from benchrig.analysis.results import Characteristic
from benchrig.bench.wiring import AT_REST
from benchrig.sequencer.pump_down import draw_down
from benchrig.sequencer.steps import blank_hold
from benchrig.sequencer.steps import control as control_step
from benchrig.sequencer.steps import hold as step
from benchrig.sequencer.steps.hold_looks import HoldLooks
from benchrig.sequencer.steps.vapour import RestRise, beside_vapour, rise_at_rest
from tests.sequencer.short_runs import context, set_in_file, short_bench
from tests.sequencer.short_runs import step as take
from tests.sequencer.test_control import taken

pytestmark = pytest.mark.usefixtures("quick_fill")

# --- the look before the pump runs ------------------------------------------------------------------------------------


def rest_of(**options):
    _, bench, _ = short_bench(**options)
    run = context(bench)
    take("ready", run)
    rest = rise_at_rest(run)
    bench.make_safe()
    return rest


@pytest.mark.parametrize(
    ("severity", "seed", "vapour"),
    [(0.1, 1, True), (0.1, 2, True), (0.5, 3, True), (1.0, 4, True)],
)
def test_vapour_shows_in_the_closed_manifold_before_the_pump_has_run(severity, seed, vapour):
    rest = rest_of(condition="wet", severity=severity, seed=seed)
    assert rest.rise_pa > 0
    assert rest.is_vapour(0.0, 0.001) is vapour


@pytest.mark.parametrize("condition", ["good", "seat-leak"])
@pytest.mark.parametrize("seed", range(1, 6))
def test_without_vapour_nothing_rises_there_however_much_the_valve_leaks(condition, seed):
    rest = rest_of(condition=condition, seed=seed)
    assert not rest.is_vapour(0.0, 0.0)
    assert abs(rest.rise_pa) < 6.0


def test_a_wall_with_a_liner_is_at_rest_before_the_pump_runs():
    assert not rest_of(condition="good", seed=2, faults=["two-time-constants@0"]).is_vapour(0.0, 0.0)


def test_a_rise_that_the_rooms_drift_may_explain_is_no_vapour():
    # 101.325 kPa at 295.15 K rise by 343 Pa for each kelvin: 5 s of 3 K/min warm by 0.25 K, 86 Pa if all of it comes in
    rest = RestRise(60.0, 1.0, 5.0, 101_325.0, 295.15)
    assert rest.is_vapour(0.0, 0.0)
    assert not rest.is_vapour(0.05, 0.0)
    # half of it is expected, and four times 25 Pa of doubt lie about that: 142 Pa
    assert not RestRise(135.0, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.05, 0.0)
    assert RestRise(150.0, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.05, 0.0)
    assert RestRise(200.0, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.05, 0.0)
    assert not RestRise(-60.0, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.0, 0.0)


def test_noise_and_an_unsteady_room_make_vapour_of_a_still_manifold_once_in_thirty_thousand():
    u_pa = math.hypot(1.0, 343.3 * 5.0 * 0.03 / 60)
    assert not RestRise(3.9 * u_pa, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.0, 0.0)
    assert RestRise(4.1 * u_pa, 1.0, 5.0, 101_325.0, 295.15).is_vapour(0.0, 0.0)


def test_a_leak_beside_vapour_that_the_hold_did_not_tell_apart_is_at_most_so_much():
    rest = RestRise(20.0, 1.0, 5.0, 101_325.0, 295.15)
    leak = Characteristic("hold_leak_sccm", 0.8, 0.05, "sccm", how="", parts=(("fit", 0.05),))
    bounded = beside_vapour(leak, rest, 0.5e-3, 5.0)
    assert (bounded.value, bounded.bound, bounded.u) == (pytest.approx(0.9), "below", None)
    # 4 Pa/s in half a litre: 2 mPa m3/s, 1.10 sccm at 0 degC
    beyond = beside_vapour(replace(leak, value=40.0), rest, 0.5e-3, 5.0)
    assert (beyond.value, beyond.bound) == (40.0, "")
    assert beyond.u == pytest.approx(math.hypot(0.05, 2e-3 / 101_325.0 * 60e6 * 273.15 / 295.15))
    assert beyond.parts[0][0] == "vapour that rose at rest"
    assert beside_vapour(leak, None, 0.5e-3, 5.0) == leak


def test_a_bench_file_may_do_without_the_look():
    _, bench, _ = short_bench()
    set_in_file(bench, "sequence", vapour_look_s=0.0)
    run = context(bench)
    take("ready", run)
    began_s = bench.clock.now()
    assert rise_at_rest(run) is None
    assert bench.clock.now() == began_s


# --- whole runs -------------------------------------------------------------------------------------------------------


def hold_with(monkeypatch, **found):
    """Let the analysis find this in whatever it is given; return what it was given."""
    given: list[dict[str, float]] = []
    whole = HoldLooks.result

    def result(looks, time_s, pressure_pa, drift):
        given.append({"ambient_drift_k_s": drift[0], "ambient_drift_u_k_s": drift[1]})
        return replace(whole(looks, time_s, pressure_pa, drift), **found)

    monkeypatch.setattr(HoldLooks, "result", result)
    return given


@pytest.mark.parametrize(("fault", "k_min"), [((), 0.0), (("drifting-room@0",), 1.5)])
def test_the_analysis_is_told_how_fast_the_room_drifted_while_it_was_held(monkeypatch, fault, k_min):
    given = hold_with(monkeypatch)
    _, steps = taken("alder-24", "good", *fault)
    u = 60 * given[0]["ambient_drift_u_k_s"]
    assert 0.02 < u < 0.15
    assert 60 * given[0]["ambient_drift_k_s"] == pytest.approx(k_min, abs=2 * u)
    assert steps.steps[2].readings["drift of the room"][0] == pytest.approx(k_min, abs=2 * u)


WET = {"explanation": "wet", "vapour_probability": 0.99, "vapour_time_constant_s": 33.0}


def test_much_vapour_in_the_hold_makes_the_valve_wet_and_asks_for_no_control(monkeypatch):
    hold_with(monkeypatch, **WET, vapour_pa=4000.0)
    monkeypatch.setattr(step, "rise_at_rest", lambda run: None)
    finished, steps = taken("alder-24", "good")
    assert (finished.judgement.verdict, finished.judgement.cause) == ("undecided", "wet")
    assert "4 kPa" in finished.judgement.why
    assert "after 35 minutes" in finished.judgement.disposition_why
    assert steps.steps[-1].name == "clicks"
    assert steps.steps[2].readings["rise beside it that levels off"] == (4000.0, "Pa")


def test_a_small_rise_that_levels_off_is_looked_for_without_the_valve_and_makes_it_wet_when_it_is_not_there(
    monkeypatch,
):
    hold_with(monkeypatch, **{**WET, "explanation": "slow_wall"}, vapour_pa=120.0)
    found = {**WET, "explanation": "slow_wall"}
    monkeypatch.setattr(blank_hold, "analyse_hold", lambda *a, **k: replace(analysis.analyse_hold(*a, **k), **found))
    finished, steps = taken("alder-24", "good")
    assert (finished.judgement.verdict, finished.judgement.cause) == ("undecided", "wet")
    assert steps.steps[-1].name == "control"
    assert "does not rise and level off: the valve is wet" in steps.steps[-1].notes[0]


def test_with_nobody_to_take_the_valve_off_a_slow_wall_makes_no_valve_wet(monkeypatch):
    hold_with(monkeypatch, **{**WET, "explanation": "slow_wall"}, vapour_pa=120.0)
    finished, _ = taken("alder-24", "good", operator=None)
    assert finished.judgement.verdict == "accept"


@pytest.mark.parametrize("seed", [1, 2])
def test_a_lined_wall_is_found_without_the_valve_which_is_neither_wet_nor_rejected(seed):
    finished, steps = taken("alder-24", "good", "two-time-constants@0", seed=seed)
    assert finished.judgement.verdict in ("accept", "undecided")
    assert finished.judgement.cause is None
    assert "it is the reservoir's wall" in steps.steps[-1].notes[0]
    if finished.judgement.verdict == "undecided":
        assert finished.judgement.why.endswith("it is its wall, not vapour.")


def hold_leak(finished):
    return next(each.characteristic for each in finished.judgement.judged if each.characteristic.name == step.NAME)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_on_a_lined_wall_the_valves_leak_is_what_the_hold_shows_beyond_the_one_without_it(seed):
    finished, steps = taken("alder-24", "good", "two-time-constants@0", seed=seed)
    assert finished.judgement.verdict == "accept"
    leak = hold_leak(finished)
    assert leak.how.endswith("less that of the bench without the valve")
    assert 0 < leak.value < 0.5
    assert dict(leak.parts)["the bench's wall in two holds"] > 0.005
    assert "was taken off the valve's leak" in steps.steps[-1].notes[0]


@pytest.mark.parametrize(("value", "seed"), [(12.0, 3), (20.0, 6)])
def test_on_a_lined_wall_a_leak_is_rejected_and_no_fault_of_the_bench(value, seed):
    """Where the hold shows the wall, and (the second) where only the one without the valve does."""
    finished, _ = taken("alder-24", "seat-leak", "two-time-constants@0", seed=seed, value=value)
    assert (finished.judgement.verdict, finished.judgement.cause) == ("reject", "seat leak")
    assert abs(hold_leak(finished).value - value) < 2 * hold_leak(finished).u + 0.3


@pytest.mark.parametrize(("condition", "value"), [("good", None), ("seat-leak", 30.0)])
def test_where_a_lined_wall_hides_the_leak_the_words_are_of_the_wall_and_not_of_airing_out(
    monkeypatch, condition, value
):
    monkeypatch.setattr(control_step, "leak_beside_blank", lambda *_: None)
    finished, _ = taken("alder-24", condition, "two-time-constants@0", seed=2, value=value)
    assert finished.judgement.verdict == "undecided"
    assert finished.judgement.cause != "wet"
    assert "wall" in finished.judgement.why
    assert "air the valve out" not in finished.judgement.why
    assert "not looked at" not in finished.judgement.why


def test_a_reservoir_in_the_sun_is_found_without_the_valve():
    finished, steps = taken("alder-24", "good", "heated-reservoir@0")
    assert finished.judgement.cause is None
    assert finished.judgement.verdict != "reject"
    assert "something warms the reservoir" in steps.steps[-1].notes[0]


@pytest.mark.parametrize("model", ["alder-24", "cedar-44"])
@pytest.mark.parametrize("severity", [0.1, 0.4, 0.7, 1.0])
def test_a_wet_valve_is_called_wet_from_heavy_ends_to_fresh_fuel(model, severity):
    opened = taken_with(model, condition="wet", severity=severity, seed=11)
    assert (opened.judgement.verdict, opened.judgement.cause) == ("undecided", "wet")


@pytest.mark.parametrize("severity", [0.05, 0.5])
def test_a_wet_valve_that_leaks_is_never_accepted(severity):
    for seed in (1, 2, 3):
        finished = taken_with("alder-24", condition="wet-and-leaking", severity=severity, seed=seed)
        assert finished.judgement.verdict in ("undecided", "reject")


def taken_with(model, **options):
    from benchrig.application.paths import model_folders
    from benchrig.bench.opening import open_registered
    from benchrig.catalogue import Catalogue
    from benchrig.rehearsal.one_valve import InMemory
    from benchrig.sequencer.events import Intake
    from benchrig.sequencer.operator import Silent
    from benchrig.sequencer.run import qualify

    valve = Catalogue(model_folders()).get(model)
    opened = open_registered("simulated", {"model": model, **options})
    with opened as bench:
        return qualify(
            bench,
            valve,
            Intake("W-1", model, "core", "test"),
            sink=InMemory(),
            operator=Silent(opened.hands),
        )


def test_gas_that_still_cools_after_it_was_let_in_tells_nothing_of_vapour():
    """A reservoir that was emptied and vented a moment ago is warm: its pressure falls, whatever evaporates beside."""
    _, bench, _ = short_bench(condition="wet", seed=3)
    run = context(bench)
    take("ready", run)
    draw_down(run, "hold")
    bench.switch(AT_REST)
    bench.wait(1.0)
    assert rise_at_rest(run) is None
    bench.switch(AT_REST)
    bench.wait(60.0)
    assert rise_at_rest(run) is not None
