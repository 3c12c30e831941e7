"""A vacuum tank in the world: what the manifold is let down into, against the same balances by a general solver."""

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from simulators.world import BenchParameters, World, draw_valve

PUMP, ISOLATION, VENT, REFERENCE = 0x04, 0x08, 0x10, 0x20
R, CV, CP = 287.05, 287.05 / 0.4, 287.05 * 3.5
ROOM_PA, ROOM_K = 101_325.0, 295.15
TANK = replace(BenchParameters(), tank_volume_m3=2.0e-3, line_leak_sccm=0.0, tank_leak_sccm=0.0, wall_j_k=1e9)


def world(bench=TANK, condition="good"):
    valve = draw_valve("alder-24", condition, 1)
    return World(bench, replace(valve, port=replace(valve.port, leak_sccm=0.0)), seed=1)


def nozzle(area_m2, up_pa, up_k, down_pa):
    """Mass flow of an ideal nozzle (textbook), proportional to the difference where that is below 50 Pa of 101 325."""
    if up_pa < down_pa:
        return 0.0
    ratio, linear, part = max(down_pa / up_pa, (2 / 2.4) ** 3.5), 1 - 50 / 101_325, 1.0
    if ratio > linear:
        ratio, part = linear, (1 - ratio) / (1 - linear)
    root = ratio ** (1 / 1.4)
    return part * area_m2 * up_pa / math.sqrt(R * up_k) * math.sqrt(7 * root * (root - ratio))


def let_down(bench, strength, seconds, *, pumping):
    """Pressures and temperatures of manifold and tank after so long joined, by a general solver."""
    area = bench.tank_c_m3_s_pa * 1.185 * math.sqrt(293.15) / (math.sqrt(1.4 / R) * (2 / 2.4) ** 3)

    def slopes(_, y):
        m, u, mt, ut = y
        t, tt = u / m / CV, ut / mt / CV
        p, pt = 0.4 * u / bench.volume_m3, 0.4 * ut / bench.tank_volume_m3
        q = nozzle(area, p, t, pt) - nozzle(area, pt, tt, p)
        swept = bench.pump_m3_s * strength * max(0.0, 1 - bench.pump_ultimate_pa / pt) if pumping else 0.0
        out = swept * pt / (R * tt)
        warm = (bench.wall_w_k + bench.wall_flow_w_k * (abs(q) * 1e3) ** 0.8) * (ROOM_K - t)
        tank_warm = (bench.tank_wall_w_k + bench.wall_flow_w_k * ((abs(q) + out) * 1e3) ** 0.8) * (ROOM_K - tt)
        carried = q * CP * (t if q > 0 else tt)
        return -q, -carried + warm, q - out, carried - out * CP * tt + tank_warm

    full = [
        each
        for pa, m3 in ((ROOM_PA, bench.volume_m3), (bench.tank_starts_pa, bench.tank_volume_m3))
        for each in (pa * m3 / (R * ROOM_K), pa * m3 / 0.4)
    ]
    m, u, _, ut = solve_ivp(slopes, (0.0, seconds), full, method="LSODA", rtol=1e-9, atol=1e-12).y[:, -1]
    return 0.4 * u / bench.volume_m3, u / m / CV, 0.4 * ut / bench.tank_volume_m3


@pytest.mark.parametrize("seconds", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("pumping", [False, True])
def test_letting_down_follows_the_balances_of_mass_and_energy(seconds, pumping):
    bench = replace(TANK, tank_on_pa=200e3)
    ours = world(bench)
    ours.set_outputs(VENT)
    ours.advance_to(0.1)
    ours.set_outputs(VENT | ISOLATION | (PUMP if pumping else 0))
    ours.advance_to(0.112)  # the isolation valve's travel
    ours.advance_to(0.112 + seconds)
    pa, kelvin, tank_pa = let_down(bench, ours.pump_strength, seconds, pumping=pumping)
    assert ours.pressure_pa() == pytest.approx(pa, rel=3e-4)
    assert ours.gas_k() == pytest.approx(kelvin, abs=0.05)
    assert ours.tank_pa() == pytest.approx(tank_pa, rel=3e-4)


def test_a_drawn_tank_lets_half_a_litre_down_within_a_second_or_so_and_the_gas_is_colder_than_after_pumping():
    tank, plain = world(), world(replace(TANK, tank_volume_m3=0.0))
    chills, seconds = [], []
    for each in (tank, plain):
        each.set_outputs(VENT | ISOLATION | PUMP)
        while each.pressure_pa() > 41_325.0:
            each.advance_to(each.t_s + 0.005)
        seconds.append(each.t_s)
        chills.append(ROOM_K - each.gas_k())
    assert seconds[0] < 1.2 < 5.0 < seconds[1]
    assert 1.3 * chills[1] < chills[0] < 3.0 * chills[1]


def test_the_vacuum_switch_keeps_the_tank_drawn_down_with_all_outputs_off():
    ours = world(replace(TANK, tank_starts_pa=30e3, tank_leak_sccm=200.0))
    seen = []
    while ours.t_s < 60.0:
        ours.advance_to(ours.t_s + 0.5)
        seen.append(ours.tank_pa())
    settled = seen[60:]
    assert TANK.tank_off_pa - 500 < min(settled) < TANK.tank_off_pa + 200
    assert TANK.tank_on_pa - 500 < max(settled) < TANK.tank_on_pa + 500


def test_a_tank_without_feed_for_its_pump_fills_by_its_leak():
    ours = world(replace(TANK, tank_leak_sccm=100.0))
    ours.pump_fed = False
    ours.advance_to(20.0)
    flow_pa_m3_s = 100.0 * 101_325.0 * 1e-6 / 60.0 * ROOM_K / 273.15  # choked, and nearly at 20 degC
    assert ours.tank_pa() - TANK.tank_starts_pa == pytest.approx(20.0 * flow_pa_m3_s / TANK.tank_volume_m3, rel=0.03)


@pytest.mark.parametrize("dead", ["tank", "line"])
def test_what_is_wrong_with_the_tank_makes_the_let_down_slow(dead):
    ours = world()
    if dead == "tank":
        ours.fail_tank(switch_dead=True, vacuum_lost=True)
    else:
        ours.fail_tank(line_left=0.2)
    ours.set_outputs(VENT | ISOLATION | PUMP)
    ours.advance_to(3.0)
    assert ours.pressure_pa() > 45e3


def test_how_the_way_is_cut_makes_no_difference():
    def way(cuts):
        ours = world(condition="wet")
        for at_s, mask in ((0.0, VENT), (1.0, VENT | ISOLATION | PUMP), (2.5, VENT), (5.0, 0)):
            for cut in cuts:
                if ours.t_s < cut < at_s:
                    ours.advance_to(cut)
            ours.advance_to(at_s)
            ours.set_outputs(mask)
        ours.advance_to(6.0)
        return ours.pressure_pa(), ours.tank_pa(), ours.gas_k()

    assert way([]) == way([0.3, 1.01, 1.37, 1.9, 2.2, 4.4])


def test_mass_is_neither_made_nor_lost_between_manifold_and_tank():
    ours = world(replace(TANK, tank_on_pa=200e3, tank_starts_pa=15e3))
    ours.set_outputs(VENT)
    ours.advance_to(0.5)
    before = ours.gas_mass_kg() + ours._gas.state.tank_kg
    ours.set_outputs(VENT | ISOLATION)
    ours.advance_to(30.0)
    ours.set_outputs(VENT)
    ours.advance_to(31.0)
    assert ours.gas_mass_kg() + ours._gas.state.tank_kg == pytest.approx(before, rel=1e-6)
    assert ours.pressure_pa() == pytest.approx(ours.tank_pa(), rel=2e-3)
