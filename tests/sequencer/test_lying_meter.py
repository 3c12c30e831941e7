"""A meter that lies is the bench (status 3), and never a verdict on the valve; a sound meter's verdicts stand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from benchrig.analysis.coil.resistance import CrossCheck
from benchrig.analysis.results import Characteristic
from benchrig.bench.file import MeterTable
from benchrig.errors import BenchError
from benchrig.sequencer.steps.resistance_cross_check import (
    check_meter_against_current,
    check_possible,
    repeats_like_a_resistor,
)
from benchrig.verdict.judgement import Limit
from tests.benchmarks.bad_meter import LIES, verdict

pytestmark = pytest.mark.usefixtures("quick_fill")

METER = MeterTable.model_construct(range_ohm=100.0)
NO_PATH = float("inf")


@pytest.mark.parametrize("ohm", [-24.5, -1e-9, 0.0, 0.0245, 0.99, 151.0, 1e30])
def test_a_reading_that_no_coil_can_give_is_refused(ohm: float) -> None:
    with pytest.raises(BenchError, match="across the valve's coil") as caught:
        check_possible([24.5, ohm, 24.5], METER)
    assert caught.value.exit_status == 3
    assert "reference resistor" in caught.value.hint


def test_readings_that_a_coil_good_or_bad_can_give_pass() -> None:
    check_possible([1.0, 24.5, 119.0, NO_PATH], METER)


def test_readings_repeat_or_do_not() -> None:
    assert repeats_like_a_resistor([24.50, 24.51, 24.49])
    assert repeats_like_a_resistor([NO_PATH, NO_PATH])
    assert not repeats_like_a_resistor([24.5, 12.0, 24.5])
    assert not repeats_like_a_resistor([24.5, NO_PATH, 24.5])
    assert repeats_like_a_resistor([100.0, 100.9])
    assert not repeats_like_a_resistor([100.0, 101.2])


def witnesses(meter_ohm: float, under_load_ohm: float, again_ohm: float) -> tuple[Any, CrossCheck]:
    """A run that is at its clicks, and what they showed: the meter's ohms, those under load, the meter asked again."""
    run = SimpleNamespace(
        cold_resistance=Characteristic("coil_resistance_20c_ohm", meter_ohm, 0.05, "ohm", how=""),
        model=SimpleNamespace(limits=(Limit("coil_resistance_20c_ohm", 22.0, 27.0, ""),)),
        bench=SimpleNamespace(coil_readings_ohm=lambda count: [again_ohm] * count),
    )
    ratio = under_load_ohm / meter_ohm
    check = CrossCheck("agrees", under_load_ohm, 0.2, meter_ohm, 0.1, 0.0, 0.4, ratio, 0.01, "")
    return run, check


@pytest.mark.parametrize(
    ("meter_ohm", "under_load_ohm", "again_ohm"),
    [
        (24.5, 24.6, 24.5),  # all agree
        (24.5, 34.0, 24.5),  # a joint that gives way under load, and comes back
        (24.5, 34.0, 34.2),  # and one that stays where it is
        (33.0, 45.0, 33.0),  # a joint that the meter sees too
        (33.0, 33.5, 33.0),
        (18.0, 18.2, 18.0),  # shorted turns
        (22.5, 26.5, 22.5),  # far apart, yet the coil is within its limits by both
    ],
)
def test_witnesses_that_tell_of_one_coil_or_of_a_joint_leave_the_verdict_to_the_valve(
    meter_ohm: float, under_load_ohm: float, again_ohm: float
) -> None:
    check_meter_against_current(*witnesses(meter_ohm, under_load_ohm, again_ohm))


@pytest.mark.parametrize(
    ("meter_ohm", "under_load_ohm", "again_ohm"),
    [
        (33.0, 24.5, 33.0),  # behind a joint by the meter, and all its current flows
        (18.0, 24.5, 18.0),  # short of turns by the meter only
        (24.5, 18.0, 24.5),  # short of turns by the current only
        (30.0, 40.0, 70.0),  # a joint would not go on to open up
    ],
)
def test_witnesses_that_tell_of_two_coils_are_a_fault_of_the_bench(
    meter_ohm: float, under_load_ohm: float, again_ohm: float
) -> None:
    with pytest.raises(BenchError, match="they differ by") as caught:
        check_meter_against_current(*witnesses(meter_ohm, under_load_ohm, again_ohm))
    assert f"Asked again at once the meter shows {again_ohm:.2f} ohm" in str(caught.value)


@pytest.mark.parametrize(
    "lie", [lie for lie in LIES if lie not in ("one stale of three", "one stale overload", "stuck at 24.5")]
)
def test_a_meter_that_lies_about_a_good_valve_is_told_as_a_fault_of_the_bench(lie: str) -> None:
    assert verdict("good", 3, lie).startswith("status 3")


@pytest.mark.parametrize("lie", ["one stale of three", "one stale overload"])
def test_one_stale_answer_is_asked_again(lie: str) -> None:
    assert verdict("good", 3, lie) == "accept"


@pytest.mark.parametrize("condition", ["shorted-turns", "high-resistance-joint"])
def test_a_bad_coil_on_a_sound_meter_keeps_its_verdict_and_is_never_taken_for_good_by_a_lying_one(
    condition: str,
) -> None:
    assert verdict(condition, 3, None).startswith("reject")
    for lie in ("x 0.8", "x 1.3", "stuck at 24.5"):
        assert not verdict(condition, 3, lie).startswith("accept")
