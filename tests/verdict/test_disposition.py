"""What to do with the part."""

from __future__ import annotations

import pytest

from benchrig.verdict.disposition import COIL, DIRT, WRONG, dispose
from benchrig.verdict.hypotheses import CAUSES, UNCLEAR
from benchrig.verdict.judgement import Cause, Reason


def sure(name: str, probability: float = 0.95) -> list[Cause]:
    rest = [each for each in CAUSES if each != name]
    return [Cause(name, probability, ""), *(Cause(each, (1 - probability) / len(rest), "") for each in rest)]


REASONS: tuple[Reason, ...] = ("core", "return", "new-stock")  # what a customer's or dealer's part is here for


@pytest.mark.parametrize("reason", REASONS)
def test_an_undecided_valve_is_for_a_person_to_decide(reason: Reason) -> None:
    assert dispose("undecided", sure("seat leak"), reason)[0] == "ask"


def test_a_good_part_is_sold_or_given_back() -> None:
    assert dispose("accept", (), "core")[0] == "sell"
    assert dispose("accept", (), "new-stock")[0] == "sell"
    assert dispose("accept", (), "return")[0] == "return to customer"


@pytest.mark.parametrize("name", sorted(COIL))
def test_a_core_with_a_bad_coil_is_scrapped(name: str) -> None:
    assert dispose("reject", sure(name), "core")[0] == "scrap"


@pytest.mark.parametrize("name", sorted(DIRT))
def test_a_core_with_dirt_in_it_is_cleaned(name: str) -> None:
    assert dispose("reject", sure(name), "core")[0] == "clean and retest"


@pytest.mark.parametrize("name", [WRONG, UNCLEAR])
def test_a_core_of_another_kind_or_with_an_unknown_fault_is_for_a_person(name: str) -> None:
    assert dispose("reject", sure(name), "core")[0] == "ask"


@pytest.mark.parametrize("name", [each for each in CAUSES if each != WRONG])
def test_a_bad_return_is_refunded_whatever_the_cause(name: str) -> None:
    assert dispose("reject", sure(name), "return")[0] == "refund"
    assert dispose("reject", sure(name), "new-stock")[0] == "refund"


def test_a_return_that_seems_to_be_another_part_is_compared_with_the_sale() -> None:
    assert dispose("reject", sure(WRONG), "return")[0] == "ask"
    assert dispose("reject", sure(WRONG), "new-stock")[0] == "refund"


def test_two_unsure_causes_with_the_same_cure_are_sure_enough_together() -> None:
    causes = [Cause("seat leak", 0.4, ""), Cause("sluggish", 0.35, ""), Cause("open coil", 0.25, "")]
    what, why = dispose("reject", causes, "core")
    assert what == "clean and retest"
    assert "75 % sure" in why


def test_an_unsure_cause_is_nothing_to_scrap_a_part_for() -> None:
    what, why = dispose("reject", [Cause("open coil", 0.5, ""), Cause("sluggish", 0.5, "")], "core")
    assert what == "ask"
    assert "open coil, 50 %" in why


def test_a_probability_never_claims_to_be_certain() -> None:
    assert "over 99 % sure" in dispose("reject", sure("open coil", 0.9999), "core")[1]


def test_every_cause_but_the_open_ones_has_a_disposition() -> None:
    assert COIL | DIRT | {WRONG, UNCLEAR} == set(CAUSES)
    assert not COIL & DIRT


def test_a_rejected_core_without_any_cause_is_for_a_person() -> None:
    assert dispose("reject", (), "core")[0] == "ask"


def test_a_check_valve_goes_back_to_its_shelf_and_is_never_sold_or_scrapped():
    assert dispose("accept", (), "check-valve")[0] == "keep"
    for verdict in ("reject", "undecided"):
        to_do, why = dispose(verdict, sure("open coil"), "check-valve")
        assert to_do == "ask"
        assert "look at the bench first" in why
