"""What the steps decide by, each limit from both sides, on the simulated bench or with the reading handed in."""

from __future__ import annotations

import dataclasses
import math

import pytest

from benchrig.analysis.leak.hold_vacuum import HoldResult
from benchrig.analysis.results import Characteristic
from benchrig.bench.bench import HOST_SILENT_S
from benchrig.drivers.board_types import TripCause
from benchrig.errors import BenchError
from benchrig.sequencer.steps import clicks as clicks_step
from benchrig.sequencer.steps import control as control_step
from benchrig.sequencer.steps import flow as flow_step
from benchrig.sequencer.steps import hold as hold_step
from benchrig.sequencer.steps.control import FLOW, LEAK, control
from benchrig.sequencer.steps.impossible_readings import check_dead, check_energised, check_pressure
from tests.sequencer.short_runs import canned_flow, context, set_in_file, short_bench, step


@pytest.fixture(autouse=True)
def _quick_fill(monkeypatch):
    monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)


# -- ready


@pytest.mark.parametrize(("at_v", "stops"), [(11.95, True), (12.05, False), (14.75, False), (14.85, True)])
def test_the_run_begins_only_with_the_supply_between_its_limits(at_v, stops, monkeypatch):
    _, bench, _ = short_bench()
    monkeypatch.setattr(bench, "supply_v", lambda: at_v)
    if stops:
        with pytest.raises(BenchError, match=r"12 to 14\.8 V wanted"):
            step("ready", context(bench))
    else:
        step("ready", context(bench))


@pytest.mark.parametrize(("off_pa", "stops"), [(-510.0, True), (-490.0, False), (490.0, False), (510.0, True)])
def test_the_transducer_may_differ_from_the_barometer_by_half_a_kilopascal(off_pa, stops, monkeypatch):
    _, bench, _ = short_bench()
    set_in_file(bench, "bench", barometer_kpa=100.0)
    monkeypatch.setattr(bench, "pressure_pa", lambda samples=50: 100_000.0 + off_pa)
    if stops:
        with pytest.raises(BenchError, match="barometer entered"):
            step("ready", context(bench))
    else:
        step("ready", context(bench))


# -- coil


@pytest.mark.parametrize(("least_ohm", "coil"), [(9.95, "short"), (10.05, "sound")])
def test_a_coil_is_a_short_when_its_least_reading_would_draw_nine_tenths_of_the_over_current_limit(
    least_ohm, coil, monkeypatch
):
    # 13.5 V and a limit of 1.5 A: nine tenths of it flow through 10.0 ohm.
    _, bench, _ = short_bench()

    def reading(count):
        yield bench.clock.now()
        return [10.1, least_ohm, 10.1]

    monkeypatch.setattr(bench, "reading_coil_ohm", reading)
    run = context(bench, supply_v=13.5, ambient_k=295.0)
    found = step("coil", run)
    assert run.coil == coil
    assert bool(found.notes) == (coil == "short")


def test_a_coil_measured_as_a_short_is_never_energised(monkeypatch):
    opened, bench, _ = short_bench()
    driven = []
    through = opened.simulated_bench.world.set_outputs
    monkeypatch.setattr(
        opened.simulated_bench.world, "set_outputs", lambda mask: (driven.append(mask), through(mask)), raising=False
    )
    run = context(bench, coil="short", supply_v=13.5, ambient_k=295.0, ambient_pa=101_325.0)
    found = step("clicks", run)
    assert "not energised" in found.skipped
    assert not any(mask & 1 for mask in driven)


# -- is it the bench?


@pytest.mark.parametrize(("share", "stops"), [(0.48, True), (0.52, False)])
def test_a_sound_coil_that_takes_less_than_half_the_current_it_should_stops_the_run(share, stops):
    _, bench, _ = short_bench()
    cold = Characteristic("coil_resistance_20c_ohm", 24.9, 0.1, "ohm", how="")
    run = context(bench, coil="sound", cold_resistance=cold)
    set_in_file(bench, "shunt", series_ohm=0.1)
    current_a = share * 12.5 / 25.0
    if stops:
        with pytest.raises(BenchError, match=r"about 0\.50 A expected"):
            check_energised(run, current_a, 12.5)
    else:
        check_energised(run, current_a, 12.5)


@pytest.mark.parametrize(("supply_v", "stops"), [(11.45, True), (11.55, False)])
def test_under_the_coil_the_supply_may_sag_by_half_a_volt(supply_v, stops):
    _, bench, _ = short_bench()
    run = context(bench, coil="open")
    if stops:
        with pytest.raises(BenchError, match=r"at least 11\.5 V wanted"):
            check_energised(run, 0.0, supply_v)
    else:
        check_energised(run, 0.0, supply_v)


@pytest.mark.parametrize(("current_a", "stops"), [(0.045, False), (0.055, True)])
def test_fifty_milliamperes_are_a_current(current_a, stops):
    _, bench, _ = short_bench()
    run = context(bench, coil="open")
    for check, words in (
        (lambda: check_energised(run, current_a, 13.0), "no path"),
        (lambda: check_dead(run, current_a), "switched off"),
    ):
        if stops:
            with pytest.raises(BenchError, match=words):
                check()
        else:
            check()


@pytest.mark.parametrize(
    ("pressure_pa", "stops"), [(1_990.0, True), (2_010.0, False), (104_900.0, False), (105_100.0, True)]
)
def test_a_pressure_that_no_working_transducer_shows_stops_the_run(pressure_pa, stops):
    _, bench, _ = short_bench()
    run = context(bench, ambient_pa=100_000.0)
    if stops:
        with pytest.raises(BenchError, match="is possible"):
            check_pressure(run, pressure_pa)
    else:
        check_pressure(run, pressure_pa)


# -- hold


def held(monkeypatch, *, wanted_pa=60_000.0, reached_pa=None, model="alder-24", condition="good", **file):
    """The hold step alone; `reached_pa` is what the pump is said to have reached."""
    _, bench, _ = short_bench(model=model, condition=condition, seed=11)
    for table, keys in file.items():
        set_in_file(bench, table, **keys)
    run = context(bench, model)
    step("ready", run)
    step("coil", run)
    run.model = run.model.model_copy(update={"hold_vacuum_kpa": wanted_pa / 1000})
    if reached_pa is not None:
        drawn = hold_step.draw_down
        monkeypatch.setattr(hold_step, "draw_down", lambda *given: (drawn(*given), reached_pa)[1])
    return step("hold", run), run


def leak_of(found) -> Characteristic:
    (leak,) = found.characteristics
    return leak


def test_what_the_closed_bench_leaks_by_itself_is_taken_off_in_full(monkeypatch):
    none, _ = held(monkeypatch, condition="seat-leak", background={"leak_sccm": 0.0})
    some, _ = held(monkeypatch, condition="seat-leak", background={"leak_sccm": 4.0})
    assert leak_of(none).value - leak_of(some).value == pytest.approx(4.0, abs=1e-6)


@pytest.mark.parametrize(("part", "measured"), [(0.88, False), (0.92, True)])
def test_a_leak_at_less_than_nine_tenths_of_the_wanted_vacuum_passes_nothing(monkeypatch, part, measured):
    found, _ = held(monkeypatch, reached_pa=part * 60_000.0)
    leak = leak_of(found)
    assert (leak.value is not None) is measured
    if not measured:
        assert "look at the pump" in leak.why_not


def test_a_leak_beyond_its_limit_stands_even_at_little_vacuum(monkeypatch):
    found, _ = held(monkeypatch, condition="seat-leak", reached_pa=30_000.0)
    assert leak_of(found).value > 5.0


@pytest.mark.parametrize(
    ("table", "keys"),
    [
        ("background", {"u_sccm": 9.0}),
        ("reservoir", {"u_percent": 30.0}),
        ("thermistor", {"u_k": 60.0}),
        ("transducer", {"u_pa": 20_000.0}),
    ],
)
def test_each_uncertainty_in_the_bench_file_widens_the_leaks(monkeypatch, table, keys):
    usual, _ = held(monkeypatch, condition="seat-leak")
    wide, _ = held(monkeypatch, condition="seat-leak", **{table: keys})
    assert leak_of(wide).u > 1.3 * leak_of(usual).u


def test_the_vacuum_left_is_what_the_manifold_ends_with_below_the_ambient(monkeypatch):
    found, run = held(monkeypatch, condition="seat-leak")
    (trace,) = found.traces
    left_pa = run.ambient_pa - float(trace.columns["pressure_pa"][-20:].mean())
    assert run.vacuum_pa == pytest.approx(left_pa, abs=1e-6)
    assert found.readings["vacuum left"][0] == pytest.approx(left_pa / 1000)
    assert 50_000 < left_pa < run.reached_vacuum_pa


def test_a_pump_that_draws_nothing_at_all_is_the_bench_and_no_leak():
    _, bench, _ = short_bench(faults=["pump-relay-dead@0"])
    run = context(bench)
    step("ready", run)
    step("coil", run)
    with pytest.raises(BenchError, match="even a wide open valve"):
        step("hold", run)


# -- flow


def told(monkeypatch, module, name):
    """What a step tells its analysis: keyword arguments of each call."""
    calls = []
    real = getattr(module, name)

    def spy(*arrays, **known):
        calls.append(known)
        return real(*arrays, **known)

    monkeypatch.setattr(module, name, spy)
    return calls


def opened_onto_a_vacuum(monkeypatch, **file):
    _, run = held(monkeypatch, **file)
    return step("flow", run), run


def test_the_flow_step_hands_on_every_uncertainty_that_the_bench_file_states(monkeypatch):
    calls = told(monkeypatch, flow_step, "analyse_flow")
    opened_onto_a_vacuum(
        monkeypatch,
        reservoir={"volume_l": 0.5, "u_percent": 0.8},
        transducer={"u_pa": 77.0, "response_ms": 4.0},
        heat={"inflow_w_k": 1.7, "inflow_u_w_k": 0.21},
    )
    (known,) = calls
    assert known["volume_u_m3"] == pytest.approx(0.008 * 0.5e-3)
    assert known["pressure_u_pa"] == 77.0
    assert known["response_s"] == pytest.approx(0.004)
    assert (known["inflow_w_k"], known["inflow_u_w_k"]) == (1.7, 0.21)


def test_a_fill_may_be_reckoned_for_longer_than_the_board_waits_for_a_word(monkeypatch):
    _, run = held(monkeypatch)

    def slow(*arrays, **known):
        run.bench.clock.sleep_until(run.bench.clock.now() + 3.0 * HOST_SILENT_S)
        return canned_flow(*arrays, **known)

    monkeypatch.setattr(flow_step, "analyse_flow", slow)
    run.full = True
    found = step("flow", run)
    assert next(each for each in found.characteristics if each.name == "flow_at_rated_vacuum_lpm_anr").value > 0
    assert run.bench.armed
    assert run.bench.board.status().cause is TripCause.NONE


@pytest.mark.parametrize("coil", ["open", "short", "intermittent"])
def test_a_valve_whose_coil_is_not_sound_is_not_told_to_open(monkeypatch, coil):
    _, run = held(monkeypatch)
    run.coil = coil
    found = step("flow", run)
    assert f"the coil is {coil}" in found.skipped
    assert all(each.value is None for each in found.characteristics)
    assert run.opened is None


@pytest.mark.parametrize(("left_pa", "opens"), [(9_900.0, False), (10_100.0, True)])
def test_onto_less_than_ten_kilopascals_nothing_is_opened(monkeypatch, left_pa, opens):
    _, run = held(monkeypatch)
    monkeypatch.setattr(flow_step, "draw_down", lambda *_: left_pa)
    real = run.bench.pressure_pa
    readings = iter([run.ambient_pa - left_pa])
    monkeypatch.setattr(run.bench, "pressure_pa", lambda samples=50: next(readings, None) or real(samples))
    found = step("flow", run)
    assert bool(found.skipped) is not opens


# -- clicks


def clicked(**file):
    _, bench, _ = short_bench(seed=3)
    for table, keys in file.items():
        set_in_file(bench, table, **keys)
    run = context(bench)
    step("ready", run)
    step("coil", run)
    return step("clicks", run), run


def test_the_supplys_uncertainty_goes_into_what_the_clicks_tell_of_the_coil(monkeypatch):
    calls = told(monkeypatch, clicks_step, "analyse_inrush")
    _, sure = clicked(supply={"u_percent": 0.1})
    _, unsure = clicked(supply={"u_percent": 4.0})
    assert unsure.load_ratio == pytest.approx(sure.load_ratio, rel=1e-6)
    assert math.sqrt(unsure.load_ratio_u**2 - sure.load_ratio_u**2) == pytest.approx(0.04 * sure.load_ratio, rel=0.1)
    assert calls[-1]["supply_u_v"] == pytest.approx(0.04 * unsure.supply_v, rel=0.01)
    assert calls[-1]["current_u_rel"] == pytest.approx(0.003)


def test_the_shunts_uncertainty_is_the_currents():
    found, _ = clicked(shunt={"u_percent": 1.5})
    current = next(each for each in found.characteristics if each.name == "steady_current_a")
    assert current.u == pytest.approx(0.015 * current.value, rel=0.05)


# -- control


def controlled(monkeypatch, what, *, own_sccm=0.1, u_sccm=0.04, vacuum_pa=500.0):
    """The control with the bench's own leak, or the vacuum on the open port, as given."""
    _, bench, operator = short_bench(condition="seat-leak")
    seen = {"held_s": 0.0, "drew_s": 0.0}
    operator.doing = lambda what, done_s, expected_s, reading: seen.update(drew_s=max(seen["drew_s"], done_s))
    run = context(bench)
    step("ready", run)

    def leak(bench, recording, air_pa, drift):
        seen["held_s"] = float(recording.time_s[-1])
        return HoldResult(hold_leak_sccm=own_sccm, hold_leak_sccm_u=u_sccm)

    monkeypatch.setattr(control_step, "leak", leak)
    if what == FLOW:
        drew = control_step.pump_to
        monkeypatch.setattr(control_step, "pump_to", lambda *given: (drew(*given)[0], run.ambient_pa - vacuum_pa))
    return control(run, operator, frozenset({what})), seen


@pytest.mark.parametrize(("beyond_u", "stops"), [(2.9, False), (3.1, True)])
def test_the_bench_leaks_when_its_leak_exceeds_the_stated_one_by_three_standard_uncertainties(
    monkeypatch, beyond_u, stops
):
    # 0.15 ± 0.05 sccm stated, measured to 0.12: 0.13 together.
    own = 0.15 + beyond_u * math.hypot(0.12, 0.05)
    if stops:
        with pytest.raises(BenchError, match="leaks without the valve"):
            controlled(monkeypatch, LEAK, own_sccm=own, u_sccm=0.12)
    else:
        found, _ = controlled(monkeypatch, LEAK, own_sccm=own, u_sccm=0.12)
        assert found.readings["leak of the bench without the valve"][0] == own


def test_the_closed_bench_is_watched_for_ten_seconds(monkeypatch):
    _, seen = controlled(monkeypatch, LEAK)
    assert seen["held_s"] == pytest.approx(10.0, abs=0.05)


def test_the_open_port_is_drawn_on_for_four_seconds(monkeypatch):
    _, seen = controlled(monkeypatch, FLOW)
    assert seen["drew_s"] == pytest.approx(4.0, abs=0.25)


@pytest.mark.parametrize(("vacuum_pa", "stops"), [(2_950.0, False), (3_050.0, True)])
def test_three_kilopascals_on_the_open_port_are_a_blocked_hose(monkeypatch, vacuum_pa, stops):
    if stops:
        with pytest.raises(BenchError, match="lets no air through"):
            controlled(monkeypatch, FLOW, vacuum_pa=vacuum_pa)
    else:
        controlled(monkeypatch, FLOW, vacuum_pa=vacuum_pa)


def closed_bench_that_reads(monkeypatch, *readings):
    """Control a leak on a bench whose holds read these, one after the other; return for how long each was held."""
    _, bench, operator = short_bench(condition="seat-leak")
    set_in_file(bench, "sequence", hold_s=30.0)
    run = context(bench)
    step("ready", run)
    held_s, left = [], list(readings)
    monkeypatch.setattr(control_step, "hold_for", lambda _bench, _operator, seconds, _what: held_s.append(seconds))
    monkeypatch.setattr(control_step, "leak", lambda *_: left.pop(0))
    control(run, operator, frozenset({LEAK}))
    return held_s


def own_leak(sccm, u=0.05, bound=""):
    return dataclasses.replace(HoldResult(), hold_leak_sccm=sccm, hold_leak_sccm_u=None if bound else u, bound=bound)


UNMEASURED = dataclasses.replace(HoldResult(), hold_leak_sccm=None, notes=("the room cools",))


def test_a_closed_bench_whose_leak_cannot_be_measured_is_neither_tight_nor_said_to_leak(monkeypatch):
    with pytest.raises(BenchError, match="could not be measured with the port closed: the room cools") as caught:
        closed_bench_that_reads(monkeypatch, UNMEASURED, UNMEASURED)
    assert "leaks without" not in str(caught.value)


def test_a_rise_that_levels_off_without_the_valve_is_no_vapour(monkeypatch):
    slow = dataclasses.replace(UNMEASURED, notes=("fuel vapour: air the valve out",), vapour_probability=0.97)
    with pytest.raises(BenchError, match="levels off, as by a wall") as caught:
        closed_bench_that_reads(monkeypatch, slow, slow)
    assert "vapour" not in str(caught.value)


def test_a_gross_leak_of_the_closed_bench_is_said_at_once(monkeypatch):
    with pytest.raises(BenchError, match="The bench leaks without the valve: above 300 sccm"):
        closed_bench_that_reads(monkeypatch, own_leak(300.0, bound="above"))


@pytest.mark.parametrize("short", [own_leak(3.5, 0.4), UNMEASURED])
def test_what_reads_as_a_leak_of_the_bench_in_ten_seconds_is_looked_at_for_longer(monkeypatch, short):
    assert closed_bench_that_reads(monkeypatch, own_leak(0.2)) == [10.0]
    assert closed_bench_that_reads(monkeypatch, short, own_leak(0.2)) == [10.0, 30.0]
    with pytest.raises(BenchError, match=r"The bench leaks without the valve: 3\.4 sccm"):
        closed_bench_that_reads(monkeypatch, short, own_leak(3.4))
