"""The bench check: a sound bench passes in two minutes; every simulated bench fault fails the look that names it."""

from __future__ import annotations

import re

import pytest

from benchrig.errors import aborted
from benchrig.sequencer.check.check import bench_check
from benchrig.sequencer.check.findings import ONLY_WITH_TANK, ONLY_WITHOUT_TANK, TITLES
from benchrig.sequencer.operator import Fitting
from simulators.bench_faults import FAULT_KINDS
from tests.sequencer.simulated_hands import Obedient, simulated

CAUGHT_BY = {
    "supply-off": "supply",
    "estop": "answers",
    "guard": "answers",
    "unplug": "answers",
    "meter-silent": "answers",
    "meter-late": "answers",
    "meter-garbage": "answers",
    "meter-unplug": "answers",
    "meter-other": "answers",
    "line-leak": "tight",
    "weak-pump": "pump_down",
    "blocked-line": "line",
    "transducer-stuck": "pump_down",
    "transducer-offset": "atmosphere",
    "transducer-slow": "response",
    "supply-sag": "load",
    "supply-noise": "ripple",
    "meter-range": "meter_off",  # the first look that asks the meter
    "frames-lost": "cable",
    "frames-damaged": "cable",
    "frames-repeated": "cable",
    "frames-delayed": "cable",
    "ambient-step": "tight",
    "heated-reservoir": "tight",
    "two-time-constants": "tight",
    "coil-relay-welded": "coil_off",
    "meter-relay-welded": "meter_off",
    "pump-relay-welded": "pump_off",
    "isolation-relay-welded": "isolation_off",
    "vent-relay-welded": "vent",
    "reference-relay-welded": "tight",
    "coil-relay-dead": "coil_on",
    "meter-relay-dead": "resistor",
    "pump-relay-dead": "pump_down",
    "isolation-relay-dead": "pump_down",
    "vent-relay-dead": "pump_down",
    "reference-relay-dead": "reference",
}
CAUGHT_WITH_TANK = {
    "tank-leak": "pump_down",
    "tank-not-drawn": "pump_down",
    "tank-line-blocked": "pump_down",
    "weak-pump": "deep",
    "pump-relay-dead": "deep",
    "pump-relay-welded": "tank",
    "isolation-relay-dead": "pump_down",
    "isolation-relay-welded": "atmosphere",
    "vent-relay-dead": "pump_down",
}


NOT_CAUGHT = {"drifting-room", "tap-in-flow"}
"""What the check does not see: the hold reads the thermistor for the first, the flow step departs from any opening by
the second."""


def look(**options):
    opened, bench, operator = simulated(**options)
    barometer_pa = operator.read("barometer", "kPa") * 1000
    result = bench_check(bench, operator, operator_name="me", program="test", barometer_pa=barometer_pa)
    return opened, operator, {each.name: each for each in result.items}, result


@pytest.mark.parametrize("seed", [1, 2])
def test_a_sound_bench_passes_every_look_within_two_minutes_of_bench_time(seed):
    opened, operator, looks, result = look(seed=seed)
    assert [each.outcome for each in result.items] == ["pass"] * len(looks), looks
    assert tuple(looks) == tuple(each for each in TITLES if each not in ONLY_WITH_TANK)
    assert result.passed
    assert result.bench_seconds < 120
    assert operator.asked == ["reference-resistor", "shorted-leads", "blind-plug", "open-port", "valve"]
    assert opened.simulated_bench.board.outputs == 0


def test_every_fault_of_the_simulated_bench_is_in_the_list():
    assert set(CAUGHT_BY) | set(CAUGHT_WITH_TANK) | NOT_CAUGHT == set(FAULT_KINDS)


@pytest.mark.parametrize("kind", CAUGHT_BY)
def test_a_fault_of_the_bench_is_caught_and_says_what_to_do(kind):
    opened, _, looks, result = look(seed=5, faults=[f"{kind}@0"])
    assert not result.passed
    caught = looks[CAUGHT_BY[kind]]
    assert caught.outcome == "fail"
    assert caught.why
    assert caught.to_do
    if kind != "unplug":
        assert opened.simulated_bench.board.outputs == 0


@pytest.mark.slow
def test_a_sound_bench_with_a_vacuum_tank_passes_and_the_tank_is_looked_at_in_place_of_the_pump_at_rest():
    opened, _, looks, result = look(seed=1, tank=True)
    assert result.passed, looks
    assert tuple(looks) == tuple(each for each in TITLES if each not in ONLY_WITHOUT_TANK)
    assert looks["pump_down"].value < 1.0
    assert 0.0 < looks["tank"].value < 2.0
    assert opened.simulated_bench.board.outputs == 0


@pytest.mark.slow
@pytest.mark.parametrize("kind", CAUGHT_WITH_TANK)
def test_a_fault_of_a_bench_with_a_tank_is_caught_and_says_what_to_do(kind):
    opened, _, looks, result = look(seed=5, tank=True, faults=[f"{kind}@0"])
    assert not result.passed
    assert looks[CAUGHT_WITH_TANK[kind]].outcome == "fail"
    assert looks[CAUGHT_WITH_TANK[kind]].to_do
    assert opened.simulated_bench.board.outputs == 0


@pytest.mark.slow
@pytest.mark.parametrize(("leak_sccm", "outcome"), [(26.0, "pass"), (34.0, "fail")])
def test_a_tank_may_leak_up_to_what_its_bench_file_says(leak_sccm, outcome):
    _, _, looks, _ = look(seed=5, tank=True, bench_truth={"tank_leak_sccm": leak_sccm})
    assert looks["tank"].outcome == outcome, looks["tank"]
    assert looks["tank"].value == pytest.approx(leak_sccm, abs=2.0)


def test_nothing_is_shorted_while_the_coil_switch_may_be_welded():
    _, operator, looks, _ = look(seed=3, faults=["coil-relay-welded@0"])
    assert "shorted-leads" not in operator.asked
    assert looks["zero"].outcome == "not done"


def test_a_reference_that_the_bench_file_lacks_leaves_its_looks_not_done():
    from benchrig.bench.traceability import Traceability

    _, bench, operator = simulated(seed=3)
    bench.apply_calibrations(Traceability())
    bench.file = bench.file.model_copy(update={"reference_resistor": None, "reference_leak": None})
    result = bench_check(bench, operator, operator_name="me", program="test")
    looks = {each.name: each for each in result.items}
    assert not result.passed
    assert looks["resistor"].outcome == looks["zero"].outcome == looks["reference"].outcome == "not done"
    assert "[reference_leak]" in looks["reference"].why
    assert looks["reference"].to_do


class Stops(Obedient):
    """A person who stops when told to connect the blind plug."""

    def connect(self, fitting: Fitting) -> None:
        if fitting is Fitting.BLIND:
            raise KeyboardInterrupt
        super().connect(fitting)


def test_a_check_that_is_stopped_leaves_the_bench_safe_and_gives_no_result():
    opened, bench, _ = simulated(seed=3)
    with pytest.raises(KeyboardInterrupt) as stopped:
        bench_check(bench, Stops(opened), operator_name="me", program="test")
    assert opened.simulated_bench.board.outputs == 0
    assert "all outputs off" in aborted(stopped.value).bench_state


def test_the_wrong_barometer_reading_is_noticed():
    _, bench, operator = simulated(seed=3)
    result = bench_check(bench, operator, operator_name="me", program="test", barometer_pa=98_000.0)
    looks = {each.name: each for each in result.items}
    assert looks["atmosphere"].outcome == "fail"
    assert looks["pump_down"].outcome == "not done"


@pytest.mark.parametrize(("told", "said"), [(1.1, "9 % more"), (0.9, "1[01] % less")])
def test_a_volume_told_a_tenth_wrong_is_noticed_by_the_certified_leak(told, said):
    _, _, looks, _ = look(seed=3, swap=("volume_l = 0.500", f"volume_l = {0.5 * told:.3f}"))
    failed = [name for name, each in looks.items() if each.outcome == "fail"]
    assert failed == ["volume"]
    found = looks["volume"]
    assert found.value == pytest.approx(0.5, rel=0.03)
    assert re.search(said, found.why)
    assert "no vessel vouches for it" in found.why
    assert "calibrate volume" in found.to_do


def test_a_blocked_leak_is_suspected_where_a_vessel_vouches_for_the_volume():
    from datetime import timedelta

    from benchrig.bench.calibrations import Calibration, Reference, constants_of
    from benchrig.bench.traceability import Traceability
    from benchrig.clock import utc_now

    _, bench, operator = simulated(seed=3, bench_truth={"reference_leak_sccm": 8.9})
    now = utc_now()
    was = constants_of(bench.file, "volume")
    vessel = (Reference("known volume", 0.25, 0.0002, "L"),)
    bench.apply_calibrations(
        Traceability(used=(Calibration("volume", was, was, vessel, now, now + timedelta(days=9), "me", "so"),))
    )
    result = bench_check(
        bench, operator, operator_name="me", program="test", barometer_pa=operator.read("barometer", "kPa") * 1000
    )
    volume = next(each for each in result.items if each.name == "volume")
    assert volume.outcome == "fail"
    assert "the leak's filter is the likelier cause" in volume.why
