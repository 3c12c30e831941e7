"""Records that a converter, a switch or a wrong instant spoils: named, and nothing stated that is wrong and sure."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from benchrig.analysis.armature.inrush import analyse_inrush

_PLACE = Path(__file__).parent / "test_inrush_armature.py"
_SPEC = importlib.util.spec_from_file_location("inrush_armatures", _PLACE)
armatures = importlib.util.module_from_spec(_SPEC)
sys.modules["inrush_armatures"] = armatures
_SPEC.loader.exec_module(armatures)

OFF_S = 0.07


@pytest.fixture(scope="module")
def brisk():
    """One valve that pulls in and drops out: times in s, current in A, drawn values."""
    draws = armatures.models.solve(armatures.valve(), step_ms=0.025, pulse_ms=1e3 * OFF_S, decay_ms=50.0)
    rng = np.random.default_rng(3)
    current = armatures.models.measure(draws.current_a(0), draws.full_a[0], rng, noise=0.004, bits=16)
    return draws.time_ms * 1e-3, current, draws


def said(found, *words):
    return any(all(word in note for word in words) for note in found.notes)


def test_the_record_itself_is_read_right(brisk):
    t, i, draws = brisk
    found = analyse_inrush(t, i, supply_v=13.0, off_s=OFF_S)
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.2)
    assert found.drop_out_time_ms == pytest.approx(draws.return_ms[0], abs=0.5)


def test_values_that_the_logger_repeats_are_named_and_used_once(brisk):
    t, i, draws = brisk
    held = np.repeat(i[::8], 8)[: len(i)]
    found = analyse_inrush(t, held, supply_v=13.0, off_s=OFF_S)
    assert said(found, "every value is repeated 8 times")
    plain = analyse_inrush(t[::8], i[::8], supply_v=13.0, off_s=OFF_S)
    assert found.pull_in_time_ms == pytest.approx(plain.pull_in_time_ms, abs=0.05)
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.3)


def test_a_stuck_bit_of_the_converter_is_named_and_nothing_is_measured(brisk):
    t, i, _ = brisk
    step = float(np.ptp(i)) / 128
    spoiled = step * (np.round(i / step).astype(int) | 4)
    found = analyse_inrush(t, spoiled, supply_v=13.0, off_s=OFF_S)
    assert said(found, "bit 2 of the converter is stuck")
    assert found.steady_current_a is None
    assert found.armature_moved is None
    whole = analyse_inrush(t, step * np.round(i / step), supply_v=13.0, off_s=OFF_S)
    assert whole.armature_moved is True


@pytest.mark.parametrize("early_s", [1e-3, 2e-3, 4e-3])
def test_a_release_told_too_early_gives_no_early_drop_out(brisk, early_s):
    t, i, _ = brisk
    found = analyse_inrush(t, i, supply_v=13.0, off_s=OFF_S - early_s)
    assert found.drop_out_time_ms is None
    assert said(found, "not at", "as told") or said(found, "while the magnet still holds")


def test_a_pulse_that_ends_before_the_told_release_gives_no_drop_out(brisk):
    t, i, _ = brisk
    found = analyse_inrush(t, i, supply_v=13.0, off_s=OFF_S + 5e-3)
    assert said(found, "falls at 70", "a trip or lost samples")
    assert found.drop_out_time_ms is None
    assert found.pull_in_time_ms is not None


def test_leads_that_ring_at_switch_on_are_no_pull_in(brisk):
    t, i, draws = brisk
    since = np.maximum(t, 0.0)
    full = float(draws.full_a[0])
    ringing = i + 0.3 * full * np.sin(2 * np.pi * 1500.0 * since) * np.exp(-since / 4e-4)
    found = analyse_inrush(t, ringing, supply_v=13.0, off_s=OFF_S)
    assert found.pull_in_time_ms is None or found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.5)


def test_hum_over_a_short_lead_in_is_not_taken_for_an_ac_coupled_probe(brisk):
    t, i, draws = brisk
    kept = t > -8e-3
    full = float(draws.full_a[0])
    hum = 0.012 * full * np.sin(2 * np.pi * 50.0 * t + 2.0)
    found = analyse_inrush(t[kept], (i + hum)[kept], supply_v=13.0, off_s=OFF_S)
    assert not said(found, "AC-coupled")
    assert said(found, "hum of 50 Hz")
    assert found.armature_moved is True
    assert found.steady_current_a == pytest.approx(full, rel=0.01)


def test_a_record_averaged_over_milliseconds_says_so_and_states_no_times(brisk):
    t, i, _ = brisk
    n = round(4e-3 / (t[1] - t[0]))
    total = np.cumsum(np.concatenate([np.zeros(n), i]))
    found = analyse_inrush(t, (total[n:] - total[:-n]) / n, supply_v=13.0, off_s=OFF_S)
    assert said(found, "averaged over milliseconds")
    assert found.pull_in_time_ms is None
    assert found.drop_out_time_ms is None
    assert found.dip_a is None


@pytest.mark.slow
def test_a_dip_that_is_not_seen_leaves_room_for_a_shallow_one():
    shallow = armatures.valve(**(armatures.DAMPED))
    draws = armatures.models.solve(shallow, step_ms=0.025, pulse_ms=1e3 * OFF_S, decay_ms=50.0)
    current = armatures.models.measure(
        draws.current_a(0), draws.full_a[0], np.random.default_rng(1), noise=0.004, bits=12
    )
    found = analyse_inrush(draws.time_ms * 1e-3, current, supply_v=13.0, off_s=OFF_S)
    assert found.dip_a is None or found.dip_a_u > 0.006 * draws.full_a[0]


@pytest.mark.parametrize("left", [0.1, 0.35])
def test_a_supply_that_sinks_and_stays_is_no_release(left: float) -> None:
    t = np.arange(-5e-3, 0.2, 2e-4)
    sunk = left + (1.0 - left) * np.exp(-(t - 0.06) / 6e-3)
    gone = left * np.exp(-(t - 0.14) / 6e-3)
    i = 0.5 * np.where(t < 0, 0.0, np.where(t < 0.06, -np.expm1(-t / 6e-3), np.where(t < 0.14, sunk, gone)))
    found = analyse_inrush(t, i + np.random.default_rng(8).normal(0.0, 2e-3, t.size), supply_v=13.0)

    assert found.steady_current_a is None
    assert found.drop_out_time_ms is None
    assert any("stays there" in note for note in found.notes)
