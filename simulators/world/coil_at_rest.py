"""Current and flux of a coil whose armature stands still: one step, and where within it something happens."""

from __future__ import annotations

from collections.abc import Callable

from simulators.world.circuit import Circuit
from simulators.world.stiff_solver import rodas3

__all__ = ["cross", "electric_step"]

SLAVED_ABOVE = 4.0
"""Over a step longer than this many fast time constants the current's slope is that of the slow motion alone."""


def electric_step(
    c: Circuit, current: float, flux: float, travel: float, ohm: float, drift: float
) -> tuple[Callable[[float], tuple[float, float, float, float]], Callable[[float, float, float, float], float]]:
    """Make the step of the two electric equations at a fixed travel, and the slope to interpolate the current."""
    turns, inv_l, inv_g, emf = c.turns, c.inverse_leakage, c.inverse_eddy, c.emf_v
    gap, iron, knee = c.gap_reluctance(travel) + c.iron, c.iron, c.inverse_knee2
    conducts = c.driven or current > 0.0 or turns * (gap * flux) * inv_g > -emf

    def slopes(s: float, i: float, f: float) -> tuple[float, float]:
        u = f * f * knee
        rate = (turns * i - f * (gap + iron * u * u * u)) * inv_g
        return ((emf - (ohm + drift * s) * i - turns * rate) * inv_l if conducts else 0.0), rate

    u = flux * flux * knee
    steep = (gap + 7.0 * iron * u * u * u) * inv_g
    if conducts:
        jacobian = (-(ohm + turns * turns * inv_g) * inv_l, turns * steep * inv_l, turns * inv_g, -steep)
    else:
        jacobian = (0.0, 0.0, turns * inv_g, -steep)
    first = slopes(0.0, current, flux)
    pushed = (-drift * current * inv_l if conducts else 0.0, 0.0)
    fast = (ohm + turns * turns * inv_g) * inv_l

    def step(h: float) -> tuple[float, float, float, float]:
        return rodas3(slopes, current, flux, h, first, jacobian, pushed)

    def slope(i: float, f: float, h: float, s: float) -> float:
        if not conducts:
            return 0.0
        if h * fast < SLAVED_ABOVE:
            return slopes(s, i, f)[0]
        # The current as it follows the flux: both equations differentiated, less the leakage's second derivative.
        v = f * f * knee
        steep_s = (gap + 7.0 * iron * v * v * v) * inv_g
        ohm_s = ohm + drift * s
        whole = ohm_s + turns * turns * inv_g
        if h * ohm_s * steep_s > SLAVED_ABOVE * whole:
            return -drift * i / ohm_s  # even the flux has long settled: the current only follows the warming
        unleaked = (turns * emf - ohm_s * f * (gap + iron * v * v * v)) * inv_g / whole
        return (turns * steep_s * unleaked - drift * i) / (whole + turns * turns * inv_g * steep_s / (inv_l * whole))

    return step, slope


def cross(value: Callable[[float], float], low: float, high: float, at_high: float) -> float:
    """Zero of a function within a step, to 1e-12 s, by bisection."""
    sign = at_high > 0.0
    while high - low > 1e-12:
        middle = 0.5 * (low + high)
        if (value(middle) > 0.0) == sign:
            high = middle
        else:
            low = middle
    return high
