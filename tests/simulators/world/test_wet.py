"""Residual fuel: how its vapour comes and goes, by balances and closed forms that are written anew here."""

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from simulators.world import BenchParameters, World, draw_valve
from simulators.world.relays import ISOLATION, PUMP, VENT
from simulators.world.vapour import evaporate

R = 8.314462618
COLD_WALLS = {"wall_w_k": 1e4, "wall_flow_w_k": 0.0, "wall_j_k": 1e12}
"""Walls that hold the gas at the room's temperature."""
TIGHT = BenchParameters(line_leak_sccm=0.0, transducer_hysteresis_pa=0.0, **COLD_WALLS)


def wet(bench=TIGHT, *, pa=3000.0, seconds=20.0, mol=0.03, leak_sccm=0.0):
    valve = draw_valve("alder-24", "good", 1)
    port = replace(valve.port, leak_sccm=leak_sccm, fuel_pa=pa, fuel_s=seconds, fuel_mol=mol)
    return World(bench, replace(valve, port=port), seed=1)


def closed(world, for_s=0.0):
    world.set_outputs(VENT)
    world.advance_to(world.t_s + 0.1 + for_s)
    return world


@pytest.mark.parametrize("seconds", [5.0, 30.0, 100.0])
def test_in_a_closed_reservoir_the_vapour_comes_to_its_pressure_with_the_time_constant_told(seconds):
    world = closed(wet(seconds=seconds))
    began_pa, vapour_pa = world.pressure_pa(), world.vapour_pa()
    world.advance_to(world.t_s + 2.0 * seconds)
    left_pa = (3000.0 - vapour_pa) * math.exp(-2.0)
    assert world.vapour_pa() == pytest.approx(3000.0 - left_pa, rel=1e-3)
    assert world.pressure_pa() - began_pa == pytest.approx(3000.0 - left_pa - vapour_pa, rel=2e-3)


def test_a_smaller_reservoir_saturates_sooner():
    world = closed(wet(replace(TIGHT, volume_m3=0.25e-3)))
    vapour_pa = world.vapour_pa()
    world.advance_to(world.t_s + 10.0)
    assert (3000.0 - world.vapour_pa()) / (3000.0 - vapour_pa) == pytest.approx(math.exp(-1.0), rel=2e-3)


def test_what_evaporated_is_in_the_reservoir_while_nothing_leaves_it():
    world = closed(wet(BenchParameters(line_leak_sccm=0.0)), for_s=1.0)
    state = world._gas.state
    vapour_mol, together_mol = state.vapour_mol, state.vapour_mol + state.fuel_mol
    for _ in range(5):
        world.advance_to(world.t_s + 7.3)
    assert state.vapour_mol > vapour_mol + 2e-4
    assert state.vapour_mol + state.fuel_mol == pytest.approx(together_mol, rel=1e-12)


def test_when_the_liquid_is_gone_no_more_vapour_comes():
    world = closed(wet(mol=2e-4, seconds=10.0))
    world.advance_to(60.0)
    assert world._gas.state.fuel_mol == 0.0
    at_60_s = world.vapour_mol()
    assert at_60_s < 2e-4  # some went out through the vent before it closed
    world.advance_to(90.0)
    assert world.vapour_mol() == at_60_s


def test_pumping_takes_the_vapour_out_as_the_balances_say():
    """Pump-down at constant temperature, solved anew: moles of air and of vapour, both swept out by the same volume."""
    bench = TIGHT
    world = closed(wet(bench), for_s=3.0)
    kelvin, volume = bench.ambient_k, bench.volume_m3
    began = world.vapour_mol(), world.gas_mass_kg()
    surface = 0.5e-3 / (R * 295.15 * 20.0)
    strength = world.pump_strength
    world.set_outputs(VENT | PUMP | ISOLATION)
    on_s = world.t_s
    world.advance_to(on_s + 0.2)
    started = world.vapour_mol(), world.gas_mass_kg()
    assert started[1] < began[1]

    def rates(_t, y):
        vapour, air = y
        pa = (vapour * R + air * 287.05) * kelvin / volume
        swept = bench.pump_m3_s * strength * max(0.0, 1.0 - bench.pump_ultimate_pa / pa) / volume
        return surface * (3000.0 - vapour * R * kelvin / volume) - swept * vapour, -swept * air

    expected = solve_ivp(rates, (0.0, 12.0), started, rtol=1e-9, atol=1e-15).y[:, -1]
    world.advance_to(on_s + 12.2)
    assert world.gas_mass_kg() == pytest.approx(expected[1], rel=2e-3)
    assert world.vapour_mol() == pytest.approx(expected[0], rel=1e-2)
    assert world.gas_k() == pytest.approx(kelvin, abs=0.05)


def test_vented_vapour_pushes_air_out_and_the_pressure_stays_that_of_the_room():
    world = wet()
    world.advance_to(60.0)
    assert world.pressure_pa() == pytest.approx(101_325.0, abs=1.0)
    assert world.vapour_pa() == pytest.approx(3000.0 * (1 - math.exp(-3.0)), rel=0.02)
    assert world.gas_k() == pytest.approx(295.15, abs=0.01)


def test_taken_off_the_bench_a_wet_valve_gives_no_more_vapour():
    world = wet()
    world.advance_to(5.0)
    world.connect("blind-plug")
    world.set_outputs(VENT)
    world.advance_to(6.0)
    vapour = world.vapour_mol()
    world.advance_to(30.0)
    assert world.vapour_mol() == vapour > 0.0
    world.connect("valve")
    world.advance_to(60.0)
    assert world.vapour_mol() > vapour


def test_where_calls_stop_makes_no_difference_to_a_wet_world():
    one, many = wet(), wet()
    for world, stops in ((one, (9.0, 21.0, 40.0)), (many, (1.3, 9.0, 9.1, 15.5, 21.0, 33.3, 40.0))):
        for stop in stops:
            world.advance_to(stop)
            if stop == 9.0:
                world.set_outputs(VENT | PUMP | ISOLATION)
            if stop == 21.0:
                world.set_outputs(VENT)
    assert (one.pressure_pa(), one.vapour_mol(), one.gas_k()) == (many.pressure_pa(), many.vapour_mol(), many.gas_k())


def test_a_dry_valve_knows_nothing_of_vapour():
    world = closed(World(BenchParameters(), draw_valve("alder-24", "good", 1), seed=1), for_s=20.0)
    assert world.vapour_mol() == world.vapour_pa() == 0.0


def test_a_wet_valve_is_a_good_one_with_fuel_in_it_graded_by_vapour_pressure():
    for model in ("alder-24", "birch-26", "cedar-44"):
        light, heavy = (draw_valve(model, "wet", 5, severity=s).port for s in (0.0, 1.0))
        assert (light.fuel_pa, heavy.fuel_pa) == (pytest.approx(200.0), pytest.approx(10_000.0))
        assert all(5.0 <= draw_valve(model, "wet", seed).port.fuel_s <= 100.0 for seed in range(40))
        assert light.leak_sccm < 0.5
        both = draw_valve(model, "wet-and-leaking", 5, severity=0.5).port
        assert both.fuel_mol > 0.0
        assert 3.0 < both.leak_sccm < 200.0


def test_more_vapour_than_the_fuels_own_pressure_goes_back_into_the_liquid():
    step = evaporate(1e-3, 0.01, 5.0, saturated_pa=1e3, surface_mol_s_pa=1e-8, pa_per_mol=5e6, swept_1_s=0.0)
    assert step.left_mol > 0.01
    assert step.left_mol + sum(c * 5.0**n for n, c in enumerate(step.mol)) == pytest.approx(0.011, rel=1e-12)
