"""Strangers' openings: what a real valve lets through and how it opens, neither of which is a curve of a standard.

An opening here is a seat and a port in series, each a nozzle whose edge is more or less sharp. Their flow is near the
ellipse of ISO 6358-1 and not on it, by up to 1 or 2 % of the choked flow, and with a sharp edge it goes on rising below
the critical ratio. So much is what the uncertainty budget of `analyse_flow` claims for real openings; what follows here
is physics alone and knows nothing of the shapes that are fitted.

Sources: flow through an ideal nozzle from any text on gas dynamics; no pressure is recovered between the two. The
discharge coefficient of a sharp edge is 0.60 at equal pressures and 0.84 into a vacuum (about as measured by Perry,
1949; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq, minimize_scalar
from stranger_vessel import Curve, InTime, iso, nozzle

__all__ = ["CHOKED_AT", "opening_course", "ratio_of", "seat_and_port"]

SHARP_PART, SHARP_POWER = 0.24 / 0.84, 1.6
CHOKED_AT = 0.2
"""C is measured at this pressure ratio: supply at 5 bar or more into the open (common practice, no source)."""
FLOWS = (0.8, 0.6, 0.4, 0.2)
"""Parts of the choked flow at which the critical ratio is measured after ISO 6358-1 (from memory)."""


def edge(sharpness: float) -> Callable[[float], float]:
    """Discharge coefficient, over that into a vacuum, by the pressure ratio. 0: well rounded, 1: a sharp edge."""
    return lambda ratio: 1 - sharpness * SHARP_PART * ratio**SHARP_POWER


def seat_and_port(port_area: float, sharpness: float) -> Curve:
    """Share of the flow at `CHOKED_AT`, from the pressure ratio, of a seat followed by a port.

    `port_area` is that of the port over that of the seat. Their own pressure ratios follow from both letting through
    the same.
    """
    discharge = edge(sharpness)

    def through(between: float, behind: float) -> float:
        seat = discharge(between) * nozzle(between)
        ratio = behind / between
        return seat - port_area * between * discharge(ratio) * nozzle(ratio)

    def flow(ratio: float) -> float:
        between = brentq(through, ratio, 1.0, args=(ratio,), xtol=1e-12)
        return discharge(between) * nozzle(between)

    # even in the root of the pressure difference, with which a flow begins; nothing at equal pressures
    roots = np.linspace(0.0, 1.0, 301)
    full = flow(CHOKED_AT)
    flows = [flow(1 - float(s) ** 2) / full if 0.03 < s < 0.98 else math.nan for s in roots]
    known = np.isfinite(flows)
    spline = CubicSpline([0.0, *roots[known]], [0.0, *np.array(flows)[known]])
    straight = 1e-3  # close to equal pressures the slope stays finite, as in `stranger_vessel.iso`
    edge_share = float(spline(math.sqrt(straight)))
    pieces, knots = spline.c.T.tolist(), spline.x.tolist()
    width = knots[2] - knots[1]

    def share(ratio: float) -> float:
        apart = min(1 - ratio, 1 - 0.04)
        if apart <= straight:
            return edge_share * max(apart, 0.0) / straight
        s = math.sqrt(apart)
        i = min(max(int((s - knots[1]) / width) + 1, 0), len(pieces) - 1) if s > knots[1] else 0
        a, b, c, d = pieces[i]
        x = s - knots[i]
        return ((a * x + b) * x + c) * x + d

    return share


def ratio_of(share: Curve) -> float:
    """Critical pressure ratio of the ellipse that comes nearest to a curve at the flows that are measured for it."""
    ratios = [brentq(lambda r, f=f: share(r) - f, 0.2, 0.9999) for f in FLOWS]

    def off(b: float) -> float:
        ellipse = iso(b)
        return sum((ellipse(r) - f) ** 2 for r, f in zip(ratios, FLOWS, strict=True))

    return float(minimize_scalar(off, bounds=(0.02, 0.6), method="bounded", options={"xatol": 1e-6}).x)


def opening_course(delay_s: float, takes_s: float, power: float) -> InTime:
    """Open part of the area by time. Power 1: evenly; 2: as the gap of an armature that gathers speed evenly."""

    def area(t: float) -> float:
        x = (t - delay_s) / takes_s
        return 0.0 if x <= 0 else 1.0 if x >= 1 else x**power

    return area
