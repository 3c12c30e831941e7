"""The parts of each stated uncertainty, checked by moving what they stand for: one left out or doubled shows.

An input is shifted by a small step and the analysis run again; by the law of propagation (JCGM 100, 5.1.3) the part
is the change of the result per step, times the input's standard uncertainty.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.analysis.armature.inrush import analyse_inrush
from benchrig.analysis.flow.open_flow import FlowResult, analyse_flow
from benchrig.analysis.leak.hold_vacuum import HoldResult, analyse_hold

AMBIENT_PA, AMBIENT_K, VOLUME = 101_325.0, 295.15, 0.5e-3
BENCH = {"volume_m3": VOLUME, "volume_u_m3": 0.0, "ambient_pa": AMBIENT_PA, "ambient_k": AMBIENT_K}


def hold(leak_pa_s: float = 150.0, **more: float) -> HoldResult:
    """A straight rise with 6 K of recovery; 3.65 Pa/s are 1 sccm."""
    t = np.arange(-0.1, 10.0, 0.01)
    after = np.maximum(t, 0.0)
    p = 41_000.0 + leak_pa_s * after - 41_000.0 * 6.0 / AMBIENT_K * np.exp(-after / 2.0)
    p += 8.0 * np.random.default_rng(4).standard_normal(len(t))
    known = {"thermal_time_constant_s": 2.0, "thermal_time_constant_u_s": 0.05, "ambient_u_k": 0.0}
    return analyse_hold(t, p, **{**BENCH, **known, **more})


def flow(**more: float) -> FlowResult:
    """A choked fill and its end, isothermal closed form of ISO 6358 with b = 0.4: r' = k f(r)."""
    t = np.arange(-0.2, 4.0, 0.004)
    b, k, start = 0.4, 0.55, 0.41
    r = start + k * np.clip(t - 0.01, 0.0, None)
    later = b + (1 - b) * np.sin(np.clip((k * (t - 0.01) - (b - start)) / (1 - b), 0.0, math.pi / 2))
    p = AMBIENT_PA * np.where(r < b, r, np.where(t < 0.01, start, later))
    p += 8.0 * np.random.default_rng(5).standard_normal(len(t))
    known = {"rated_vacuum_pa": 30_000.0, "thermal_time_constant_s": 0.02, "thermal_time_constant_u_s": 0.01}
    return analyse_flow(t, p, **{**BENCH, "ambient_u_k": 0.0, "response_s": 0.0, **known, **more})


def part(result: HoldResult | FlowResult, words: str) -> float:
    found = [u for label, u in result.parts if label == words]
    assert len(found) == 1, f"no part {words!r} in {result.parts}"
    return found[0]


def test_the_leaks_parts_make_up_its_uncertainty():
    found = hold(volume_u_m3=0.01 * VOLUME, ambient_u_k=2.0, pressure_u_pa=900.0, background_u_sccm=0.3)
    assert found.hold_leak_sccm_u == pytest.approx(math.sqrt(sum(u * u for _, u in found.parts)), rel=1e-9)
    assert [u for _, u in found.parts] == sorted((u for _, u in found.parts), reverse=True)


def test_the_transducers_uncertainty_is_a_part_of_the_leaks():
    # A scale that is off by 1 % makes the rise, and the leak, wrong by 1 %.
    found = hold(pressure_u_rel=0.01)
    assert part(found, "pressure transducer") == pytest.approx(0.01 * found.hold_leak_sccm, rel=0.02)
    reading = hold(pressure_u_pa=1_013.25)
    assert part(reading, "pressure transducer") == pytest.approx(0.01 * reading.hold_leak_sccm, rel=0.02)
    assert hold(pressure_u_rel=0.3).hold_leak_sccm_u >= 0.3 * found.hold_leak_sccm


def test_the_volumes_uncertainty_is_a_part_of_the_leaks():
    found = hold(volume_u_m3=0.02 * VOLUME)
    larger = hold(volume_m3=1.02 * VOLUME)
    moved = larger.hold_leak_sccm - found.hold_leak_sccm
    assert part(found, "volume of the reservoir") == pytest.approx(abs(moved), rel=0.05)


def test_the_temperatures_uncertainty_is_a_part_of_the_leaks():
    found = hold(ambient_u_k=3.0)
    moved = hold(ambient_k=AMBIENT_K + 3.0).hold_leak_sccm - found.hold_leak_sccm
    assert part(found, "ambient temperature") == pytest.approx(abs(moved), rel=0.1)


def test_the_backgrounds_uncertainty_is_a_part_of_the_leaks_and_it_is_taken_off():
    found = hold(background_sccm=1.5, background_u_sccm=0.4)
    assert part(found, "background leak of the bench") == pytest.approx(0.4)
    assert hold().hold_leak_sccm - found.hold_leak_sccm == pytest.approx(1.5, abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("label", "told", "moved_by", "share"),
    [
        ("volume of the reservoir", {"volume_u_m3": 0.02 * VOLUME}, {"volume_m3": 1.02 * VOLUME}, 0.02),
        ("ambient temperature", {"ambient_u_k": 6.0}, {"ambient_k": AMBIENT_K + 6.0}, 0.5 * 6.0 / AMBIENT_K),
    ],
)
def test_each_part_of_the_conductances_uncertainty_is_what_moving_its_input_does(label, told, moved_by, share):
    # C goes as V and, as the choked mass flow does, as one over the root of T (ISO 6358-1).
    found = flow(**told)
    moved = flow(**moved_by).sonic_conductance_dm3_s_bar - found.sonic_conductance_dm3_s_bar
    assert part(found, label) == pytest.approx(abs(moved), rel=0.2)
    assert part(found, label) == pytest.approx(share * found.sonic_conductance_dm3_s_bar, rel=0.02)


@pytest.mark.slow
def test_the_temperatures_part_of_the_conductance_is_half_its_relative_uncertainty():
    found = flow(ambient_u_k=0.04 * AMBIENT_K)
    assert part(found, "ambient temperature") == pytest.approx(0.02 * found.sonic_conductance_dm3_s_bar, rel=0.02)


@pytest.mark.slow
def test_the_conductances_parts_make_up_its_uncertainty_and_the_rated_flows():
    found = flow(ambient_u_k=3.0, volume_u_m3=0.03 * VOLUME, pressure_u_pa=500.0)
    c_u = found.sonic_conductance_dm3_s_bar_u
    assert c_u == pytest.approx(math.sqrt(sum(u * u for _, u in found.parts)), rel=1e-6)
    assert found.flow_at_rated_vacuum_lpm_anr_u > 0.03 * found.flow_at_rated_vacuum_lpm_anr


def pulse(step_a: float, noise_a: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A plain coil, 0.5123 A, through a converter of this step."""
    t = np.arange(-0.02, 0.2, 1e-4)
    i = 0.5123 * np.where(t < 0, 0.0, np.where(t < 0.12, -np.expm1(-t / 5e-3), 1.05 * np.exp((0.12 - t) / 5e-3) - 0.05))
    i = np.maximum(i, 0.0) + noise_a * np.random.default_rng(2).standard_normal(len(t))
    return t, np.round(i / step_a) * step_a


def test_without_noise_the_converters_step_goes_into_the_currents_uncertainty():
    step_a = 0.008
    t, i = pulse(step_a)
    found = analyse_inrush(t, i, supply_v=13.0, off_s=0.12)
    # once where the current stands, and once more where its zero does
    assert found.steady_current_a_u >= 0.99 * step_a * math.sqrt(2 / 12)
    assert abs(found.steady_current_a - 0.5123) < 2 * found.steady_current_a_u


def test_under_noise_the_converters_step_averages_out():
    step_a = 0.008
    t, i = pulse(step_a, noise_a=0.008)
    found = analyse_inrush(t, i, supply_v=13.0, off_s=0.12)
    assert found.steady_current_a_u < 0.5 * step_a / math.sqrt(12)


def test_the_scales_and_the_supplys_uncertainty_go_into_current_and_resistance():
    t, i = pulse(1e-5, noise_a=1e-3)
    plain = analyse_inrush(t, i, supply_v=13.0, off_s=0.12)
    scaled = analyse_inrush(t, i, supply_v=13.0, off_s=0.12, current_u_rel=0.02)
    supplied = analyse_inrush(t, i, supply_v=13.0, supply_u_v=0.26, off_s=0.12)
    assert scaled.steady_current_a_u == pytest.approx(0.02 * plain.steady_current_a, rel=0.02)
    assert scaled.resistance_ohm_u == pytest.approx(0.02 * plain.resistance_ohm, rel=0.02)
    assert supplied.resistance_ohm_u == pytest.approx(0.02 * plain.resistance_ohm, rel=0.02)
    assert supplied.steady_current_a_u == pytest.approx(plain.steady_current_a_u)
