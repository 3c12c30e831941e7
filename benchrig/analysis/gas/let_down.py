"""How cold gas is when it has been drawn down: from the course of its pressure, by mass and energy.

What leaves takes its enthalpy along and leaves the rest colder; the walls give heat, the more the faster what leaves
stirs the gas. With the pressure's course known, mass and temperature follow; only what the stirring adds to the heat
conductance has to be known, and a hold whose recovery told the chill tells that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchrig.analysis.gas.air import GAMMA, R_AIR

__all__ = ["chill_of_course", "stirring_of_chill"]

CV, CP = R_AIR / (GAMMA - 1.0), GAMMA * R_AIR / (GAMMA - 1.0)
STEP_S = 0.005
ROUNDS = 4
LEAST_W_K, MOST_W_K = 0.01, 30.0
HALVINGS = 40

Course = Sequence[tuple[float, float]]
"""Seconds since the draw-down began, the first 0, and absolute pressure, Pa."""


def chill_of_course(
    course: Course,
    *,
    volume_m3: float,
    wall_k: float,
    time_constant_s: float,
    stirring_w_k: float,
    power: float,
) -> float:
    """How much colder than the walls the gas is at the end of a draw-down, K.

    Parameters
    ----------
    course : sequence of (float, float)
        Seconds, the first 0, and absolute pressure, Pa, falling.
    volume_m3, wall_k : float
        Volume; temperature of the walls, which the gas had at first.
    time_constant_s : float
        Of the recovery afterwards, at the last pressure: how well the walls heat gas that is not stirred.
    stirring_w_k, power : float
        What an outflow of 1 g/s adds to the heat conductance, and the power of the outflow with which that grows.

    Examples
    --------
    Half a litre down to 41 kPa within a second, without any stirring and with some:

    >>> course = [(0.1 * i, 101e3 * 0.914**i) for i in range(11)]
    >>> known = {"volume_m3": 5e-4, "wall_k": 295.0, "time_constant_s": 2.3, "power": 0.8}
    >>> [round(chill_of_course(course, stirring_w_k=w_k, **known)) for w_k in (0.0, 1.6)]
    [61, 30]
    """
    seconds, logs = [at for at, _ in course], [math.log(pa) for _, pa in course]
    slopes = _slopes(seconds, logs)
    end_kg = course[-1][1] * volume_m3 / (R_AIR * wall_k)
    rest_w_k = end_kg * CV / time_constant_s
    mass_kg, out_kg_s = course[0][1] * volume_m3 / (R_AIR * wall_k), 0.0

    def outflow(log_pa: float, falls_1_s: float, mass_kg: float, guess_kg_s: float) -> float:
        pressure_pa = math.exp(log_pa)
        gas_k = pressure_pa * volume_m3 / (R_AIR * mass_kg)
        released_w = -volume_m3 / (GAMMA - 1.0) * pressure_pa * falls_1_s
        flow = guess_kg_s
        for _ in range(ROUNDS):
            warmth_w = (rest_w_k + stirring_w_k * (1000.0 * max(flow, 0.0)) ** power) * (wall_k - gas_k)
            flow = (released_w + warmth_w) / (CP * gas_k)
        return flow

    for i in range(len(course) - 1):
        span = seconds[i + 1] - seconds[i]
        steps = max(1, math.ceil(span / STEP_S))
        for step in range(steps):
            h = span / steps
            begin = _hermite(step / steps, span, logs[i], logs[i + 1], slopes[i], slopes[i + 1])
            end = _hermite((step + 1) / steps, span, logs[i], logs[i + 1], slopes[i], slopes[i + 1])
            out_kg_s = outflow(*begin, mass_kg, out_kg_s)
            then_kg_s = outflow(*end, mass_kg - h * out_kg_s, out_kg_s)
            mass_kg -= 0.5 * h * (out_kg_s + then_kg_s)
    return wall_k - course[-1][1] * volume_m3 / (R_AIR * mass_kg)


def stirring_of_chill(
    chill_k: float, course: Course, *, volume_m3: float, wall_k: float, time_constant_s: float, power: float
) -> float | None:
    """What an outflow of 1 g/s adds to the heat conductance, W/K, by a chill found; None where none explains it.

    Examples
    --------
    >>> course = [(0.1 * i, 101e3 * 0.914**i) for i in range(11)]
    >>> known = {"volume_m3": 5e-4, "wall_k": 295.0, "time_constant_s": 2.3, "power": 0.8}
    >>> round(stirring_of_chill(chill_of_course(course, stirring_w_k=1.4, **known), course, **known), 3)
    1.4
    """

    def chill(w_k: float) -> float:
        return chill_of_course(
            course,
            volume_m3=volume_m3,
            wall_k=wall_k,
            time_constant_s=time_constant_s,
            stirring_w_k=w_k,
            power=power,
        )

    least, most = LEAST_W_K, MOST_W_K
    if not chill(most) < chill_k < chill(least):
        return None
    for _ in range(HALVINGS):
        middle = math.sqrt(least * most)
        least, most = (middle, most) if chill(middle) > chill_k else (least, middle)
    return math.sqrt(least * most)


def _slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """Slopes at points by parabolas through neighbours."""
    if len(x) < 3:
        return [(y[-1] - y[0]) / (x[-1] - x[0])] * len(x)
    slopes = []
    for i in range(len(x)):
        a, b, c = ((0, 1, 2) if i == 0 else (i - 2, i - 1, i)) if i in (0, len(x) - 1) else (i - 1, i, i + 1)
        left, right = (y[b] - y[a]) / (x[b] - x[a]), (y[c] - y[b]) / (x[c] - x[b])
        curved = (right - left) / (x[c] - x[a])
        slopes.append(left + curved * (2.0 * x[i] - x[a] - x[b]))
    return slopes


def _hermite(part: float, span: float, y0: float, y1: float, d0: float, d1: float) -> tuple[float, float]:
    """Value and slope of the cubic through two values with two slopes, at a part of the span between."""
    secant = (y1 - y0) / span
    square, cube = (3.0 * secant - 2.0 * d0 - d1) / span, (d0 + d1 - 2.0 * secant) / span**2
    s = part * span
    return y0 + s * (d0 + s * (square + s * cube)), d0 + s * (2.0 * square + 3.0 * s * cube)
