"""Heat by the inflow and the transducer's lag, found in short fills that equations of their own made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.calibration.inflow import InflowSetting, Pulse, coming_to_rest, inflow_heat
from benchrig.analysis.calibration.response import transducer_response_s
from benchrig.analysis.calibration.short_fill import short_fill
from benchrig.analysis.statistics.uncertainty_budget import Quantity
from tests.analysis.short_fills import AMBIENT_K, VOLUME_M3, fill

SMALL_M2, LARGE_M2 = 1.7e-6, 2.0e-5
TIMES = ((SMALL_M2, 0.2, 41_325.0), (SMALL_M2, 0.5, 41_325.0), (LARGE_M2, 0.015, 41_325.0), (LARGE_M2, 0.025, 50_000.0))


def setting(volume_m3: float = VOLUME_M3, lag_s: float = 0.003) -> InflowSetting:
    return InflowSetting(
        Quantity("volume", volume_m3, 0.002 * volume_m3),
        AMBIENT_K,
        Quantity("response", lag_s, 0.00005),
        Quantity("zero", 0.0, 30.0),
        Quantity("hysteresis", 0.0, 2.0),
    )


def pulses(**more: float) -> list[Pulse]:
    return [
        Pulse("hole", *fill(area, seconds, start_pa=start, seed=k, **more))
        for k, (area, seconds, start) in enumerate(TIMES)
    ]


@pytest.mark.slow
@pytest.mark.parametrize(("per_g_s", "power"), [(1.6, 0.8), (0.9, 0.7), (2.6, 0.95)])
def test_heat_by_the_inflow_is_found_whatever_the_openings_are(per_g_s, power):
    found = inflow_heat(pulses(inflow_w_k=per_g_s, power=power), setting())
    assert found.inflow_w_k == pytest.approx(per_g_s, rel=0.02)
    assert found.power == pytest.approx(power, abs=0.02)
    assert abs(found.inflow_w_k - per_g_s) < 2 * found.inflow_w_k_u < 0.1 * per_g_s
    assert abs(found.power - power) < 2 * found.power_u < 0.1
    assert found.widening < 2
    least, most = found.flows_g_s
    assert least < 0.5 < 3 < most


@pytest.mark.slow
def test_a_valve_that_takes_its_time_and_leaks_a_little_changes_nothing():
    found = inflow_heat(pulses(travel_s=0.004, leak_kg_s=4e-9), setting())
    assert found.inflow_w_k == pytest.approx(1.6, rel=0.04)


@pytest.mark.slow
def test_a_volume_told_wrong_hardly_moves_the_heat_and_its_part_says_by_how_much():
    # heat and inflow both are in proportion to it: a q^n with n of 0.8 leaves its power 0.2
    given = pulses()
    right, wrong = inflow_heat(given, setting()), inflow_heat(given, setting(1.05 * VOLUME_M3))
    assert wrong.inflow_w_k / right.inflow_w_k == pytest.approx(1.05**0.2, abs=0.002)
    assert dict(right.parts)["reservoir volume"] == pytest.approx(0.002 * 0.2 * right.inflow_w_k, rel=0.2)


@pytest.mark.slow
def test_a_transducers_hysteresis_is_taken_off_where_the_pressure_falls():
    play_pa = 40.0

    def played(pulse: Pulse, fell: bool) -> Pulse:
        """What is shown while the pressure falls is too high; before the first pulse it does not fall."""
        falls = pulse.time_s > pulse.time_s[np.argmax(pulse.pressure_pa)]
        shown = pulse.pressure_pa + play_pa * (falls | ((pulse.time_s < 0.01) & fell))
        return Pulse(pulse.opening, pulse.time_s, shown, pulse.late_s, pulse.late_pa + play_pa, fell)

    plain = pulses()
    given = [played(pulse, fell) for pulse, fell in zip(plain, (False, False, False, True), strict=True)]
    right = inflow_heat(plain, setting())
    told = replace(setting(), hysteresis_pa=Quantity("hysteresis", play_pa, 1.0))
    known, unknown = inflow_heat(given, told), inflow_heat(given, setting())
    assert known.inflow_w_k == pytest.approx(right.inflow_w_k, rel=0.01)
    assert known.power == pytest.approx(right.power, abs=0.01)
    assert abs(unknown.inflow_w_k / right.inflow_w_k - 1) > 0.02
    # and it makes no difference which pulses came after a fall
    all_fell = inflow_heat([played(pulse, True) for pulse in plain], told)
    assert all_fell.inflow_w_k == pytest.approx(known.inflow_w_k, rel=5e-4)
    guessed = replace(setting(), hysteresis_pa=Quantity("hysteresis", play_pa, 20.0))
    assert dict(inflow_heat(given, guessed).parts)["transducer's hysteresis"] > 0.01 * right.inflow_w_k


def test_an_opening_that_lets_nothing_in_is_refused():
    quick, shown, late, rest = fill(1e-9, 0.2, until_s=8.0)
    with pytest.raises(ValueError, match="nothing was let in"):
        inflow_heat([Pulse("hole", quick, shown, late, rest)] * 3, setting())


@pytest.mark.parametrize(("rise_pa_s", "refused"), [(12.0, False), (30.0, True)])
def test_an_opening_that_leaks_when_it_is_shut_is_refused(rise_pa_s, refused):
    leak_kg_s = rise_pa_s * VOLUME_M3 / (287.05 * AMBIENT_K)
    pulse = Pulse("valve", *fill(SMALL_M2, 0.2, leak_kg_s=leak_kg_s))
    if refused:
        with pytest.raises(ValueError, match="still let in 30 Pa/s: it leaks"):
            coming_to_rest(pulse, 0.21)
    else:
        assert coming_to_rest(pulse, 0.21).leak_pa_s == pytest.approx(rise_pa_s, rel=0.05)


def test_an_opening_that_stays_open_is_refused():
    quick, shown, _, _ = fill(SMALL_M2, 2.0, until_s=2.5)
    with pytest.raises(ValueError, match="did not shut"):
        short_fill(quick[quick < 0.5], shown[quick < 0.5], 0.003)


def test_two_pulses_are_too_few():
    with pytest.raises(ValueError, match="at least three"):
        inflow_heat([], setting())


@pytest.mark.parametrize("lag_s", [0.0015, 0.003, 0.008])
def test_the_transducers_time_constant_is_found_from_any_first_guess(lag_s):
    fills = [fill(LARGE_M2, 0.025, lag_s=lag_s, seed=k, until_s=0.5)[:2] for k in range(3)]
    budget, departs = transducer_response_s(fills, 0.003)
    assert budget.value == pytest.approx(lag_s, rel=0.02)
    assert abs(budget.value - lag_s) < 2 * budget.u
    assert departs < 1.3


def test_a_lag_that_is_no_lag_of_first_order_is_told_by_what_is_left():
    quick, shown, _, _ = fill(LARGE_M2, 0.025, noise_pa=0.0, until_s=0.5)
    ringing = shown + 800 * np.exp(-np.maximum(quick - 0.035, 0) / 0.01) * np.sin(1000 * (quick - 0.035)) * (
        quick > 0.035
    )
    noise = 12 * np.random.default_rng(4).standard_normal(len(quick))
    _, departs = transducer_response_s([(quick, ringing + noise)] * 2, 0.003)
    assert departs > 3


def test_one_fill_is_too_few_for_a_time_constant():
    with pytest.raises(ValueError, match="two at least"):
        transducer_response_s([], 0.003)
