"""Leaks from the rise of pressure: closed forms, traces integrated by scipy, and records that say little or nothing."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrig.analysis.gas.air import pv_flow_pa_m3_s_from_sccm
from benchrig.analysis.leak.gross_leak import gross_leak
from benchrig.analysis.leak.hold_vacuum import analyse_hold
from benchrig.analysis.leak.leak_model import LeakSetting
from tests.analysis.hold_records import AMBIENT_K, AMBIENT_PA, BENCH, SCCM_KG_S, VOLUME, cold_hold, gross_hold, noisy


@pytest.mark.parametrize("leak_sccm", [0.0, 0.5, 5.0, 60.0, 200.0])
def test_leak_is_told_from_a_cold_start(leak_sccm):
    t, p = cold_hold(leak_sccm)
    found = analyse_hold(t, noisy(p), thermal_time_constant_s=2.5, thermal_time_constant_u_s=0.6, **BENCH)
    assert abs(found.hold_leak_sccm - leak_sccm) < max(0.4, 0.04 * leak_sccm)
    assert abs(found.hold_leak_sccm - leak_sccm) < 3 * found.hold_leak_sccm_u
    assert found.thermal_time_constant_s == pytest.approx(1.8, rel=0.1)
    assert found.bound == ""


def test_straight_rise_of_warm_gas_is_the_leak_of_40_cfr_1065_644():
    # 40 CFR 1065.644 with constant temperature: leak = V/(R T) dp/dt; here 3.6496 Pa/s per sccm at 22 degC in 0.5 L
    t = np.arange(0, 30, 0.005)
    rise = pv_flow_pa_m3_s_from_sccm(2.0, AMBIENT_K) / VOLUME
    found = analyse_hold(t, noisy(41_000 + rise * t), thermal_time_constant_s=2.0, **BENCH)
    assert found.hold_leak_sccm == pytest.approx(2.0, abs=0.1)
    assert found.pressure_rate_pa_s == pytest.approx(2 * 3.6496, rel=0.05)


def test_background_is_taken_off_and_its_uncertainty_added():
    t, p = cold_hold(5.0, seconds=30)
    bare = analyse_hold(t, noisy(p), **BENCH)
    less = analyse_hold(t, noisy(p), background_sccm=0.5, background_u_sccm=0.2, **BENCH)
    assert bare.hold_leak_sccm - less.hold_leak_sccm == pytest.approx(0.5, abs=1e-9)
    assert less.hold_leak_sccm_u == pytest.approx(math.hypot(bare.hold_leak_sccm_u, 0.2), rel=1e-6)
    assert dict(less.parts)["background leak of the bench"] == 0.2


@pytest.mark.slow
def test_parts_add_up_to_the_uncertainty_and_come_largest_first():
    t, p = cold_hold(100.0, seconds=30)
    found = analyse_hold(t, noisy(p), background_u_sccm=0.05, pressure_u_rel=0.001, pressure_u_pa=60.0, **BENCH)
    parts = [part for _, part in found.parts]
    assert math.sqrt(sum(part**2 for part in parts)) == pytest.approx(found.hold_leak_sccm_u)
    assert parts == sorted(parts, reverse=True)
    assert dict(found.parts)["volume of the reservoir"] == pytest.approx(0.5, rel=0.05)


@pytest.mark.slow
def test_quick_recovery_in_a_long_record_is_read_as_it_is():
    t, p = cold_hold(0.5, seconds=60.0, tau_s=0.7, start_pa=38_000.0, cold_k=40.0)
    found = analyse_hold(t, noisy(p, noise_pa=3.0), **BENCH)
    assert found.thermal_time_constant_s == pytest.approx(0.7, rel=0.003)
    assert abs(found.thermal_time_constant_s - 0.7) < 2.5 * found.thermal_time_constant_s_u
    assert abs(found.hold_leak_sccm - 0.5) < 2 * found.hold_leak_sccm_u


def test_longer_record_is_surer_and_decided_early():
    sure = [analyse_hold(*(lambda t, p: (t, noisy(p)))(*cold_hold(3.0, seconds=s)), **BENCH) for s in (10.0, 30.0)]
    assert sure[1].hold_leak_sccm_u < 0.5 * sure[0].hold_leak_sccm_u
    assert sure[1].decided_after_s < 20


def test_far_limit_is_decided_sooner_than_a_near_one():
    t, p = cold_hold(3.0, seconds=30)
    far = analyse_hold(t, noisy(p), limit_sccm=50.0, **BENCH)
    near = analyse_hold(t, noisy(p), limit_sccm=3.1, **BENCH)
    assert far.decided_after_s < 6
    assert near.decided_after_s is None or near.decided_after_s > far.decided_after_s


def test_recovery_by_free_convection_is_not_taken_for_a_leak():
    # heat transfer that falls with the fourth root of the temperature difference (any text on heat transfer, from
    # memory)
    times = np.arange(0, 30, 0.005)
    x = (1 + 0.25 * times / 1.8) ** (-1 / 0.25)
    p = 43_000 * (1 - 14 / AMBIENT_K * x) + pv_flow_pa_m3_s_from_sccm(0.3, AMBIENT_K) / VOLUME * times
    found = analyse_hold(times, noisy(p), **BENCH)
    assert abs(found.hold_leak_sccm - 0.3) < 0.2


@pytest.mark.parametrize("conductance", [0.05, 0.42, 1.0])
def test_gross_leak_is_measured_from_a_curve_that_is_no_straight_line(conductance):
    # ISO 6358-1 with b = 0.35 onto the 3 kPa that a weak pump made of it; adiabatic, by scipy
    kappa = conductance * 1e-8 * 1.185 * 287.05 * math.sqrt(293.15 * AMBIENT_K) / VOLUME
    start_pa, shut_s = AMBIENT_PA - 3_000.0, 0.012

    def flow(r):
        return math.sqrt(max(1 - ((r - 0.35) / 0.65) ** 2, 0.0))

    t = np.arange(-0.01, 3.0, 0.0005)
    inside = t > shut_s
    r = np.full(len(t), start_pa / AMBIENT_PA)
    r[inside] = solve_ivp(
        lambda _, y: [1.4 * kappa * flow(min(y[0], 1.0))], (0, 3), [r[0]], t_eval=t[inside] - shut_s, max_step=0.002
    ).y[0]
    found = analyse_hold(t, noisy(np.minimum(r, 1.0) * AMBIENT_PA), **BENCH)
    truth = (
        conductance
        * 1e-8
        * 1.185
        * AMBIENT_PA
        * math.sqrt(293.15 / AMBIENT_K)
        * flow(start_pa / AMBIENT_PA)
        / SCCM_KG_S
    )
    assert found.bound == ""
    assert found.hold_leak_sccm == pytest.approx(truth, rel=0.08)
    assert abs(found.hold_leak_sccm - truth) < 3 * found.hold_leak_sccm_u
    assert any("gross leak" in note for note in found.notes)


def test_vacuum_that_is_gone_within_a_few_samples_gives_a_bound():
    t = np.arange(-0.1, 2.0, 0.005)
    p = np.where(t < 0.0, AMBIENT_PA - 400.0, AMBIENT_PA)
    found = analyse_hold(t, noisy(p), **BENCH)
    assert found.bound == "above"
    assert 1_000 < found.hold_leak_sccm < 10_000
    assert found.hold_leak_sccm_u is None


def test_no_vacuum_at_all_is_said_and_not_measured():
    t = np.arange(-0.1, 10, 0.005)
    found = analyse_hold(t, noisy(np.full(len(t), AMBIENT_PA)), **BENCH)
    assert found.hold_leak_sccm is None
    assert found.hold_leak_sccm_u is None
    assert "no vacuum to hold" in found.notes[0]


def test_equivalent_hole_is_that_of_the_evap_orifice():
    # 0.020 in with Cd 0.8 passes 1.8006 L/min (0 degC) when choked (computed, isentropic nozzle, 20 degC)
    t, p = cold_hold(180.06, seconds=10)
    found = analyse_hold(t, noisy(p), **{**BENCH, "ambient_k": AMBIENT_K})
    expected = 0.508 * math.sqrt(found.hold_leak_sccm / 1800.6) * (AMBIENT_K / 293.15) ** 0.25
    assert found.equivalent_orifice_mm == pytest.approx(expected, rel=1e-3)


def test_same_record_gives_the_same_result():
    t, p = cold_hold(5.0)
    one, other = analyse_hold(t, noisy(p), **BENCH), analyse_hold(t, noisy(p), **BENCH)
    assert one.hold_leak_sccm == other.hold_leak_sccm


@pytest.mark.parametrize(
    ("change", "complaint"),
    [({"volume_m3": 0.0}, "volume_m3"), ({"ambient_pa": -1.0}, "ambient_pa"), ({"ambient_k": math.nan}, "ambient_k")],
)
def test_impossible_bench_is_refused_by_name(change, complaint):
    t, p = cold_hold(5.0)
    with pytest.raises(ValueError, match=complaint):
        analyse_hold(t, p, **{**BENCH, **change})


def test_record_from_before_shutting_off_only_is_refused():
    t = np.linspace(-5, -0.1, 50)
    with pytest.raises(ValueError, match="0 samples at or after time 0"):
        analyse_hold(t, np.full(50, 4e4), **BENCH)


def test_a_rise_that_no_leak_fits_is_not_measured_and_says_so(monkeypatch):
    def astray(*_):
        raise np.linalg.LinAlgError("SVD did not converge")

    monkeypatch.setattr("benchrig.analysis.leak.hold_vacuum.usual_leak", astray)
    found = analyse_hold(*cold_hold(3.0), **BENCH)
    assert found.hold_leak_sccm is None
    assert "something changed while it was measured" in found.notes[0]


@pytest.mark.slow
@pytest.mark.parametrize(("leak_sccm", "seconds"), [(400.0, 4.0), (700.0, 2.0)])
def test_what_a_gross_leak_exceeds_counts_neither_vacuum_that_is_left_nor_gas_that_warms_up(leak_sccm, seconds):
    t, p = gross_hold(leak_sccm, seconds=seconds, cold_k=25.0, tau_s=1.0)
    assert 0.3 < (p[-1] - p[0]) / (AMBIENT_PA - p[0]) < 0.5
    setting = LeakSetting(VOLUME, 0.0, AMBIENT_PA, AMBIENT_K, 0.3, 0.0, 0.0, 0.0, 0.0, 1.0, 0.7, 0.003)
    assert 0.2 * leak_sccm < gross_leak(t, noisy(p), float(p[0]), 12.0, setting).at_least_sccm < leak_sccm
