"""Whether what was measured so far settles the matter: from both sides of each limit."""

from __future__ import annotations

import pytest
from scipy.stats import norm

from benchrig.analysis.results import Characteristic
from benchrig.sequencer.steps.early_end import beyond_limits, clear_of_limits
from tests.sequencer.short_runs import context, short_bench


def leak(value, u=0.1, bound=""):
    return Characteristic("hold_leak_sccm", value, u, "sccm", how="", bound=bound)


@pytest.mark.parametrize(
    ("found", "clear", "beyond"),
    [
        (leak(1.0), True, False),
        (leak(4.9), False, False),
        (leak(5.1), False, False),
        (leak(9.0), False, True),
        (leak(1.0, None), False, False),
        (leak(900.0, None, "above"), False, True),
        (leak(0.1, None, "below"), False, False),
        (leak(0.1, 0.1, "below"), False, False),
        (leak(None, None), False, False),
        (Characteristic("flow_at_rated_vacuum_lpm_anr", 3.0, 0.1, "L/min ANR", how=""), False, True),
        (Characteristic("flow_at_rated_vacuum_lpm_anr", 30.0, 0.1, "L/min ANR", how=""), True, False),
        (Characteristic("equivalent_of_nothing", 3.0, 0.1, "", how=""), True, False),
    ],
)
def test_only_a_value_with_its_uncertainty_settles_anything(found, clear, beyond):
    _, bench, _ = short_bench()
    run = context(bench)
    assert clear_of_limits(run, [found]) is clear
    assert beyond_limits(run, [found]) is beyond


def test_everything_must_lie_within_its_limits_and_one_thing_beyond_is_enough():
    _, bench, _ = short_bench()
    run = context(bench)
    assert not clear_of_limits(run, [leak(1.0), leak(4.9)])
    assert beyond_limits(run, [leak(1.0), leak(9.0)])


@pytest.mark.parametrize("by", [-0.01, 0.01])
def test_each_side_is_settled_from_a_quarter_of_its_own_risk_on(by):
    """Four looks at most share the model's risks; the quantile is scipy's, not ours."""
    _, bench, _ = short_bench()
    run = context(bench)
    run.model = run.model.model_copy(update={"false_accept": 0.001, "false_reject": 0.05})
    within, beyond = norm.isf(0.001 / 4) + by, norm.isf(0.05 / 4) + by
    assert clear_of_limits(run, [leak(5.0 - 0.1 * within)]) is (by > 0)
    assert beyond_limits(run, [leak(5.0 + 0.1 * beyond)]) is (by > 0)
