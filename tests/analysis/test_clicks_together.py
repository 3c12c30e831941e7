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
PULSE_MS = 120.0


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
    together = combine_clicks(results(), PULSE_MS)
    spread = together.characteristics["click_spread_ms"]
    assert spread.value == pytest.approx(8.3 - 7.9)
    assert spread.u == pytest.approx(math.hypot(0.05, 0.08))
    assert together.characteristics["pull_in_time_ms"].value == pytest.approx(8.1)
    assert together.moved == 5


def test_one_pulse_has_no_spread():
    found = combine_clicks(results()[:1], PULSE_MS).characteristics
    assert found["click_spread_ms"].value is None
    assert found["pull_in_time_ms"].value == 8.0


def test_what_all_pulses_share_does_not_average_out():
    steady = combine_clicks(results(), PULSE_MS).characteristics["steady_current_a"]
    assert steady.value == pytest.approx(0.5)
    assert steady.u == pytest.approx(0.01)


def test_where_nothing_moved_the_pull_in_is_above_the_pulse_and_the_rest_is_not_measured():
    together = combine_clicks(results((False,) * 5), PULSE_MS)
    assert (together.moved, together.still) == (0, 5)
    pull_in = together.characteristics["pull_in_time_ms"]
    assert (pull_in.value, pull_in.u, pull_in.bound) == (PULSE_MS, None, "above")
    for name in ("drop_out_time_ms", "click_spread_ms"):
        assert together.characteristics[name].value is None
        assert together.characteristics[name].why_not == "the armature did not move in any of 5 pulses"


def test_pulses_that_cannot_tell_count_neither_as_moved_nor_as_still():
    together = combine_clicks(results((True, True, False, None, None)), PULSE_MS)
    assert (together.pulses, together.moved, together.still) == (5, 2, 1)
    assert together.characteristics["pull_in_time_ms"].how.startswith("mean of 2 pulses")
