"""How a fill's pressure answers to each of its parameters: linear equations beside the balance, on its nodes.

With S the derivatives of pressure ratio r and mass mu (see `benchrig.analysis.gas.reservoir`) by the parameters,
dS/dt = J S + G, where J is the derivative of the balance's right side by r and mu along the known fill, and G that by
the parameters themselves. Two-stage Radau steps (order three, damps the stiff tail; from memory: any text on stiff
equations) from node to node: a hundredth of what one more fill for each parameter costs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchrig.analysis.gas.air import GAMMA
from benchrig.analysis.gas.reservoir import Fill, FillCurve, departure_polynomial
from benchrig.analysis.results import Samples

__all__ = ["BALANCED", "FillDerivatives", "fill_derivatives"]

BALANCED = (
    "rate",
    "critical_ratio",
    "tangent",
    "heat",
    "heat_flow",
    "flow_power",
    "laminar",
    "start",
    "start_warmth",
    "departure_0",
    "departure_1",
    "departure_2",
    "departure_3",
)
"""Attributes of `Fill` by which `fill_derivatives` knows the derivatives, each alone with the others held."""
_A = ((5 / 12, -1 / 12), (3 / 4, 1 / 4))
"""Coefficients of the two-stage Radau IIA scheme, with stages at a third of the step and at its end."""
_LEAST_ROOT = 1e-4


class FillDerivatives:
    """Derivatives of a fill's pressure ratio by k parameters at nodes in time: a cubic between nodes.

    Attributes
    ----------
    ratio, slope_per_s : ndarray, shape (n, k)
    """

    def __init__(self, time_s: Samples, ratio: Samples, slope_per_s: Samples) -> None:
        self._time_s = time_s
        self.ratio = ratio
        self.slope_per_s = slope_per_s

    def at(self, time_s: Samples) -> tuple[Samples, Samples]:
        """Derivatives of the ratio and of its slope in time, each of shape (m, k); held as `FillCurve.at` holds."""
        nodes = self._time_s
        node = np.clip(np.searchsorted(nodes, time_s, side="right") - 1, 0, len(nodes) - 2)
        width = (nodes[node + 1] - nodes[node])[:, None]
        x = np.clip((time_s[:, None] - nodes[node][:, None]) / width, 0.0, 1.0)
        y0, y1 = self.ratio[node], self.ratio[node + 1]
        d0, d1 = self.slope_per_s[node] * width, self.slope_per_s[node + 1] * width
        third = 2 * (y0 - y1) + d0 + d1
        second = 3 * (y1 - y0) - 2 * d0 - d1
        value = y0 + x * (d0 + x * (second + x * third))
        slope = np.where(time_s[:, None] > 0, (d0 + x * (2 * second + 3 * x * third)) / width, 0.0)
        return value, slope


def fill_derivatives(fill: Fill, curve: FillCurve, names: Sequence[str]) -> FillDerivatives:
    """Derivatives of a fill's pressure ratio by some of its attributes.

    Parameters
    ----------
    fill : Fill
        With a convection of zero and an index of one half; for the critical ratio with no tangent.
    curve : FillCurve
        What `fill_curve` made of it.
    names : sequence of str
        Of `BALANCED`.

    Examples
    --------
    Adiabatic and choked, the pressure rises by gamma kappa a second:

    >>> from benchrig.analysis.gas.reservoir import fill_curve
    >>> fill = Fill(rate=0.5, critical_ratio=0.5, heat=0.0, heat_flow=0.0, start=0.1)
    >>> by_rate = fill_derivatives(fill, fill_curve(fill, 1.0), ["rate"]).at(np.array([0.2]))[0]
    >>> round(float(by_rate[0, 0]), 5)
    0.28
    """
    t, n, k = curve.time_s, len(curve.time_s) - 1, len(names)
    h = np.diff(t)
    # the fill at a third of each step, from cubics through the nodes
    mass_slope = fill.rate * _flow(fill, curve.ratio)[0]
    third_r = _at_third(curve.ratio, curve.slope_per_s, h)
    third_mu = _at_third(curve.mass, mass_slope, h)
    jacobian, forcing = _linear(
        fill, np.concatenate([third_r, curve.ratio]), np.concatenate([third_mu, curve.mass]), names
    )
    j1, g1, j2, g2 = jacobian[:n], forcing[:n], jacobian[n + 1 :], forcing[n + 1 :]
    left = np.empty((n, 4, 4))
    one = np.eye(2)
    wide = h[:, None, None]
    left[:, :2, :2], left[:, :2, 2:] = one - _A[0][0] * wide * j1, -_A[0][1] * wide * j1
    left[:, 2:, :2], left[:, 2:, 2:] = -_A[1][0] * wide * j2, one - _A[1][1] * wide * j2
    right = np.empty((n, 4, 2 + k))
    right[:, :2, :2], right[:, 2:, :2] = j1, j2
    right[:, :2, 2:], right[:, 2:, 2:] = g1, g2
    stages = np.linalg.solve(left, right)
    change = wide * (_A[1][0] * stages[:, :2] + _A[1][1] * stages[:, 2:])
    carried, driven = change[:, :, :2] + one, np.ascontiguousarray(change[:, :, 2:])
    state = np.zeros((n + 1, 2, k))
    for i, name in enumerate(names):
        if name == "start":
            state[0, :, i] = 1.0, 1 / fill.start_warmth
        elif name == "start_warmth":
            state[0, 1, i] = -fill.start / fill.start_warmth**2
    now = state[0]
    for i in range(n):
        now = carried[i] @ now
        now += driven[i]
        state[i + 1] = now
    slope = jacobian[n:] @ state + forcing[n:]
    return FillDerivatives(t, state[:, 0], slope[:, 0])


def _at_third(y: Samples, d: Samples, h: Samples) -> Samples:
    """Cubic through values and slopes at the ends of each step, at a third of it."""
    return np.asarray((20 * y[:-1] + 7 * y[1:] + h * (4 * d[:-1] - 2 * d[1:])) / 27, dtype=np.float64)


def _flow(fill: Fill, r: Samples) -> tuple[Samples, Samples, Samples, Samples]:
    """Flow over choked flow; its derivatives by the ratio and by b (or the tangent); where it is laminar."""
    b, span = fill.critical_ratio, 1 - fill.critical_ratio
    x = np.clip((r - b) / span, 0.0, 1.0)
    root = np.sqrt(np.maximum(1 - x * x, _LEAST_ROOT**2))
    by_r = -x / (root * span)
    by_b = -by_r * (1 - r) / span
    f = root
    if fill.tangent:
        f = f + fill.tangent * by_b
        by_r = by_r + np.where(x > 0, fill.tangent * ((1 - r) / (span * root**3) - x / root) / span**2, 0.0)
    laminar_from = 1 - fill.laminar
    edge = (laminar_from - b) / span
    edge_flow = math.sqrt(max(1 - edge * edge, _LEAST_ROOT**2))
    by_edge = edge / (edge_flow * span * span)
    steep = edge_flow / fill.laminar + fill.tangent * by_edge
    still = r >= laminar_from
    if fill.departure:
        departed, by_y = _departed(fill.departure, (1 - r) / (1 - fill.start))
        departs = (r > fill.start) & ~still
        f = f + np.where(departs, departed, 0.0)
        by_r = by_r - np.where(departs, by_y / (1 - fill.start), 0.0)
    f = np.where(still, steep * (1 - r), f)
    by_r = np.where(still, -steep, by_r)
    by_b = np.where(still, by_edge * (1 - r), by_b)
    return f, by_r, by_b, np.asarray(still, dtype=np.float64)


def _departed(departure: Sequence[float], y: Samples) -> tuple[Samples, Samples]:
    """What is departed from the ISO curve, and its derivative by y."""
    c0, c1, c2, c3 = departure_polynomial(departure)
    bump, factor = y * (1 - y) ** 2, c0 + y * (c1 + y * (c2 + y * c3))
    return bump * factor, (1 - y) * (1 - 3 * y) * factor + bump * (c1 + y * (2 * c2 + 3 * y * c3))


def _linear(fill: Fill, r: Samples, mu: Samples, names: Sequence[str]) -> tuple[Samples, Samples]:
    """J, shape (m, 2, 2), and G, shape (m, 2, k)."""
    f, by_r, by_b, still = _flow(fill, r)
    kappa, power = fill.rate, fill.flow_power
    excess = r / mu - 1
    size = np.maximum(np.abs(f), 1e-9)
    growing = np.power(size, power)
    c = fill.heat + fill.heat_flow * growing
    by_f = GAMMA * kappa - fill.heat_flow * power * growing / size * np.sign(f) * excess
    jacobian = np.zeros((len(r), 2, 2))
    jacobian[:, 0, 0] = by_f * by_r - c / mu
    jacobian[:, 0, 1] = c * r / (mu * mu)
    jacobian[:, 1, 0] = kappa * by_r
    forcing = np.zeros((len(r), 2, len(names)))
    y = (1 - r) / (1 - fill.start)
    z = np.where((r > fill.start) & (still == 0), y * (1 - y), 0.0)
    bump = z * (1 - y)
    shapes = {
        "departure_0": bump,
        "departure_1": bump * (1 - 8 / 3 * y),
        "departure_2": bump * (1 + y * (-6 + 7.5 * y)),
        "departure_3": bump * (1 + y * (-10 + y * (27.5 - 22 * y))),
    }
    for i, name in enumerate(names):
        flow: Samples | None = shapes.get(name)
        if name == "rate":
            forcing[:, 0, i], forcing[:, 1, i] = GAMMA * f, f
        elif name == "heat":
            forcing[:, 0, i] = -excess
        elif name == "heat_flow":
            forcing[:, 0, i] = -growing * excess
        elif name == "flow_power":
            forcing[:, 0, i] = -fill.heat_flow * growing * np.log(size) * excess
        elif name in ("critical_ratio", "tangent"):
            flow = by_b
        elif name == "laminar":
            flow = still * _edge_by_laminar(fill) * (1 - r)
        elif name == "start":
            flow = _by_start(fill, y, z)
        if flow is not None:
            forcing[:, 0, i], forcing[:, 1, i] = by_f * flow, kappa * flow
    return jacobian, forcing


def _edge_by_laminar(fill: Fill) -> float:
    """Derivative of the slope of the laminar part by where it begins."""
    span = 1 - fill.critical_ratio
    edge = (1 - fill.laminar - fill.critical_ratio) / span
    flow = math.sqrt(max(1 - edge * edge, _LEAST_ROOT**2))
    return edge / (span * flow * fill.laminar) - flow / fill.laminar**2


def _by_start(fill: Fill, y: Samples, z: Samples) -> Samples:
    """Derivative of the flow by the start: the departure is told in parts of the vacuum at the start."""
    if not fill.departure:
        return np.zeros(len(y))
    _, by_y = _departed(fill.departure, y)
    return np.asarray(np.where(z > 0, by_y * y / (1 - fill.start), 0.0), dtype=np.float64)
