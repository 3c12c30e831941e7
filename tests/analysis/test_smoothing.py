"""Local polynomials and kinks against exact shapes."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.statistics.kinks import best_kink, find_dip, leaving
from benchrig.analysis.statistics.smoothing import local_quadratic, noise_of, scan_kinks


def test_a_parabola_passes_the_smoother_unchanged_inside():
    k = np.arange(40.0)
    y = 3.0 - 0.2 * k + 0.05 * k**2
    assert local_quadratic(y, 5)[5:-5] == pytest.approx(y[5:-5])


def test_the_smoother_reduces_noise_as_theory_says():
    # centre weight of the quadratic over 2 h + 1 points: 3 (3 h^2 + 3 h - 1) / ((2 h - 1)(2 h + 1)(2 h + 3))
    h = 5
    y = np.random.default_rng(1).normal(size=200_000)
    expected = 3 * (3 * h**2 + 3 * h - 1) / ((2 * h - 1) * (2 * h + 1) * (2 * h + 3))
    assert np.var(local_quadratic(y, h)) == pytest.approx(expected, rel=0.03)


def test_noise_is_measured_under_a_signal_with_steps():
    rng = np.random.default_rng(2)
    y = 0.5 * np.sin(np.arange(4000) / 300) + np.repeat([0.0, 1.0, 0.0, 2.0], 1000) + rng.normal(0.0, 0.03, 4000)
    assert noise_of(y) == pytest.approx(0.03, rel=0.1)


def test_a_kink_between_samples_is_found_with_its_uncertainty():
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for _ in range(200):
        at = 0.0203 + 1e-4 * rng.random()
        t = np.arange(400) * 1e-4
        y = -30.0 * np.minimum(t - at, 0.0) + 20.0 * np.maximum(t - at, 0.0) + rng.normal(0.0, 0.003, 400)
        found = best_kink(y, 0.003, 1e-4, 190, 220, 1.0, (1e-3, 2e-3), bent=True)
        errors.append(found.s - at)
        stated.append(found.u_s)
    assert abs(np.mean(errors)) < 2e-5
    assert np.mean(np.abs(errors) < 2 * np.array(stated)) > 0.9
    assert np.median(stated) < 2e-4


def test_a_smooth_curve_has_no_clear_kink():
    rng = np.random.default_rng(4)
    t = np.arange(400) * 1e-4
    y = -np.expm1(-t / 8e-3) + rng.normal(0.0, 0.01, 400)
    found = best_kink(y, 0.01, 1e-4, 100, 300, 1.0, (1e-3, 2e-3), bent=True)
    assert found is None or found.clear < 6.0


def test_no_window_means_no_scan():
    assert scan_kinks(np.zeros(8), 4, 4) is None
    assert best_kink(np.zeros(8), 1.0, 1.0, 0, 7, 1.0, (4.0,), bent=True) is None


def test_a_dip_is_measured_and_a_rise_has_none():
    t = np.arange(400) * 1e-4
    y = np.where(t < 0.01, 60.0 * t, np.where(t < 0.012, 0.6 - 100.0 * (t - 0.01), 0.4 + 20.0 * (t - 0.012)))
    dip = find_dip(y, 0.01, 1e-4)
    assert dip.depth == pytest.approx(0.2 - 0.02, abs=0.03)  # the mean over 0.4 to 1.6 ms cannot reach the cusp
    assert dip.bottom == pytest.approx(120, abs=8)  # the middle of the best running mean
    assert find_dip(60.0 * t, 0.01, 1e-4).clear == 0.0


def test_leaving_a_line_is_placed_near_where_it_happens():
    rng = np.random.default_rng(5)
    t = np.arange(80) * 1e-4
    flux = t - 20.0 * t**2
    y = 100.0 * flux - 2e4 * np.maximum(t - 4e-3, 0.0) ** 2 + rng.normal(0.0, 2e-3, 80)
    found = leaving(t, flux, y, 2e-3)
    assert found.s == pytest.approx(4e-3, abs=3 * found.u_s)
    assert found.u_s < 2e-3
