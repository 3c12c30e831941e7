"""The hold without the valve as a template: what is the bench's own, and the room's, is in both holds."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.leak.hold_result import HoldResult
from benchrig.bench.bench import Recording
from benchrig.sequencer.context import HoldRecord
from benchrig.sequencer.steps.blank_hold import leak_beside_blank
from tests.analysis.hold_records import AMBIENT_K, AMBIENT_PA, BENCH, cold_hold, noisy
from tests.sequencer.short_runs import context, short_bench


@pytest.mark.parametrize("drift_k_min", [-2.0, 2.0])
def test_a_drift_of_the_room_that_is_in_both_holds_is_not_taken_off_twice(drift_k_min):
    _, bench, _ = short_bench()
    run = context(bench)
    run.ambient_k, run.ambient_pa = AMBIENT_K, AMBIENT_PA
    t, leaking = cold_hold(1.0, seconds=25.0)
    _, tight = cold_hold(0.0, seconds=25.0)
    slow = 1 + drift_k_min / 60 * t / AMBIENT_K + 90.0 / 41_000 * (1 - np.exp(-t / 15.0))
    told = {**BENCH, "ambient_drift_k_s": drift_k_min / 60, "ambient_drift_u_k_s": 1e-3}
    run.held = HoldRecord(t, noisy(leaking * slow, seed=1), told)
    blank = Recording(t, {"pressure_pa": noisy(tight * slow, seed=2)})
    found = HoldResult(vapour_pa=90.0, vapour_time_constant_s=15.0)
    leak, _ = leak_beside_blank(run, blank, found)
    assert abs(leak.value - 1.0) < 0.15
    assert dict(leak.parts)["the room in two holds"] > 0.2
    assert leak.u > 0.2


def test_fast_vapour_that_only_the_hold_with_the_valve_shows_does_not_pass_for_gas_that_warms_up():
    _, bench, _ = short_bench()
    run = context(bench)
    run.ambient_k, run.ambient_pa = AMBIENT_K, AMBIENT_PA
    t, tight = cold_hold(0.0, seconds=25.0)
    run.held = HoldRecord(t, noisy(tight + 859.0 * (1 - np.exp(-t / 4.7)), seed=1), BENCH)
    blank = Recording(t, {"pressure_pa": noisy(tight, seed=2)})
    apart = leak_beside_blank(run, blank, HoldResult())
    assert apart is None or apart[1] > 0.5
