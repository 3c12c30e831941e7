"""What a run rests on: which check and which calibrations count today, and what is said of the rest."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.bench.calibrations import Calibration, Withdrawal, constants_of, with_calibrations
from benchrig.bench.constants import CONSTANTS, KINDS, KINDS_OF_CALIBRATION
from benchrig.bench.file import BenchFile, parse_bench_file
from benchrig.bench.traceability import CheckDone, assess_traceability, require_traceability
from benchrig.errors import NotCalibrated
from tests.bench.test_file import LEAST

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PASSED = CheckDone(4, passed=True, ended=NOW - timedelta(hours=3), operator="R. Counter")


def file(more: str = "") -> BenchFile:
    return parse_bench_file(LEAST + more, where="here").file


def calibration(kind: str, number: int = 1, days_ago: float = 10, value: float = 1.5, u: float = 0.01) -> Calibration:
    was = constants_of(file(), kind)  # type: ignore[arg-type]  # the kinds are those of the program
    made = NOW - timedelta(days=days_ago)
    return Calibration(
        kind=kind,  # type: ignore[arg-type]
        constants=tuple(each._replace(value=value, u=u) for each in was),
        before=was,
        references=(),
        made=made,
        until=made + timedelta(days=365),
        operator="R. Counter",
        how="by hand",
        number=number,
    )


NEEDED = tuple(each.kind for each in KINDS_OF_CALIBRATION.values() if each.needed)
ALL = tuple(calibration(kind, number) for number, kind in enumerate(NEEDED, 1))


def test_a_real_bench_needs_a_check_and_six_calibrations():
    found = assess_traceability(file(), None, (), NOW)
    assert [each.what for each in found.missing] == ["bench check", *NEEDED]
    with pytest.raises(NotCalibrated) as refused:
        require_traceability(found, allow_uncalibrated=False)
    for kind in NEEDED:
        assert f"{kind}: never calibrated" in str(refused.value)
    hints = refused.value.hint.splitlines()
    assert hints[:2] == [
        "Run 'benchrig bench check': two minutes.",
        "Run 'benchrig bench calibrate' for each of volume, shunt, transducer, leads, heat, background.",
    ]
    require_traceability(found, allow_uncalibrated=True)


def test_with_all_of_them_nothing_is_missing_and_each_is_named():
    found = assess_traceability(file(), PASSED, ALL, NOW)
    assert found.missing == ()
    assert [ground.kind for ground in found.items] == ["check", *NEEDED]
    assert found.items[1].says == "cal-0001: 1.500 ± 0.020 L, by hand, 2026-11-15 (R. Counter), until 2027-11-15"


@pytest.mark.parametrize(("hours", "counts"), [(23.9, True), (24.0, True), (24.1, False)])
def test_a_check_counts_to_the_end_of_its_time(hours, counts):
    found = assess_traceability(file(), replace(PASSED, ended=NOW - timedelta(hours=hours)), ALL, NOW)
    assert (found.missing == ()) is counts


def test_a_failed_last_check_cannot_be_overridden():
    failed = CheckDone(5, passed=False, ended=NOW, operator="me", failed=("Coil supply",))
    found = assess_traceability(file(), failed, ALL, NOW)
    with pytest.raises(NotCalibrated, match="check-0005 of 2026-11-25 09:00 UTC, failed: Coil supply"):
        require_traceability(found, allow_uncalibrated=True)


def test_where_no_check_is_needed_a_failed_one_is_remarked():
    failed = CheckDone(5, passed=False, ended=NOW, operator="me", failed=("Coil supply",))
    found = assess_traceability(file("[check]\nneeded = false\n[calibration]\nneeded = []\n"), failed, (), NOW)
    require_traceability(found, allow_uncalibrated=False)
    assert found.items == ()
    assert "check-0005" in found.remarks[0]


def test_the_newest_counts_and_a_withdrawn_one_gives_way_to_the_one_before():
    older, newer = calibration("volume", 1, 20, 0.50), calibration("volume", 2, 10, 0.51)
    assert assess_traceability(file(), PASSED, (newer, older), NOW).used == (newer,)
    gone = replace(newer, withdrawal=Withdrawal(NOW, "me", "wrong vessel"))
    assert assess_traceability(file(), PASSED, (older, gone), NOW).used == (older,)


def test_an_expired_one_does_not_count_and_says_when():
    found = assess_traceability(file(), PASSED, (calibration("heat", 1, days_ago=366), *ALL[:4], ALL[5]), NOW)
    assert [str(each) for each in found.missing] == ["heat: expired on 2026-11-24"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_calibration_replaces_value_and_uncertainty_and_nothing_else(kind):
    before = file()
    after = with_calibrations(before, [calibration(kind, value=0.005, u=0.0001)])
    assert constants_of(after, kind) == tuple(
        was._replace(value=0.005, u=pytest.approx(0.0001)) for was in constants_of(before, kind)
    )
    changed = [name for name in BenchFile.model_fields if getattr(before, name) != getattr(after, name)]
    assert len(changed) == 1


def test_how_far_a_constant_moved_is_told_but_not_from_nothing():
    assert calibration("volume", value=0.56).moved == pytest.approx(0.12)
    assert calibration("leads", value=0.2).moved == 0.0


def test_a_rough_guess_that_moves_within_twice_its_uncertainty_is_no_surprise():
    was = constants_of(file(), "heat")[0]
    assert calibration("heat", value=was.value + 1.9 * was.u).moved == 0.0
    assert calibration("heat", value=was.value + 2.1 * was.u).moved == pytest.approx(2.1 * was.u / was.value)


def test_of_two_kinds_that_find_the_same_constant_the_later_counts():
    two_points = calibration("scale", 1, days_ago=5, value=25.1e-6, u=1e-9)
    both = replace(two_points, constants=(two_points.constants[0], two_points.constants[1]._replace(value=0.21)))
    zero = calibration("transducer", 2, days_ago=1, value=0.22, u=0.001)
    for order in ((both, zero), (zero, both)):
        after = with_calibrations(file(), order)
        assert after.transducer.offset_v == 0.22
        assert after.transducer.volts_per_pa == 25.1e-6
    assert (
        with_calibrations(file(), [both, replace(zero, made=both.made - timedelta(days=1))]).transducer.offset_v == 0.21
    )


def test_every_kind_has_its_constants_and_every_constant_its_keys_in_the_bench_file():
    assert set(KINDS_OF_CALIBRATION) == set(KINDS) == {each.kind for each in CONSTANTS}
    for each in CONSTANTS:
        fields = type(getattr(file(), each.table)).model_fields
        assert {each.key, each.u_key} <= set(fields)


def test_every_way_of_every_kind_has_its_procedure():
    from benchrig.sequencer.calibration.calibrate import METHODS

    assert [(each.kind, each.name) for each in METHODS] == [
        (kind, way) for kind in KINDS for way in KINDS_OF_CALIBRATION[kind].ways
    ]
