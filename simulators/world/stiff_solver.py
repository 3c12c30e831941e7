"""One step of a linearly implicit Runge-Kutta method for two coupled equations.

The method is Rodas3 (four stages, order three, L-stable, stiffly accurate, embedded order two) of Sandu, Verwer, Blom,
Spee, Carmichael and Potra, "Benchmarking stiff ODE solvers for atmospheric chemistry problems II: Rosenbrock solvers",
Atmospheric Environment 31 (1997). Coefficients from memory; the tests check order and stiff limit by measurement.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Slopes", "rodas3"]

Slopes = Callable[[float, float, float], tuple[float, float]]


def rodas3(
    slopes: Slopes,
    y: float,
    z: float,
    h: float,
    first: tuple[float, float],
    jacobian: tuple[float, float, float, float],
    drift: tuple[float, float],
) -> tuple[float, float, float, float]:
    """Take one step of y' = f(s, y, z), z' = g(s, y, z) with s from 0 to h.

    Parameters
    ----------
    slopes : callable
        (s, y, z) -> (f, g); s in seconds since the beginning of the step.
    y, z : float
        State at s = 0.
    h : float
        Step in seconds.
    first : tuple
        (f, g) at s = 0.
    jacobian : tuple
        df/dy, df/dz, dg/dy, dg/dz at s = 0.
    drift : tuple
        df/ds, dg/ds at s = 0.

    Returns
    -------
    tuple
        y and z at s = h, and the embedded estimates of their errors.

    Examples
    --------
    >>> import math
    >>> y, z, *_ = rodas3(lambda s, y, z: (-y, 0.0), 1.0, 0.0, 0.01, (-1.0, 0.0), (-1.0, 0.0, 0.0, 0.0), (0.0, 0.0))
    >>> abs(y - math.exp(-0.01)) < 1e-9
    True
    """
    ja, jb, jc, jd = jacobian
    f0, g0 = first
    ft, gt = h * drift[0], h * drift[1]
    a, d = 2.0 / h - ja, 2.0 / h - jd
    scale = 1.0 / (a * d - jb * jc)
    r, s = f0 + 0.5 * ft, g0 + 0.5 * gt
    k1, l1 = (d * r + jb * s) * scale, (jc * r + a * s) * scale
    r, s = f0 + 4.0 / h * k1 + 1.5 * ft, g0 + 4.0 / h * l1 + 1.5 * gt
    k2, l2 = (d * r + jb * s) * scale, (jc * r + a * s) * scale
    y2, z2 = y + 2.0 * k1, z + 2.0 * l1
    f, g = slopes(h, y2, z2)
    r, s = f + (k1 - k2) / h, g + (l1 - l2) / h
    k3, l3 = (d * r + jb * s) * scale, (jc * r + a * s) * scale
    y3, z3 = y2 + k3, z2 + l3
    f, g = slopes(h, y3, z3)
    r, s = f + (k1 - k2 - 8.0 / 3.0 * k3) / h, g + (l1 - l2 - 8.0 / 3.0 * l3) / h
    k4, l4 = (d * r + jb * s) * scale, (jc * r + a * s) * scale
    return y3 + k4, z3 + l4, k4, l4
