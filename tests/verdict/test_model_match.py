"""A part put to its model."""

from __future__ import annotations

import math

import pytest

from benchrig.analysis.results import Characteristic
from benchrig.verdict.judgement import Limit
from benchrig.verdict.model_match import LEAST_RUNS, Signature, by_limits, by_runs, fits

NAMES = ("coil_resistance_20c_ohm", "pull_in_time_ms", "drop_out_time_ms", "flow_at_rated_vacuum_lpm_anr")


def known(model, *centres, normally="closed", sd=0.03):
    return Signature(model, normally, {n: (math.log(c), sd) for n, c in zip(NAMES, centres, strict=True)}, 20)


ALDER, BIRCH, CEDAR = (
    known("alder", 24, 8, 12, 21),
    known("birch", 26, 10, 14, 30, normally="open"),
    known("cedar", 24, 8, 12, 35),
)
ALL = (ALDER, BIRCH, CEDAR)


def part(*values):
    return {
        name: Characteristic(name, value, 0.005 * value, "", how="") for name, value in zip(NAMES, values, strict=True)
    }


def order(found, works_as=""):
    return [each.model for each in fits(found, works_as, ALL)]


def test_a_good_part_is_put_to_its_model_and_the_probabilities_are_one_together():
    found = fits(part(24.2, 8.1, 11.8, 21.5), "closed", ALL)
    assert found[0].model == "alder"
    assert found[0].probability > 0.99
    assert math.fsum(each.probability for each in found) == pytest.approx(1.0)
    assert found[0].runs == 20


def test_where_only_the_flow_tells_two_apart_a_blocked_part_is_left_open():
    blocked = fits(part(24.0, 8.0, 12.0, 3.0), "closed", ALL)
    assert {blocked[0].model, blocked[1].model} == {"alder", "cedar"}
    assert blocked[0].probability < 0.6


def test_a_sluggish_part_is_still_its_model_by_coil_and_flow():
    assert order(part(26.1, 35.0, 14.2, 29.5), "open")[0] == "birch"


def test_polarity_counts():
    between = part(25.0, 9.0, 13.0, 25.0)
    assert order(between, "open")[0] == "birch"
    assert order(between, "closed")[0] != "birch"


def test_what_was_not_measured_or_is_a_bound_tells_nothing():
    bound = {NAMES[0]: Characteristic(NAMES[0], 99.0, None, "ohm", how="", bound="above")}
    assert [each.probability for each in fits(bound, "", ALL)] == pytest.approx([1 / 3] * 3)
    assert fits({}, "", ()) == ()


def test_a_few_runs_of_one_part_do_not_make_a_model_sharper_than_it_can_be():
    limits = by_limits("alder", "closed", [Limit(NAMES[0], 22.0, 27.0, "")])
    few = by_runs(limits, {NAMES[0]: [24.0] * (LEAST_RUNS - 1)})
    assert (few.usual, few.runs) == (limits.usual, 0)
    alike = by_runs(limits, {NAMES[0]: [24.0] * LEAST_RUNS})
    assert alike.usual[NAMES[0]][1] >= 0.01


def test_limits_on_one_side_say_little_and_none_say_nothing():
    one = by_limits(
        "alder", "closed", [Limit("pull_in_time_ms", None, 18.0, ""), Limit("hold_leak_sccm", None, 5.0, "")]
    )
    assert set(one.usual) == {"pull_in_time_ms"}
    assert one.usual["pull_in_time_ms"][1] == 0.5
