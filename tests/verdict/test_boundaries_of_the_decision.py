"""Values exactly on a limit or on the edge of its guard band, and just beyond, in binary fractions: nothing rounds."""

from __future__ import annotations

import pytest

from benchrig.analysis.results import Characteristic
from benchrig.verdict.conformity import guard_band_width, judge, probability_of_conformance
from benchrig.verdict.decide import decide
from benchrig.verdict.evidence import Evidence
from benchrig.verdict.judgement import Limit

NAME = "coil_resistance_20c_ohm"
BOTH = Limit(NAME, 16.0, 32.0, "here")
STEP = 2.0**-20
LEAST_ABOVE = {"pass": 16.5, "conditional pass": 16.0, "conditional fail": 15.5}
MOST_BELOW = {"pass": 31.5, "conditional pass": 32.0, "conditional fail": 32.5}
NEXT = {"pass": "conditional pass", "conditional pass": "conditional fail", "conditional fail": "fail"}


def read(value: float | None, u: float | None = 0.25, name: str = NAME, bound: str = "") -> Characteristic:
    return Characteristic(name, value, u, "ohm", how="", bound=bound, why_not="" if value is not None else "gone")  # type: ignore[arg-type]


def outcome(value: float, limit: Limit = BOTH, u: float | None = 0.25, band: str = "U") -> str:
    return judge(read(value, u), limit, band).outcome


@pytest.mark.parametrize("kind", NEXT)
def test_each_outcome_holds_to_its_edge_and_not_beyond(kind):
    for edge, outward in ((LEAST_ABOVE[kind], -STEP), (MOST_BELOW[kind], STEP)):
        assert outcome(edge) == kind
        assert outcome(edge + outward) == NEXT[kind]


@pytest.mark.parametrize(("limit", "values"), [(Limit(NAME, None, 32.0, ""), (31.5, 32.0, 32.5, 33.0)),
                                               (Limit(NAME, 16.0, None, ""), (16.5, 16.0, 15.5, 15.0))])  # fmt: skip
def test_a_limit_on_one_side_has_the_same_four_outcomes(limit, values):
    assert [outcome(value, limit) for value in values] == ["pass", "conditional pass", "conditional fail", "fail"]


def test_without_a_guard_band_there_are_two_outcomes_and_the_limit_itself_is_inside():
    assert [outcome(value, band="none") for value in (16.0 - STEP, 16.0, 32.0, 32.0 + STEP)] == [
        "fail", "pass", "pass", "fail",
    ]  # fmt: skip


def test_the_guard_band_is_that_part_of_twice_the_standard_uncertainty():
    assert (guard_band_width("U", 0.25), guard_band_width("none", 0.25)) == (0.5, 0.0)
    assert guard_band_width("0.83 U", 0.25) == pytest.approx(0.415)


def test_no_uncertainty_means_conditional_at_best():
    assert [outcome(value, u=None) for value in (24.0, 33.0)] == ["conditional pass", "conditional fail"]
    assert judge(read(24.0, None), BOTH, "U").p_conform is None


def test_a_half_of_the_values_on_a_limit_conform():
    assert probability_of_conformance(32.0, 0.25, None, 32.0) == pytest.approx(0.5)
    assert probability_of_conformance(32.25, 0.25, None, 32.0) == pytest.approx(0.1587, abs=1e-4)
    assert probability_of_conformance(15.75, 0.25, 16.0, None) == pytest.approx(0.1587, abs=1e-4)
    assert probability_of_conformance(32.0, 0.0, None, 32.0) == 1.0


@pytest.mark.parametrize(
    ("bound", "value", "low", "high", "wanted"),
    [
        ("above", 32.0, None, 32.0, "fail"),
        ("above", 32.0 - STEP, None, 32.0, "not measured"),
        ("above", 16.0, 16.0, None, "pass"),
        ("above", 16.0 - STEP, 16.0, None, "not measured"),
        ("above", 20.0, 16.0, 32.0, "not measured"),
        ("below", 16.0, 16.0, None, "fail"),
        ("below", 16.0 + STEP, 16.0, None, "not measured"),
        ("below", 32.0, None, 32.0, "pass"),
        ("below", 20.0, 16.0, 32.0, "not measured"),
    ],
)
def test_a_bound_decides_only_when_all_beyond_it_is_on_one_side(bound, value, low, high, wanted):
    assert judge(read(value, None, bound=bound), Limit(NAME, low, high, ""), "U").outcome == wanted


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ((24.0, 24.0), "accept"),
        ((24.0, 31.75), "undecided"),
        ((24.0, 32.25), "undecided"),
        ((24.0, None), "undecided"),
        ((24.0, 33.0), "reject"),
        ((None, 33.0), "reject"),
        ((31.75, 33.0), "reject"),
    ],
)
def test_one_fail_rejects_and_anything_unsure_is_undecided(values, verdict):
    names = ("coil_resistance_20c_ohm", "hold_leak_sccm")
    found = [read(value, None if value is None else 0.25, name) for name, value in zip(names, values, strict=True)]
    limits = [Limit(name, 16.0, 32.0, "here") for name in names]
    judgement = decide(found, limits, guard_band="U", normally="closed", evidence=Evidence(), reason="core")
    assert judgement.verdict == verdict


def test_a_limit_whose_characteristic_was_never_measured_leaves_the_valve_undecided():
    limits = [BOTH, Limit("hold_leak_sccm", None, 5.0, "here")]
    judgement = decide([read(24.0)], limits, guard_band="U", normally="closed", evidence=Evidence(), reason="core")
    assert judgement.verdict == "undecided"
    assert "was not run" in judgement.why


def test_a_model_without_limits_judges_nothing():
    judgement = decide([read(24.0)], [], guard_band="U", normally="closed", evidence=Evidence(), reason="core")
    assert judgement.verdict == "undecided"
