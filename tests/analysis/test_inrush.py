"""Pulses whose answer is known in closed form, and records that say nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.armature.clicks import combine_clicks
from benchrig.analysis.armature.inrush import analyse_inrush
from benchrig.analysis.coil.baseline import zero_of

OFF_S = 0.12


def coil(rate_hz=10_000.0, tau_s=5e-3, full_a=0.5, diode=0.05, lead_s=0.02, end_s=0.2):
    """Exact rise and decay of a coil without iron (the RL step and the freewheel decay of any circuits text)."""
    t = np.arange(round((lead_s + end_s) * rate_hz)) / rate_hz - lead_s
    rise = -np.expm1(-np.maximum(t, 0.0) / tau_s)
    decay = (1.0 + diode) * np.exp(-np.maximum(t - OFF_S, 0.0) / tau_s) - diode
    return t, full_a * np.where(t < OFF_S, rise, np.maximum(decay, 0.0))


def noisy(current_a, share=0.01, seed=1, step_a=0.0):
    y = current_a + np.random.default_rng(seed).normal(0.0, share * current_a.max(), len(current_a))
    return np.round(y / step_a) * step_a if step_a else y


def test_an_exact_exponential_gives_its_resistance_and_no_motion():
    t, i = coil(full_a=13.0 / 26.0)
    found = analyse_inrush(t, i, supply_v=13.0, supply_u_v=0.013, off_s=OFF_S)
    assert found.armature_moved is False
    assert found.resistance_ohm == pytest.approx(26.0, rel=1e-6)
    assert found.resistance_ohm_u == pytest.approx(0.026, rel=0.01)
    assert found.steady_current_a == pytest.approx(0.5, rel=1e-6)
    assert found.dip_a == 0.0
    assert found.pull_in_time_ms is None
    assert found.drop_out_time_ms is None


@pytest.mark.parametrize("rate_hz", [2_000.0, 10_000.0, 100_000.0])
@pytest.mark.parametrize("tau_s", [1e-3, 5e-3, 10e-3])
def test_a_noisy_exponential_shows_no_motion_at_any_rate(rate_hz, tau_s):
    t, i = coil(rate_hz, tau_s)
    found = analyse_inrush(t, noisy(i, step_a=4e-4), supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is False
    assert abs(found.resistance_ohm - 26.0) < 3 * found.resistance_ohm_u
    assert found.resistance_ohm_u < 0.1


def test_hum_is_taken_out_and_named():
    t, i = coil()
    y = noisy(i) + 0.02 * np.sin(2 * np.pi * 50.0 * t + 0.7)
    found = analyse_inrush(t, y, supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is False
    assert any("hum of 50 Hz, 20 mA" in note for note in found.notes)
    assert found.steady_current_a == pytest.approx(0.5, abs=3 * found.steady_current_a_u)


def test_a_rise_that_has_not_settled_is_extrapolated_and_noted():
    t, i = coil(tau_s=30e-3)
    found = analyse_inrush(t, noisy(i), supply_v=13.0, off_s=OFF_S)
    assert found.steady_current_a == pytest.approx(0.5, abs=3 * found.steady_current_a_u)
    assert found.steady_current_a > i.max()
    assert any("from settling" in note for note in found.notes)


def test_a_measured_voltage_carries_a_sagging_supply():
    # v(t) = 13 - 1.3 (1 - exp(-t/40 ms)) drives an ideal coil: the current by the convolution in closed form
    t, _ = coil()
    tau, sag, slow, ohm = 5e-3, 0.1, 40e-3, 26.0
    on = np.maximum(t, 0.0)
    rise = (1 - sag) * -np.expm1(-on / tau) + sag * slow / (slow - tau) * (np.exp(-on / slow) - np.exp(-on / tau))
    last = float(np.interp(OFF_S, t, rise))
    decay = np.maximum((last + 0.05) * np.exp(-np.maximum(t - OFF_S, 0) / tau) - 0.05, 0.0)
    i = 13.0 / ohm * np.where(t < OFF_S, rise, decay)
    v = np.where(t < OFF_S, 13.0 * (1 - sag * -np.expm1(-on / slow)), 13.0)
    found = analyse_inrush(t, noisy(i), voltage_v=v, off_s=OFF_S)
    assert found.armature_moved is False
    assert found.resistance_ohm == pytest.approx(ohm, rel=0.01)


def test_the_release_is_found_when_it_is_not_given():
    t, i = coil()
    found = analyse_inrush(t, noisy(i), supply_v=13.0)
    note = next(n for n in found.notes if n.startswith("release found"))
    assert float(note.split()[3]) == pytest.approx(120.0, abs=0.5)
    assert found.armature_moved is False


def test_a_current_that_stops_at_release_is_not_taken_for_the_coils():
    t, i = coil()
    i = np.where(t < OFF_S, i, 0.5 * np.exp(-np.maximum(t - OFF_S, 0.0) / 1e-3) * (t >= OFF_S))
    found = analyse_inrush(t, noisy(i), supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is not True
    assert any("too small to be the coil's" in note for note in found.notes)


def test_a_dead_coil_did_not_move_its_armature():
    t, i = coil()
    noise = np.random.default_rng(3).normal(0.0, 2e-3, len(i))
    for y in (noise, np.maximum(noise, 0.0), np.zeros_like(i)):
        found = analyse_inrush(t, y, supply_v=13.0, off_s=OFF_S)
        assert found.armature_moved is False
        assert found.resistance_ohm is None
        assert any("no current flowed" in note for note in found.notes)


def test_a_record_that_never_changes_is_a_stuck_probe_and_no_dead_coil():
    t, i = coil()
    found = analyse_inrush(t, np.full_like(i, 0.3), supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is None
    assert found.steady_current_a is None
    assert any("every sample reads 0.3 A" in note for note in found.notes)


def test_a_clipped_converter_is_called_that():
    t, i = coil()
    for y in (np.minimum(i, 0.4), np.minimum(noisy(i, step_a=1e-3), 0.4), np.minimum(noisy(i, step_a=1e-3), 0.501)):
        found = analyse_inrush(t, y, supply_v=13.0, off_s=OFF_S)
        assert found.armature_moved is None
        assert found.steady_current_a is None
        assert any("converter is at its end" in note for note in found.notes)


def test_too_few_samples_are_no_answer():
    for n in (1, 2, 3, 10):
        t = np.linspace(0.0, 0.1, n)
        found = analyse_inrush(t, 0.5 * -np.expm1(-t / 5e-3), supply_v=13.0)
        assert found.armature_moved is None
        assert any("samples between switch-on and release" in note for note in found.notes)


def test_a_record_cut_off_during_the_decay_still_gives_an_answer():
    t, i = coil()
    keep = t < OFF_S + 4e-3
    found = analyse_inrush(t[keep], noisy(i)[keep], supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is not True
    assert found.resistance_ohm == pytest.approx(26.0, rel=0.005)


def test_no_lead_in_and_no_decay_still_give_the_resistance():
    t, i = coil()
    keep = (t >= 0.0) & (t < OFF_S)
    found = analyse_inrush(t[keep], noisy(i)[keep], supply_v=13.0)
    assert found.resistance_ohm == pytest.approx(26.0, abs=0.1)
    assert any("no lead-in" in note for note in found.notes)
    assert any("no decay" in note for note in found.notes)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t, i: (t, i[:-1]), "current_a has 2199 samples, time_s has 2200"),
        (lambda t, i: (t[:, None], i[:, None]), "time_s has 2 dimensions"),
        (lambda t, i: (t, np.where(np.arange(len(i)) == 7, np.nan, i)), "current_a is not finite at sample 7"),
        (lambda t, i: (np.where(np.arange(len(t)) == 9, t[7], t), i), "time_s does not increase at sample 9"),
        (lambda t, i: (t[:0], i[:0]), "empty"),
    ],
)
def test_malformed_arrays_are_refused_with_the_place(change, message):
    with pytest.raises(ValueError, match=message):
        analyse_inrush(*change(*coil()), supply_v=13.0)


def test_clicks_are_taken_together_with_their_scatter():
    t, i = coil()
    results = [analyse_inrush(t, noisy(i, seed=s), supply_v=13.0, off_s=OFF_S) for s in range(4)]
    together = combine_clicks(results, 120.0)
    steady, pull_in = (together.characteristics[name] for name in ("steady_current_a", "pull_in_time_ms"))
    assert (together.pulses, together.moved, together.still) == (4, 0, 4)
    assert steady.value == pytest.approx(np.mean([r.steady_current_a for r in results]))
    assert steady.u >= min(r.steady_current_a_u for r in results)
    assert pull_in.bound == "above"
    assert together.characteristics["click_spread_ms"].value is None


@pytest.mark.parametrize("zero", [-0.005, 0.0, 0.01, 0.03])
def test_a_converter_that_cannot_go_below_zero_does_not_shift_the_zero(zero):
    rng = np.random.default_rng(8)
    found = [
        zero_of(np.maximum(np.round(rng.normal(zero, 0.01, 200) / 5e-4), 0.0) * 5e-4, 5e-4, 0.01) for _ in range(300)
    ]
    values, stated = np.array(found).T
    assert abs(float(values.mean()) - zero) < 3e-4
    assert 0.85 < float(np.mean(np.abs(values - zero) < 2.0 * stated)) <= 1.0


@pytest.mark.parametrize(("creeping", "moved"), [(0.0, False), (0.015, None)])
def test_a_current_that_creeps_on_when_a_coil_has_settled_is_not_called_still(creeping, moved):
    # an ideal coil, and 1.5 % of its current that comes with 25 ms instead of 5 ms: iron alone is faster at the end
    t, i = coil(full_a=0.5)
    on = (t > 0) & (t < OFF_S)
    late = 0.5 * creeping * (np.exp(-np.maximum(t, 0.0) / 25e-3) - np.exp(-np.maximum(t, 0.0) / 5e-3))
    found = analyse_inrush(t, noisy(i - np.where(on, late, 0.0), share=0.005), supply_v=13.0, off_s=OFF_S)
    assert found.armature_moved is moved
    assert any("settles late" in note for note in found.notes) is (moved is None)


def click(drop_out=None, above=None):
    """One pulse with motion, and what it shows of the drop-out."""
    t, i = coil()
    plain = analyse_inrush(t, noisy(i), supply_v=13.0, off_s=OFF_S)
    u = None if drop_out is None else 0.3
    return replace(plain, armature_moved=True, drop_out_time_ms=drop_out, drop_out_time_ms_u=u, drop_out_above_ms=above)


def test_drop_outs_too_late_to_show_are_not_left_out_of_the_mean():
    # dirt that clears: the first clicks drop out after the current is used up
    together = combine_clicks([click(above=17.0)] * 4 + [click(drop_out=12.0 + 0.1 * n) for n in range(6)], 120.0)
    drop_out = together.characteristics["drop_out_time_ms"]
    assert (drop_out.bound, drop_out.u) == ("above", None)
    assert 12.0 < drop_out.value < 15.7
    assert any("6 of the 10 pulses" in note and "came later" in note for note in together.notes)


def test_a_drop_out_that_noise_hides_in_one_click_of_ten_is_still_measured():
    together = combine_clicks([click()] + [click(drop_out=12.0)] * 9, 120.0)
    drop_out = together.characteristics["drop_out_time_ms"]
    assert drop_out.value == pytest.approx(12.0)
    assert 0.1 < drop_out.u < 0.6
