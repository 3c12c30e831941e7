"""Residual fuel in the valve and its hose: liquid that evaporates into the gas, and the vapour that is there already.

Evaporation is of the first order: as many moles a second as the vapour's partial pressure falls short of the fuel's own
vapour pressure, times a constant of the wetted surface; it ends when the liquid is gone, and runs backwards when there
is too much vapour. The vapour is an ideal gas at the temperature of the air that it is mixed with. What leaves the
reservoir takes it along in proportion. Coming and going it does work on the air: its pressure times its volume.

Not modelled: the cold of evaporation (the film takes its heat from the hose), light and heavy fractions, a vapour
pressure that changes with temperature, the vapour's own heat capacity and its share in the density of what flows.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from simulators.world.parameters import PortParameters
from simulators.world.trajectory import Cubic, hermite

__all__ = ["GAS_J_MOL_K", "VapourStep", "evaporate", "evaporation_mol_s_pa"]

GAS_J_MOL_K = 8.314462618
"""Molar gas constant (SI, 2019)."""
SPOKEN_OF_M3, SPOKEN_OF_K = 0.5e-3, 295.15
"""`PortParameters.fuel_s` is meant for a closed reservoir of half a litre at 22 degC."""


class VapourStep(NamedTuple):
    """Vapour along one step.

    `mol` in time since its beginning, `left_mol` of liquid at its end; what evaporates is `gain_mol_s` less `fall_1_s`
    times the vapour, what leaves `swept_1_s` times the vapour.
    """

    mol: Cubic
    left_mol: float
    gain_mol_s: float
    fall_1_s: float
    swept_1_s: float

    def power_w(self, vapour_mol: float, from_k: float, gas_k: float) -> float:
        """Work that the vapour does on the air as it comes, less what it takes along."""
        comes = self.gain_mol_s - self.fall_1_s * vapour_mol
        return GAS_J_MOL_K * (comes * from_k - self.swept_1_s * vapour_mol * gas_k)


def evaporation_mol_s_pa(port: PortParameters) -> float:
    """Moles that evaporate in a second for each pascal that the vapour falls short of saturation."""
    return SPOKEN_OF_M3 / (GAS_J_MOL_K * SPOKEN_OF_K * port.fuel_s)


def evaporate(
    vapour_mol: float,
    fuel_mol: float,
    h: float,
    *,
    saturated_pa: float,
    surface_mol_s_pa: float,
    pa_per_mol: float,
    swept_1_s: float,
) -> VapourStep:
    """Move vapour and liquid on by one step: the exact solution with all else constant.

    Parameters
    ----------
    vapour_mol, fuel_mol : float
        Vapour in the reservoir and liquid at the beginning.
    h : float
        Step in seconds.
    saturated_pa, surface_mol_s_pa : float
        Vapour pressure of the fuel; moles a second for each pascal below it.
    pa_per_mol : float
        Partial pressure of a mole of vapour.
    swept_1_s : float
        Volume that leaves the reservoir in a second, as part of its volume.

    Returns
    -------
    VapourStep

    Examples
    --------
    >>> step = evaporate(0.0, 1.0, 1e6, saturated_pa=3e3, surface_mol_s_pa=1e-8, pa_per_mol=5e6, swept_1_s=0.0)
    >>> round(5e6 * (1.0 - step.left_mol))
    3000
    """
    gain, back_1_s = surface_mol_s_pa * saturated_pa, surface_mol_s_pa * pa_per_mol
    after, swept = _relaxed(vapour_mol, h, gain, back_1_s + swept_1_s, swept_1_s)
    evaporated = after - vapour_mol + swept
    if evaporated > fuel_mol:
        gain, back_1_s, evaporated = fuel_mol / h, 0.0, fuel_mol
        after, _ = _relaxed(vapour_mol, h, gain, swept_1_s, swept_1_s)
    fall = back_1_s + swept_1_s
    cubic = hermite(h, vapour_mol, after, gain - fall * vapour_mol, gain - fall * after)
    return VapourStep(cubic, fuel_mol - evaporated, gain, back_1_s, swept_1_s)


def _relaxed(mol: float, h: float, gain: float, fall: float, swept_1_s: float) -> tuple[float, float]:
    """Solve n' = gain - fall n; return n after h, and what was swept out meanwhile."""
    if fall <= 0.0:
        return mol + gain * h, 0.0
    rest = gain / fall
    gone = -math.expm1(-fall * h)
    return mol + (rest - mol) * gone, swept_1_s * (rest * h + (mol - rest) * gone / fall)
