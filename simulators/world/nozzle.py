"""Flow of air through an orifice: an isentropic nozzle (common textbook equations) with a discharge coefficient.

Below a pressure difference of 50 Pa the flow is taken as proportional to the difference: the nozzle's slope is infinite
there, a real orifice turns laminar.
"""

from __future__ import annotations

import math

from simulators.world.parameters import PortParameters

__all__ = [
    "AIR_R",
    "ANR_K",
    "ANR_KG_M3",
    "CHOKED",
    "CP",
    "CV",
    "KAPPA",
    "discharge",
    "leak_area_m2",
    "nozzle_flux",
    "vent_area_m2",
]

AIR_R = 287.05
KAPPA = 1.4
CV = AIR_R / (KAPPA - 1.0)
CP = CV + AIR_R
CRITICAL = (2.0 / (KAPPA + 1.0)) ** (KAPPA / (KAPPA - 1.0))
CHOKED: float = math.sqrt(KAPPA / AIR_R) * (2.0 / (KAPPA + 1.0)) ** ((KAPPA + 1.0) / (2.0 * (KAPPA - 1.0)))
SUBSONIC = math.sqrt(2.0 * KAPPA / (KAPPA - 1.0) / AIR_R)
LINEAR_ABOVE = 1.0 - 50.0 / 101_325.0
ANR_KG_M3, ANR_K = 1.185, 293.15
"""Reference atmosphere of ISO 8778; serves to turn a sonic conductance into an area."""
SCCM_KG_S = 101_325.0 / (AIR_R * 273.15) * 1e-6 / 60.0
CD_FALLS_ABOVE = 0.35
"""Pressure ratio from which a valve's discharge coefficient falls (our own invention)."""


def nozzle_flux(ratio: float) -> float:
    """Mass flow of an ideal nozzle, in kg/s per m2 of area, Pa of upstream pressure and 1/sqrt(K).

    Parameters
    ----------
    ratio : float
        Downstream over upstream pressure, 0 to 1.

    Examples
    --------
    >>> round(nozzle_flux(0.4), 7), nozzle_flux(1.0)
    (0.0404149, 0.0)
    """
    if ratio <= CRITICAL:
        return CHOKED
    if ratio > LINEAR_ABOVE:
        return _AT_LINEAR * (1.0 - ratio) / (1.0 - LINEAR_ABOVE)
    root: float = ratio ** (1.0 / KAPPA)
    return SUBSONIC * math.sqrt(root * (root - ratio))


_AT_LINEAR: float = SUBSONIC * math.sqrt(LINEAR_ABOVE ** (2.0 / KAPPA) - LINEAR_ABOVE ** ((KAPPA + 1.0) / KAPPA))


def discharge(port: PortParameters, ratio: float) -> float:
    """Discharge coefficient of the valve's port at a pressure ratio."""
    if ratio <= CD_FALLS_ABOVE:
        return port.cd_choked
    x = (ratio - CD_FALLS_ABOVE) / (1.0 - CD_FALLS_ABOVE)
    return port.cd_choked * (1.0 - port.cd_drop * x * x)


def leak_area_m2(sccm: float) -> float:
    """Effective area of an orifice from its choked flow, from 101.325 kPa and 20 degC."""
    return sccm * SCCM_KG_S * math.sqrt(293.15) / (CHOKED * 101_325.0)


def vent_area_m2(c_m3_s_pa: float) -> float:
    """Effective area of an orifice from its sonic conductance (ISO 6358-1)."""
    return c_m3_s_pa * ANR_KG_M3 * math.sqrt(ANR_K) / CHOKED
