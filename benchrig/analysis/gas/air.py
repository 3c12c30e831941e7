"""Air as the bench sees it: constants, flow units with their reference states, and the ISO 6358 flow function.

Three "volume flows" meet here, and each is really a mass flow divided by the density at some reference state:

========== ======================= ==================================================
sccm       0 degC, 101.325 kPa     SEMI E12 convention (from memory); leaks are given in it
L/min ANR  ISO 8778 reference air  1.185 kg/m3 by convention; flows are given in it
Pa m3/s    the gas as it is        "pV flow": means nothing without the temperature of the gas
========== ======================= ==================================================

"Standard litre" without a temperature differs by up to 7.7 % between the usual references; no function here has such
a default.
"""

from __future__ import annotations

import math

import numpy as np

from benchrig.analysis.results import Samples

__all__ = [
    "CRITICAL_RATIO_NOZZLE",
    "GAMMA",
    "RHO_ANR",
    "RHO_NORMAL",
    "R_AIR",
    "R_MOLAR",
    "SHARP_HOLE_DISCHARGE",
    "T_ANR_K",
    "flow_function",
    "iso_mass_flow_kg_s",
    "kg_s_from_sccm",
    "leak_mol_s",
    "lpm_anr_from_kg_s",
    "nozzle_mass_flow_kg_s",
    "orifice_mm",
    "pv_flow_pa_m3_s_from_sccm",
    "sccm_from_kg_s",
    "sccm_from_mol_s",
    "sccm_from_pv_flow",
]

R_MOLAR = 8.314462618
"""Molar gas constant, J/(mol K), CODATA 2018 (exact)."""
R_AIR = 287.05
"""Specific gas constant of dry air, J/(kg K)."""
GAMMA = 1.4
"""Ratio of specific heats of air; real air at 20 degC and 1 atm has 1.402 (CoolProp), +0.06 % on choked flow."""
T_NORMAL_K, P_NORMAL_PA = 273.15, 101_325.0
"""Reference state of the sccm used throughout: 0 degC, 101.325 kPa."""
RHO_NORMAL = P_NORMAL_PA / (R_AIR * T_NORMAL_K)
"""Density of dry air at 0 degC and 101.325 kPa, kg/m3 (1.29228)."""
RHO_ANR = 1.185
"""Density of ISO 8778 reference air (100 kPa, 20 degC, 65 % RH), kg/m3: a convention, 0.3 % above that of moist air."""
T_ANR_K = 293.15
"""Temperature of ISO 8778 reference air, K."""
CRITICAL_RATIO_NOZZLE = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
"""Critical pressure ratio of the ideal nozzle for `GAMMA` (0.5283)."""
SHARP_HOLE_DISCHARGE = 0.8
"""Discharge coefficient of the sharp-edged hole that a leak is compared with: a convention near the middle of 0.6 to
1."""
_CM3_PER_MIN = 60e6
_L_PER_MIN = 60e3
_MOL_S_PER_SCCM = P_NORMAL_PA / (R_MOLAR * T_NORMAL_K) / _CM3_PER_MIN


def kg_s_from_sccm(leak_sccm: float) -> float:
    """Mass flow of air in kg/s from cm3/min at 0 degC and 101.325 kPa.

    Examples
    --------
    >>> f"{kg_s_from_sccm(1.0):.5e}"
    '2.15381e-08'
    """
    return leak_sccm * RHO_NORMAL / _CM3_PER_MIN


def sccm_from_kg_s(flow_kg_s: float) -> float:
    """Flow in cm3/min at 0 degC and 101.325 kPa from a mass flow of air in kg/s.

    Examples
    --------
    >>> round(sccm_from_kg_s(1.502773e-4), 1)
    6977.3
    """
    return flow_kg_s / RHO_NORMAL * _CM3_PER_MIN


def sccm_from_mol_s(flow_mol_s: float) -> float:
    """Flow in cm3/min at 0 degC and 101.325 kPa from mol/s (any ideal gas).

    Examples
    --------
    >>> round(sccm_from_mol_s(2.965705e-4), 2)
    398.84
    """
    return flow_mol_s / _MOL_S_PER_SCCM


def sccm_from_pv_flow(flow_pa_m3_s: float, gas_k: float) -> float:
    """Flow in cm3/min at 0 degC and 101.325 kPa from a pV flow of gas at `gas_k`.

    Parameters
    ----------
    flow_pa_m3_s : float
        V dp/dt at constant temperature, Pa m3/s.
    gas_k : float
        Temperature of the gas whose pressure rises, K. Forgetting it is a mistake of 7 % at 20 degC.

    Examples
    --------
    >>> round(sccm_from_pv_flow(1.0, 273.15), 5), round(sccm_from_pv_flow(1.8124e-3, 293.15), 5)
    (592.15396, 1.0)
    """
    return flow_pa_m3_s / pv_flow_pa_m3_s_from_sccm(1.0, gas_k)


def pv_flow_pa_m3_s_from_sccm(leak_sccm: float, gas_k: float) -> float:
    """V dp/dt in Pa m3/s that a leak makes in a rigid volume of gas at `gas_k` (K).

    Examples
    --------
    >>> f"{pv_flow_pa_m3_s_from_sccm(1.0, 273.15):.5e} {pv_flow_pa_m3_s_from_sccm(1.0, 296.15):.6e}"
    '1.68875e-03 1.830948e-03'
    """
    return leak_sccm * P_NORMAL_PA / _CM3_PER_MIN * gas_k / T_NORMAL_K


def leak_mol_s(
    volume_m3: float,
    *,
    p1_pa: float,
    p2_pa: float,
    t1_k: float,
    t2_k: float,
    elapsed_s: float,
    r_molar: float = R_MOLAR,
) -> float:
    """Leak into a rigid volume from two readings of pressure and temperature, mol/s.

    Source: 40 CFR 1065.644, equation 1065.644-1.

    Raises
    ------
    ValueError
        `elapsed_s` is not positive.

    Examples
    --------
    >>> f"{leak_mol_s(2e-3, p1_pa=25300, p2_pa=50600, t1_k=293.15, t2_k=293.15, elapsed_s=70):.6e}"
    '2.965708e-04'
    """
    if not elapsed_s > 0:
        raise ValueError(f"elapsed_s must be positive, not {elapsed_s:g}")
    return volume_m3 / r_molar * (p2_pa / t2_k - p1_pa / t1_k) / elapsed_s


def lpm_anr_from_kg_s(flow_kg_s: float) -> float:
    """Flow in litres per minute of ISO 8778 reference air from a mass flow in kg/s.

    Examples
    --------
    >>> round(lpm_anr_from_kg_s(6.01109e-4), 3)
    30.436
    """
    return flow_kg_s / RHO_ANR * _L_PER_MIN


def flow_function(ratio: Samples | float, critical_ratio: float, index: float = 0.5) -> Samples:
    """Part of the choked flow that passes at a pressure ratio, ISO 6358-1.

    Parameters
    ----------
    ratio : ndarray or float
        Downstream over upstream absolute pressure. Zero or less counts as choked, one or more passes nothing: the
        function never gives a backward flow.
    critical_ratio : float
        Critical pressure ratio b, 0 <= b < 1; a ratio of exactly b is choked.
    index : float
        Subsonic index m; 0.5 makes the curve a quarter of an ellipse.

    Returns
    -------
    ndarray
        Between 0 and 1, shape of `ratio`. The slope at a ratio of one is infinite.

    Examples
    --------
    >>> flow_function(np.array([0.2, 0.3, 0.65, 1.0, 1.2]), 0.3).round(4)
    array([1.   , 1.   , 0.866, 0.   , 0.   ])
    """
    x = np.clip((np.asarray(ratio, dtype=np.float64) - critical_ratio) / (1 - critical_ratio), 0.0, 1.0)
    return np.asarray((1 - x * x) ** index, dtype=np.float64)


def iso_mass_flow_kg_s(
    c_dm3_s_bar: float,
    critical_ratio: float,
    upstream_pa: float,
    downstream_pa: float,
    upstream_k: float,
    index: float = 0.5,
) -> float:
    """Mass flow through a component of sonic conductance C, critical ratio b and subsonic index m, kg/s (ISO 6358-1).

    Examples
    --------
    >>> round(1e3 * iso_mass_flow_kg_s(0.50063, 0.528, 101325, 41325, 293.15), 4)
    0.6011
    >>> round(1e3 * iso_mass_flow_kg_s(0.50063, 0.3, 101325, 71325, 293.15), 4)
    0.4909
    """
    choked = c_dm3_s_bar * 1e-8 * RHO_ANR * upstream_pa * math.sqrt(T_ANR_K / upstream_k)
    return choked * float(flow_function(downstream_pa / upstream_pa, critical_ratio, index))


def nozzle_mass_flow_kg_s(area_m2: float, upstream_pa: float, downstream_pa: float, upstream_k: float) -> float:
    """Mass flow of an ideal gas through an isentropic nozzle of effective area `area_m2`, kg/s.

    `area_m2` is discharge coefficient times bore. No flow when `downstream_pa` reaches `upstream_pa`.

    Examples
    --------
    >>> round(1e3 * nozzle_mass_flow_kg_s(1e-6, 7e5, 1e5, 293.15), 4)
    1.6523
    """
    if downstream_pa >= upstream_pa:
        return 0.0
    ratio = max(downstream_pa / upstream_pa, CRITICAL_RATIO_NOZZLE)
    shape = 2 * GAMMA / (GAMMA - 1) * (ratio ** (2 / GAMMA) - ratio ** ((GAMMA + 1) / GAMMA))
    return area_m2 * upstream_pa * math.sqrt(shape / (R_AIR * upstream_k))


def orifice_mm(
    leak_sccm: float,
    upstream_pa: float,
    downstream_pa: float,
    upstream_k: float,
    discharge: float = SHARP_HOLE_DISCHARGE,
) -> float:
    """Diameter in mm of the round sharp-edged hole that would pass the same leak between the same pressures.

    Zero when `leak_sccm` is zero or less, or when there is no pressure difference to drive a flow.

    Examples
    --------
    >>> round(orifice_mm(1800.6, 101325, 41325, 293.15), 3)
    0.508
    """
    per_m2 = sccm_from_kg_s(nozzle_mass_flow_kg_s(1.0, upstream_pa, downstream_pa, upstream_k))
    if leak_sccm <= 0 or per_m2 <= 0:
        return 0.0
    return 1e3 * math.sqrt(4 / math.pi * leak_sccm / (per_m2 * discharge))
