"""Unit factors with their traps, and flows against tables, regulations and other libraries."""

import math

import fluids
import numpy as np
import pytest
from CoolProp import CoolProp

from benchrig.analysis.gas import air as gas

ATM = 101_325.0


def test_the_worked_leak_of_40_cfr_1065_644_comes_out_in_mol_and_in_sccm():
    # 40 CFR 1065.644: 2.0000 L, 25.300 to 50.600 kPa at 293.15 K in 70 s, R = 8.314472; printed result 0.00030 mol/s
    # (from memory), digits recomputed from the inputs
    leak = gas.leak_mol_s(2e-3, p1_pa=25_300, p2_pa=50_600, t1_k=293.15, t2_k=293.15, elapsed_s=70, r_molar=8.314472)
    assert leak == pytest.approx(2.965705e-4, rel=1e-6)
    assert gas.sccm_from_mol_s(leak) == pytest.approx(398.84, abs=0.01)
    assert gas.sccm_from_pv_flow(0.722857, 293.15) == pytest.approx(398.84, abs=0.01)


def test_dropping_the_temperature_term_spoils_the_leak_by_six_percent():
    # GUM-style bench example: 0.5 L, 41.325 to 41.575 kPa in 60 s, 293.15 to 293.25 K; 1.0843 sccm, without T 1.1495
    inputs = {"p1_pa": 41_325.0, "p2_pa": 41_575.0, "t1_k": 293.15, "elapsed_s": 60.0}
    with_t = gas.sccm_from_mol_s(gas.leak_mol_s(0.5e-3, t2_k=293.25, **inputs))
    without = gas.sccm_from_mol_s(gas.leak_mol_s(0.5e-3, t2_k=293.15, **inputs))
    assert with_t == pytest.approx(1.0843, abs=5e-5)
    assert without == pytest.approx(1.1495, abs=5e-5)


def test_a_leak_over_no_time_is_refused():
    with pytest.raises(ValueError, match="elapsed_s"):
        gas.leak_mol_s(1e-3, p1_pa=1e5, p2_pa=1e5, t1_k=293, t2_k=293, elapsed_s=0)


@pytest.mark.parametrize(
    ("gas_k", "pa_m3_s"),
    # exact: 101325e-6/60 times T/273.15
    [(273.15, 1.68875e-3), (293.15, 1.812400e-3), (296.15, 1.830948e-3)],
)
def test_one_sccm_is_the_tabled_pv_flow_at_each_temperature(gas_k, pa_m3_s):
    assert gas.pv_flow_pa_m3_s_from_sccm(1.0, gas_k) == pytest.approx(pa_m3_s, rel=1e-6)
    assert gas.sccm_from_pv_flow(pa_m3_s, gas_k) == pytest.approx(1.0, rel=1e-6)


def test_one_sccm_is_not_the_wrong_factor_of_a_leak_converter_on_the_web():
    # a public converter gives 1 sccm = 1.333e-3 mbar L/s; the NIST-based figure is 0.0168875
    mbar_l_s = gas.pv_flow_pa_m3_s_from_sccm(1.0, 273.15) * 10
    assert mbar_l_s == pytest.approx(0.0168875, rel=1e-6)
    assert mbar_l_s / 1.333e-3 == pytest.approx(12.7, abs=0.05)


def test_molar_and_mass_sccm_agree_with_molar_volume_and_density():
    # V_m = 22.4139695 L/mol at 0 degC, 101.325 kPa (CODATA); density 1.29228 for R = 287.05
    assert gas.sccm_from_mol_s(1.0) == pytest.approx(22_413.9695 * 60, rel=1e-7)
    assert pytest.approx(1.29228, abs=5e-6) == gas.RHO_NORMAL
    assert gas.kg_s_from_sccm(1.0) == pytest.approx(2.15381e-8, rel=1e-5)
    assert gas.sccm_from_kg_s(gas.kg_s_from_sccm(17.0)) == pytest.approx(17.0)


def test_density_at_normal_state_is_that_of_coolprop():
    real = CoolProp.PropsSI("D", "T", 273.15, "P", ATM, "Air")
    assert pytest.approx(real, rel=7e-4) == gas.RHO_NORMAL


def test_other_standard_litres_differ_from_anr_by_the_tabled_factors():
    # mass-true factors from litres ANR: 0.91698 (0 degC), 0.98412 (20 degC), 0.96920 (60 degF) at 1 atm, R = 287.05
    per_anr = 1 / gas.lpm_anr_from_kg_s(1.0)
    for standard_k, factor in ((273.15, 0.91698), (293.15, 0.98412), (288.7056, 0.96920)):
        litres = per_anr / (ATM / (gas.R_AIR * standard_k)) * 60e3
        assert litres == pytest.approx(factor, abs=2e-5)


def test_critical_ratio_is_that_of_the_fluids_library():
    assert pytest.approx(fluids.P_critical_flow(ATM, 1.4), rel=1e-12) == gas.CRITICAL_RATIO_NOZZLE * ATM
    assert pytest.approx(53_528.15, abs=0.01) == gas.CRITICAL_RATIO_NOZZLE * ATM


def test_choked_flow_of_the_published_example():
    # public course text: 1 mm2, 7 bar absolute, 20 degC: 1.65 g/s, 1.39 dm3/s ANR, 84 L/min
    flow = gas.nozzle_mass_flow_kg_s(1e-6, 7e5, 1e5, 293.15)
    assert 1e3 * flow == pytest.approx(1.65, abs=0.005)
    assert gas.lpm_anr_from_kg_s(flow) / 60 == pytest.approx(1.39, abs=0.006)
    assert gas.lpm_anr_from_kg_s(flow) == pytest.approx(84, abs=0.5)


@pytest.mark.parametrize(("d_mm", "choked_g_s"), [(1, 0.150273), (2, 0.601092), (4, 2.404368)])
def test_choked_flow_agrees_with_the_relief_valve_route_of_fluids(d_mm, choked_g_s):
    # fluids: API_520_A_g solved for flow gave the figures in the parameters; here it gives the area back
    area = 0.8 * math.pi / 4 * (1e-3 * d_mm) ** 2
    ours = gas.nozzle_mass_flow_kg_s(area, ATM, ATM - 60e3, 293.15)
    assert 1e3 * ours == pytest.approx(choked_g_s, rel=1e-4)
    assert fluids.API520_A_g(
        m=ours, T=293.15, Z=1.0, MW=28.9644, k=1.4, P1=ATM, P2=ATM - 60e3, Kd=1.0
    ) == pytest.approx(area, rel=5e-4)


@pytest.mark.parametrize("dp_kpa", [30.0, 10.0, 1.0])
def test_subsonic_nozzle_flow_agrees_with_real_air_of_coolprop(dp_kpa):
    # energy balance along an isentrope with CoolProp's air: mass flow = A rho sqrt(2 (h0 - h))
    area = 0.8 * math.pi / 4 * 4e-6
    down = ATM - 1e3 * dp_kpa
    h0 = CoolProp.PropsSI("H", "T", 293.15, "P", ATM, "Air")
    s0 = CoolProp.PropsSI("S", "T", 293.15, "P", ATM, "Air")
    h, rho = (CoolProp.PropsSI(key, "P", down, "S", s0, "Air") for key in "HD")
    real = area * rho * math.sqrt(2 * (h0 - h))
    assert gas.nozzle_mass_flow_kg_s(area, ATM, down, 293.15) == pytest.approx(real, rel=1e-3)


@pytest.mark.parametrize(
    ("dp_kpa", "nozzle", "b528", "b3", "b2"),
    # 2 mm, Cd 0.8, C 0.50063: g/s by the ideal nozzle and by ISO 6358-1 with three critical ratios
    [
        (60, 0.601109, 0.601109, 0.593932, 0.580467),
        (40, 0.593200, 0.593057, 0.540953, 0.518286),
        (30, 0.558398, 0.557886, 0.490938, 0.466865),
        (20, 0.489831, 0.489003, 0.418384, 0.395357),
        (10, 0.368829, 0.367938, 0.307742, 0.289228),
        (1, 0.122682, 0.122316, 0.100583, 0.094129),
    ],
)
def test_iso_6358_flow_is_the_tabled_one(dp_kpa, nozzle, b528, b3, b2):
    down = ATM - 1e3 * dp_kpa
    c = 0.500627
    assert 1e3 * gas.nozzle_mass_flow_kg_s(0.8 * math.pi * 1e-6, ATM, down, 293.15) == pytest.approx(nozzle, rel=2e-5)
    for ratio, expected in ((0.5282818, b528), (0.3, b3), (0.2, b2)):
        assert 1e3 * gas.iso_mass_flow_kg_s(c, ratio, ATM, down, 293.15) == pytest.approx(expected, rel=2e-5)


def test_sonic_conductance_of_one_square_millimetre_is_the_tabled_one():
    # C = A psi/(rho0 sqrt(T0)): 0.199195 dm3/(s bar) per mm2
    flow = gas.nozzle_mass_flow_kg_s(1e-6, ATM, 0.4 * ATM, 293.15)
    assert flow / gas.iso_mass_flow_kg_s(1.0, 0.5, ATM, 0.4 * ATM, 293.15) == pytest.approx(0.199195, rel=1e-5)


@pytest.mark.parametrize(
    ("inch", "cd", "choked", "at_4_1_kpa"),
    # 0.020 and 0.040 in, the leak sizes of 13 CCR 1968.2; SLPM at 0 degC computed for the isentropic nozzle
    [
        (0.020, 0.6, 1.3504, 0.5602),
        (0.020, 0.8, 1.8006, 0.7470),
        (0.040, 0.8, 7.2023, 2.9880),
        (0.040, 1.0, 9.0029, 3.7349),
    ],
)
def test_leak_through_an_evap_orifice_gives_its_diameter_back(inch, cd, choked, at_4_1_kpa):
    d_mm = 25.4 * inch
    assert gas.orifice_mm(1e3 * choked, ATM, ATM - 50e3, 293.15, cd) == pytest.approx(d_mm, rel=5e-5)
    assert gas.orifice_mm(1e3 * at_4_1_kpa, ATM + 4_100, ATM, 293.15, cd) == pytest.approx(d_mm, rel=5e-5)


def test_no_leak_or_no_pressure_difference_is_no_hole():
    assert gas.orifice_mm(0.0, ATM, 4e4, 293.15) == 0.0
    assert gas.orifice_mm(-0.2, ATM, 4e4, 293.15) == 0.0
    assert gas.orifice_mm(5.0, ATM, ATM, 293.15) == 0.0
    assert gas.nozzle_mass_flow_kg_s(1e-6, ATM, ATM + 1, 293.15) == 0.0


def test_flow_function_has_no_step_at_the_critical_ratio_and_never_turns_back():
    ratio = np.linspace(-0.1, 1.2, 1301)
    shape = gas.flow_function(ratio, 0.4)
    assert np.all((shape >= 0) & (shape <= 1))
    assert np.all(np.diff(shape) <= 0)
    assert gas.flow_function(0.4, 0.4) == 1.0
    assert gas.flow_function(0.4 + 1e-6, 0.4) == pytest.approx(1.0, abs=1e-10)
