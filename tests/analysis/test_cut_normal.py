"""Moments of a normal distribution that is cut off on one side, against scipy's."""

from __future__ import annotations

import pytest
from scipy.stats import norm, truncnorm

from benchrig.analysis.statistics.cut_normal import cut_below


@pytest.mark.parametrize("z", [-30.0, -3.0, -0.5, 0.0, 1.0, 4.0])
def test_share_mean_and_variance_of_what_is_left(z):
    share, hazard = cut_below(z)
    assert share == pytest.approx(norm.sf(-z), rel=1e-9)
    if z > -10:  # farther out scipy's own variance is lost to rounding
        mean, variance = truncnorm.stats(-z, float("inf"), moments="mv")
        assert hazard == pytest.approx(mean, rel=1e-9)
        assert 1 - hazard * (hazard + z) == pytest.approx(variance, rel=1e-6)
