"""Decision rules against published figures."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.analysis.results import Bound, Characteristic
from benchrig.verdict.conformity import guard_band_width, judge, limit_with_unit, probability_of_conformance
from benchrig.verdict.judgement import Limit

LEAK = "hold_leak_sccm"


def read(value: float | None, u: float | None = 0.1, bound: Bound = "", why_not: str = "") -> Characteristic:
    return Characteristic(LEAK, value, u, "sccm", how="", bound=bound, why_not=why_not)


def limit(low: float | None = None, high: float | None = None) -> Limit:
    return Limit(LEAK, low, high, "made up")


# ILAC-G8:09/2019, Table 1: specific probability of false accept at the acceptance limit, U = 2 u. The bound is the
# table's; the exact value is the one-sided normal tail.
@pytest.mark.parametrize(
    ("guard_band", "below", "exact"),
    [("none", 0.5, 0.5), ("0.83 U", 0.05, 0.048457), ("U", 0.025, 0.022750)],
)
def test_false_accept_at_the_acceptance_limit_is_that_of_ilac_g8(guard_band: str, below: float, exact: float) -> None:
    u = 0.1
    at_limit = 5.0 - guard_band_width(guard_band, u)
    false_accept = 1.0 - probability_of_conformance(at_limit, u, None, 5.0)
    assert false_accept == pytest.approx(exact, rel=1e-4)
    assert false_accept <= below
    assert judge(read(at_limit, u), limit(high=5.0), guard_band).outcome == "pass"


# The remaining rows of the same table: w = 1.5 U and 3 U, and w = -U (probability of false reject).
@pytest.mark.parametrize(("width_in_u", "exact"), [(3.0, 0.00134990), (6.0, 9.866e-10)])
def test_wider_guard_bands_of_the_ilac_g8_table(width_in_u: float, exact: float) -> None:
    assert 1.0 - probability_of_conformance(-width_in_u, 1.0, None, 0.0) == pytest.approx(exact, rel=1e-3)


def test_a_negative_guard_band_of_u_leaves_the_false_reject_below_two_and_a_half_percent() -> None:
    assert probability_of_conformance(2.0, 1.0, None, 0.0) == pytest.approx(0.022750, rel=1e-4)


# JCGM 106:2012, Table 1: z for a probability of conformance, one-sided (printed to two decimals; from memory).
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_z_of_jcgm_106_table_1(p: float, z: float) -> None:
    assert probability_of_conformance(-z, 1.0, None, 0.0) == pytest.approx(p, abs=0.0015)


def test_zener_diode_of_jcgm_106() -> None:
    # Upper limit -5.40 V, y -5.47 V, u 0.05 V: 92 % (from memory; 0.91924 computed).
    assert probability_of_conformance(-5.47, 0.05, None, -5.40) == pytest.approx(0.91924, abs=5e-6)


def test_burst_strength_of_jcgm_106() -> None:
    # Lower limit 490 kPa, y 509.7 kPa, u 8.6 kPa: 0.989 (from memory; 0.98901 computed).
    assert probability_of_conformance(509.7, 8.6, 490.0, None) == pytest.approx(0.98901, abs=5e-6)


def test_bench_example_one_is_a_conditional_pass_at_u() -> None:
    # U = 0.1158, AL = 28 - 0.1158 = 27.8842; y = 27.900: conditional pass, p_c 0.95795 (computed).
    coil = Characteristic("coil_resistance_20c_ohm", 27.900, 0.05789, "ohm", how="")
    allowed = Limit("coil_resistance_20c_ohm", None, 28.0, "")
    judged = judge(coil, allowed, "U")
    assert judged.outcome == "conditional pass"
    assert judged.p_conform == pytest.approx(0.95795, abs=5e-5)
    assert 28.0 - guard_band_width("U", 0.05789) == pytest.approx(27.8842, abs=5e-5)
    assert judge(coil, allowed, "none").outcome == "pass"


# ILAC-G8:09/2019, 4.2.3, the non-binary rule; w = U = 0.2.
@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (4.79, "pass"),
        (4.81, "conditional pass"),
        (4.99, "conditional pass"),
        (5.0, "conditional pass"),
        (5.01, "conditional fail"),
        (5.19, "conditional fail"),
        (5.21, "fail"),
    ],
)
def test_four_outcomes_at_an_upper_limit(value: float, outcome: str) -> None:
    assert judge(read(value), limit(high=5.0), "U").outcome == outcome
    mirrored = judge(read(-value), limit(low=-5.0), "U")
    assert mirrored.outcome == outcome


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (0.7, "fail"),
        (0.9, "conditional fail"),
        (1.1, "conditional pass"),
        (1.3, "pass"),
        (2.9, "conditional pass"),
        (3.3, "fail"),
    ],
)
def test_four_outcomes_between_two_limits(value: float, outcome: str) -> None:
    assert judge(read(value), limit(1.0, 3.0), "U").outcome == outcome


def test_a_guard_band_wider_than_the_tolerance_lets_nothing_pass() -> None:
    outcomes = {judge(read(1.0 + n / 100, 1.0), limit(1.0, 2.0), "U").outcome for n in range(-300, 400)}
    assert outcomes == {"conditional pass", "conditional fail", "fail"}


def test_simple_acceptance_knows_only_pass_and_fail_and_takes_the_limit_itself() -> None:
    assert judge(read(5.0), limit(high=5.0), "none").outcome == "pass"
    assert judge(read(5.0001), limit(high=5.0), "none").outcome == "fail"


def test_p_conform_between_two_limits_takes_both_tails_off() -> None:
    # u equal to the half-width, value in the middle: Phi(1) - Phi(-1) = 0.6827, the one-sigma share.
    assert probability_of_conformance(2.0, 1.0, 1.0, 3.0) == pytest.approx(0.6827, abs=5e-5)


@pytest.mark.parametrize(
    ("bound", "value", "low", "high", "outcome", "p_conform"),
    [
        ("above", 100.0, 22.0, 27.0, "fail", 0.0),
        ("above", 5.0, None, 5.0, "fail", 0.0),
        ("above", 4.0, None, 5.0, "not measured", None),
        ("above", 24.0, 22.0, 27.0, "not measured", None),
        ("above", 20.0, 22.0, 27.0, "not measured", None),
        ("above", 20.0, 18.0, None, "pass", 1.0),
        ("above", 17.0, 18.0, None, "not measured", None),
        ("below", 0.5, 18.0, None, "fail", 0.0),
        ("below", 20.0, 18.0, None, "not measured", None),
        ("below", 2.0, None, 5.0, "pass", 1.0),
        ("below", 6.0, None, 5.0, "not measured", None),
        ("below", 1.0, 22.0, 27.0, "fail", 0.0),
        ("below", 24.0, 22.0, 27.0, "not measured", None),
    ],
)
def test_a_bound_decides_only_where_everything_beyond_it_is_on_one_side(
    bound: Bound, value: float, low: float | None, high: float | None, outcome: str, p_conform: float | None
) -> None:
    judged = judge(read(value, None, bound), limit(low, high), "0.83 U")
    assert (judged.outcome, judged.p_conform) == (outcome, p_conform)
    assert bound in judged.why


def test_a_bound_that_cannot_decide_says_so() -> None:
    why = judge(read(4.0, None, "above"), limit(high=5.0), "U").why
    assert why == "only known to be above 4.00 sccm, at most 5 sccm allowed: it may lie on either side"


def test_a_value_without_uncertainty_is_conditional_with_a_guard_band_and_bare_without() -> None:
    assert judge(read(1.0, None), limit(high=5.0), "U").outcome == "conditional pass"
    assert judge(read(9.0, None), limit(high=5.0), "U").outcome == "conditional fail"
    assert judge(read(1.0, None), limit(high=5.0), "none").outcome == "pass"
    assert judge(read(9.0, None), limit(high=5.0), "none").outcome == "fail"
    assert judge(read(9.0, None), limit(high=5.0), "none").p_conform is None


def test_no_uncertainty_at_all_gives_certainty() -> None:
    judged = judge(read(4.0, 0.0), limit(high=5.0), "U")
    assert (judged.outcome, judged.p_conform) == ("pass", 1.0)
    assert judge(read(6.0, 0.0), limit(high=5.0), "U").p_conform == 0.0


def test_not_measured_keeps_its_reason() -> None:
    judged = judge(read(None, None, why_not="transducer too slow"), limit(high=5.0), "U")
    assert (judged.outcome, judged.why, judged.p_conform) == ("not measured", "transducer too slow", None)


def test_without_a_limit_nothing_is_judged() -> None:
    assert judge(read(3.0), None, "U").outcome == "no limit"
    assert judge(read(3.0), limit(), "U").outcome == "no limit"
    assert limit_with_unit(limit()) == "no limit"


def test_bugs_are_not_judged() -> None:
    with pytest.raises(ValueError, match="guard band"):
        judge(read(3.0), limit(high=5.0), "2 U")
    with pytest.raises(ValueError, match="against the limit for"):
        judge(read(3.0), Limit("pull_in_time_ms", None, 5.0, ""), "U")
    with pytest.raises(ValueError, match="value"):
        judge(read(1.0, -0.1), limit(high=5.0), "U")


@pytest.mark.parametrize(("value", "u"), [(math.nan, 0.1), (math.inf, 0.1), (1.0, math.nan), (1.0, math.inf)])
def test_a_number_that_is_not_finite_was_not_measured(value: float, u: float) -> None:
    judged = judge(read(value, u), limit(high=5.0), "U")
    assert (judged.outcome, judged.why) == ("not measured", "the analysis gave no finite number")
    assert (judged.characteristic.value, judged.characteristic.u) == (None, None)


RANK = {"fail": 0, "conditional fail": 1, "conditional pass": 2, "pass": 3}


@pytest.mark.slow
@given(st.floats(-10.0, 10.0), st.floats(1e-3, 3.0), st.sampled_from(["none", "0.83 U", "U"]))
def test_a_larger_guard_band_never_makes_a_pass_easier(value: float, u: float, guard_band: str) -> None:
    wide, narrow = judge(read(value, u), limit(-1.0, 1.0), "U"), judge(read(value, u), limit(-1.0, 1.0), guard_band)
    assert not (wide.outcome == "pass" and narrow.outcome != "pass")
    assert not (wide.outcome == "fail" and narrow.outcome != "fail")


@pytest.mark.slow
@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0), st.floats(1e-3, 3.0))
def test_further_from_an_upper_limit_is_never_worse(one: float, other: float, u: float) -> None:
    near, far = max(one, other), min(one, other)
    assert (
        RANK[judge(read(far, u), limit(high=5.0), "U").outcome]
        >= RANK[judge(read(near, u), limit(high=5.0), "U").outcome]
    )


@pytest.mark.slow
@given(st.floats(-10.0, 10.0), st.floats(1e-3, 3.0), st.floats(0.01, 100.0))
def test_the_outcome_does_not_depend_on_the_unit(value: float, u: float, scale: float) -> None:
    here = judge(read(value, u), limit(-1.0, 1.0), "none").p_conform
    there = judge(read(value * scale, u * scale), limit(-scale, scale), "none").p_conform
    assert here == pytest.approx(there, abs=1e-9)
