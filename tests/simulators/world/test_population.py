"""The populations: good valves lie within their model's limits, spoilt ones are spoilt as their condition says.

Limits are those of the demonstration's model files; models and limits are our own invention.
"""

import math

import pytest

from simulators.world import CONDITIONS, MODELS, BenchParameters, World, draw_valve

COIL, PUMP, ISOLATION, VENT = 0x01, 0x04, 0x08, 0x10
ON_S, OFF_S = 0.08, 0.1
LIMITS = {
    "alder-24": {"ohm": (22, 27), "flow": 18.0, "leak": 5.0, "pull": 18.0, "drop": 25.0},
    "birch-26": {"ohm": (24, 29), "flow": 26.0, "leak": 5.0, "pull": 20.0, "drop": 25.0},
    "cedar-44": {"ohm": (40, 48), "flow": 8.5, "leak": 3.0, "pull": 22.0, "drop": 25.0},
}


def click(world):
    """One pulse; pull-in and drop-out time in ms (first arrival) and the largest fall of the rising current."""
    began = world.t_s
    sampler = world.start_sampler(began, 1e-4, round(ON_S / 1e-4))
    base = VENT if world.pressure_pa() < 90e3 else 0
    world.set_outputs(base | COIL)
    world.advance_to(began + ON_S)
    current = sampler.arrays["current_a"].copy()
    world.set_outputs(base)
    world.advance_to(began + ON_S + OFF_S)
    met = {
        stroke: [m.t_s for m in world.motions if m.what == "meets" and m.stroke == stroke and m.t_s > began]
        for stroke in (0.0, 1.0)
    }
    pull = (met[1.0][0] - began) * 1e3 if met[1.0] else math.inf
    drop = (met[0.0][0] - began - ON_S) * 1e3 if met[0.0] else math.inf
    peak = dip = 0.0
    for a in current:
        peak = max(peak, a)
        dip = max(dip, peak - a)
    return pull, drop, dip, current[-1]


def new_world(model, condition, seed):
    return World(BenchParameters(), draw_valve(model, condition, seed), seed=seed)


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_good_valves_lie_within_their_limits_with_margin(model):
    limit = LIMITS[model]
    for seed in range(200):
        world = new_world(model, "good", seed)
        assert limit["ohm"][0] * 1.02 < world.valve.coil.r20_ohm < limit["ohm"][1] * 0.98
        assert world.flow_lpm_anr(30e3) > 1.1 * limit["flow"]
        assert world.valve.port.leak_sccm < 0.2 * limit["leak"]
        if seed < 25:
            pull, drop, dip, settled_a = click(world)
            assert 5.0 < pull < 0.75 * limit["pull"]
            assert 5.0 < drop < 0.75 * limit["drop"]
            assert dip > 0.1 * settled_a


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_good_valves_switch_against_the_hold_vacuum(model):
    normally_closed = draw_valve(model, "good", 0).normally_closed
    for seed in range(6):
        world = new_world(model, "good", seed)
        held = VENT if normally_closed else VENT | COIL
        world.set_outputs(held)
        world.advance_to(0.2)
        world.set_outputs(held | PUMP | ISOLATION)
        world.advance_to(9.0)
        world.set_outputs(held)
        assert world.ambient_pa - world.pressure_pa() > 58e3
        # a minute in the closed state; the coil of a normally open valve warms meanwhile
        world.advance_to(70.0)
        assert world.plunger_position() == 0.0
        assert world.ambient_pa - world.pressure_pa() > 55e3
        if not normally_closed:
            assert world.winding_k() > world.ambient_k + 10.0
        world.set_outputs(held ^ COIL)
        world.advance_to(70.03)
        assert world.plunger_position() == 1.0
        world.advance_to(73.0)
        assert world.ambient_pa - world.pressure_pa() < 12e3


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(4))
def test_each_condition_shows_what_its_name_says(model, seed):
    good = draw_valve(model, "good", seed)
    open_coil = new_world(model, "open-coil", seed)
    pull, _, _, settled_a = click(open_coil)
    assert pull == math.inf
    assert settled_a == 0.0
    open_coil.set_outputs(0x02)
    open_coil.advance_to(open_coil.t_s + 0.1)
    assert open_coil.meter_ohm(4) == math.inf

    shorted = draw_valve(model, "shorted-turns", seed)
    nominal_ohm = {"alder-24": 24.5, "birch-26": 26.5, "cedar-44": 44.0}[model]
    assert 0.58 < shorted.coil.r20_ohm / nominal_ohm < 0.77
    assert shorted.coil.turns < 0.76 * good.coil.turns
    assert shorted.coil.eddy_s > 3.0 * good.coil.eddy_s

    leaky = draw_valve(model, "seat-leak", seed)
    assert 20.0 <= leaky.port.leak_sccm <= 200.0

    good_c = new_world(model, "good", seed).sonic_conductance_m3_s_pa()
    restricted_c = new_world(model, "restricted", seed).sonic_conductance_m3_s_pa()
    assert 0.13 < restricted_c / good_c < 0.50
    assert new_world(model, "stuck-closed", seed).sonic_conductance_m3_s_pa() < 1e-3 * good_c
    assert new_world(model, "stuck-open", seed).sonic_conductance_m3_s_pa() > 0.8 * good_c


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_sluggish_valves_are_clearly_over_a_limit_and_stuck_ones_make_no_dip(model):
    limit = LIMITS[model]
    for seed in range(10):
        pull, drop, dip, _ = click(new_world(model, "sluggish", seed))
        assert pull > 1.05 * limit["pull"] or drop > 1.05 * limit["drop"]
        for condition in ("stuck-closed", "stuck-open"):
            pull, drop, dip, settled_a = click(new_world(model, condition, seed))
            assert pull == drop == math.inf
            assert dip < 2e-4 * settled_a  # no more than the warming winding takes off


@pytest.mark.parametrize("model", MODELS)
def test_stuck_means_the_position_for_either_kind_of_valve(model):
    for condition, position in (("stuck-closed", 0.0), ("stuck-open", 1.0)):
        world = new_world(model, condition, 3)
        for mask in (0, COIL):
            world.set_outputs(mask)
            world.advance_to(world.t_s + 0.1)
            assert world.plunger_position() == position


def test_the_middle_of_each_model_is_where_its_description_puts_it():
    for model, ohm, c in (("alder-24", 24.5, 0.42), ("birch-26", 26.5, 0.60), ("cedar-44", 44.0, 0.20)):
        worlds = [new_world(model, "good", seed) for seed in range(100)]
        assert sum(w.valve.coil.r20_ohm for w in worlds) / 100 == pytest.approx(ohm, rel=0.005)
        assert sum(w.sonic_conductance_m3_s_pa() for w in worlds) / 100 == pytest.approx(c * 1e-8, rel=0.01)


def test_a_seed_gives_the_same_valve_and_another_seed_another():
    for condition in CONDITIONS:
        assert draw_valve("alder-24", condition, 5) == draw_valve("alder-24", condition, 5)
        assert draw_valve("alder-24", condition, 5) != draw_valve("alder-24", condition, 6)


@pytest.mark.parametrize(("model", "condition"), [("oak-1", "good"), ("alder-24", "tired")])
def test_a_name_that_does_not_exist_is_answered_with_those_that_do(model, condition):
    with pytest.raises(ValueError, match="there are"):
        draw_valve(model, condition, 1)
