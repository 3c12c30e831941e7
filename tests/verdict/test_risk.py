"""Global risks against JCGM 106:2012 and against published figures after Deaver."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.verdict.risk import global_risks


def test_precision_resistors_of_jcgm_106() -> None:
    # y0 1500, u0 0.12, T 1499.80..1500.20, u_m 0.04, guard 0.02. Published (from memory): 10 %, 1 %, 7 %.
    risks = global_risks(1500.0, 0.12, 0.04, low=1499.8, high=1500.2, width=0.02)
    assert risks.nonconforming == pytest.approx(0.095581, abs=1e-6)
    assert risks.consumer == pytest.approx(0.0098783, abs=1e-6)
    assert risks.producer == pytest.approx(0.0690265, abs=1e-6)
    assert (round(risks.consumer, 2), round(risks.producer, 2)) == (0.01, 0.07)


def test_precision_resistors_without_a_guard_band() -> None:
    risks = global_risks(1500.0, 0.12, 0.04, low=1499.8, high=1500.2)
    assert (risks.consumer, risks.producer) == (pytest.approx(0.0189422, abs=1e-6), pytest.approx(0.0372078, abs=1e-6))


# Deaver's curves, as recomputed in a public test suite: tolerance at 2 sigma of the parts, test uncertainty ratio
# TUR = T / (2 u), guard band as a factor on the acceptance limit.
@pytest.mark.parametrize(
    ("tur", "factor", "false_accept", "false_reject"),
    [(4.0, 1.0, 0.0080061, 0.0148509), (2.0, 0.91, 0.0080516, 0.0661065)],
)
def test_deaver(tur: float, factor: float, false_accept: float, false_reject: float) -> None:
    tolerance = 2.0
    risks = global_risks(
        0.0, 1.0, tolerance / (2 * tur), low=-tolerance, high=tolerance, width=(1 - factor) * tolerance
    )
    assert risks.consumer == pytest.approx(false_accept, abs=2e-6)
    assert risks.producer == pytest.approx(false_reject, abs=2e-6)


def test_process_risk_alone() -> None:
    # N(10, 0.4), limits 9 to 11: 0.01242 (public test suite, as above).
    assert global_risks(10.0, 0.4, 1e-3, low=9.0, high=11.0).nonconforming == pytest.approx(0.01242, abs=5e-6)


def test_one_sided_risks_agree_with_a_simulation() -> None:
    rng = np.random.default_rng(4)
    n = 400_000
    true = rng.normal(3.0, 1.5, n)
    accepted = true + rng.normal(0.0, 0.5, n) <= 5.0 - 0.3
    risks = global_risks(3.0, 1.5, 0.5, low=None, high=5.0, width=0.3)
    assert risks.consumer == pytest.approx(np.mean(accepted & (true > 5.0)), abs=4 * np.sqrt(risks.consumer / n))
    assert risks.producer == pytest.approx(np.mean(~accepted & (true <= 5.0)), abs=4 * np.sqrt(risks.producer / n))


def test_a_guard_band_trades_one_risk_for_the_other() -> None:
    bare = global_risks(24.5, 1.0, 0.3, low=22.0, high=27.0)
    guarded = global_risks(24.5, 1.0, 0.3, low=22.0, high=27.0, width=0.5)
    assert guarded.consumer < bare.consumer
    assert guarded.producer > bare.producer


def test_limits_far_outside_the_parts_carry_no_consumers_risk() -> None:
    risks = global_risks(0.0, 1.0, 0.1, low=-50.0, high=50.0)
    assert (risks.consumer, risks.producer) == (0.0, pytest.approx(0.0, abs=1e-12))


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        global_risks(0.0, 0.0, 1.0, low=None, high=1.0)
    with pytest.raises(ValueError, match="no limit"):
        global_risks(0.0, 1.0, 1.0, low=None, high=None)
