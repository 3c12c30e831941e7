"""Of what a fit allows only openings count whose flow falls ever faster."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.analysis.flow.fill_concavity import bending_downwards
from benchrig.analysis.flow.fill_model import opening_of
from benchrig.analysis.statistics.fitting import Fitted

NAMES = ("rate", "critical_ratio", "start", "departure_0", "departure_1", "departure_2", "departure_3")


def fitted(ratio, departure, u=0.05):
    values = dict(zip(NAMES, (0.8, ratio, 0.4, *departure), strict=True))
    covariance = np.diag([1e-3, 0.0, 1e-5, u, u, u, u]) ** 2
    covariance[0, 3] = covariance[3, 0] = 0.9 * 1e-3 * u
    return Fitted(values, covariance, np.empty((0, 7)), np.empty(0), 1.0, 0.0, ())


def bend(q):
    opening = opening_of(q)
    first, middle, last = (opening.shape(ratio) for ratio in (0.4, 0.46, 0.52))
    return first - 2 * middle + last


def test_flow_that_bends_downwards_is_left_alone():
    one = fitted(0.45, (0.05, 0.0, 0.0, 0.0), u=1e-3)
    log, kept = bending_downwards(one)
    assert log == pytest.approx(0.0, abs=1e-3)
    assert kept.values == one.values


def test_flow_that_would_bend_upwards_is_unlikely_and_what_hangs_on_it_moves_along():
    one = fitted(0.1, (0.5, -0.2, 0.0, 0.0), u=0.1)
    assert bend(one.values) > 0
    log, kept = bending_downwards(one)
    assert log < math.log(0.3)
    assert bend(kept.values) < 0.5 * bend(one.values)
    assert kept.values["departure_0"] < 0.5
    assert kept.values["rate"] < 0.8
    assert kept.u("departure_0") < one.u("departure_0")
    assert np.linalg.eigvalsh(kept.covariance).min() > -1e-12


def test_opening_that_is_bound_to_its_iso_curve_is_left_alone():
    values = {"rate": 0.8, "critical_ratio": 0.3, "start": 0.4}
    one = Fitted(values, np.diag([1e-6, 1e-4, 1e-6]), np.empty((0, 3)), np.empty(0), 1.0, 0.0, ())
    assert bending_downwards(one) == (0.0, one)
