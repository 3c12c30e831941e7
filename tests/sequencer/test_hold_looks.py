"""Looks at a hold while it goes on."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.leak.stopping_rule import StoppingRule, looks_s
from benchrig.sequencer.steps import hold_looks
from benchrig.sequencer.steps.hold_looks import HoldLooks


@pytest.fixture
def record():
    t = np.arange(0.0, 30.0, 0.005)
    rng = np.random.default_rng(4)
    return t, 41_000 - 1_950 * np.exp(-t / 2.3) + 1.0 * t + 12.0 * rng.standard_normal(len(t))


def test_most_looks_at_a_good_valve_need_no_whole_analysis_and_its_result_none_after_the_last_look(record, monkeypatch):
    fits = []
    real = hold_looks.fit_hold
    monkeypatch.setattr(hold_looks, "fit_hold", lambda *told: fits.append(told) or real(*told))
    known = {
        "volume_m3": 5e-4, "volume_u_m3": 0.0, "ambient_pa": 101_325.0, "ambient_k": 295.0, "ambient_u_k": 0.3,
        "thermal_time_constant_s": 2.3, "thermal_time_constant_u_s": 0.6,
    }  # fmt: skip
    looks, rule = HoldLooks(known, 5.0, None), StoppingRule(5.0, 0.005, 0.005, 30.0)
    t, p = record
    for end_s in np.arange(0.5, 30.0, 0.15):
        part = t < end_s
        stopped = looks.stopped(rule, t[part], p[part])
        if stopped:
            break
    assert stopped is not None
    assert stopped.side == "within"
    looked = len(fits)
    assert looked <= sum(each <= stopped.after_s for each in looks_s(30.0)) / 2
    result = looks.result(t[part], p[part], (0.0, 1e-4))
    assert result.hold_leak_sccm is not None
    assert len(fits) == looked
