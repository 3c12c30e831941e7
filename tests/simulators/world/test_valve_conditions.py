"""Graded conditions: barely is just outside the limits of the model, grossly far outside, each by its physical effect.

Limits are those of the demonstration's model files, written again here; models and limits are our own invention.
"""

import math

import pytest

from simulators.world import CONDITIONS, MAIN_CONDITIONS, MODELS, BenchParameters, World, draw_valve
from simulators.world import valve_conditions as conditions

COIL, METER, VENT = 0x01, 0x02, 0x10
LIMITS = {
    "alder-24": {"ohm": (22, 27), "flow": 18.0, "leak": 5.0, "pull": 18.0, "drop": 25.0},
    "birch-26": {"ohm": (24, 29), "flow": 26.0, "leak": 5.0, "pull": 20.0, "drop": 25.0},
    "cedar-44": {"ohm": (40, 48), "flow": 8.5, "leak": 3.0, "pull": 22.0, "drop": 25.0},
}
SEEDS = range(6)


def world_of(model, condition, seed, severity):
    return World(BenchParameters(), draw_valve(model, condition, seed, severity=severity), seed=seed)


def times_ms(world):
    """Pull-in and drop-out time of one pulse of 0.12 s: first arrivals."""
    began = world.t_s
    world.set_outputs(COIL)
    world.advance_to(began + 0.12)
    world.set_outputs(0)
    world.advance_to(began + 0.4)
    pulled = [m.t_s - began for m in world.motions if m.what == "meets" and m.stroke == 1.0 and m.t_s > began]
    dropped = [
        m.t_s - began - 0.12 for m in world.motions if m.what == "meets" and m.stroke == 0.0 and m.t_s > began + 0.12
    ]
    return (pulled[0] * 1e3 if pulled else math.inf), (dropped[0] * 1e3 if dropped else math.inf)


def metered_ohm(world):
    world.set_outputs(METER)
    world.advance_to(world.t_s + 0.1)
    return world.meter_ohm(4)


def at_20c(ohm, world):
    return ohm / (1.0 + 0.00393 * (world.winding_k() - 293.15))


def test_the_main_conditions_come_first_and_a_severity_lies_between_0_and_1():
    assert CONDITIONS[:8] == MAIN_CONDITIONS
    assert MAIN_CONDITIONS == (
        "good",
        "open-coil",
        "shorted-turns",
        "stuck-closed",
        "stuck-open",
        "seat-leak",
        "restricted",
        "sluggish",
    )
    for wrong in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="between 0"):
            draw_valve("alder-24", "sluggish", 1, severity=wrong)


@pytest.mark.parametrize("model", MODELS)
def test_a_severity_makes_no_difference_to_a_good_valve(model):
    assert draw_valve(model, "good", 4, severity=0.7) == draw_valve(model, "good", 4)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", SEEDS)
def test_barely_bad_flow_leak_and_resistance_lie_just_outside_the_limits(model, seed):
    limit = LIMITS[model]
    leak = draw_valve(model, "seat-leak", seed, severity=0.0).port.leak_sccm
    assert 1.1 < leak / limit["leak"] < 1.2
    flow = world_of(model, "restricted", seed, 0.0).flow_lpm_anr(30e3)
    assert 0.92 < flow / limit["flow"] < 0.96
    short = world_of(model, "shorted-turns", seed, 0.0)
    assert 0.96 < at_20c(metered_ohm(short), short) / limit["ohm"][0] < 0.985
    joint = world_of(model, "high-resistance-joint", seed, 0.0)
    assert 1.015 < at_20c(metered_ohm(joint), joint) / limit["ohm"][1] < 1.035
    assert 900 < metered_ohm(world_of(model, "open-coil", seed, 0.0)) < 1100


@pytest.mark.parametrize("model", MODELS)
def test_grossly_bad_flow_leak_and_resistance_lie_far_outside_the_limits(model):
    limit = LIMITS[model]
    assert draw_valve(model, "seat-leak", 2, severity=1.0).port.leak_sccm > 30 * limit["leak"]
    assert world_of(model, "restricted", 2, 1.0).flow_lpm_anr(30e3) < 0.15 * limit["flow"]
    short = world_of(model, "shorted-turns", 2, 1.0)
    assert at_20c(metered_ohm(short), short) < 0.65 * limit["ohm"][0]
    joint = world_of(model, "high-resistance-joint", 2, 1.0)
    assert at_20c(metered_ohm(joint), joint) > 2 * limit["ohm"][1]
    assert metered_ohm(world_of(model, "open-coil", 2, 1.0)) == math.inf


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", SEEDS)
def test_barely_slow_valves_are_just_over_a_time_limit(model, seed):
    limit = LIMITS[model]
    pull, drop = times_ms(world_of(model, "sluggish", seed, 0.0))
    assert 1.05 < max(pull / limit["pull"], drop / limit["drop"]) < 1.35
    pull, drop = times_ms(world_of(model, "weak-spring", seed, 0.0))
    assert 1.05 < drop / limit["drop"] < 1.35
    assert pull < 0.6 * limit["pull"]


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_grossly_slow_valves_are_far_over_or_never_come_back(model):
    limit = LIMITS[model]
    pull, drop = times_ms(world_of(model, "sluggish", 2, 1.0))
    assert max(pull / limit["pull"], drop / limit["drop"]) > 1.9
    _, drop = times_ms(world_of(model, "weak-spring", 2, 1.0))
    assert drop > 1.9 * limit["drop"]


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("severity", [0.0, 0.5, 1.0])
def test_a_stuck_valve_moves_a_tenth_of_its_stroke_at_most(model, severity):
    for condition, low, high in (("stuck-closed", 0.0, 0.1), ("stuck-open", 0.9, 1.0)):
        world = world_of(model, condition, 3, severity)
        seen = [world.plunger_position()]
        for mask in (COIL, 0):
            world.set_outputs(mask)
            world.advance_to(world.t_s + 0.1)
            seen.append(world.plunger_position())
        assert low - 1e-9 <= min(seen) <= max(seen) <= high + 1e-9
        assert max(seen) - min(seen) == pytest.approx(0.1 * (1.0 - severity), abs=1e-9)


@pytest.mark.parametrize(
    ("model", "near", "far"),
    [("alder-24", 26.5, 44.0), ("birch-26", 24.5, 44.0), ("cedar-44", 26.5, 24.5)],
)
def test_a_wrong_part_is_another_models_valve_under_the_name_asked_for(model, near, far):
    for severity, nominal_ohm in ((0.0, near), (1.0, far)):
        valve = draw_valve(model, "wrong-part", 5, severity=severity)
        assert valve.model == model
        assert valve.coil.r20_ohm == pytest.approx(nominal_ohm, rel=0.03)


def test_no_condition_that_is_written_is_left_out_of_the_table():
    written = {name for name in vars(conditions) if name.endswith("_graded")}
    assert written == {each.__name__ for each in conditions._GRADED.values()}
