"""Which of two cusps is the arrival: the sharper of a dip and a bounce; of two humps of the gap, either."""

from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.armature.late_arrival import seated_at
from benchrig.analysis.statistics.kinks import Instant, best_kink, bottom_of, find_dip
from tests.analysis.test_late_arrival import alone

SIDES_S = (0.4e-3, 0.6e-3, 1e-3, 2e-3, 4e-3)


def deep_with_a_bounce(t: np.ndarray, arrival_s: float, bounce_s: float) -> np.ndarray:
    """A fall that gathers speed to a cusp that eddy currents round off, a rise that bends over, a faint sharp cusp."""
    before = 0.8 * np.sin(0.5 * np.pi * np.minimum(t / 4e-3, 1.0)) - 0.4 * np.clip((t - 4e-3) / 2e-3, 0.0, 1.0) ** 2.5
    bottom = float(np.interp(arrival_s, t, before))
    since = np.clip((t - arrival_s) / (bounce_s - arrival_s), 0.0, 1.0)
    between = bottom + 0.13 * np.sin(0.55 * np.pi * since)
    after = between + 0.06 * np.maximum(t - bounce_s, 0.0) / 1e-3
    rounded = 0.015 * np.exp(-(((t - arrival_s) / 0.15e-3) ** 2))
    return np.where(t < arrival_s, before, after) + rounded


@pytest.mark.parametrize("noise", [1e-4, 3e-3])
def test_after_a_deep_dip_the_arrival_is_its_bottom_and_not_the_bounce(noise: float) -> None:
    dt = 4e-5
    t = np.arange(0.0, 0.015, dt)
    for seed in range(5):
        values = deep_with_a_bounce(t, 6e-3, 7.3e-3) + np.random.default_rng(seed).normal(0.0, noise, t.size)
        dip = find_dip(values, noise, dt)
        bottom, span = bottom_of(values, noise, dt, dip)
        reach = span + round(6e-4 / dt)

        found = best_kink(values, noise, dt, bottom - reach, bottom + reach, 1.0, SIDES_S, bent=True, cusp=True)

        assert found is not None
        assert abs(found.s - 6e-3) < max(2.0 * found.u_s, 0.1e-3)


def test_a_cusp_is_as_uncertain_as_it_scatters() -> None:
    dt, noise, z = 1e-4, 8e-3, []
    t = np.arange(0.0, 0.03, dt)
    for seed in range(60):
        arrival_s = 10e-3 + 1e-5 * seed
        fall = 0.6 * np.sin(0.5 * np.pi * np.minimum(t / 7e-3, 1.0)) - 0.1 * np.clip((t - 7e-3) / 3e-3, 0.0, None) ** 2
        bottom = float(np.interp(arrival_s, t, fall))
        seated = bottom + (1.0 - bottom) * -np.expm1(-np.maximum(t - arrival_s, 0.0) / 9e-3)
        values = np.where(t < arrival_s, fall, seated) + np.random.default_rng(seed).normal(0.0, noise, t.size)
        found = best_kink(values, noise, dt, 85, 125, 1.0, SIDES_S, bent=True, cusp=True)
        assert found is not None
        z.append((found.s - arrival_s) / found.u_s)

    assert 0.5 < float(np.sqrt(np.mean(np.square(z)))) < 1.2
    assert max(np.abs(z)) < 3.5


def test_a_gap_that_opens_again_as_far_or_as_long_as_before_leaves_two_arrivals_possible() -> None:
    dt = 1e-4
    t = np.arange(0.0, 0.06, dt)
    current = np.interp(t, [0.0, 5e-3, 8e-3, 12e-3, 15e-3, 60e-3], [0.0, 0.55, 0.5, 0.6, 0.58, 1.0])
    humps = np.interp(t, [0.0, 4e-3, 6e-3, 8e-3, 12e-3, 15e-3, 16e-3], [0.0, 0.0, 0.1, 0.0, 0.1, 0.0, 0.0])
    less = np.interp(t, [0.0, 4e-3, 6e-3, 8e-3, 10.5e-3, 13e-3, 16e-3], [0.0, 0.0, 0.1, 0.0, 0.045, 0.0, 0.0])
    bounce = np.interp(t, [0.0, 4e-3, 6e-3, 8e-3, 8.5e-3, 9e-3, 16e-3], [0.0, 0.0, 0.1, 0.0, 0.02, 0.0, 0.0])
    b = alone(current)
    bend = Instant(8e-3, 5e-5, 20.0, level=0.5, level_u=0.001, jump=60.0)

    either = seated_at(replace(b, apart=humps), bend, 1e-3, dt)
    longer = seated_at(replace(b, apart=less), bend, 1e-3, dt)

    assert either is not None
    assert either.s - 2 * either.u_s < 8e-3 < 15e-3 < either.s + 2 * either.u_s
    assert longer is not None
    assert longer.s - 2 * longer.u_s < 8e-3 < 12.5e-3 < longer.s + 2 * longer.u_s
    assert seated_at(replace(b, apart=bounce), bend, 1e-3, dt) == bend
