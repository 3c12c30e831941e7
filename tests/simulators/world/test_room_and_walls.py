"""A room that drifts, a wall with a liner, a heated wall, a tap in the flow: against closed forms and balances."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.world import BenchParameters, World, draw_valve
from simulators.world.relays import COIL, ISOLATION, PUMP, VENT

CV = 287.05 / 0.4
TIGHT = BenchParameters(line_leak_sccm=0.0, transducer_hysteresis_pa=0.0)


def world_of(bench, **port):
    valve = draw_valve("alder-24", "good", 1)
    return World(bench, replace(valve, port=replace(valve.port, leak_sccm=0.0, **port)), seed=1)


def test_the_thermistor_sees_the_room_drift_and_so_does_the_wall_with_its_own_time_constant():
    bench = replace(TIGHT, room_k_s=0.05, wall_j_k=30.0, wall_ambient_w_k=1.0)
    world = world_of(bench)
    world.set_outputs(VENT)
    world.advance_to(60.0)
    assert world.ambient_thermistor_k() == pytest.approx(bench.ambient_k + 3.0)
    # first-order lag of a ramp, 30 s behind it; the gas follows the wall with another 5 s (m cv / G)
    lagging = 0.05 * (60.0 - 30.0 * (1.0 - math.exp(-2.0)))
    assert world._gas.state.wall_k == pytest.approx(bench.ambient_k + lagging, abs=0.03)
    assert world.gas_k() == pytest.approx(bench.ambient_k + lagging - 0.043 * 5.1, abs=0.03)
    samples = world.start_sampler(60.0, 1.0, 11)
    world.advance_to(70.5)
    assert samples.arrays["thermistor_k"][0] == pytest.approx(bench.ambient_k + 3.0, abs=0.6)


def test_a_drift_that_begins_later_begins_from_the_temperature_that_there_is():
    world = world_of(TIGHT)
    world.advance_to(10.0)
    world.ambient_k = 300.0
    world.advance_to(20.0)
    world.room_k_s = -0.02
    world.advance_to(45.0)
    assert world.ambient_thermistor_k() == pytest.approx(299.5)
    world.advance_to(3000.0)
    assert world.ambient_thermistor_k() == pytest.approx(290.0)


def test_where_calls_stop_makes_no_difference_to_a_drifting_lined_world():
    bench = replace(TIGHT, room_k_s=0.03, liner_share=0.7)
    one, many = world_of(bench), world_of(bench)
    for world, stops in ((one, (2.0, 12.0, 40.0)), (many, (0.7, 2.0, 3.33, 12.0, 12.01, 30.0, 40.0))):
        for stop in stops:
            world.advance_to(stop)
            world.set_outputs({2.0: VENT | PUMP | ISOLATION, 12.0: VENT}.get(stop, world._relays._commanded))
    assert (one.pressure_pa(), one.gas_k()) == (many.pressure_pa(), many.gas_k())


def test_a_lined_wall_comes_back_with_two_time_constants():
    """Hold after a pump-down, against the three coupled heat balances solved anew."""
    bench = replace(TIGHT, liner_share=0.7, liner_j_k=4.0, liner_wall_w_k=0.13)
    world = world_of(bench)
    world.set_outputs(VENT | PUMP | ISOLATION)
    world.advance_to(12.0)
    world.set_outputs(VENT)
    world.advance_to(12.5)
    state = world._gas.state
    mass, start = world.gas_mass_kg(), (world.gas_k(), state.liner_k, state.wall_k)
    assert start[1] < bench.ambient_k - 0.5

    def rates(_t, y):
        gas, liner, wall = y
        to_liner, to_wall = 0.7 * bench.wall_w_k * (gas - liner), 0.3 * bench.wall_w_k * (gas - wall)
        behind = bench.liner_wall_w_k * (liner - wall)
        return (
            -(to_liner + to_wall) / (mass * CV),
            (to_liner - behind) / bench.liner_j_k,
            (to_wall + behind + bench.wall_ambient_w_k * (bench.ambient_k - wall)) / bench.wall_j_k,
        )

    at_s = np.array([2.0, 10.0, 30.0])
    # the block that runs at 12.5 s began a little earlier: its end state is later than its readings by 0.25 s at most
    expected = solve_ivp(rates, (0.0, 30.0), start, t_eval=at_s, rtol=1e-9).y[0]
    for after_s, kelvin in zip(at_s, expected, strict=True):
        world.advance_to(12.5 + after_s)
        assert world.gas_k() == pytest.approx(kelvin, abs=0.02)
    plain = world_of(TIGHT)
    plain.set_outputs(VENT | PUMP | ISOLATION)
    plain.advance_to(12.0)
    plain.set_outputs(VENT)
    plain.advance_to(42.5)
    assert bench.ambient_k - plain.gas_k() < 0.15 < bench.ambient_k - world.gas_k()


def test_a_heated_wall_warms_as_its_heat_capacity_says_and_no_thermistor_shows_it():
    world = world_of(replace(TIGHT, wall_heat_w=5.0, wall_ambient_w_k=0.0))
    world.set_outputs(VENT)
    world.advance_to(50.0)
    assert world._gas.state.wall_k == pytest.approx(295.15 + 5.0 * 50.0 / 250.0, abs=0.03)
    assert world.ambient_thermistor_k() == 295.15


def test_a_tap_in_the_flow_shows_too_much_while_air_flows_and_the_truth_when_it_rests():
    shown, true = [], []
    for loss in (0.0, 1.5e10):
        world = world_of(replace(TIGHT, tap_loss_1_m4=loss, transducer_lag_s=1e-4))
        world.set_outputs(VENT | PUMP | ISOLATION)
        world.advance_to(12.0)
        world.set_outputs(VENT)
        world.advance_to(20.0)
        assert world.transducer_pa() == pytest.approx(world.pressure_pa(), abs=1.0)
        world.set_outputs(VENT | COIL)
        world.advance_to(20.1)
        shown.append(world.transducer_pa())
        true.append(world.pressure_pa())
    assert true[0] == pytest.approx(true[1], rel=1e-9)
    density = true[1] / (287.05 * 280.0)
    flow = world.flow_lpm_anr(101_325.0 - true[1]) / 60_000.0 * 1.185
    assert shown[1] - shown[0] == pytest.approx(1.5e10 * flow**2 / density, rel=0.15)
