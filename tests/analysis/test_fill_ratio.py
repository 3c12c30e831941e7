"""A fill that begins above its opening's critical ratio: how low that is hardly shows, and is stated so."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.analysis.flow.open_flow import analyse_flow
from tests.analysis.test_flow import BENCH, CV, VOLUME, R, fill, noisy

START_PA, TAU_S, GROWS = 47_000.0, 2.0, 8.0
INFLOW_W_K = 2 * GROWS * START_PA * VOLUME / (R * 294.15) * CV / TAU_S


@pytest.mark.slow
def test_ratio_below_the_start_is_neither_too_high_nor_sure_and_the_conductance_not_too_low():
    off, sure = [], []
    for seed, b in enumerate((0.16, 0.2, 0.24, 0.28)):
        t, p = fill(0.2, b, tau_s=TAU_S, grows=GROWS, start_pa=START_PA, laminar=1e-3)
        found = analyse_flow(
            t,
            noisy(p, seed),
            thermal_time_constant_s=TAU_S,
            thermal_time_constant_u_s=0.12,
            inflow_w_k=INFLOW_W_K,
            inflow_u_w_k=0.1 * INFLOW_W_K,
            **BENCH,
        )
        off.append((found.critical_pressure_ratio - b) / found.critical_pressure_ratio_u)
        sure.append(found.critical_pressure_ratio_u)
        assert abs(found.sonic_conductance_dm3_s_bar - 0.2) < 2 * found.sonic_conductance_dm3_s_bar_u
    assert abs(np.mean(off)) < 0.8
    assert max(np.abs(off)) < 2.0
    assert min(sure) > 0.02
