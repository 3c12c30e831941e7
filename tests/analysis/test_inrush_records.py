"""Records that are not one clean pulse of a coil on a steady supply: named, and no value wrong and sure."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.armature.inrush import analyse_inrush

OHM, VOLTS, TAU_S, OFF_S = 26.0, 13.0, 5e-3, 0.12
FULL_A = VOLTS / OHM


def driven(volts, *, tau_s=TAU_S, diode_v=0.7, lead_s=0.02, end_s=0.22, rate_hz=10_000.0):
    """Current of an ideal coil under ``volts(t)``; where that is 0 the coil drives its current through a diode."""
    t = np.arange(round((lead_s + end_s) * rate_hz)) / rate_hz - lead_s
    i = np.zeros(len(t))
    fine = 8
    for k in range(1, len(t)):
        now = i[k - 1]
        for j in range(fine):
            v = volts(t[k - 1] + (j + 0.5) / fine / rate_hz)
            now = max(now + ((v if v > 0 else -diode_v) / OHM - now) / tau_s / rate_hz / fine, 0.0)
        i[k] = now
    return t, i


def plain(t):
    return VOLTS if 0.0 <= t < OFF_S else 0.0


@pytest.fixture(scope="module")
def pulse():
    return driven(plain)


def noisy(i, share=0.005, seed=1):
    return i + np.random.default_rng(seed).normal(0.0, share * FULL_A, len(i))


def told(notes, *words):
    return any(all(word in note for word in words) for note in notes)


def right_or_unsure(found, *, ohm=OHM):
    """No resistance that is off by more than 1.5 % and by more than 2.5 of its standard uncertainties."""
    return found.resistance_ohm is None or abs(found.resistance_ohm - ohm) < max(
        0.015 * ohm, 2.5 * found.resistance_ohm_u
    )


@pytest.mark.parametrize("tau_s", [8e-3, 16e-3, 30e-3, 60e-3])
@pytest.mark.parametrize("pulse_s", [0.02, 0.03, 0.05])
def test_a_current_that_still_settles_is_no_hum_and_its_resistance_is_right_or_unsure(tau_s, pulse_s):
    t, i = driven(lambda t: VOLTS if 0.0 <= t < pulse_s else 0.0, tau_s=tau_s, end_s=pulse_s + 0.08)
    for seed in range(3):
        found = analyse_inrush(t, noisy(i, 0.002, seed), supply_v=VOLTS, off_s=pulse_s)
        assert not told(found.notes, "hum")
        assert right_or_unsure(found)


def test_white_noise_is_hardly_ever_taken_for_hum_nor_for_a_fault(pulse):
    # each of the checks is meant to fail 1 in 10,000 records at most
    t, i = pulse
    notes = [n for s in range(100) for n in analyse_inrush(t, noisy(i, seed=s), supply_v=VOLTS, off_s=OFF_S).notes]
    assert notes == []


def test_the_voltage_at_the_coils_terminals_gives_the_release_and_no_motion(pulse):
    t, i = pulse
    volts = np.where((t >= 0) & (t < OFF_S), VOLTS, np.where(t < 0, 0.0, -0.7))
    found = analyse_inrush(t, noisy(i), voltage_v=volts + np.random.default_rng(2).normal(0.0, 0.02, len(t)))
    assert found.armature_moved is False
    assert found.resistance_ohm == pytest.approx(OHM, rel=0.005)
    assert told(found.notes, "release found at 120", "coil's voltage")


@pytest.mark.parametrize("offset_s", [1e4, 1.7e9])
def test_the_analysis_does_not_depend_on_where_time_begins(pulse, offset_s, capfd):
    t, i = pulse
    y = noisy(i)
    one = analyse_inrush(t, y, supply_v=VOLTS, off_s=OFF_S)
    late = analyse_inrush(t + offset_s, y, supply_v=VOLTS, on_s=offset_s, off_s=offset_s + OFF_S)
    assert late.armature_moved is one.armature_moved
    assert late.resistance_ohm == pytest.approx(one.resistance_ohm, rel=1e-5)
    assert late.notes == one.notes
    assert capfd.readouterr().out == ""


def test_an_instant_of_switch_on_from_another_time_axis_is_named(pulse):
    t, i = pulse
    assert told(analyse_inrush(t + 1e4, i, supply_v=VOLTS).notes, "begins 1e+04 s after switch-on")
    assert told(analyse_inrush(t, i, supply_v=VOLTS, on_s=1e4).notes, "ends before switch-on")


@pytest.mark.parametrize("tau_s", [0.05, 0.2, 1.0])
def test_an_ac_coupled_probe_is_named_and_its_droop_undone_or_nothing_said(pulse, tau_s):
    t, i = pulse
    y = np.zeros_like(i)
    keep = np.exp(-1e-4 / tau_s)
    for k in range(1, len(i)):
        y[k] = keep * (y[k - 1] + i[k] - i[k - 1])
    found = analyse_inrush(t, noisy(y), supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "AC-coupled")
    assert found.armature_moved is not True
    assert right_or_unsure(found)


@pytest.mark.parametrize("hertz", [200, 1000])
def test_a_peak_and_hold_driver_is_named_and_gives_no_resistance(hertz):
    t, i = driven(lambda t: VOLTS if 0 <= t < 0.03 or (0.03 <= t < OFF_S and (t * hertz) % 1 < 0.4) else 0.0)
    found = analyse_inrush(t, noisy(i), supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "PWM") or told(found.notes, "peak-and-hold")
    assert found.resistance_ohm is None
    assert found.armature_moved is not True


def test_of_several_pulses_the_first_is_analysed_and_the_second_named(pulse):
    t, i = pulse
    twice = np.concatenate([t, t + t[-1] - t[0] + 1e-4])
    for off_s in (OFF_S, None):
        found = analyse_inrush(twice, noisy(np.concatenate([i, i])), supply_v=VOLTS, off_s=off_s)
        assert told(found.notes, "second pulse begins at 24", "sample 2")
        assert found.armature_moved is False
        assert found.resistance_ohm == pytest.approx(OHM, rel=0.005)


def test_a_supply_that_drops_out_for_4_ms_is_no_pull_in():
    t, i = driven(lambda t: VOLTS if 0 <= t < OFF_S and not 0.06 <= t < 0.064 else 0.0)
    found = analyse_inrush(t, noisy(i), supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "supply dropped out from 60.", "to 64.")
    assert found.pull_in_time_ms is None
    assert found.armature_moved is not True
    assert right_or_unsure(found)


def test_a_reversed_probe_reads_as_one_the_right_way_round(pulse):
    t, i = pulse
    y = noisy(i)
    found = analyse_inrush(t, -y, supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "negative", "at sample", "wrong way round")
    assert found.resistance_ohm == pytest.approx(analyse_inrush(t, y, supply_v=VOLTS, off_s=OFF_S).resistance_ohm)


def test_milliamperes_are_no_solenoid_valve(pulse):
    t, i = pulse
    found = analyse_inrush(t, 1e3 * noisy(i), supply_v=VOLTS, off_s=OFF_S)
    assert (found.resistance_ohm, found.steady_current_a, found.armature_moved) == (None, None, None)
    assert told(found.notes, "0.026 ohm", "mA for A")


def test_samples_that_are_missing_while_the_current_changes_leave_the_times_open(pulse):
    t, i = pulse
    gap = (t > 3e-3) & (t < 7e-3)
    found = analyse_inrush(t[~gap], noisy(i)[~gap], supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "samples are missing for 4", "(sample 230)")
    assert found.armature_moved is None
    assert found.resistance_ohm == pytest.approx(OHM, rel=0.005)


def test_samples_closed_up_show_as_a_jump(pulse):
    t, i = pulse
    cut = np.delete(noisy(i, 0.002), slice(225, 255))
    found = analyse_inrush(t[: len(cut)], cut, supply_v=VOLTS, off_s=OFF_S - 3e-3)
    assert told(found.notes, "jumps from", "sample 224")
    assert found.pull_in_time_ms is None


def test_a_record_that_begins_late_states_no_times(pulse):
    t, i = pulse
    keep = t >= 2e-3
    found = analyse_inrush(t[keep] - 2e-3, noisy(i)[keep], supply_v=VOLTS, off_s=OFF_S - 2e-3)
    assert told(found.notes, "first sample already", "record with a lead-in")
    assert found.pull_in_time_ms is None


def test_without_a_lead_in_the_zero_comes_from_the_end_of_the_record(pulse):
    t, i = pulse
    keep = t >= 0
    found = analyse_inrush(t[keep], noisy(i)[keep] + 0.03, supply_v=VOLTS, off_s=OFF_S)
    assert found.resistance_ohm == pytest.approx(OHM, rel=0.005)
    assert told(found.notes, "no lead-in", "end of the record")


def test_a_zero_below_the_converters_range_gives_no_resistance(pulse):
    t, i = pulse
    step = 5e-4
    y = np.maximum(np.round((noisy(i) - 0.03) / step), 0) * step
    found = analyse_inrush(t, y, supply_v=VOLTS, off_s=OFF_S)
    assert found.resistance_ohm is None
    assert told(found.notes, "below what the converter can show")


def test_a_zero_that_moves_during_the_record_widens_the_resistance(pulse):
    t, i = pulse
    found = analyse_inrush(t, noisy(i) + 0.02 * (t > 0.06), supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "zero of the current moved by 20")
    assert right_or_unsure(found)


def test_a_release_told_wrong_is_taken_from_the_current(pulse):
    t, i = pulse
    found = analyse_inrush(t, noisy(i), supply_v=VOLTS, off_s=OFF_S + 3e-3)
    assert told(found.notes, "falls at 12", "not at 123.0 ms as told")
    assert found.armature_moved is False


def test_an_instant_of_switch_on_told_wrong_states_no_times(pulse):
    t, i = pulse
    for wrong in (-3e-3, 3e-3):
        found = analyse_inrush(t, noisy(i), supply_v=VOLTS, on_s=wrong, off_s=OFF_S)
        assert told(found.notes, "times from switch-on are not stated")
        assert found.pull_in_time_ms is None


def test_spikes_are_taken_out_and_named(pulse):
    t, i = pulse
    y = noisy(i)
    y[[300, 700, 1500]] += 0.2
    found = analyse_inrush(t, y, supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "3 spikes", "sample 300")
    assert found.armature_moved is False


def test_noise_that_wanders_and_supply_ripple_are_no_motion(pulse):
    t, i = pulse
    wrong = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        wander = np.convolve(rng.normal(0.0, 1.0, len(t) + 60), np.ones(60) / 60**0.5, "valid")[: len(t)]
        for y in (i + 0.01 * wander, i * (1.0 + 0.015 * np.sin(2 * np.pi * 300 * t + seed))):
            found = analyse_inrush(t, noisy(y), supply_v=VOLTS, off_s=OFF_S)
            assert found.armature_moved is not True
            wrong += not right_or_unsure(found)
    assert wrong <= 1


def test_a_supply_that_comes_up_slowly_leaves_the_times_open():
    t, i = driven(lambda t: VOLTS * min(t / 8e-3, 1.0) if 0 < t < OFF_S else 0.0)
    found = analyse_inrush(t, noisy(i), supply_v=VOLTS, off_s=OFF_S)
    assert told(found.notes, "rises fastest only", "comes up slowly")
    assert found.armature_moved is None


def test_a_switch_that_bounces_at_release_gives_no_drop_out():
    t, i = driven(lambda t: VOLTS if 0 <= t < OFF_S or 0.122 <= t < 0.124 else 0.0)
    found = analyse_inrush(t, noisy(i), supply_v=VOLTS, off_s=OFF_S)
    assert found.drop_out_time_ms is None
