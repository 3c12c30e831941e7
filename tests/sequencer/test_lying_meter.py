"""A meter that lies is the bench (status 3), and never a verdict on the valve; a sound meter's verdicts stand."""

from __future__ import annotations

import pytest

from benchrig.bench.file import MeterTable
from benchrig.errors import BenchError
from benchrig.sequencer.steps.witnesses import check_possible, repeated
from tests.benchmarks.bad_meter import LIES, verdict

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
    assert repeated([24.50, 24.51, 24.49])
    assert repeated([NO_PATH, NO_PATH])
    assert not repeated([24.5, 12.0, 24.5])
    assert not repeated([24.5, NO_PATH, 24.5])
    assert repeated([100.0, 100.9])
    assert not repeated([100.0, 101.2])


@pytest.mark.slow
@pytest.mark.parametrize(
    "lie", [lie for lie in LIES if lie not in ("one stale of three", "one stale overload", "stuck at 24.5")]
)
def test_a_meter_that_lies_about_a_good_valve_is_told_as_a_fault_of_the_bench(lie: str) -> None:
    assert verdict("good", 3, lie).startswith("status 3")


@pytest.mark.slow
@pytest.mark.parametrize("lie", ["one stale of three", "one stale overload"])
def test_one_stale_answer_is_asked_again(lie: str) -> None:
    assert verdict("good", 3, lie) == "accept"


@pytest.mark.slow
@pytest.mark.parametrize("condition", ["shorted-turns", "high-resistance-joint"])
def test_a_bad_coil_on_a_sound_meter_keeps_its_verdict_and_is_never_taken_for_good_by_a_lying_one(
    condition: str,
) -> None:
    assert verdict(condition, 3, None).startswith("reject")
    for lie in ("x 0.8", "x 1.3", "stuck at 24.5"):
        assert not verdict(condition, 3, lie).startswith("accept")
