"""What else than a leak a hold may show: fuel vapour, drift, a wall with two time constants, a bench at fault."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.gas.air import pv_flow_pa_m3_s_from_sccm
from benchrig.analysis.leak.explanations import explained
from benchrig.analysis.leak.goodness_of_fit import FALSE_ALARM, NO_FIT, goodness_of
from benchrig.analysis.leak.hold_judgement import judged
from benchrig.analysis.leak.hold_result import HoldResult
from benchrig.analysis.leak.hold_vacuum import analyse_hold
from benchrig.analysis.leak.leak_fit import usual_leak
from benchrig.analysis.leak.leak_model import LeakSetting
from benchrig.analysis.leak.slow_rise import Component
from tests.analysis.hold_records import AMBIENT_K, AMBIENT_PA, BENCH, VOLUME, cold_hold, gross_hold, noisy

_SETTING = LeakSetting(VOLUME, 0.0, AMBIENT_PA, AMBIENT_K, 0.3, 0.0, 0.0, 0.0, 0.0, 2.0, 0.7, 0.003)
PA_S_PER_SCCM = pv_flow_pa_m3_s_from_sccm(1.0, AMBIENT_K) / VOLUME


def vapour(t, ends_pa, time_s):
    return ends_pa * (1 - np.exp(-t / time_s))


@pytest.mark.slow
@pytest.mark.parametrize(("ends_pa", "time_s"), [(600.0, 5.0), (2_000.0, 60.0), (4_000.0, 6.0), (9_000.0, 30.0)])
@pytest.mark.parametrize("leak_sccm", [0.2, 7.0])
def test_fuel_vapour_is_named_and_never_stated_as_a_leak_nor_as_a_tight_valve(leak_sccm, ends_pa, time_s):
    t, p = cold_hold(leak_sccm, seconds=30.0)
    found = analyse_hold(t, noisy(p + vapour(t, ends_pa, time_s)), thermal_time_constant_s=2.0, **BENCH)
    assert found.explanation == "wet"
    assert "air the valve out" in found.notes[0]
    assert found.vapour_probability > 0.95
    assert time_s / 2.2 < found.vapour_time_constant_s < 1.2 * time_s
    if found.hold_leak_sccm is not None:
        assert abs(found.hold_leak_sccm - leak_sccm) < 2 * found.hold_leak_sccm_u


def test_a_dry_valve_is_not_called_wet():
    t, p = cold_hold(3.0, seconds=30.0)
    found = analyse_hold(t, noisy(p), thermal_time_constant_s=2.0, **BENCH)
    assert found.explanation == "leak"
    assert found.vapour_pa is None
    assert found.goodness > FALSE_ALARM
    assert abs(found.hold_leak_sccm - 3.0) < 2 * found.hold_leak_sccm_u < 0.4


def test_a_slow_layer_of_the_wall_widens_the_interval_instead_of_being_read_as_a_leak():
    t, p = cold_hold(0.3, seconds=30.0)
    found = analyse_hold(t, noisy(p + vapour(t, 90.0, 15.0)), thermal_time_constant_s=2.0, **BENCH)
    assert found.explanation == "slow_wall"
    assert abs(found.hold_leak_sccm - 0.3) < max(0.3, 2 * found.hold_leak_sccm_u)
    assert any("slow layer of the wall" in note for note in found.notes)


def test_a_leak_far_below_zero_is_no_pass():
    t, p = cold_hold(0.0, seconds=30.0)
    found = analyse_hold(t, noisy(p - 1.5 * PA_S_PER_SCCM * t), thermal_time_constant_s=2.0, **BENCH)
    assert found.hold_leak_sccm is None
    assert found.explanation == "drift"
    assert "steady" in found.notes[0]


def test_a_drifting_room_seen_by_the_thermistor_is_spanned():
    drift_k_s = 2.0 / 60
    t, p = cold_hold(0.3, seconds=30.0)
    for follows in (0.0, 0.5, 1.0):
        drifted = p * (1 + follows * drift_k_s * t / AMBIENT_K)
        found = analyse_hold(
            t,
            noisy(drifted),
            thermal_time_constant_s=2.0,
            ambient_drift_k_s=drift_k_s,
            ambient_drift_u_k_s=1e-3,
            **BENCH,
        )
        assert found.explanation == "drift"
        assert abs(found.hold_leak_sccm - 0.3) < 2 * found.hold_leak_sccm_u
        assert dict(found.parts)["drift of the ambient temperature"] > 0.3
        assert any("2.0 K/min" in note for note in found.notes)


@pytest.mark.slow
@pytest.mark.parametrize(("ends_pa", "time_s"), [(1_000.0, 6.0), (4_000.0, 20.0), (8_000.0, 40.0)])
def test_vapour_beside_a_gross_leak_is_named_and_the_leak_has_room_for_it(ends_pa, time_s):
    t, p = gross_hold(400.0, seconds=20.0)
    found = analyse_hold(t, noisy(p + vapour(t, ends_pa, time_s)), thermal_time_constant_s=2.0, **BENCH)
    assert found.explanation == "wet"
    assert abs(found.vapour_pa - ends_pa) < 0.2 * ends_pa
    assert abs(found.hold_leak_sccm - 400.0) < 2 * found.hold_leak_sccm_u < 140.0


@pytest.mark.slow
def test_a_gross_leak_without_vapour_is_not_called_wet():
    t, p = gross_hold(400.0, seconds=20.0)
    found = analyse_hold(t, noisy(p), thermal_time_constant_s=2.0, **BENCH)
    assert found.explanation == "leak"
    assert abs(found.hold_leak_sccm - 400.0) < 2 * found.hold_leak_sccm_u < 20.0


@pytest.mark.slow
def test_a_gross_rise_that_ends_off_the_ambient_pressure_that_was_told_is_not_measured():
    t, p = gross_hold(400.0, seconds=20.0)
    found = analyse_hold(t, noisy(p), **{**BENCH, "ambient_pa": BENCH["ambient_pa"] + 1_000.0})
    assert found.hold_leak_sccm is None
    assert "ambient pressure" in found.notes[0]


@pytest.mark.parametrize("end", ["lowest", "highest"])
def test_a_transducer_that_clips_is_named_and_nothing_is_stated(end):
    t, p = cold_hold(60.0, seconds=15.0)
    p = np.round(noisy(p) / 2.0) * 2.0
    shown = np.maximum(p, 42_300.0) if end == "lowest" else np.minimum(p, 43_800.0)
    found = analyse_hold(t, shown, **BENCH)
    assert found.hold_leak_sccm is None
    assert found.thermal_time_constant_s is None
    assert f"the {end} value" in found.notes[0]
    assert "range" in found.notes[0]


def test_a_coarse_converter_that_shows_one_value_for_long_does_not_clip():
    t, p = cold_hold(0.3, seconds=30.0)
    found = analyse_hold(t, np.round(noisy(p) / 90.0) * 90.0, **BENCH)
    assert abs(found.hold_leak_sccm - 0.3) < 2 * found.hold_leak_sccm_u


def test_a_time_constant_that_nothing_tells_is_not_stated():
    t, p = cold_hold(5.0, seconds=20.0, cold_k=0.0)
    found = analyse_hold(t, noisy(p), **BENCH)
    assert abs(found.hold_leak_sccm - 5.0) < 2 * found.hold_leak_sccm_u
    assert found.thermal_time_constant_s is None
    assert found.thermal_time_constant_s_u is None


def test_a_look_that_found_no_vapour_narrows_the_interval():
    t, p = cold_hold(2.0, seconds=6.0)
    shown = noisy(p)
    unlooked, dry, moist = (
        analyse_hold(t, shown, thermal_time_constant_s=2.0, **BENCH, **odds)
        for odds in ({}, {"vapour_odds": 0.001}, {"vapour_odds": 20.0})
    )
    assert dry.hold_leak_sccm_u < 0.97 * unlooked.hold_leak_sccm_u
    assert abs(dry.hold_leak_sccm - 2.0) < 2 * dry.hold_leak_sccm_u
    assert moist.vapour_probability > 0.5 > unlooked.vapour_probability > dry.vapour_probability


def test_a_room_that_is_watched_and_steady_needs_less_allowance_than_one_that_is_not():
    t, p = cold_hold(0.3, seconds=20.0)
    shown = noisy(p)
    unwatched = analyse_hold(t, shown, **BENCH)
    watched = analyse_hold(t, shown, ambient_drift_k_s=0.0, ambient_drift_u_k_s=0.01 / 60, **BENCH)
    part = "drift of the ambient temperature"
    assert dict(watched.parts)[part] < 0.4 * dict(unwatched.parts)[part]


def test_a_leak_that_begins_in_the_record_is_not_measured():
    t, p = cold_hold(0.3, seconds=30.0)
    found = analyse_hold(t, noisy(p + 20 * PA_S_PER_SCCM * np.maximum(t - 12.0, 0)), **BENCH)
    assert found.hold_leak_sccm is None
    assert found.thermal_time_constant_s is None
    assert found.explanation == "changing"
    assert found.goodness < FALSE_ALARM
    assert "look at hoses and joints" in found.notes[0]


@pytest.mark.parametrize("begins_s", [1e4, 1e5, 1.7e9])
def test_result_does_not_depend_on_where_time_begins(begins_s, capfd):
    t, p = cold_hold(46.2, seconds=12.0)
    p = noisy(p)
    here = analyse_hold(t, p, **BENCH)
    there = analyse_hold(begins_s + t, p, **BENCH)
    assert there.hold_leak_sccm == pytest.approx(here.hold_leak_sccm, abs=0.01 * here.hold_leak_sccm_u)
    assert any("time 0 is not when" in note for note in there.notes)
    assert capfd.readouterr() == ("", "")


def test_a_lead_in_on_a_clock_of_its_own_is_found():
    t, p = cold_hold(5.0, seconds=20.0)
    lead_s = np.arange(-1.0, 0.0, 0.005)
    whole = np.concatenate([p[0] - 900 * lead_s, p])
    found = analyse_hold(1e6 + np.concatenate([lead_s, t]), noisy(whole), **BENCH)
    assert found.hold_leak_sccm == pytest.approx(5.0, abs=0.4)


def test_coarse_converter_widens_the_uncertainty():
    t, p = cold_hold(0.3, seconds=30.0)
    step = 124e3 / 2**10
    shown = np.round((p + 12 * np.random.default_rng(5).standard_normal(len(p))) / step) * step
    found = analyse_hold(t, shown, thermal_time_constant_s=2.0, **BENCH)
    assert abs(found.hold_leak_sccm - 0.3) < 2 * found.hold_leak_sccm_u
    assert found.hold_leak_sccm_u > 0.15


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda p: np.full(len(p), 41_000.0), "stuck"),
        (lambda p: p / 100, "mbar"),
        (lambda p: 101_325.0 - p, "gauge"),
    ],
)
def test_what_is_no_hold_is_told_and_not_measured(made, says):
    t, p = cold_hold(5.0, seconds=20.0)
    found = analyse_hold(t, made(noisy(p)), **BENCH)
    assert found.hold_leak_sccm is None
    assert says in found.notes[0]


def test_parts_name_what_vapour_adds_and_add_up():
    t, p = cold_hold(5.0, seconds=30.0)
    found = analyse_hold(t, noisy(p + vapour(t, 90.0, 15.0)), thermal_time_constant_s=2.0, **BENCH)
    parts = dict(found.parts)
    assert parts["vapour, or a leak that clogs"] > 0.5
    assert math.sqrt(sum(u * u for u in parts.values())) == pytest.approx(found.hold_leak_sccm_u)


@pytest.mark.slow
def test_goodness_of_fit_alarms_falsely_as_seldom_as_it_says():
    rng, n = np.random.default_rng(1), 200
    t = 10 * ((np.arange(n) + 0.5) / n) ** 1.5
    jacobian = 30 * np.stack([np.ones(n), t, np.exp(-t / 2), t * np.exp(-t / 2)], 1)
    left = np.eye(n) - jacobian @ np.linalg.pinv(jacobian)
    p = np.array([goodness_of(left @ rng.standard_normal(n), jacobian, np.zeros(4)).p for _ in range(8000)])
    # binomial: 24 expected at 3 in 1000, 80 at 1 in 100
    assert 10 < np.count_nonzero(p < FALSE_ALARM) <= 38
    assert 50 < np.count_nonzero(p < 0.01) < 110


def test_goodness_of_fit_sees_a_slow_wave_of_the_size_of_the_noise_of_a_mean():
    rng, n = np.random.default_rng(2), 200
    jacobian = np.stack([np.ones(n), np.arange(n) / n], 1)
    left = np.eye(n) - jacobian @ np.linalg.pinv(jacobian)
    wave = 1.2 * np.sin(2 * np.pi * 1.5 * np.arange(n) / n)
    assert goodness_of(left @ (rng.standard_normal(n) + wave), jacobian, np.zeros(2)).p < FALSE_ALARM
    assert goodness_of(left @ rng.standard_normal(n), jacobian, np.zeros(2)).p > 0.01


@pytest.mark.slow
@pytest.mark.parametrize(("leak_sccm", "grows"), [(8.0, 10.0), (20.0, 6.0), (5.0, 15.0)])
def test_a_seat_that_the_vacuum_pulls_shut_is_named_and_its_leak_spanned(leak_sccm, grows):
    t, p = cold_hold(leak_sccm, seconds=40.0, grows=grows)
    found = analyse_hold(t, noisy(p), **BENCH)
    assert "changes with the vacuum" in " ".join(found.notes)
    if found.hold_leak_sccm is not None:
        assert abs(found.hold_leak_sccm - leak_sccm) < 2 * found.hold_leak_sccm_u
        assert found.explanation != "wet"


def test_a_leak_that_is_steady_is_not_said_to_change():
    t, p = cold_hold(8.0, seconds=40.0)
    found = analyse_hold(t, noisy(p), **BENCH)
    assert "changes" not in " ".join(found.notes)
    assert abs(found.hold_leak_sccm - 8.0) < 2 * found.hold_leak_sccm_u < 1.0


def test_a_record_that_jumps_is_not_measured():
    t, p = cold_hold(3.0, seconds=20.0)
    shown = noisy(np.where((t > 8.0) & (t < 8.7), p - 1500.0, p))
    found = analyse_hold(t, shown, **BENCH)
    assert found.hold_leak_sccm is None
    assert "changed while it was measured" in found.notes[0]


def test_a_value_too_uncertain_for_the_transducers_sake_says_so():
    t, p = cold_hold(60.0, seconds=15.0)
    found = analyse_hold(t, noisy(p), **BENCH, pressure_u_rel=0.5)
    assert found.hold_leak_sccm is None
    assert "transducer" in found.notes[0]
    assert "warms up" not in found.notes[0]


@pytest.mark.slow
def test_a_gross_leak_that_turns_laminar_at_the_very_end_is_measured():
    t, p = gross_hold(2400.0, seconds=15.0, tau_s=2.2, start_pa=44_000.0, laminar=0.001, critical=0.5, period_s=0.002)
    found = analyse_hold(t, noisy(p, noise_pa=8.0), **BENCH)
    assert found.hold_leak_sccm is not None
    assert abs(found.hold_leak_sccm - 2400.0) < 2.5 * found.hold_leak_sccm_u < 150.0


def test_a_record_of_which_chance_may_leave_as_much_is_stated_with_room_for_what_departs():
    t, p = cold_hold(0.3, seconds=30.0)
    sound, wavy, wavier = (
        analyse_hold(t, noisy(p + pa * np.sin(2 * np.pi * t / 8.0)), thermal_time_constant_s=2.0, **BENCH)
        for pa in (0.0, 1.2, 2.0)
    )
    assert NO_FIT < wavy.goodness < FALSE_ALARM
    assert abs(wavy.hold_leak_sccm - 0.3) < 2 * wavy.hold_leak_sccm_u
    assert 1.5 * sound.hold_leak_sccm_u < wavy.hold_leak_sccm_u < 0.3
    assert "departs" in wavy.notes[0]
    assert "a rise that departs from every leak" in dict(wavy.parts)
    assert sound.notes == ()
    assert wavier.goodness < NO_FIT
    assert wavier.hold_leak_sccm is None


def test_what_a_wandering_does_to_a_slope_is_told_from_what_it_leaves_behind():
    rng, n = np.random.default_rng(3), 200
    jacobian = np.stack([np.ones(n), np.arange(n) / n], 1)
    gain = np.linalg.pinv(jacobian)
    off, told = [], []
    for _ in range(300):
        walk = rng.standard_normal(n) + 0.5 * np.cumsum(rng.standard_normal(n))
        off.append(float((gain @ walk)[1]))
        told.append(goodness_of(walk - jacobian @ (gain @ walk), jacobian, np.zeros(2)).wandering[1])
    assert 0.6 < np.sqrt(np.mean(np.square(told))) / np.sqrt(np.mean(np.square(off))) < 1.6


@pytest.mark.parametrize("leak_sccm", [15.0, 20.0])
def test_a_leak_through_pores_falls_with_the_vacuum_and_is_spanned(leak_sccm):
    t, p = cold_hold(leak_sccm, seconds=15.0, grows=-1.0)
    found = analyse_hold(t, noisy(p), **BENCH)
    assert abs(found.hold_leak_sccm - leak_sccm) < 2 * found.hold_leak_sccm_u < 0.04 * leak_sccm


def test_a_fit_that_led_nowhere_is_no_measurement():
    t, p = cold_hold(3.0, seconds=20.0)
    leak = usual_leak(t, noisy(p), 12.0, _SETTING)
    found = judged(HoldResult(hold_leak_sccm=3.0, hold_leak_sccm_u=math.nan, parts=(("any", math.nan),)), leak)
    assert found.hold_leak_sccm is None
    assert found.explanation == "changing"


def test_a_rare_explanation_does_not_make_the_time_constant_of_all_others_unsure():
    usual = Component(0.0, 1.0, 0.01, "leak", 0.7, 0.01)
    rare = Component(math.log(0.01), 1.0, 0.01, "slow", 1.2, 0.3)
    both = explained([usual, rare])
    assert 0.01 <= both.tau_ln_u < 0.013
    likelier = explained([usual, replace(rare, log_evidence=math.log(0.2))])
    assert likelier.tau_ln_u > 0.25
