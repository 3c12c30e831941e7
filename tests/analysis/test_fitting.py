"""The small solver against scipy's, and what it says about its own certainty."""

import warnings

import numpy as np
import pytest
from scipy.optimize import curve_fit

from benchrig.analysis.statistics.fitting import Parameter, block_means, checked_trace, fit, noise_sd

X = np.linspace(0, 4, 80)


def decay(q, _):
    return q["a"] * np.exp(-X / q["tau"]) + q["c"]


def test_fit_and_covariance_are_those_of_scipy():
    rng = np.random.default_rng(5)
    data = decay({"a": 3.0, "tau": 1.2, "c": 0.5}, False) + 0.05 * rng.standard_normal(len(X))
    found = fit(
        decay,
        data,
        np.full(len(X), 0.05),
        [Parameter("a", 1, 1e-6), Parameter("tau", 2, 1e-6), Parameter("c", 0, 1e-6)],
    )
    best, covariance = curve_fit(
        lambda x, a, tau, c: a * np.exp(-x / tau) + c,
        X,
        data,
        [1, 2, 0],
        sigma=np.full(len(X), 0.05),
        absolute_sigma=True,
    )
    assert list(found.values.values()) == pytest.approx(best, rel=1e-3)
    assert found.widening == pytest.approx(1.0, abs=0.25)
    assert np.sqrt(np.diag(found.covariance)) / found.widening == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.02)


def test_prior_alone_decides_what_the_data_do_not_see():
    unseen = Parameter("b", 5.0, 1e-3, prior=2.0, prior_u=0.3)
    found = fit(lambda q, _: q["a"] + 0 * X, np.ones(len(X)), np.ones(len(X)), [Parameter("a", 0, 1e-6), unseen])
    assert found.values["b"] == pytest.approx(2.0)
    assert found.u("b") == pytest.approx(0.3)


def test_parameter_stays_at_its_end_and_the_others_make_the_best_of_it():
    low = Parameter("s", 1.0, 1e-6, low=0.0)
    found = fit(lambda q, _: q["a"] + q["s"] * X, 4 - X, np.ones(len(X)), [Parameter("a", 0, 1e-6), low])
    assert found.values["s"] == 0.0
    assert found.values["a"] == pytest.approx(2.0)


def test_residuals_that_hang_together_widen_the_uncertainty():
    data = 0.2 * np.sin(2 * X)
    found = fit(lambda q, _: q["a"] + 0 * X, data, np.full(len(X), 0.05), [Parameter("a", 0, 1e-6)])
    assert found.widening > 5
    assert found.u("a") > 5 * 0.05 / np.sqrt(len(X))


def test_noise_of_a_steep_curve_is_found_and_quantisation_is_not_mistaken_for_silence():
    rng = np.random.default_rng(1)
    curve = 6e4 * (1 - np.exp(-np.linspace(0, 5, 8000)))
    assert noise_sd(curve + 12 * rng.standard_normal(8000)) == pytest.approx(12, rel=0.05)
    steps = np.round(np.linspace(0, 3, 500)) * 30
    assert noise_sd(steps) >= 30 / np.sqrt(12)
    assert noise_sd(np.full(50, 7.0)) == 0.0


def test_blocks_without_samples_are_left_out():
    t, v, n = block_means(np.array([0.1, 0.2, 2.5]), np.array([1.0, 3.0, 9.0]), np.array([0.0, 1.0, 2.0, 3.0]))
    assert t == pytest.approx([0.15, 2.5])
    assert v == pytest.approx([2.0, 9.0])
    assert n == pytest.approx([2, 1])


GOOD = np.arange(30.0)


@pytest.mark.parametrize(
    ("t", "p", "complaint"),
    [
        (GOOD, np.ones(29), "time_s has 30 values and pressure_pa 29"),
        (GOOD.reshape(5, 6), np.ones(30), r"time_s must have one dimension, not shape \(5, 6\)"),
        (GOOD[:5], np.ones(5), "5 samples; at least 20"),
        (np.where(GOOD == 7, np.nan, GOOD), np.ones(30), r"time_s\[7\] is nan"),
        (GOOD, np.where(GOOD == 3, np.inf, 1.0), r"pressure_pa\[3\] is inf"),
        (np.where(GOOD == 9, 8.0, GOOD), np.ones(30), r"time_s must increase: time_s\[9\] = 8 after 8 s"),
        (GOOD, np.where(GOOD == 4, -60e3, 1.0), r"absolute, thus positive: pressure_pa\[4\] = -60000"),
    ],
)
def test_malformed_arrays_are_refused_by_name_and_index(t, p, complaint):
    with pytest.raises(ValueError, match=complaint):
        checked_trace(t, p)


def test_model_that_runs_away_aside_of_the_way_is_turned_back_from_without_a_warning():
    x = np.linspace(0.0, 1.0, 20)

    def runs_away(q, aside):
        far = 1e200 if aside and abs(q["a"] - round(q["a"], 5)) > 1e-6 else 1.0
        return far * np.exp(q["a"] * x)

    def slopes(q):
        return {"a": x * np.exp(q["a"] * x)}

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = fit(
            runs_away, np.exp(0.7 * x), np.full(20, 1e-3), [Parameter("a", 0.1, 1e-5)], derivatives=slopes, bends=True
        )
    assert found.values["a"] == pytest.approx(0.7, abs=1e-4)
