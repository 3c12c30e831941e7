"""A bench is known by its parts and not by its name; and nothing rests on the future."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.bench.exchanged_parts import Made, made_on, swapped
from benchrig.bench.traceability import assess_traceability
from tests.bench.test_traceability import ALL, NOW, PASSED, file

HERE: Made = (
    ("board", "relay board BR000001"),
    ("meter", "MAKER,MODEL,0001"),
    ("reservoir", "R-1"),
    ("transducer", "T-1"),
)
KINDS = {"volume", "heat", "background", "shunt", "transducer", "leads"}


@pytest.mark.parametrize(
    ("kind", "part"), [("scale", "transducer"), ("scale", "board"), ("response", "transducer"), ("inflow", "reservoir")]
)
def test_what_sharpens_a_result_does_not_outlive_the_part_that_it_was_made_with(kind: str, part: str) -> None:
    assert swapped(kind, ((part, "A"),), ((part, "B"),)) == f"the {part} was A, now it is B"


def with_other(**others: str) -> Made:
    return tuple((name, others.get(name, value)) for name, value in HERE)


def counting(present: Made) -> set[str]:
    made = tuple(replace(each, made_on=HERE) for each in ALL)
    found = assess_traceability(file(), replace(PASSED, made_on=HERE), made, NOW, present=present)
    assert {each.what for each in found.missing} >= KINDS - {each.kind for each in found.items}
    return {each.kind for each in found.items}


def test_on_the_same_bench_everything_counts() -> None:
    assert counting(HERE) == KINDS | {"check"}


@pytest.mark.parametrize(
    ("others", "gone"),
    [
        ({"board": "relay board BR000002"}, {"check", "shunt", "transducer"}),
        ({"meter": "MAKER,MODEL,0002"}, {"check", "leads"}),
        ({"reservoir": "R-2"}, {"check", "volume", "heat", "background"}),
        ({"transducer": "T-2"}, {"check", "transducer"}),
        ({"board": "relay board BR000002", "meter": "MAKER,MODEL,0002"}, KINDS | {"check"}),
    ],
)
def test_a_part_that_was_exchanged_ends_what_rests_on_it(others: dict[str, str], gone: set[str]) -> None:
    assert counting(with_other(**others)) == (KINDS | {"check"}) - gone


def test_what_was_exchanged_is_said_with_both_numbers() -> None:
    made = tuple(replace(each, made_on=HERE) for each in ALL)
    found = assess_traceability(
        file(), replace(PASSED, made_on=HERE), made, NOW, present=with_other(meter="MAKER,MODEL,0002")
    )
    said = " | ".join(found.warnings)
    assert "the meter was MAKER,MODEL,0001, now it is MAKER,MODEL,0002" in said
    assert set(found.warnings) <= set(found.remarks)  # on the run's record


def test_calibrations_of_older_programs_which_kept_no_numbers_go_on_counting() -> None:
    found = assess_traceability(file(), PASSED, ALL, NOW, present=HERE)
    assert {each.kind for each in found.items} == KINDS | {"check"}


def test_new_firmware_and_another_file_of_the_same_parts_make_no_other_bench() -> None:
    one = made_on(file(), "relay board BR000001, firmware 1, protocol 1.0", "MAKER,MODEL,0001,1.0")
    other = made_on(file(), "relay board BR000001, firmware 2, protocol 1.1", "MAKER,MODEL,0001,2.0")
    assert one == other == HERE[:2]


def test_two_benches_of_one_name_are_told_apart_by_their_own_numbers() -> None:
    assert swapped("volume", (("bench", "A"),), (("bench", "B"),)) == "the bench was A, now it is B"


# -- the clock


def test_nothing_rests_on_the_future() -> None:
    ahead = tuple(replace(each, made=NOW + timedelta(days=2)) for each in ALL)
    found = assess_traceability(file(), replace(PASSED, ended=NOW + timedelta(hours=1)), ahead, NOW)
    assert found.items == ()
    assert len(found.missing) == 7
    assert sum("in the future" in each for each in found.warnings) == 7


def test_an_earlier_calibration_counts_again_where_a_later_one_is_of_the_future() -> None:
    later = replace(ALL[0], number=9, made=NOW + timedelta(days=2), until=NOW + timedelta(days=400))
    found = assess_traceability(file(), PASSED, (*ALL, later), NOW)
    assert ALL[0] in found.used
    assert later not in found.used


@pytest.mark.parametrize(("minutes", "told"), [(4, False), (6, True)])
def test_clocks_of_two_computers_may_differ_by_minutes(minutes: int, told: bool) -> None:
    found = assess_traceability(file(), replace(PASSED, ended=NOW + timedelta(minutes=minutes)), ALL, NOW)
    assert any("future" in each for each in found.warnings) is told


@pytest.mark.parametrize(("ahead", "told"), [(timedelta(minutes=59), False), (timedelta(minutes=61), True)])
def test_a_clock_that_went_back_since_the_last_run_is_said(ahead: timedelta, told: bool) -> None:
    found = assess_traceability(file(), PASSED, ALL, NOW, last_seen=NOW + ahead)
    assert any("before the last run" in each for each in found.warnings) is told


def test_a_date_before_the_program_was_made_is_said() -> None:
    found = assess_traceability(file(), None, (), datetime(2019, 1, 1, tzinfo=UTC))
    assert any("before this program was made" in each for each in found.warnings)


def test_a_clock_that_was_put_forward_since_the_last_run_is_said_and_marked() -> None:
    found = assess_traceability(file(), PASSED, ALL, NOW, last_seen=NOW, clock_was="was put forward by 9.0 h")
    assert found.warnings == found.remarks[:1]
    assert "the computer's clock was put forward by 9.0 h since the last run (" in found.warnings[0]
