"""Records that show their values all the same: hum, irregular samples, no lead-in, a dip that cannot be told of."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from benchrig.analysis.armature.inrush import analyse_inrush

_PLACE = Path(__file__).parent / "test_inrush_armature.py"
_SPEC = importlib.util.spec_from_file_location("inrush_armatures_measured", _PLACE)
armatures = importlib.util.module_from_spec(_SPEC)
sys.modules["inrush_armatures_measured"] = armatures
_SPEC.loader.exec_module(armatures)

OFF_S = 0.07


@pytest.fixture(scope="module")
def brisk():
    """One valve that pulls in and drops out: times in s, current in A without noise, drawn values."""
    draws = armatures.models.solve(armatures.valve(), step_ms=0.025, pulse_ms=1e3 * OFF_S, decay_ms=80.0)
    return draws.time_ms * 1e-3, draws.current_a(0), draws


@pytest.mark.parametrize("phase", [0.0, 1.6, 3.1, 4.7])
def test_hum_after_the_pulse_is_no_level_at_which_the_current_stays(brisk, phase):
    t, i, draws = brisk
    full = float(draws.full_a[0])
    hum = 0.03 * full * np.sin(2.0 * np.pi * 50.0 * t + phase)
    noise = np.random.default_rng(4).normal(0.0, 0.004 * full, t.size)
    found = analyse_inrush(t, i + hum + noise, supply_v=13.0)

    assert found.steady_current_a == pytest.approx(full, rel=0.015)
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.4)


def test_the_hump_of_a_return_is_no_level_at_which_the_current_stays():
    t = np.arange(-5e-3, 0.2, 1e-4)
    since = t - 0.06
    hump = 0.25 * np.interp(since, [8e-3, 16e-3, 18e-3], [0.0, 1.0, 0.0]) * np.exp(-np.maximum(since - 16e-3, 0) / 5e-3)
    decay = np.exp(-since / 8e-3) + hump
    i = 0.3 * np.where(t < 0, 0.0, np.where(t < 0.06, -np.expm1(-t / 8e-3), decay))
    found = analyse_inrush(t, i + np.random.default_rng(5).normal(0.0, 1e-3, t.size), supply_v=12.0)

    assert found.steady_current_a == pytest.approx(0.3, rel=0.01)


def test_samples_that_come_irregularly_lose_no_pull_in(brisk):
    t, i, draws = brisk
    stated = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        coarse = np.arange(0, t.size, 4)
        kept = np.sort(rng.permutation(coarse)[: int(0.7 * coarse.size)])
        noise = rng.normal(0.0, 0.01 * draws.full_a[0], kept.size)
        found = analyse_inrush(t[kept], i[kept] + noise, supply_v=13.0, off_s=OFF_S)
        if found.pull_in_time_ms is not None:
            stated += 1
            assert abs(found.pull_in_time_ms - draws.arrival_ms[0]) < max(0.2, 2.5 * found.pull_in_time_ms_u)

    assert stated >= 6


def test_a_record_without_lead_in_that_ends_at_the_release_states_its_steady_current(brisk):
    t, i, draws = brisk
    inside = np.flatnonzero((t > 1e-4) & (t < OFF_S))[::4]
    found = analyse_inrush(t[inside], i[inside], supply_v=13.0, off_s=OFF_S)

    assert found.steady_current_a == pytest.approx(float(draws.full_a[0]), rel=0.02)
    assert abs(found.steady_current_a - draws.full_a[0]) < 2.0 * found.steady_current_a_u


def test_a_record_without_lead_in_whose_zero_is_off_stays_unsure(brisk):
    t, i, draws = brisk
    inside = np.flatnonzero((t > 1e-4) & (t < OFF_S))[::4]
    found = analyse_inrush(t[inside], i[inside] + 0.05 * draws.full_a[0], supply_v=13.0, off_s=OFF_S)

    assert found.steady_current_a is None or found.steady_current_a_u > 0.02 * found.steady_current_a


def test_where_no_motion_can_be_told_a_dip_is_at_most_what_noise_hides():
    draws = armatures.models.solve(
        armatures.valve(**armatures.DAMPED), step_ms=0.025, pulse_ms=1e3 * OFF_S, decay_ms=60.0
    )
    t, full = draws.time_ms * 1e-3, float(draws.full_a[0])
    current = armatures.models.measure(draws.current_a(0), full, np.random.default_rng(1), noise=0.05, bits=12)
    found = analyse_inrush(t, current, supply_v=13.0, off_s=OFF_S)

    assert found.armature_moved is None
    assert found.dip_a == 0.0
    assert 0.01 * full < found.dip_a_u < 0.12 * full


def test_a_dip_that_falls_faster_than_a_coil_can_is_no_switch_that_bounces():
    t = np.arange(-5e-3, 0.14, 5e-5)
    rise = 0.8 * -np.expm1(-np.maximum(t, 0.0) / 5e-3) - 0.25 * np.clip((t - 2.6e-3) / 0.4e-3, 0.0, 1.0) ** 1.2
    after = 1.0 - (1.0 - float(np.interp(3e-3, t, rise))) * np.exp(-(t - 3e-3) / 9e-3)
    decay = np.maximum(1.05 * np.exp(-(t - 0.08) / 8e-3) - 0.05, 0.0)
    i = np.where(t < 0.0, 0.0, np.where(t < 3e-3, rise, np.where(t < 0.08, after, decay)))
    noise = np.random.default_rng(6).normal(0.0, 1e-3, t.size)
    found = analyse_inrush(t, 0.5 * i + noise, supply_v=13.0, off_s=0.08)

    assert not any("bounces" in note for note in found.notes)
    assert found.motion_start_ms is not None
    assert found.pull_in_time_ms == pytest.approx(3.0, abs=0.2)


def test_a_first_motion_for_which_there_are_too_few_samples_is_anywhere_before_the_arrival():
    t = np.arange(-6e-3, 0.14, 5e-4)
    rise = 0.6 * -np.expm1(-np.maximum(t, 0.0) / 2e-3) - 0.25 * np.clip((t - 2e-3) / 1.2e-3, 0.0, 1.0)
    after = 1.0 - (1.0 - float(np.interp(3.2e-3, t, rise))) * np.exp(-(t - 3.2e-3) / 9e-3)
    decay = np.maximum(1.05 * np.exp(-(t - 0.08) / 8e-3) - 0.05, 0.0)
    i = np.where(t < 0.0, 0.0, np.where(t < 3.2e-3, rise, np.where(t < 0.08, after, decay)))
    found = analyse_inrush(t, 0.5 * i + np.random.default_rng(6).normal(0.0, 1e-3, t.size), supply_v=13.0, off_s=0.08)

    assert found.pull_in_time_ms is not None
    assert found.motion_start_ms == pytest.approx(2.0, abs=2 * found.motion_start_ms_u)
    assert found.motion_start_ms_u > 0.15 * found.pull_in_time_ms


def test_a_pull_in_lost_in_a_gap_leaves_no_dip(brisk):
    t, i, draws = brisk
    arrival_s = 1e-3 * float(draws.arrival_ms[0])
    gap = (t > arrival_s - 4e-3) & (t < arrival_s + 1e-3)
    noise = np.random.default_rng(3).normal(0.0, 0.003 * draws.full_a[0], t.size)
    found = analyse_inrush(t[~gap], (i + noise)[~gap], supply_v=13.0, off_s=OFF_S)

    assert found.pull_in_time_ms is None
    assert found.dip_a is None


def test_samples_lost_before_a_release_that_was_told_may_have_been_before_the_arrival(brisk):
    t, i, draws = brisk
    noise = np.random.default_rng(3).normal(0.0, 0.003 * draws.full_a[0], t.size)
    lost = (t > 1e-3) & (t < 3e-3)
    left = (i + noise)[~lost]
    found = analyse_inrush(t[: left.size], left, supply_v=13.0, off_s=OFF_S)

    if found.pull_in_time_ms is not None:
        assert abs(found.pull_in_time_ms - draws.arrival_ms[0]) < 2.2 * found.pull_in_time_ms_u
    late = (t > 0.03) & (t < 0.032)
    left = (i + noise)[~late]
    found = analyse_inrush(t[: left.size], left, supply_v=13.0, off_s=OFF_S)
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.2)
    assert found.pull_in_time_ms_u > 0.5


def test_with_a_sample_a_millisecond_an_armature_that_does_not_show_may_have_moved():
    t = np.arange(-0.01, 0.18, 1e-3)
    decay = np.maximum(1.05 * np.exp(-(t - 0.12) / 8e-3) - 0.05, 0.0)
    i = 0.5 * np.where(t < 0.0, 0.0, np.where(t < 0.12, -np.expm1(-t / 8e-3), decay))
    found = analyse_inrush(t, i + np.random.default_rng(1).normal(0.0, 1e-3, t.size), supply_v=13.0, off_s=0.12)

    assert found.armature_moved is None
    assert found.dip_a is None
    assert any("too few to see a quick armature" in note for note in found.notes)


def test_a_probe_that_keeps_some_of_its_current_shows_in_how_the_current_begins():
    t = np.arange(1e-5, 0.18, 5e-5)
    decay = np.maximum(1.05 * np.exp(-(t - 0.12) / 8e-3) - 0.05, 0.0)
    i = 0.5 * np.where(t < 0.12, -np.expm1(-t / 8e-3), decay)
    kept = 0.025 * np.maximum.accumulate(i)
    noise = np.random.default_rng(1).normal(0.0, 3e-3, t.size)
    found = analyse_inrush(t, 0.975 * i + kept + noise, supply_v=13.0, off_s=0.12)

    assert any("keeps some of its current" in note for note in found.notes)
    assert abs(found.steady_current_a - 0.5) < 2.0 * found.steady_current_a_u


def test_a_current_that_stays_off_its_zero_widens_what_it_settles_at():
    t = np.arange(-5e-3, 0.16, 1e-4)
    decay = np.maximum(1.05 * np.exp(-(t - 0.12) / 4e-3) - 0.05, 0.0)
    i = 0.5 * np.where(t < 0.0, 0.0, np.where(t < 0.12, -np.expm1(-t / 4e-3), decay))
    drift = 0.05 * -np.expm1(-(t - t[0]) / 0.1)
    found = analyse_inrush(t, i + drift + np.random.default_rng(1).normal(0.0, 5e-4, t.size), supply_v=13.0, off_s=0.12)

    assert any("off the zero before the pulse" in note or "zero of the current moved" in note for note in found.notes)
    assert abs(found.steady_current_a - 0.5) < 2.5 * found.steady_current_a_u


def test_a_depth_is_as_uncertain_as_it_scatters(brisk):
    t, i, draws = brisk
    z = []
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 0.006 * draws.full_a[0], t.size)
        found = analyse_inrush(t, i + noise, supply_v=13.0, off_s=OFF_S)
        z.append((found.dip_a - draws.dip[0] * draws.full_a[0]) / found.dip_a_u)

    assert max(np.abs(z)) < 2.5
    assert 0.25 < float(np.sqrt(np.mean(np.square(z)))) < 1.2
