"""Derivatives of a fill against differences of two fills."""

from dataclasses import replace

import numpy as np
import pytest

from benchrig.analysis.flow.fill_sensitivity import BALANCED, fill_derivatives
from benchrig.analysis.gas.reservoir import Fill, fill_curve

DEPARTURE = (0.03, 0.02, -0.02, 0.015)
FILL = Fill(0.8, 0.3, 0.2, 0.15, 0.4, 1.003, flow_power=0.8, laminar=5e-4, departure=DEPARTURE, tangent=0.01)


def moved(name: str, by: float) -> Fill:
    if name == "critical_ratio":
        return replace(FILL, critical_ratio=FILL.critical_ratio + by, tangent=0.0)
    if name.startswith("departure"):
        at = int(name[-1])
        return replace(FILL, departure=tuple(d + by * (i == at) for i, d in enumerate(FILL.departure)))
    return replace(FILL, **{name: getattr(FILL, name) + by})


@pytest.mark.parametrize("name", BALANCED)
def test_derivatives_of_a_fill_are_the_differences_of_two_fills(name):
    fill = moved(name, 0.0)
    curve = fill_curve(fill, 3.0)
    found = fill_derivatives(fill, curve, [name]).ratio[:, 0]
    step = 1e-7 if name == "laminar" else 1e-5
    two = [fill_curve(moved(name, by), 3.0, like=curve).ratio for by in (step, -step)]
    by_difference = (two[0] - two[1]) / (2 * step)
    # in the stiff part, where the flow turns laminar within one step, both are coarse
    well_below = curve.ratio < 0.99
    if name != "laminar":
        size = np.abs(by_difference[well_below]).max()
        # the shapes of the departure that turn most often are small, and steps are coarse beside them
        part = {"departure_2": 4e-3, "departure_3": 1e-2}.get(name, 2e-3)
        assert np.abs(found - by_difference)[well_below].max() < part * size
    assert found[-1] == pytest.approx(by_difference[-1], abs=0.02 * np.abs(by_difference).max())


def test_derivatives_between_nodes_follow_the_course():
    curve = fill_curve(FILL, 3.0)
    times = np.array([-0.1, 0.213, 0.5])
    value, slope = fill_derivatives(FILL, curve, ["rate"]).at(times)
    two = [fill_curve(moved("rate", by), 3.0, like=curve).at(times) for by in (1e-5, -1e-5)]
    assert value[:, 0] == pytest.approx((two[0][0] - two[1][0]) / 2e-5, abs=2e-4)
    assert slope[0, 0] == 0.0
