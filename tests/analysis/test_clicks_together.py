"""Several pulses taken together: figures worked out by hand from five results."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from benchrig.analysis.armature.clicks import combine_clicks
from benchrig.analysis.armature.inrush import analyse_inrush

TIMES = (8.0, 8.3, 7.9, 8.1, 8.2)
U = (0.10, 0.05, 0.08, 0.05, 0.06)


def results(moved=(True,) * 5, times=TIMES, u=U):
    t = np.arange(-0.02, 0.2, 1e-3)
    nothing = analyse_inrush(t, np.random.default_rng(1).normal(0.0, 1e-3, len(t)), off_s=0.12)
    return [
        dataclasses.replace(
            nothing,
            armature_moved=yes,
            pull_in_time_ms=time if yes else None,
            pull_in_time_ms_u=each if yes else None,
            steady_current_a=0.5,
            steady_current_a_u=0.01,
        )
        for yes, time, each in zip(moved, times, u, strict=True)
    ]


def test_the_spread_is_the_largest_less_the_smallest_with_the_uncertainty_of_those_two():
    together = combine_clicks(results())
    assert together.click_spread_ms == pytest.approx(8.3 - 7.9)
    assert together.click_spread_ms_u == pytest.approx(math.hypot(0.05, 0.08))
    assert together.pull_in_time_ms == pytest.approx(8.1)
    assert together.moved == 5


def test_one_pulse_has_no_spread():
    together = combine_clicks(results()[:1])
    assert together.click_spread_ms is None
    assert together.pull_in_time_ms == 8.0


def test_what_all_pulses_share_does_not_average_out():
    together = combine_clicks(results())
    assert together.steady_current_a == pytest.approx(0.5)
    assert together.steady_current_a_u == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("moved", "said"),
    [
        ((True, True, True, False, False), True),
        ((False, False, False, True, True), False),
        ((True, True, False, False, None), None),
        ((True, True, None, None, None), None),
        ((True, True, True, None, None), True),
    ],
)
def test_most_of_the_pulses_that_tell_decide_when_they_are_at_least_half(moved, said):
    together = combine_clicks(results(moved))
    assert together.armature_moved is said
    assert together.moved == sum(each is True for each in moved)
    assert together.cannot_tell == sum(each is None for each in moved)
