"""A rigid reservoir filling from the ambient through one opening: mass and energy balance with heat from the wall.

Written in ratios, so that three rates and two starting values say everything. With r = p/p_ambient, mu = the mass over
the mass that would fill the reservoir at ambient pressure and temperature, and f the ISO 6358 flow function of b and
index m::

    d mu/dt = kappa f(r)
    d r /dt = gamma kappa f(r) - (heat e + heat_flow |f(r)|^k) (r/mu - 1)

kappa = C rho0 R sqrt(T0 T_ambient) / V is the isothermal filling rate, r/mu the temperature over ambient, and
heat = mu_0 / tau for a wall that brings the gas back with the time constant tau = m c_v / G at the mass m of mu_0.
`heat_flow` is heat transfer that grows with the inflow. e is one for a constant heat transfer, or (|r/mu - 1| /
0.05)^n for one that grows with the temperature difference: free convection in still gas has n of about 1/4 (from
memory: any text on heat transfer), and heat / mu is then the rate at a difference of 5 %, about 15 K. What comes in
brings the ambient's enthalpy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from benchrig.analysis.gas.air import GAMMA, R_AIR, RHO_ANR, T_ANR_K
from benchrig.analysis.results import Samples

__all__ = [
    "Fill",
    "FillCurve",
    "conductance_dm3_s_bar",
    "delayed_s",
    "departure_polynomial",
    "fill_curve",
    "filling_rate_per_s",
]

USUAL_LAMINAR = 1e-3
"""Within this part of ambient the flow is proportional to the pressure difference; the ellipse's slope is infinite at
one."""
STIFF_FROM = 0.993
"""From here on the pressure follows the flow so tightly that an explicit step would have to be tiny."""
BENDS_FROM = 0.93
"""From here to the stiff part steps are half as wide."""
USUAL_EXCESS = 0.05
"""Temperature difference over ambient at which `heat` is what it says when the heat transfer depends on it."""
FIRST_STEP, LONGEST_STEP, DYING = 0.2, 1.2, 5.0
"""A recovery that nothing renews dies away, and with it the error of a step: steps grow from the first part of its time
constant to the second (an explicit step damps up to 2.8), by e in so many time constants."""
MOST_STEPS = 600
"""An end to a curve with absurd parameters, which a search may try; the curve is then held at its last value."""
ROS = 1 - 1 / math.sqrt(2)
"""Coefficient of the two-stage Rosenbrock scheme of order two that damps stiff parts (from memory: any text on it)."""


def filling_rate_per_s(c_dm3_s_bar: float, volume_m3: float, ambient_k: float) -> float:
    """Isothermal filling rate kappa, 1/s: dp/dt over ambient pressure in choked flow.

    Examples
    --------
    >>> round(filling_rate_per_s(0.50063, 1e-3, 293.15), 4)
    0.4992
    """
    return c_dm3_s_bar * 1e-8 * RHO_ANR * R_AIR * math.sqrt(T_ANR_K * ambient_k) / volume_m3


def conductance_dm3_s_bar(rate_per_s: float, volume_m3: float, ambient_k: float) -> float:
    """Sonic conductance C, dm3/(s bar), from an isothermal filling rate: the inverse of `filling_rate_per_s`.

    Examples
    --------
    >>> round(conductance_dm3_s_bar(0.4992107, 1e-3, 293.15), 4)
    0.5006
    """
    return rate_per_s / filling_rate_per_s(1.0, volume_m3, ambient_k)


@dataclass(frozen=True)
class Fill:
    """What determines a fill; see the module's text for the symbols.

    Attributes
    ----------
    rate : float
        kappa, 1/s; a slightly negative one (a leak fitted through noise) is allowed.
    critical_ratio : float
        b of the opening.
    heat, heat_flow : float
        Heat transfer, 1/s: constant part, and what full flow adds.
    start : float
        Pressure over ambient at the start.
    start_warmth : float
        Gas temperature over ambient at the start.
    convection : float
        n, exponent of the temperature difference in the constant part of the heat transfer.
    laminar : float
        Part of ambient below which a pressure difference drives a flow proportional to it.
    flow_power : float
        k, the power of the inflow with which `heat_flow` grows.
    index : float
        Subsonic index m of the opening.
    departure : tuple of float
        How the opening's flow departs from the ISO curve, as part of choked flow, by shapes of the vacuum y as part of
        that at the start: y (1 - y)^2 times Jacobi polynomials, each orthogonal to the others. Nothing at ambient; at
        the start nothing and with no slope: an opening has no kink where a fill happens to begin. Empty: not at all.
    tangent : float
        How far along its tangent by b the opening's curve is moved: a step in b that the flow follows in a straight
        line, so that a fit has no bent valley to go through.
    """

    rate: float
    critical_ratio: float
    heat: float
    heat_flow: float
    start: float
    start_warmth: float = 1.0
    convection: float = 0.0
    laminar: float = USUAL_LAMINAR
    flow_power: float = 1.0
    index: float = 0.5
    departure: tuple[float, ...] = ()
    tangent: float = 0.0

    def shape(self, ratio: float) -> float:
        """Flow at a pressure ratio over choked flow, above the laminar part.

        Examples
        --------
        >>> round(Fill(1.0, 0.3, 0.0, 0.0, 0.4, departure=(0.04, 0.0, 0.0, 0.0)).shape(0.7), 4)
        0.8257
        """
        x = min(max((ratio - self.critical_ratio) / (1 - self.critical_ratio), 0.0), 1.0)
        return math.pow(1 - x * x, self.index) + _departed(self.departure, (1 - ratio) / (1 - self.start))

    def resembles(self, other: Fill) -> bool:
        """Whether the steps that suit the other fill suit this one: every rate within 5 %."""
        rates = ((self.rate, other.rate), (self.heat, other.heat), (self.start, other.start))
        return (
            all(abs(a - b) <= 0.05 * abs(b) for a, b in rates)
            and abs(self.critical_ratio - other.critical_ratio) < 0.05
            and abs(self.tangent - other.tangent) < 0.05
        )


def _departed(departure: tuple[float, ...], y: float) -> float:
    c0, c1, c2, c3 = departure_polynomial(departure)
    return y * (1 - y) ** 2 * (c0 + y * (c1 + y * (c2 + y * c3)))


def departure_polynomial(departure: Sequence[float]) -> tuple[float, float, float, float]:
    """Coefficients of what a departure (see `Fill`) has beside y (1 - y)^2, by rising power of y.

    The polynomials are one at ambient: 1, 1 - 8/3 y, 1 - 6 y + 7.5 y^2, 1 - 10 y + 27.5 y^2 - 22 y^3.

    Examples
    --------
    >>> [round(each, 3) for each in departure_polynomial((0.01, 0.03, 0.02, 0.01))]
    [0.07, -0.3, 0.425, -0.22]
    """
    if not departure:
        return 0.0, 0.0, 0.0, 0.0
    d0, d1, d2, d3 = departure
    return d0 + d1 + d2 + d3, -8 / 3 * d1 - 6 * d2 - 10 * d3, 7.5 * d2 + 27.5 * d3, -22 * d3


@dataclass(frozen=True)
class FillCurve:
    """Pressure over ambient at nodes in time, with slopes: a cubic between nodes. Arrays have shape (n,).

    `steps` holds the width of each step and whether it was a damped one; `mass` the mass over that at ambient.
    """

    time_s: Samples
    ratio: Samples
    slope_per_s: Samples
    steps: tuple[tuple[float, bool], ...] = ()
    mass: Samples = field(default_factory=lambda: np.empty(0))

    def at(self, time_s: Samples) -> tuple[Samples, Samples, Samples]:
        """Value, slope and second derivative at times of shape (k,); at rest before zero, held after the last node."""
        node = np.clip(np.searchsorted(self.time_s, time_s, side="right") - 1, 0, len(self.time_s) - 2)
        width = self.time_s[node + 1] - self.time_s[node]
        x = np.clip((time_s - self.time_s[node]) / width, 0.0, 1.0)
        y0, y1 = self.ratio[node], self.ratio[node + 1]
        d0, d1 = self.slope_per_s[node] * width, self.slope_per_s[node + 1] * width
        third = 2 * (y0 - y1) + d0 + d1
        second = 3 * (y1 - y0) - 2 * d0 - d1
        flowing = time_s > 0
        value = y0 + x * (d0 + x * (second + x * third))
        slope = np.where(flowing, (d0 + x * (2 * second + 3 * x * third)) / width, 0.0)
        bend = np.where(flowing, (2 * second + 6 * x * third) / (width * width), 0.0)
        return value, slope, bend


def fill_curve(fill: Fill, end_s: float, like: FillCurve | None = None) -> FillCurve:
    """Integrate a fill from 0 to `end_s` seconds.

    Classical Runge-Kutta steps while the pressure is well below ambient, damped implicit ones in the stiff tail where
    the pressure stands a hair below ambient and air comes in only as fast as the gas inside cools.

    Parameters
    ----------
    fill : Fill
        What is filled through what.
    end_s : float
        How far to integrate, s.
    like : FillCurve, optional
        Take the very steps of this curve of a nearly equal fill, so that the difference of both is smooth.

    Examples
    --------
    Isothermal and choked, the pressure rises by kappa a second (1 L, 2 mm hole: 0.2412 s from 41.325 to 53.5 kPa):

    >>> curve = fill_curve(Fill(rate=0.499211, critical_ratio=0.528, heat=1e4, heat_flow=0.0, start=0.407846), 0.3)
    >>> round(float(curve.at(np.array([0.2407]))[0][0]), 3)
    0.528
    """
    kappa, b, heat, heat_flow, n = fill.rate, fill.critical_ratio, fill.heat, fill.heat_flow, fill.convection
    power, index = fill.flow_power, fill.index
    span = 1 - b
    laminar_from = 1 - fill.laminar
    x_laminar = (laminar_from - b) / span
    edge_flow = math.pow(1 - x_laminar * x_laminar, index)
    tangent = fill.tangent / (span * span)
    laminar = edge_flow / fill.laminar + tangent * x_laminar / edge_flow
    ellipse = index == 0.5
    sqrt = math.sqrt
    c0, c1, c2, c3 = departure_polynomial(fill.departure)
    departs = bool(fill.departure)
    start, vacuum = fill.start, max(1 - fill.start, 1e-6)

    def flow(ratio: float) -> float:
        if ratio >= laminar_from:
            return laminar * (1 - ratio)
        if ratio <= b:
            part = 1.0
        else:
            x = (ratio - b) / span
            part = sqrt(1 - x * x) if ellipse else math.pow(1 - x * x, index)
            if tangent:
                part += tangent * x * (1 - ratio) / part
        if departs and ratio > start:
            y = (1 - ratio) / vacuum
            part += y * (1 - y) * (1 - y) * (c0 + y * (c1 + y * (c2 + y * c3)))
        return part

    def slope(ratio: float, mass: float, f: float) -> float:
        excess = ratio / mass - 1
        constant = heat * math.pow(abs(excess) / USUAL_EXCESS, n) if n else heat
        growing = heat_flow * math.pow(abs(f), power) if heat_flow else 0.0
        return GAMMA * kappa * f - (constant + growing) * excess

    def explicit(r: float, mu: float, f: float, d: float, h: float) -> tuple[float, float]:
        half = h / 2
        m1 = kappa * f
        r2, mu2 = r + half * d, mu + half * m1
        f2 = flow(r2)
        k2, m2 = slope(r2, mu2, f2), kappa * f2
        r3, mu3 = r + half * k2, mu + half * m2
        f3 = flow(r3)
        k3, m3 = slope(r3, mu3, f3), kappa * f3
        r4, mu4 = r + h * k3, mu + h * m3
        f4 = flow(r4)
        return r + h / 6 * (d + 2 * (k2 + k3) + slope(r4, mu4, f4)), mu + h / 6 * (m1 + 2 * (m2 + m3) + kappa * f4)

    def damped(r: float, mu: float, f: float, d: float, h: float) -> tuple[float, float]:
        if r <= b:
            steep = 0.0
        elif r >= laminar_from:
            steep = laminar
        else:  # the steeper of chord and tangent, so that the corner at laminar_from stays damped
            x = (r - b) / span
            steep = max(f / (1 - r), 2 * index * x * f / (span * max(1 - x * x, 1e-6)))
        cooling = (heat + heat_flow * abs(f)) / mu
        into_mass = ROS * h * kappa * steep
        from_mass = ROS * h * cooling * r / mu
        a = 1 + ROS * h * (GAMMA * kappa * steep + cooling) + from_mass * into_mass
        m0 = kappa * f
        k1 = (d + from_mass * m0) / a
        m1 = m0 - into_mass * k1
        r2, mu2 = r + h * k1, mu + h * m1
        f2 = flow(r2)
        d2, m2 = slope(r2, mu2, f2) - 2 * k1, kappa * f2 - 2 * m1
        k2 = (d2 + from_mass * m2) / a
        return r + h * (1.5 * k1 + 0.5 * k2), mu + h * (1.5 * m1 + 0.5 * (m2 - into_mass * k2))

    t, r, mu = 0.0, fill.start, fill.start / fill.start_warmth
    f = flow(r)
    d = slope(r, mu, f)
    by_flow = min(end_s / 12, 0.045 / max(abs(kappa) * GAMMA, 1e-9))
    dying = heat_flow == 0.0  # else the inflow keeps the gas away from the wall's temperature
    tau = mu / max(heat + heat_flow, 1e-9)
    by_heat = (FIRST_STEP if dying else 0.25) * tau
    coarse = min(by_flow, by_heat)
    # gas that follows the wall at once would need thousands of explicit steps
    bound_to_wall = tau < (0.05 if dying else 0.2) * by_flow
    tail = min(by_flow / 8, tau / 10 if dying else math.inf) if bound_to_wall else min(coarse / 8, end_s / 12)
    longest = by_flow / 8 if bound_to_wall else min(0.1 / max(heat, 1e-9), end_s / 12)
    times, ratios, slopes, masses = [t], [r], [d], [mu]
    plan: list[tuple[float, bool]] = []
    given = iter(like.steps) if like is not None else None
    while True:
        if given is not None:
            h, stiff = next(given, (0.0, False))
            if h == 0.0:
                break
        elif not t < end_s or len(plan) >= MOST_STEPS:
            break
        else:
            stiff = bound_to_wall or r > STIFF_FROM or (bool(plan) and plan[-1][1])
            if dying:
                grown = FIRST_STEP * math.exp(min(t / tau / DYING, 5.0))
                coarse = min(by_flow, tau * min(grown, LONGEST_STEP))
            h = min(tail if stiff else coarse if r < BENDS_FROM else coarse / 2, 1.0001 * (end_s - t))
            if stiff:
                tail = min(1.15 * tail, longest)
        r, mu = (damped if stiff else explicit)(r, mu, f, d, h)
        t += h
        f = flow(r)
        d = slope(r, mu, f)
        times.append(t)
        ratios.append(r)
        slopes.append(d)
        masses.append(mu)
        plan.append((h, stiff))
    return FillCurve(np.array(times), np.array(ratios), np.array(slopes), tuple(plan), np.array(masses))


def delayed_s(since_open_s: Samples, response_s: float, travel_s: float = 0.0) -> tuple[Samples, Samples]:
    """Time at which an undisturbed fill would show what a slow transducer shows behind a valve that opens gradually.

    For a start that is linear in time this is exact: an opening that grows linearly over `travel_s` makes the fill
    run on the integral of the opening, and a first-order transducer with time constant `response_s` smooths it.

    Parameters
    ----------
    since_open_s : ndarray, shape (n,)
        Time since the valve began to open, s; negative before it.
    response_s, travel_s : float
        Time constant of the transducer and time over which the valve opens, s; either may be zero.

    Returns
    -------
    (ndarray, ndarray)
        The delayed time, s, zero before the opening; and its derivative by `since_open_s`.

    Examples
    --------
    >>> delayed_s(np.array([-1.0, 0.0, 0.5]), 0.003)[0].round(4)
    array([0.   , 0.   , 0.497])
    """
    if travel_s < 1e-5:
        t = np.maximum(since_open_s, 0.0)
        if response_s <= 0:
            return t, np.where(since_open_s > 0, 1.0, 0.0)
        decay = np.exp(-t / response_s)
        return t - response_s * (1 - decay), np.where(since_open_s > 0, 1 - decay, 0.0)

    def ramp(t: Samples) -> tuple[Samples, Samples]:
        t = np.maximum(t, 0.0)
        if response_s <= 0:
            return t * t / 2, t
        decay = np.exp(-t / response_s)
        return t * t / 2 - response_s * t + response_s**2 * (1 - decay), t - response_s * (1 - decay)

    rise, rate = ramp(since_open_s)
    later_rise, later_rate = ramp(since_open_s - travel_s)
    return (rise - later_rise) / travel_s, (rate - later_rate) / travel_s
