"""Traces that cannot be right, each a sound one with a mistake that people make: unit, gauge, range, event."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import ConfigError
from benchrig.tracefile import (
    check_fill,
    check_hold,
    check_one_pulse,
    check_traced_current,
    check_traced_pressure,
    check_traced_voltage,
    hold_axis,
    opening_axis,
    pulse_axis,
)

AMBIENT_PA = 101_325.0
HERE = Path("x.csv")
RNG = np.random.default_rng(8)


@pytest.fixture(autouse=True)
def _the_same_noise_in_any_order():
    RNG.bit_generator.state = np.random.default_rng(8).bit_generator.state


def pulse(rate_hz: float = 1e4, tau_s: float = 0.004, end_s: float = 0.2) -> tuple[np.ndarray, np.ndarray]:
    """A plain coil, 0.5 A, with a freewheel diode: the RL step of any circuits text."""
    t = np.arange(-0.02, end_s, 1 / rate_hz)
    after = np.maximum(t, 0.0)
    fall = np.maximum(0.53 * np.exp(-np.maximum(t - 0.12, 0.0) / tau_s) - 0.03, 0.0)
    return t, np.where(t < 0.12, -0.5 * np.expm1(-after / tau_s), fall)


def hold(seconds: float = 30.0, leak_pa_s: float = 20.0, noise_pa: float = 12.0) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(-0.1, seconds, 0.01)
    after = np.maximum(t, 0.0)
    return t, 41_000.0 + leak_pa_s * after - 2_600 * np.expm1(-after / 2.3) + noise_pa * RNG.standard_normal(len(t))


def fill(tau_s: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(-0.2, 5.0, 0.001)
    return t, AMBIENT_PA - 60_000.0 * np.exp(-np.maximum(t, 0.0) / tau_s) + 12 * RNG.standard_normal(len(t))


def coded(values: np.ndarray, bits: int, full_scale: float) -> np.ndarray:
    return np.round(values / full_scale * 2**bits) * full_scale / 2**bits


def refused(check, *given, **known) -> str:
    with pytest.raises(ConfigError) as caught:
        check(HERE, *given, **known)
    assert caught.value.hint
    return f"{caught.value}\n{caught.value.hint}"


def pressure(values: np.ndarray) -> None:
    check_traced_pressure(HERE, values, ambient_pa=AMBIENT_PA)


def test_sound_traces_pass_every_check():
    t, i = pulse()
    check_traced_current(HERE, i)
    check_one_pulse(HERE, t, i)
    check_traced_voltage(HERE, np.where(i > 0, 13.0, 0.0), i)
    for t, p in (hold(), hold(5.0, leak_pa_s=0.0), hold(3.0, leak_pa_s=9_000.0)):
        pressure(np.minimum(p, AMBIENT_PA))
        check_hold(HERE, t, np.minimum(p, AMBIENT_PA))
    t, p = fill()
    pressure(p)
    check_fill(HERE, t, p, ambient_pa=AMBIENT_PA)


# -- units


@pytest.mark.parametrize(("factor", "unit"), [(1e3, "milliamperes"), (1e-3, "kiloamperes")])
def test_a_current_a_thousand_times_off_is_recognised(factor, unit):
    _, i = pulse()
    i = (i + 1e-4 * np.sin(np.arange(len(i)) ** 2)) * factor
    said = refused(check_traced_current, i)
    assert unit in said
    assert f"line {int(np.argmax(i)) + 2}, column current_a" in said


def test_noise_without_a_current_is_an_answer_and_no_mistake():
    check_traced_current(HERE, 1e-3 * RNG.standard_normal(2_000))


@pytest.mark.parametrize(("factor", "said"), [(1e3, "millivolts"), (1e-3, "kilovolts")])
def test_a_voltage_a_thousand_times_off_is_recognised(factor, said):
    _, i = pulse()
    assert said in refused(check_traced_voltage, np.where(i > 0, 13.0, 0.0) * factor, i)


@pytest.mark.parametrize("trace", [hold, fill])
@pytest.mark.parametrize(
    ("pascals", "unit"), [(1e3, "kPa"), (1e2, "hPa"), (1e5, "bar"), (133.322, "mmHg"), (6894.76, "psi"), (1e6, "MPa")]
)
def test_other_units_of_pressure_are_recognised(trace, pascals, unit):
    said = refused(check_traced_pressure, trace()[1] / pascals, ambient_pa=AMBIENT_PA)
    assert unit in said
    assert "line " in said


def test_pressures_a_thousand_times_too_large_are_recognised():
    assert "thousand times" in refused(check_traced_pressure, hold()[1] * 1e3, ambient_pa=AMBIENT_PA)


def test_pressure_above_ambient_is_refused():
    assert "above the ambient" in refused(check_traced_pressure, hold()[1] * 2.6, ambient_pa=AMBIENT_PA)


def test_gauge_pressure_is_recognised_whichever_sign_it_has():
    assert "gauge" in refused(check_traced_pressure, hold()[1] - AMBIENT_PA, ambient_pa=AMBIENT_PA)
    assert "gauge" in refused(check_traced_pressure, np.abs(AMBIENT_PA - fill()[1]), ambient_pa=AMBIENT_PA)
    t, p = hold()
    said = refused(check_hold, t, AMBIENT_PA - p)
    assert "gauge" in said
    assert "falls from" in said


@pytest.mark.parametrize(
    ("axis", "trace"),
    [(lambda p, t: pulse_axis(p, t, 0.0), pulse), (lambda p, t: hold_axis(p, t, None), hold),
     (lambda p, t: opening_axis(p, t, None), fill)],
)  # fmt: skip
@pytest.mark.parametrize("factor", [1e3, 1e6, 1e-3])
def test_times_that_are_no_seconds_are_recognised(axis, trace, factor):
    t, _ = trace()
    said = refused(axis, t * factor)
    assert "column time_s spans" in said
    assert ("milliseconds" in said) == (factor > 1)


def test_even_the_shortest_hold_of_a_run_is_too_long_in_milliseconds():
    assert "milliseconds" in refused(hold_axis, hold(5.0)[0] * 1e3, None)


# -- the time axis


@pytest.mark.parametrize("begins_s", [0.0, 7.0, 1e4, 1e5, 1_795_000_000.0])
def test_a_hold_may_begin_anywhere_and_says_what_it_takes_for_its_beginning(begins_s):
    t = np.arange(0.0, 30.0, 0.01) + begins_s
    axis = hold_axis(HERE, t, None)
    assert axis.time_s[0] == 0.0
    assert np.allclose(axis.time_s, np.arange(0.0, 30.0, 0.01), atol=1e-6)
    assert axis.event_s == begins_s
    assert bool(axis.notes) == (begins_s > 0.0)
    assert all("--from-s" in note for note in axis.notes)


def test_a_hold_whose_beginning_is_said_keeps_what_was_before_it():
    axis = hold_axis(HERE, np.arange(1e4, 1e4 + 40.0, 0.01), 1e4 + 12.0)
    assert axis.time_s[0] == pytest.approx(-12.0)
    assert axis.notes == ()


@pytest.mark.parametrize("begins_s", [0.5, 1e4, -100.0])
def test_when_a_valve_was_told_to_open_is_never_guessed(begins_s):
    t = np.arange(0.0, 5.0, 0.001) + begins_s
    assert "--from-s" in refused(opening_axis, t, None)
    axis = opening_axis(HERE, t, begins_s + 0.2)
    assert axis.time_s[0] == pytest.approx(-0.2)


def test_a_pulse_counts_from_its_switching_on_wherever_that_was():
    t, _ = pulse()
    axis = pulse_axis(HERE, t + 1e5, 1e5, 1e5 + 0.12)
    assert np.allclose(axis.time_s, t, atol=1e-9)
    assert "--on-s" in refused(pulse_axis, t + 1e5, 0.0)
    assert "--off-s" in refused(pulse_axis, t, 0.0, -0.01)


@pytest.mark.parametrize(("missing", "stops"), [(4, False), (6, True)])
def test_a_gap_in_the_times_is_named_by_line_and_length(missing, stops):
    t, _ = hold()
    with_gap = np.delete(t, np.arange(1000, 1000 + missing - 1))
    if stops:
        said = refused(hold_axis, with_gap, None)
        assert "line 1002" in said
        assert "0.06 s without a sample" in said
    else:
        hold_axis(HERE, with_gap, None)


def test_few_samples_after_the_event_are_too_few():
    assert "only 5 samples after" in refused(hold_axis, np.arange(-100, 5) / 10.0, None)


# -- more than one event


def test_two_pulses_in_a_record_are_named_by_the_line_of_the_second():
    _, i = pulse()
    both = np.concatenate([i, i])
    said = refused(check_one_pulse, np.arange(len(both)) * 1e-4 - 0.02, both)
    assert "a second time" in said
    line = int(said.split("line ")[1].split(",")[0])
    assert 2 * 200 + 2000 < line - 2 < 2 * 200 + 2000 + 60


@pytest.mark.parametrize("chop_hz", [200.0, 1_000.0])
def test_a_chopped_coil_and_an_armatures_dip_are_one_pulse(chop_hz):
    t, i = pulse()
    inside = (t > 0.03) & (t < 0.12)
    chopped = np.where(inside, i * (0.75 + 0.25 * np.sign(np.sin(2 * np.pi * chop_hz * t))), i)
    check_one_pulse(HERE, t, chopped)
    dipped = i * (1 - 0.6 * np.exp(-(((t - 0.012) / 0.002) ** 2)))
    check_one_pulse(HERE, t, dipped + 2e-3 * RNG.standard_normal(len(t)))


def test_spikes_of_a_sample_are_no_pulses():
    t, i = pulse()
    i = i + 1e-3 * RNG.standard_normal(len(t))
    i[[50, 400, 1900]] += 2.0
    check_one_pulse(HERE, t, i)


def test_a_pump_that_still_draws_is_recognised_by_the_falling_pressure():
    t = np.arange(0.0, 42.0, 0.01)
    p = np.where(t < 12.0, AMBIENT_PA - 5_000.0 * t, 41_325.0 + 20.0 * (t - 12.0))
    said = refused(check_hold, t, p)
    assert "--from-s" in said
    check_hold(HERE, t - 12.0, p)


def test_a_room_that_cools_by_three_kelvins_a_minute_is_no_pump():
    t = np.arange(0.0, 30.0, 0.01)
    check_hold(HERE, t, 41_000.0 * (1 - 3.0 / 60.0 / 295.0 * t) + 12 * RNG.standard_normal(len(t)))


def test_two_fills_are_recognised():
    t, p = fill()
    said = refused(check_fill, np.arange(2 * len(t)) * 1e-3 - 0.2, np.concatenate([p, p]), ambient_pa=AMBIENT_PA)
    assert "One fill in a file" in said


def test_a_saw_tooth_is_neither_pulse_nor_hold_nor_fill():
    t = np.arange(0.0, 10.0, 0.001)
    tooth = (2 * t) % 1
    assert refused(check_one_pulse, t, 0.5 * tooth)
    assert refused(check_hold, t, 41e3 + 20e3 * tooth)
    assert refused(check_fill, t, 41e3 + 20e3 * tooth, ambient_pa=AMBIENT_PA)


# -- clipped


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("rate_hz", [2e3, 1e4, 1e5])
@pytest.mark.parametrize("tau_s", [0.001, 0.004, 0.01])
def test_a_coarse_converter_is_not_taken_for_a_clipped_one(bits, rate_hz, tau_s):
    t, i = pulse(rate_hz, tau_s)
    for sign, noise_a in ((1, 0.0), (-1, 0.0), (1, 0.3 / 2**bits), (1, 1.0 / 2**bits)):
        check_traced_current(HERE, coded(sign * i + noise_a * RNG.standard_normal(len(t)), bits, 1.0))


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_a_coarse_converter_of_pressures_is_not_taken_for_a_clipped_one(bits):
    for _, p in (hold(), hold(noise_pa=0.0), hold(leak_pa_s=0.0), fill(), fill(0.05), fill(1.5)):
        pressure(coded(p, bits, 124e3))


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("tau_s", [0.001, 0.004, 0.01])
@pytest.mark.parametrize("cut_a", [0.2, 0.3, 0.4, 0.45])
def test_a_current_cut_off_by_a_tenth_or_more_is_seen(bits, tau_s, cut_a):
    _, i = pulse(1e4, tau_s)
    said = refused(check_traced_current, coded(np.minimum(i, cut_a), bits, 1.0))
    assert "clipped" in said
    line = int(said.split("line ")[1].split(",")[0])
    assert i[line - 2] >= cut_a - 1 / 2**bits > i[line - 4] - 1 / 2**bits


def test_a_pressure_cut_off_on_its_way_is_seen():
    assert "clipped" in refused(check_traced_pressure, np.minimum(fill()[1], 80e3), ambient_pa=AMBIENT_PA)
    assert "clipped" in refused(
        check_traced_pressure, np.minimum(hold(leak_pa_s=300.0)[1], 45e3), ambient_pa=AMBIENT_PA
    )
