"""An armature that is slowed down on its way has not arrived where the current first bends upwards."""

from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.armature.late_arrival import seated_at, still_slow
from benchrig.analysis.armature.release import look_for_release
from benchrig.analysis.coil.baseline import zero_of
from benchrig.analysis.coil.coil_trace import prepare
from benchrig.analysis.coil.flux_linkage import Branches, branches
from benchrig.analysis.statistics.kinks import Instant
from benchrig.analysis.statistics.smoothing import local_quadratic

DT, NOISE = 1e-4, 0.004


def rise(arrival_s: float, rng: np.random.Generator) -> np.ndarray:
    """A fall that ends at 8 ms, a gentler one from there, and the approach of a coil from the arrival on."""
    t = np.arange(0.0, 0.06, DT)
    fall = 0.7 - 0.1 * np.clip((t - 5e-3) / 3e-3, 0.0, 1.0) - 0.05 * np.clip((t - 8e-3) / 7e-3, 0.0, 1.0)
    bottom = float(np.interp(arrival_s, t, fall))
    seated = bottom + (1.0 - bottom) * -np.expm1(-np.maximum(t - arrival_s, 0.0) / 8e-3)
    return np.where(t < 5e-3, 0.7 * t / 5e-3, np.where(t < arrival_s, fall, seated)) + rng.normal(0.0, NOISE, t.size)


def alone(current: np.ndarray) -> Branches:
    """A rise without a decay to compare with."""
    nothing = np.zeros(0)
    flux = np.cumsum(1.0 - current) * DT
    smooth = local_quadratic(current, 4)
    return Branches(
        flux, current, smooth, nothing, nothing, nothing, None, np.full(current.size, np.nan), 0.05, ()
    )  # fmt: skip


def test_a_bend_after_which_the_current_falls_on_is_no_arrival() -> None:
    current = rise(15e-3, np.random.default_rng(1))

    found = still_slow(alone(current), Instant(8e-3, 1e-4, 9.0, level=0.6, level_u=0.002, jump=40.0), NOISE, DT)

    assert found.s == pytest.approx(15e-3, abs=2 * found.u_s)
    assert found.s > 12e-3
    assert found.u_s > 0.5e-3


def test_a_bend_after_which_the_current_rises_at_once_is_the_arrival_as_found() -> None:
    current = rise(8e-3, np.random.default_rng(2))
    bend = Instant(8e-3, 1e-4, 9.0, level=0.6, level_u=0.002, jump=40.0)

    assert still_slow(alone(current), bend, NOISE, DT) == bend


def test_a_small_fall_after_a_deep_one_is_a_bounce_and_the_arrival_stays_as_found() -> None:
    t = np.arange(0.0, 0.06, DT)
    deep = np.interp(t, [0.0, 5e-3, 8e-3, 9e-3, 10e-3, 40e-3], [0.0, 0.8, 0.5, 0.45, 0.5, 1.0])
    bend = Instant(8e-3, 1e-4, 12.0, level=0.5, level_u=0.002, jump=80.0)

    assert still_slow(alone(deep + np.random.default_rng(5).normal(0.0, NOISE, t.size)), bend, NOISE, DT) == bend


def test_of_two_faint_bends_that_are_alike_either_may_be_the_arrival() -> None:
    t = np.arange(0.0, 0.06, DT)
    two = np.interp(t, [0.0, 5e-3, 8e-3, 10e-3, 11e-3, 60e-3], [0.0, 0.7, 0.55, 0.61, 0.56, 1.0])
    b = alone(two + np.random.default_rng(6).normal(0.0, 0.5 * NOISE, t.size))

    found = still_slow(b, Instant(8e-3, 1e-4, 6.0, level=0.55, level_u=0.002, jump=60.0), 0.5 * NOISE, DT)

    assert found.s - 2 * found.u_s < 8e-3 < 11e-3 < found.s + 2 * found.u_s


def test_a_drop_out_that_does_not_show_is_bounded_by_the_flux_that_still_holds() -> None:
    t = np.arange(-0.02, 0.2, DT)
    rise, decay = 1.0 - np.exp(-t / 5e-3), 1.05 * np.exp(-(t - 0.12) / 5e-3) - 0.05
    current = 0.5 * np.where(t < 0, 0.0, np.where(t < 0.12, rise, np.maximum(decay, 0.0)))
    trace = prepare(t, current + np.random.default_rng(7).normal(0.0, 1e-4, t.size), None, 0.12)
    b = branches(trace, 0.5, 1e-3, 0.05, 0.01)

    found = look_for_release(trace, b, 0.5, None)

    assert found.back is None
    assert found.above_s is not None
    # an inductance: its flux goes with its current, and at 0.4 of it an armature may go
    assert 0.8 * 5e-3 * np.log(1.05 / 0.45) < found.above_s < 5e-3 * np.log(1.05 / 0.45)


def test_a_far_clearer_bend_soon_after_makes_both_the_arrival() -> None:
    t = np.arange(0.0, 0.06, DT)
    way = np.clip((t - 9e-3) / 2e-3, 0.0, 1.0)
    on_its_way = 0.6 + 0.1 * (way - 0.5 * way**2)
    current = np.where(t < 9e-3, 0.6, on_its_way) + 0.35 * -np.expm1(-np.maximum(t - 11e-3, 0.0) / 6e-3)
    faint = Instant(9e-3, 5e-5, 3.2, level=0.6, level_u=0.002, jump=10.0)

    found = still_slow(alone(current + np.random.default_rng(3).normal(0.0, 1e-4, t.size)), faint, 1e-4, DT)

    assert found.s - 2 * found.u_s < 9e-3 < 11e-3 < found.s + 2 * found.u_s


def test_a_bend_at_which_the_gap_is_still_open_is_not_the_whole_way() -> None:
    current = rise(15e-3, np.random.default_rng(4))
    b = alone(current)
    t = np.arange(current.size) * DT
    open_until_15_ms = np.where(t < 5e-3, 0.2 * t / 5e-3, np.where(t < 15e-3, 0.15, 0.0))
    bend = Instant(8e-3, 1e-4, 9.0, level=0.6, level_u=0.002, jump=40.0)

    found = seated_at(replace(b, apart=open_until_15_ms), bend, NOISE, DT)

    assert found is not None
    assert found.s - 2 * found.u_s < 8e-3 < 15e-3 < found.s + 2 * found.u_s
    assert seated_at(replace(b, apart=np.where(t < 8e-3, 0.2 * t / 8e-3, 0.0)), bend, NOISE, DT) is bend


def test_a_zero_that_is_quieter_than_the_converters_step_is_known_to_a_part_of_that_step() -> None:
    zero, u = zero_of(np.zeros(400), 0.01, 0.001)

    assert zero == 0.0
    assert u == pytest.approx(0.0029, rel=0.1)


def test_the_last_step_of_plain_noise_is_not_taken_for_the_end_of_the_converter() -> None:
    step, noise = 0.0185, 0.019
    quiet = step * np.round(np.random.default_rng(5).normal(0.0, noise, 120) / step)

    assert np.mean(quiet == quiet.min()) > 0.03  # else nothing is asked
    assert zero_of(quiet, step, 0.0197)[0] == pytest.approx(float(quiet.mean()))
