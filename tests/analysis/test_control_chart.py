"""The handbook's example, each rule by hand, and how often a chart in control gives a signal."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.studies.control_chart import ChartLimits, NoChart, chart, chart_limits

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (from memory; recomputed by hand: mean 50.81, MR 1.8778)
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
UNIT = ChartLimits(0.0, 1.0, -3.0, 3.0, 1.128379, 3.686, 20)


def rules(values: list[float]) -> list[tuple[int, str, int]]:
    return [(signal.at, signal.rule, signal.side) for signal in chart(values, UNIT).signals]


def test_the_handbooks_example_is_reproduced():
    limits = chart_limits(FLOW)
    # The handbook divides by 1.128 and prints 55.8041 and 45.8159.
    assert (round(limits.centre, 2), round(limits.range_mean, 4)) == (50.81, 1.8778)
    assert limits.high == pytest.approx(55.8041, abs=2e-3)
    assert limits.low == pytest.approx(45.8159, abs=2e-3)
    assert limits.range_high == pytest.approx(6.1347, abs=2e-3)
    assert chart(FLOW, limits).signals == ()


def test_a_value_beyond_three_sigma_is_a_signal_and_one_on_the_line_is_not():
    assert rules([0.0, 3.0]) == []
    assert rules([0.0, -3.01]) == [(1, "beyond", -1)]


def test_two_of_three_beyond_two_sigma_count_on_one_side_only():
    assert rules([2.1, -2.1, 0.0]) == []
    assert rules([-2.1, 0.0, -2.1, 0.0]) == [(2, "two of three", -1)]
    assert rules([2.1, 0.0, -0.5, 2.1]) == []


def test_nine_on_one_side_are_a_signal_and_a_value_on_the_centre_begins_anew():
    small = [0.1] * 8
    assert rules([*small, 0.1]) == [(8, "one side", 1)]
    assert rules([*small, 0.0, 0.1]) == []
    assert rules([*small, -0.1, *small]) == []


def test_a_slow_drift_warns_before_a_single_value_is_out():
    found = chart([0.05 * day for day in range(60)], UNIT)
    assert "beyond" not in {signal.rule for signal in found.signals}
    assert found.warnings[0].at < 50
    assert {signal.side for signal in found.warnings} == {1}
    assert found.latest()[-1].rule == "drift"


def test_a_step_of_three_sigma_warns_within_a_week():
    assert chart([0.0] * 5 + [3.0] * 7, UNIT).warnings[0].at < 12


def test_signals_are_looked_for_after_the_baseline_only():
    values = [0.0, 9.0, 0.0, 0.0, 4.0]
    whole = chart(values, UNIT, first=2)
    assert [(signal.at, signal.rule) for signal in whole.signals] == [(4, "beyond")]
    assert [signal.at for signal in whole.latest()] == [4]
    assert len(whole.average) == len(whole.moving_ranges) == 5


def test_a_chart_in_control_hardly_ever_warns():
    draw = np.random.default_rng(4)
    charts = [chart(draw.standard_normal(100), UNIT) for _ in range(300)]
    assert sum(bool(each.warnings) for each in charts) <= 2
    assert sum(bool(each.signals) for each in charts) > 60  # notices are another matter


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([1.0], "at least 2 values; there is 1"),
        ([1.0, float("nan"), 2.0], "value 2 of 3 is nan"),
        ([3.0, 3.0, 3.0], "all 3 values are 3"),
    ],
)
def test_what_makes_no_chart_is_refused(values: list[float], said: str):
    with pytest.raises(NoChart, match=said):
        chart_limits(values)


def test_values_that_hardly_move_get_limits_from_their_rounding():
    assert chart_limits([3.0, 3.0, 3.0], resolution=0.1).sigma == pytest.approx(0.1 / np.sqrt(12))
