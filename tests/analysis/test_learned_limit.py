"""A limit from known-good parts."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.statistics.tolerance_interval import one_sided_factor
from benchrig.analysis.studies.learned_limit import LEAST_PARTS, learn_limit


def parts(values):
    return [np.atleast_1d(np.asarray(each, dtype=float)) for each in values]


def test_normal_values_get_mean_and_k_standard_deviations():
    values = np.random.default_rng(1).normal(20, 0.5, 30)
    learned = learn_limit(parts(values), "low", content=0.95, confidence=0.95)
    assert learned.method == "normal"
    assert learned.high is None
    assert learned.low == pytest.approx(values.mean() - one_sided_factor(30, 0.95, 0.95) * values.std(ddof=1))


def test_three_parts_are_too_few():
    with pytest.raises(ValueError, match=f"3 parts are too few.*{LEAST_PARTS}"):
        learn_limit(parts([1, 2, 3]), "both", content=0.95, confidence=0.95)


def test_values_that_are_not_normal_get_their_extremes_once_there_are_enough_of_them():
    values = np.random.default_rng(2).exponential(1.0, 100)
    few = learn_limit(parts(values[:20]), "high", content=0.95, confidence=0.95)
    assert (few.method, few.high) == ("", None)
    assert "it takes 59 for 95 %" in few.why_not
    less = learn_limit(parts(values[:40]), "high", content=0.95, confidence=0.95)
    assert (less.method, less.high) == ("extremes", values[:40].max())
    assert less.content == pytest.approx(0.05 ** (1 / 40))
    many = learn_limit(parts(values), "high", content=0.95, confidence=0.95)
    assert (many.method, many.factor, many.high, many.content) == ("extremes", None, values.max(), 0.95)


def test_of_a_gamma_distribution_the_cube_roots_tell_as_much_as_promised():
    """Krishnamoorthy and others 2008 (from memory): cube roots of gamma variates are nearly normal."""
    from scipy.stats import gamma

    rng = np.random.default_rng(11)
    held = []
    for _ in range(300):
        learned = learn_limit(parts(rng.gamma(2.0, 1.0, 30)), "high", content=0.9, confidence=0.9, from_zero=True)
        if learned.high is not None:
            held.append(gamma.cdf(learned.high, 2.0))
    assert len(held) > 270
    assert np.mean(np.array(held) >= 0.9) == pytest.approx(0.9, abs=0.06)


def test_an_allowance_puts_the_limits_further_out():
    values = np.random.default_rng(12).normal(24, 0.3, 30)
    near, far = (learn_limit(parts(values), "both", content=0.9, confidence=0.9, allowance=each) for each in (0.0, 0.5))
    assert (far.low, far.high) == pytest.approx((near.low - 0.5, near.high + 0.5))


def test_what_a_part_scatters_from_one_measurement_to_the_next_is_taken_out():
    rng = np.random.default_rng(3)
    true = rng.normal(24, 0.3, 100)
    learned = learn_limit([each + rng.normal(0, 0.5, 4) for each in true], "both", content=0.95, confidence=0.95)
    assert learned.repeat_sd == pytest.approx(0.5, rel=0.15)
    assert learned.sd == pytest.approx(true.std(ddof=1), rel=0.2)
    assert learned.repeats == 300


def test_parts_of_two_models_are_noticed_and_told_apart():
    rng = np.random.default_rng(4)
    values = [*rng.normal(24, 0.3, 20), *rng.normal(26, 0.3, 9)]
    learned = learn_limit(parts(values), "both", content=0.95, confidence=0.95)
    assert learned.groups == tuple(range(20, 29))
    assert (learned.low, learned.high) == (None, None)
    assert "two groups, of 20 and 9 parts" in learned.why_not


def test_one_model_is_seldom_taken_for_two():
    rng = np.random.default_rng(6)
    found = [bool(learn_limit(parts(rng.normal(0, 1, n)), "both", content=0.9, confidence=0.9).groups)
             for n in (10, 30, 100) for _ in range(60)]  # fmt: skip
    assert sum(found) <= 1


def test_an_outlier_is_shown_and_counts_all_the_same():
    values = [*np.random.default_rng(7).normal(24, 0.2, 29), 25.6]
    learned = learn_limit(parts(values), "both", content=0.95, confidence=0.95)
    assert learned.outliers == (29,)
    assert learned.mean == pytest.approx(np.mean(values))


def test_no_lower_limit_below_zero_where_nothing_can_be_below_zero():
    values = np.random.default_rng(8).normal(2, 1.0, 30)
    learned = learn_limit(parts(values), "both", content=0.99, confidence=0.95, from_zero=True)
    assert learned.low is None
    assert learned.high is not None


@pytest.mark.parametrize("sides", ["low", "high", "both"])
@pytest.mark.parametrize("n", [10, 30])
def test_limits_hold_as_much_of_a_normal_population_as_often_as_promised(n, sides):
    from scipy.stats import norm

    rng = np.random.default_rng(9)
    held = []
    for _ in range(300):
        learned = learn_limit(parts(rng.normal(20, 1, n)), sides, content=0.9, confidence=0.9)
        if learned.method == "normal":
            high = 1.0 if learned.high is None else norm.cdf(learned.high - 20)
            held.append(high - (0.0 if learned.low is None else norm.cdf(learned.low - 20)))
    assert len(held) > 290
    assert np.mean(np.array(held) >= 0.9) == pytest.approx(0.9, abs=0.05)  # 3 sigma of 300
