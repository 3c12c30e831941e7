"""Orifices and the filling of a vessel, against textbook closed forms and independent libraries."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from simulators.world import BenchParameters, PortParameters
from simulators.world.gas import Gas
from simulators.world.nozzle import nozzle_flux, vent_area_m2

ATM_PA, START_PA, T0_K = 101_325.0, 41_325.0, 293.15
R_AIR = 287.05
PORT = PortParameters(area_m2=1.0, seat_m=1.0, cd_choked=0.8, cd_drop=0.0, leak_sccm=0.0)
TIGHT = BenchParameters(ambient_k=T0_K, line_leak_sccm=0.0, reference_leak_sccm=0.0)
ISOTHERMAL = {"wall_w_k": 1e7, "wall_j_k": 1e15, "wall_flow_w_k": 0.0}
ADIABATIC = {"wall_w_k": 0.0, "wall_j_k": 1e15, "wall_flow_w_k": 0.0}


def closed_vessel(bench, *, pressure_pa=START_PA, kelvin=T0_K, port=PORT):
    gas = Gas(bench, port)
    gas.vented = False
    gas.state.energy_j = pressure_pa * bench.volume_m3 / 0.4
    gas.state.mass_kg = pressure_pa * bench.volume_m3 / (R_AIR * kelvin)
    gas.state.felt_pa = pressure_pa
    return gas


def run(gas, area_m2, until_s):
    segments, t = [], 0.0
    while t < until_s:
        segments.append(gas.segment(t, until_s, area_m2))
        t = segments[-1].end_s
    return segments


def when(segments, pressure_pa):
    """Instant at which the interpolated pressure passes a value."""
    for s in segments:
        ends = [np.polyval(s.pressure[::-1], x) for x in (0.0, s.end_s - s.begin_s)]
        if ends[0] <= pressure_pa <= ends[1]:
            roots = np.roots([*s.pressure[:0:-1], s.pressure[0] - pressure_pa])
            real = [r.real for r in roots if abs(r.imag) < 1e-9 and -1e-12 <= r.real <= s.end_s - s.begin_s + 1e-12]
            return s.begin_s + min(real)
    raise AssertionError(f"{pressure_pa} Pa is not passed")


# Times in seconds for an isentropic nozzle, Cd 0.8, from 41.325 kPa; found by quadrature of
# dt = V dp / (n R T0 Cd A p0 flux(p/p0) sqrt(1/T0)), n = 1 isothermal and 1.4 adiabatic (textbook filling of a vessel).
FILLS = [
    (0.5, 2, 53_528.15, 0.12063, 0.08616),
    (0.5, 2, 70_000.0, 0.28680, 0.20486),
    (0.5, 2, 90_000.0, 0.53029, 0.37878),
    (0.5, 2, 100_000.0, 0.75022, 0.53587),
    (1.0, 1, 90_000.0, 4.24233, 3.03024),
    (1.0, 2, 90_000.0, 1.06058, 0.75756),
    (1.0, 4, 100_000.0, 0.37511, 0.26794),
    (2.0, 4, 70_000.0, 0.28680, 0.20486),
]


@pytest.mark.parametrize(("volume_l", "d_mm", "pressure_pa", "isothermal_s", "adiabatic_s"), FILLS)
def test_filling_times_of_a_vessel_are_those_of_the_quadrature(volume_l, d_mm, pressure_pa, isothermal_s, adiabatic_s):
    for limit, expected_s in ((ISOTHERMAL, isothermal_s), (ADIABATIC, adiabatic_s)):
        bench = replace(TIGHT, volume_m3=volume_l * 1e-3, **limit)
        gas = closed_vessel(bench)
        run(gas, math.pi / 4 * (d_mm * 1e-3) ** 2, expected_s)
        # half a unit in the table's last place, and a part in a million
        assert gas.pressure_pa == pytest.approx(pressure_pa, abs=5.1e-6 * gas.rate_pa_s, rel=1e-6)


def test_the_quadrature_done_anew_gives_the_filling_time():
    """The same from the other end: separate variables, integrate over pressure."""
    volume, area = 0.5e-3, 0.8 * math.pi / 4 * 2e-3**2
    bench = replace(TIGHT, volume_m3=volume, **ADIABATIC)
    segments = run(closed_vessel(bench), math.pi / 4 * 2e-3**2, 0.6)

    def seconds_per_pa(p):
        r = max(p / ATM_PA, 0.5282818)
        w = area * ATM_PA * math.sqrt(7.0 / (R_AIR * T0_K) * (r ** (2 / 1.4) - r ** (2.4 / 1.4)))
        return volume / (1.4 * R_AIR * T0_K * w)

    expected = quad(seconds_per_pa, START_PA, 95_000.0, points=[53_528.15], epsabs=1e-12)[0]
    assert when(segments, 95_000.0) == pytest.approx(expected, rel=1e-6)


def test_an_adiabatic_fill_ends_hot_and_settles_at_the_published_pressure():
    # energy balance, closed form: 352.8 K at 101.325 kPa, then 84.18 kPa once back at 293.15 K
    bench = replace(TIGHT, volume_m3=0.5e-3, **ADIABATIC)
    gas = closed_vessel(bench)
    segments = run(gas, math.pi / 4 * 4e-3**2, 0.3)
    at_s = when(segments, 101_200.0)
    s = next(s for s in segments if s.begin_s <= at_s <= s.end_s)
    mass = np.polyval(s.mass[::-1], at_s - s.begin_s)
    kelvin = 101_200.0 * 0.5e-3 / (mass * R_AIR)
    closed_form = 101_200.0 / (START_PA / T0_K + (101_200.0 - START_PA) / (1.4 * T0_K))
    assert kelvin == pytest.approx(closed_form, rel=1e-6)
    assert kelvin == pytest.approx(352.8, abs=0.15)
    assert mass * R_AIR * T0_K / 0.5e-3 == pytest.approx(84_180.0, abs=100.0)


def test_choked_and_subsonic_flow_agree_with_the_table_of_the_isentropic_nozzle():
    # 2 mm, Cd 0.8, 101.325 kPa, 293.15 K: g/s at pressure differences in kPa, computed from the isentropic equations
    gas = Gas(TIGHT, PORT)
    for dp_kpa, g_s in ((60, 0.601109), (40, 0.593200), (30, 0.558398), (20, 0.489831), (10, 0.368829), (1, 0.122682)):
        flow = gas.valve_kg_s(math.pi / 4 * 2e-3**2, 1.0 - dp_kpa / 101.325, T0_K)
        assert flow * 1000.0 == pytest.approx(g_s, abs=1e-6)


@pytest.mark.slow
def test_choked_flow_agrees_with_the_critical_pressure_of_fluids():
    import fluids

    critical = fluids.P_critical_flow(ATM_PA, 1.4) / ATM_PA
    assert nozzle_flux(critical * 0.999) == nozzle_flux(0.1)
    assert nozzle_flux(critical * 1.02) < nozzle_flux(0.1)
    # API 520 sizing, of which fluids gives the area for a flow; it writes the constants to four figures
    area = fluids.API520_A_g(m=0.601109e-3, T=T0_K, Z=1.0, MW=28.9647, k=1.4, P1=ATM_PA, P2=20_000.0, Kd=0.8)
    assert area == pytest.approx(math.pi / 4 * 2e-3**2, rel=5e-4)


@pytest.mark.slow
def test_the_flow_is_that_of_real_air_to_a_thousandth():
    from CoolProp.CoolProp import PropsSI

    h0 = PropsSI("H", "P", ATM_PA, "T", T0_K, "Air")
    s0 = PropsSI("S", "P", ATM_PA, "T", T0_K, "Air")

    def flux(p):
        h, rho = (PropsSI(x, "P", p, "S", s0, "Air") for x in ("H", "D"))
        return rho * math.sqrt(2.0 * (h0 - h))

    scale = ATM_PA / math.sqrt(T0_K)
    choked = max(flux(p) for p in np.linspace(0.5, 0.56, 25) * ATM_PA)
    assert nozzle_flux(0.3) * scale == pytest.approx(choked, rel=1e-3)
    for p in (60e3, 71.325e3, 91.325e3, 100.325e3):
        assert nozzle_flux(p / ATM_PA) * scale == pytest.approx(flux(p), rel=1e-3)


def test_a_sonic_conductance_gives_the_area_of_the_standard():
    # 1 dm3/(s bar) takes 5.02021 mm2 of effective area (ISO 6358-1 with ISO 8778 reference air, ideal nozzle)
    assert vent_area_m2(1e-8) * 1e6 == pytest.approx(5.02021, rel=1e-5)


def test_a_leak_of_one_sccm_lifts_half_a_litre_by_the_tabled_rate():
    # 3.6248 Pa/s for 1 sccm (0 degC, 101.325 kPa) at 20 degC in 0.5 L: unit conversion
    bench = replace(TIGHT, line_leak_sccm=1.0, **ISOTHERMAL)
    gas = closed_vessel(bench)
    run(gas, 0.0, 10.0)
    assert (gas.pressure_pa - START_PA) / 10.0 == pytest.approx(3.6248, rel=1e-4)


def test_gas_warms_from_the_wall_with_its_own_time_constant():
    # closed form: T - Tw falls as exp(-t G / (m cv)) at constant mass
    bench = replace(TIGHT, wall_w_k=0.1, wall_j_k=1e15)
    gas = closed_vessel(bench, kelvin=280.0)
    capacity = gas.state.mass_kg * R_AIR / 0.4
    run(gas, 0.0, 3.0)
    kelvin = gas.state.energy_j / capacity
    assert kelvin - T0_K == pytest.approx((280.0 - T0_K) * math.exp(-3.0 * 0.1 / capacity), abs=3e-6 * 13)


def test_the_transducer_lags_a_ramp_by_its_time_constant():
    bench = replace(TIGHT, line_leak_sccm=500.0, **ISOTHERMAL)
    gas = closed_vessel(bench)
    run(gas, 0.0, 2.0)
    slope = (gas.pressure_pa - START_PA) / 2.0
    assert gas.pressure_pa - gas.state.felt_pa == pytest.approx(0.003 * slope, rel=1e-4)


def test_the_pump_follows_its_curve_at_constant_temperature():
    # V dp/dt = -S (p - p_ultimate), closed form
    gas = closed_vessel(replace(TIGHT, **ISOTHERMAL), pressure_pa=ATM_PA)
    gas.pumping = True
    run(gas, 0.0, 8.0)
    speed, ultimate = TIGHT.pump_m3_s, TIGHT.pump_ultimate_pa
    expected = ultimate + (ATM_PA - ultimate) * math.exp(-8.0 * speed / TIGHT.volume_m3)
    assert gas.pressure_pa == pytest.approx(expected, rel=1e-6)
