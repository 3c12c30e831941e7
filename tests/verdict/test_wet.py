"""A valve that is still wet is neither accepted nor, for its vapour, rejected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.analysis.results import Characteristic
from benchrig.verdict.decide import decide
from benchrig.verdict.judgement import Judgement, Reason
from benchrig.verdict.wet import Vapour, retest_after_min
from tests.verdict.parts import LIMITS, not_measured, valve

VAPOUR = Vapour(0.97, pressure_kpa=2.3, time_constant_s=41.0)


def judged(values: dict[str, object], vapour: Vapour | None = VAPOUR, reason: Reason = "core") -> Judgement:
    found, evidence = valve(values)  # type: ignore[arg-type]
    return decide(
        found, LIMITS, guard_band="0.83 U", normally="closed", evidence=replace(evidence, vapour=vapour), reason=reason
    )


def leak(value: float, u: float, bound: str = "") -> Characteristic:
    return Characteristic("hold_leak_sccm", value, u if not bound else None, "sccm", how="", bound=bound)  # type: ignore[arg-type]


def test_a_wet_valve_that_seems_tight_is_not_accepted_but_aired_out_and_tested_again() -> None:
    decided = judged({})
    assert (decided.verdict, decided.cause) == ("undecided", "wet")
    assert decided.cause_probability == 0.97
    assert [cause.name for cause in decided.causes] == ["wet"]
    assert decided.disposition == "air out and retest"
    assert "after 45 minutes" in decided.disposition_why
    assert decided.why == (
        "The valve is wet: beside any leak the pressure rises by 2.3 kPa and levels off with 41 s, as vapour of "
        "residual fuel does. A leak may hide behind it."
    )


@pytest.mark.parametrize("value", [4.9, 5.05, 6.5, 8.9])
def test_a_leak_near_its_limit_beside_vapour_is_no_reject(value: float) -> None:
    decided = judged({"hold_leak_sccm": leak(value, 1.0)})
    assert (decided.verdict, decided.cause) == ("undecided", "wet")
    assert judged({"hold_leak_sccm": leak(8.9, 1.0)}, None).verdict == "reject"


@pytest.mark.parametrize("found", [leak(9.2, 1.0), leak(63.0, 0.6), leak(200.0, 0.0, "above")])
def test_a_leak_that_is_certain_whatever_the_vapour_does_is_a_reject(found: Characteristic) -> None:
    decided = judged({"hold_leak_sccm": found})
    assert (decided.verdict, decided.cause) == ("reject", "seat leak")


def test_a_leak_that_vapour_kept_from_being_measured_is_laid_to_the_vapour() -> None:
    decided = judged({"hold_leak_sccm": not_measured("hold_leak_sccm", "two explanations remain")})
    assert (decided.verdict, decided.cause) == ("undecided", "wet")
    assert "two explanations remain" in decided.why


def test_any_other_fault_of_a_wet_valve_still_rejects_it() -> None:
    decided = judged({"coil_resistance_20c_ohm": 12.0})
    assert decided.verdict == "reject"
    assert decided.cause == "shorted turns"


def test_a_doubt_beside_the_vapour_is_told_too() -> None:
    decided = judged({"opening_delay_ms": not_measured("opening_delay_ms", "transducer too slow")})
    assert decided.cause == "wet"
    assert "transducer too slow" in decided.why


def test_a_mere_suspicion_of_vapour_changes_nothing() -> None:
    assert judged({}, Vapour(0.3, 0.1, 50.0)).verdict == "accept"
    assert judged({}, Vapour(0.3)) == judged({}, None)


def test_a_check_valve_that_comes_wet_is_for_somebody_to_look_at() -> None:
    assert judged({}, reason="check-valve").disposition == "ask"
    assert judged({}, reason="return").disposition == "air out and retest"


@pytest.mark.parametrize(("seconds", "minutes"), [(3.0, 15), (18.0, 20), (20.0, 20), (100.0, 100), (900.0, 120)])
def test_the_slower_it_evaporates_the_longer_it_is_aired_out(seconds: float, minutes: int) -> None:
    assert retest_after_min(Vapour(1.0, 1.0, seconds)) == minutes


def test_with_no_time_constant_it_is_half_an_hour() -> None:
    assert retest_after_min(Vapour(1.0)) == retest_after_min(Vapour(1.0, 1.0, float("inf"))) == 30
