"""Models averaged: against the exact evidence of linear models, by scipy."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from benchrig.analysis.statistics.fitting import Parameter, fit
from benchrig.analysis.statistics.model_averaging import either, weighed

X = np.linspace(0, 4, 80)


def test_two_models_count_by_how_well_they_fit():
    line = [Parameter("a", 0, 1e-6)]
    bent = [*line, Parameter("s", 0.1, 1e-6, prior=0.0, prior_u=1.0)]
    sd = np.full(len(X), 0.1)

    def both(truth):
        data = truth + 0.1 * np.random.default_rng(2).standard_normal(len(X))
        plain = fit(lambda q, _: q["a"] + 0 * X, data, sd, line)
        freer = fit(lambda q, _: q["a"] + q["s"] * X, data, sd, bent)
        return plain, freer, weighed(plain, freer)

    plain, freer, mixed = both(0.5 * X)
    assert mixed.values["a"] == pytest.approx(freer.values["a"])
    plain, freer, mixed = both(0 * X)
    assert abs(mixed.values["a"] - plain.values["a"]) < 0.2 * abs(freer.values["a"] - plain.values["a"])
    assert plain.u("a") < mixed.u("a") < freer.u("a")


def test_two_priors_count_by_the_exact_evidence_of_a_linear_model():
    # data = slope * X + noise, slope ~ N(prior, u): the data are normal with covariance sd^2 I + u^2 X X', so the
    # probability of each prior is known in closed form
    sd, rng = 0.3, np.random.default_rng(4)
    data = 0.25 * X + sd * rng.standard_normal(len(X))

    def one(prior, u):
        slope = Parameter("s", prior, 1e-6, prior=prior, prior_u=u)
        found = fit(lambda q, _: q["s"] * X, data, np.full(len(X), sd), [slope], settled_at=1e-9)
        density = multivariate_normal(prior * X, sd**2 * np.eye(len(X)) + u**2 * np.outer(X, X))
        return found, float(density.logpdf(data))

    near, near_log = one(0.2, 0.02)
    far, far_log = one(0.32, 0.03)
    mixed = either(near, far, odds=0.5)
    wide = min(near.widening, far.widening) ** 2
    share = 1 / (1 + np.exp(near_log - far_log - np.log(0.5)))
    assert 0.02 < share < 0.98
    assert wide == pytest.approx(1.0, abs=0.15)
    got = (mixed.values["s"] - near.values["s"]) / (far.values["s"] - near.values["s"])
    assert got == pytest.approx(share, abs=0.05)
    apart = far.values["s"] - near.values["s"]
    assert mixed.u("s") ** 2 == pytest.approx(
        (1 - got) * near.u("s") ** 2 + got * far.u("s") ** 2 + got * (1 - got) * apart**2
    )
