"""Likely causes of hand-made valves. The valves are our own invention; the answer is what a mechanic would say."""

from __future__ import annotations

import math
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.analysis.results import Characteristic
from benchrig.verdict.cause import CAUSES, UNCLEAR, Evidence, likely_causes
from benchrig.verdict.conformity import judge
from benchrig.verdict.evidence import features
from benchrig.verdict.hypotheses import DOMAINS, hypotheses
from benchrig.verdict.judgement import Cause, Judged
from tests.verdict.parts import GOOD, LIMITS, Found, condition, gone, measured, not_measured, still, valve

Normally = Literal["closed", "open"]
KINDS: tuple[Normally, ...] = ("closed", "open")
NAMED = {
    "open-coil": "open coil",
    "shorted-turns": "shorted turns",
    "stuck-closed": "stuck closed",
    "stuck-open": "stuck open",
    "seat-leak": "seat leak",
    "restricted": "restricted",
    "sluggish": "sluggish",
}


def judged(found: Found) -> tuple[Judged, ...]:
    limits = {limit.name: limit for limit in LIMITS}
    return tuple(judge(each, limits.get(each.name), "0.83 U") for each in found[0])


def causes(found: Found, normally: Normally = "closed") -> tuple[Cause, ...]:
    return likely_causes(judged(found), found[1], normally)


def probability(found: Found, name: str, normally: Normally = "closed") -> float:
    return next(cause.probability for cause in causes(found, normally) if cause.name == name)


@pytest.mark.parametrize("normally", KINDS)
@pytest.mark.parametrize("fault", NAMED)
def test_each_faulty_condition_is_named_with_confidence(fault: str, normally: Normally) -> None:
    first = causes(condition(fault, normally), normally)[0]
    assert first.name == NAMED[fault]
    assert first.probability > 0.8


def test_a_stuck_closed_valve_is_explained_in_plain_words() -> None:
    because = causes(condition("stuck-closed", "closed"))[0].because
    assert "the coil takes current but the armature moved in 0 of 10 clicks" in because
    assert "no air came in when it was told to open" in because


def test_each_cause_is_explained_by_what_only_it_explains() -> None:
    said = {fault: causes(condition(fault, "closed"))[0].because for fault in NAMED}
    assert said["open-coil"].startswith("the meter finds no path through the coil")
    assert "68 % of the middle of its limits" in said["shorted-turns"]
    assert "only 1.1 kPa of vacuum could be drawn" in said["stuck-open"]
    assert said["seat-leak"].startswith("the closed valve leaks 63.00 sccm, 12.6 times its limit")
    assert said["restricted"].startswith("its flow is 7.0 L/min ANR, 39 % of the least allowed")
    assert "pull-in takes 31.00 ms, 1.7 times its limit" in said["sluggish"]


def test_probabilities_sum_to_one_over_every_name_once() -> None:
    for normally in KINDS:
        listed = causes(condition("seat-leak", normally), normally)
        assert sorted(cause.name for cause in listed) == sorted(CAUSES)
        assert math.fsum(cause.probability for cause in listed) == pytest.approx(1.0)
        assert [c.probability for c in listed] == sorted((c.probability for c in listed), reverse=True)


def test_with_nothing_seen_the_priors_come_back_and_none_is_likely() -> None:
    listed = likely_causes((), Evidence(), "closed")
    assert listed[0].probability < 0.25
    assert all(c.because.startswith("nothing that was seen") for c in listed if c.name != UNCLEAR)


def test_a_pull_in_just_over_its_limit_beside_a_flow_just_under_it_is_ambiguous() -> None:
    first = causes(valve({"pull_in_time_ms": 18.6, "flow_at_rated_vacuum_lpm_anr": 17.2}))[0]
    assert first.probability < 0.85


def test_a_leak_and_a_poor_flow_and_a_slow_click_together_are_not_pinned_on_one_cause() -> None:
    found = valve({"hold_leak_sccm": 40.0, "flow_at_rated_vacuum_lpm_anr": 8.0, "pull_in_time_ms": 40.0})
    assert causes(found)[0].probability < 0.85
    assert probability(found, UNCLEAR) > probability(condition("seat-leak", "closed"), UNCLEAR)


def test_a_gross_leak_on_a_valve_that_clicks_well_may_be_dirt_or_the_other_kind_of_valve() -> None:
    found = valve(
        {"hold_leak_sccm": 4100.0, **gone("flow_at_rated_vacuum_lpm_anr", why="")}, opened=None, reached_vacuum_kpa=1.1
    )
    listed = {cause.name: cause.probability for cause in causes(found)}
    assert listed["stuck open"] < 0.2
    assert listed["seat leak"] > 0.1
    assert listed["wrong part"] > 0.1


def test_a_plugged_port_is_told_from_a_stuck_valve_by_its_clicks() -> None:
    plugged = valve({"flow_at_rated_vacuum_lpm_anr": 0.0}, opened=False)
    assert causes(plugged)[0].name == "restricted"
    assert causes(condition("stuck-closed", "closed"))[0].name == "stuck closed"


@pytest.mark.parametrize("normally", KINDS)
@pytest.mark.parametrize("flow", [1.5, 3.0, 6.0])
def test_a_jammed_valve_that_lets_a_little_air_past_is_stuck_and_one_that_clicks_is_restricted(
    flow: float, normally: Normally
) -> None:
    untold = gone("pull_in_time_ms", "drop_out_time_ms", "click_spread_ms", why="no motion could be told")
    jammed = valve(
        {"flow_at_rated_vacuum_lpm_anr": flow, **untold}, moved_fraction=0.0, still_fraction=0.0, opened=True
    )
    assert causes(jammed, normally)[0].name == "stuck closed"
    clogged = valve({"flow_at_rated_vacuum_lpm_anr": flow}, opened=True)
    assert causes(clogged, normally)[0].name == "restricted"


@pytest.mark.parametrize("normally", KINDS)
def test_a_damped_valve_without_any_dip_is_sluggish_and_not_stuck(normally: Normally) -> None:
    told = "no motion could be told from the current"
    found = valve(
        {**gone("pull_in_time_ms", "drop_out_time_ms", "click_spread_ms", why=told), "opening_delay_ms": 44.0},
        moved_fraction=0.0,
    )
    assert causes(found, normally)[0].name == "sluggish"


def test_clicks_in_which_nothing_could_be_told_say_less_than_clicks_seen_to_be_still() -> None:
    silent = gone("pull_in_time_ms", "drop_out_time_ms", "click_spread_ms", why="cannot tell")
    unheard = valve({**silent, "flow_at_rated_vacuum_lpm_anr": 0.0}, moved_fraction=0.0, opened=False)
    seen_still = condition("stuck-closed", "closed")
    assert probability(unheard, "stuck closed") < probability(seen_still, "stuck closed")
    [motion] = [each for each in features(judged(unheard), unheard[1]) if each.kind == "moved"]
    assert motion.said == "no motion could be told in 10 of 10 clicks"


def test_a_resistance_above_its_limit_with_good_motion_is_a_joint_or_another_part() -> None:
    found = valve({"coil_resistance_20c_ohm": 34.0, "steady_current_a": 0.39, "pull_in_time_ms": 14.0})
    assert probability(found, "high-resistance joint") > 0.5
    assert probability(found, "high-resistance joint") + probability(found, "wrong part") > 0.9


def test_a_joint_that_fails_only_under_load_is_named_from_the_cross_check() -> None:
    found = valve({"steady_current_a": 0.40, "pull_in_time_ms": 18.8}, load_ratio=1.35, load_ratio_u=0.005)
    first = causes(found)[0]
    assert first.name == "high-resistance joint"
    assert "under load the coil's resistance is 135 %" in first.because


def too_weak(normally: Normally, coil: dict[str, float], **evidence: object) -> Found:
    """A coil whose current is too little to move the armature: closed it stays closed, open it stays open."""
    stays: dict[str, Characteristic | float] = still()
    if normally == "closed":
        return valve(
            {**stays, **coil, "flow_at_rated_vacuum_lpm_anr": 0.0}, moved_fraction=0.0, opened=False, **evidence
        )
    open_seat = {"hold_leak_sccm": measured("hold_leak_sccm", 3000.0, "above")}
    return valve({**stays, **coil, **open_seat}, moved_fraction=0.0, reached_vacuum_kpa=3.0, **evidence)


@pytest.mark.parametrize("ohm", [33.0, 45.0, 70.0, 95.0])
@pytest.mark.parametrize("normally", KINDS)
def test_a_joint_that_leaves_too_little_current_to_move_the_armature_is_no_stuck_valve(
    ohm: float, normally: Normally
) -> None:
    weak = too_weak(normally, {"coil_resistance_20c_ohm": ohm, "steady_current_a": 13.0 / ohm})
    assert causes(weak, normally)[0].name == "high-resistance joint"
    assert probability(weak, "high-resistance joint", normally) > 0.6


@pytest.mark.parametrize("ratio", [1.35, 2.0, 4.0])
@pytest.mark.parametrize("normally", KINDS)
def test_a_joint_that_gives_way_under_load_and_leaves_the_armature_still_is_no_stuck_valve(
    ratio: float, normally: Normally
) -> None:
    weak = too_weak(normally, {"steady_current_a": 0.54 / ratio}, load_ratio=ratio, load_ratio_u=0.006)
    assert causes(weak, normally)[0].name == "high-resistance joint"


@pytest.mark.parametrize("ohm", [22.5, 24.5, 26.5])
def test_an_armature_that_stays_still_with_all_its_current_is_stuck(ohm: float) -> None:
    weak = too_weak("closed", {"coil_resistance_20c_ohm": ohm}, load_ratio=1.003, load_ratio_u=0.006)
    assert causes(weak, "closed")[0].name == "stuck closed"
    assert probability(weak, "stuck closed") > 0.85


def test_a_short_stroke_that_is_soon_over_and_lets_little_through_is_jammed_and_a_whole_one_is_restricted() -> None:
    short = {"pull_in_time_ms": 4.05, "drop_out_time_ms": 9.2, "click_spread_ms": 0.03, "opening_delay_ms": 8.3}
    assert causes(valve({"flow_at_rated_vacuum_lpm_anr": 6.0, **short}))[0].name == "stuck closed"
    whole = {"pull_in_time_ms": 9.0, "drop_out_time_ms": 9.2, "click_spread_ms": 0.03, "opening_delay_ms": 11.0}
    assert causes(valve({"flow_at_rated_vacuum_lpm_anr": 6.0, **whole}))[0].name == "restricted"
    assert probability(valve({"flow_at_rated_vacuum_lpm_anr": 6.0, **whole}), "restricted") > 0.8


@pytest.mark.parametrize("slow", ["pull_in_time_ms", "drop_out_time_ms"])
@pytest.mark.parametrize("normally", KINDS)
def test_a_valve_slow_in_one_direction_and_the_same_on_every_click_is_sluggish(slow: str, normally: Normally) -> None:
    first = causes(valve({slow: 40.0, "click_spread_ms": 0.05}), normally)[0]
    assert (first.name, first.probability > 0.75) == ("sluggish", True)


def test_a_load_ratio_that_is_poorly_known_says_little() -> None:
    sure = valve({"pull_in_time_ms": 18.8}, load_ratio=1.05, load_ratio_u=0.002)
    unsure = valve({"pull_in_time_ms": 18.8}, load_ratio=1.05, load_ratio_u=0.03)
    assert probability(sure, "high-resistance joint") > 0.5
    assert probability(unsure, "high-resistance joint") < probability(sure, "high-resistance joint") - 0.1


@pytest.mark.parametrize("ohm", [0.0, 0.3, 4.0, 9.0])
def test_a_coil_that_measures_as_a_short_is_shorted(ohm: float) -> None:
    why = "the coil measures as a short: it is not energised"
    dead = gone(*(name for name in GOOD if name not in ("coil_resistance_20c_ohm", "hold_leak_sccm")), why=why)
    found = valve({**dead, "coil_resistance_20c_ohm": ohm}, moved_fraction=None, clicks=0, opened=None)
    first = causes(found)[0]
    assert first.name == "shorted turns"
    assert first.probability > 0.6


def test_another_coil_and_another_flow_together_are_another_part() -> None:
    found = valve({"coil_resistance_20c_ohm": 44.0, "steady_current_a": 0.30, "flow_at_rated_vacuum_lpm_anr": 11.0})
    assert causes(found)[0].name == "wrong part"


def test_an_intermittent_path_points_to_a_joint() -> None:
    why = "intermittent: 1 of 3 readings found no path"
    found = valve({"coil_resistance_20c_ohm": not_measured("coil_resistance_20c_ohm", why)}, intermittent=True)
    assert causes(found)[0].name == "high-resistance joint"


def test_no_path_for_the_meter_but_current_in_the_clicks_is_no_open_coil() -> None:
    found = valve({"coil_resistance_20c_ohm": measured("coil_resistance_20c_ohm", 100.0, "above")})
    assert causes(found)[0].name == "high-resistance joint"


@pytest.mark.parametrize("leak", [-0.2, 0.0])
def test_a_leak_of_nothing_has_no_logarithm_and_is_still_good(leak: float) -> None:
    assert (
        probability(valve({"hold_leak_sccm": leak, **still()}, moved_fraction=0.0, opened=False), "stuck closed") > 0.8
    )


def test_a_gross_leak_known_only_as_a_bound_counts_like_one() -> None:
    bound = {
        "hold_leak_sccm": measured("hold_leak_sccm", 900.0, "above"),
        **still(),
        **gone("opening_delay_ms", why=""),
    }
    found = valve(
        {**bound, **gone("flow_at_rated_vacuum_lpm_anr", why="")},
        moved_fraction=0.0,
        opened=None,
        reached_vacuum_kpa=1.0,
    )
    assert causes(found)[0].name == "stuck open"


def test_a_flow_known_only_to_be_small_counts_like_one() -> None:
    low = {"flow_at_rated_vacuum_lpm_anr": measured("flow_at_rated_vacuum_lpm_anr", 0.5, "below"), **still()}
    assert causes(valve(low, moved_fraction=0.0, opened=None))[0].name == "stuck closed"


def test_the_open_coil_of_a_normally_open_valve_does_not_look_like_a_valve_stuck_open() -> None:
    found = condition("open-coil", "open")
    assert probability(found, "open coil", "open") > 0.95
    assert probability(condition("stuck-open", "open"), "open coil", "open") < 0.02


@pytest.mark.slow
@given(
    resistance=st.floats(0.0, 1e5),
    leak=st.floats(-10.0, 1e6),
    flow=st.floats(-1.0, 1e4),
    pull_in=st.floats(0.0, 1e4),
    moved=st.integers(0, 10),
    opened=st.sampled_from([True, False, None]),
    normally=st.sampled_from(KINDS),
)
def test_any_readings_give_probabilities(
    resistance: float, leak: float, flow: float, pull_in: float, moved: int, opened: bool | None, normally: Normally
) -> None:
    found = valve(
        {
            "coil_resistance_20c_ohm": resistance,
            "hold_leak_sccm": leak,
            "flow_at_rated_vacuum_lpm_anr": flow,
            "pull_in_time_ms": pull_in,
        },
        moved_fraction=moved / 10,
        opened=opened,
    )
    listed = causes(found, normally)
    assert math.fsum(cause.probability for cause in listed) == pytest.approx(1.0)
    assert all(0.0 <= cause.probability <= 1.0 for cause in listed)


@pytest.mark.slow
@pytest.mark.parametrize("normally", KINDS)
def test_the_priors_sum_to_one_and_every_shape_is_a_density(normally: Normally) -> None:
    table = hypotheses(normally)
    assert math.fsum(each.prior for each in table) == pytest.approx(1.0)
    assert {each.name for each in table} == set(CAUSES)
    steps = 2000
    for each in table:
        assert set(each.shapes) <= set(DOMAINS)
        for kind, (low, high) in DOMAINS.items():
            width = (high - low) / steps
            area = width * math.fsum(each.density(kind, low + (n + 0.5) * width) for n in range(steps))
            assert area == pytest.approx(1.0, abs=0.03), (each.name, kind)


@pytest.mark.parametrize("ohm", [21.4, 27.8])
@pytest.mark.parametrize("flow", [21.0, 23.0])
def test_a_coil_just_outside_its_limits_beside_all_else_in_order_is_a_fault_of_the_coil(
    ohm: float, flow: float
) -> None:
    found = valve(
        {"coil_resistance_20c_ohm": ohm, "flow_at_rated_vacuum_lpm_anr": flow}, load_ratio=1.0, load_ratio_u=0.006
    )
    coil = sum(probability(found, name) for name in ("shorted turns", "high-resistance joint", "wrong part"))
    assert coil > 0.8


def test_too_little_flow_with_clicks_that_scatter_far_beyond_their_limit_is_an_armature_jammed_with_play() -> None:
    found = valve({"flow_at_rated_vacuum_lpm_anr": 4.0, "pull_in_time_ms": 11.7, "click_spread_ms": 14.0})
    assert causes(found)[0].name == "stuck closed"
    clogged = valve({"flow_at_rated_vacuum_lpm_anr": 4.0})
    assert causes(clogged)[0].name == "restricted"
    assert probability(clogged, "restricted") > 0.9
