"""Tolerance factors against published ones."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchrig.analysis.statistics.tolerance_interval import least_sample, one_sided_factor, two_sided_factor

# Two decimals by a handbook's table (Statistics for Environmental Engineers, table 21.1), for 95 % confidence.
HANDBOOK = {
    (5, 0.90): 4.29, (5, 0.95): 5.08, (5, 0.99): 6.60,
    (10, 0.90): 2.86, (10, 0.95): 3.39, (10, 0.99): 4.44,
    (20, 0.90): 2.32, (20, 0.95): 2.76, (20, 0.99): 3.62,
    (30, 0.90): 2.15, (30, 0.95): 2.55, (30, 0.99): 3.35,
}  # fmt: skip


@pytest.mark.parametrize(("n", "content"), HANDBOOK)
def test_two_sided_factors_are_those_of_the_handbook(n, content):
    assert two_sided_factor(n, content, 0.95) == pytest.approx(HANDBOOK[n, content], abs=0.006)


def test_the_exact_factor_is_not_confused_with_howes_approximation():
    # NIST/SEMATECH e-Handbook 7.2.6.3, n = 43, p = 0.90, confidence 0.99: 2.217 by Howe, 1.875 one-sided.
    howe = stats.norm.ppf(0.95) * math.sqrt(42 * (1 + 1 / 43) / stats.chi2.ppf(0.01, 42))
    assert howe == pytest.approx(2.2173, abs=1e-4)
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.2228, abs=1e-4)
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.875, abs=1.1e-3)


def test_the_two_sided_factor_holds_what_it_promises():
    """10 of a normal population, often: so often as promised the interval holds as much of it as promised."""
    rng = np.random.default_rng(5)
    draws = rng.standard_normal((20_000, 10))
    half = two_sided_factor(10, 0.95, 0.90) * draws.std(axis=1, ddof=1)
    held = stats.norm.cdf(draws.mean(axis=1) + half) - stats.norm.cdf(draws.mean(axis=1) - half)
    assert np.mean(held >= 0.95) == pytest.approx(0.90, abs=0.01)


@pytest.mark.parametrize(
    ("content", "confidence", "one", "two"),
    [(0.90, 0.90, 22, 38), (0.90, 0.95, 29, 46), (0.95, 0.95, 59, 93), (0.99, 0.95, 299, 473), (0.99, 0.99, 459, 662)],
)
def test_the_rules_of_59_and_93_parts(content, confidence, one, two):
    # The well-known sizes for the extremes of a sample (Wilks; physics.md, section 8).
    assert least_sample(content, confidence, "high") == least_sample(content, confidence, "low") == one
    assert least_sample(content, confidence, "both") == two


@pytest.mark.parametrize(("n", "content", "confidence"), [(1, 0.9, 0.9), (10, 1.0, 0.9), (10, 0.9, 0.0)])
def test_what_makes_no_interval_is_refused(n, content, confidence):
    with pytest.raises(ValueError, match="no tolerance interval"):
        two_sided_factor(n, content, confidence)
