"""Solenoids by three formulations that share nothing but the mechanics: physics for traces that no analysis has seen.

`ReluctanceNetwork`  flux linkage through a fringing gap, saturating iron, a leakage path, smooth hysteresis (Dahl)
`DiffusionLadder`    flux diffusing into the iron shell by shell, an eddy-current loop between each two shells
`SaturableCoil`      one inductance L(x, i), with the current itself as the state

All fluxes are linked with the coil (Wb turns) and all currents are the coil's (A): eddy currents are referred to it.
The force is the derivative of the field's energy by the position. Written from the laws of the magnetic circuit;
nothing here may come from `benchrig.analysis` or from `simulators`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

__all__ = ["DiffusionLadder", "Gap", "Iron", "Magnet", "ReluctanceNetwork", "SaturableCoil"]

State = tuple[float, ...]
Source = Callable[[float], float]


@dataclass(frozen=True)
class Gap:
    """Magnetising current per flux of the working gap: r(g) = (g + g0) / (k (1 + f (g + g0))).

    `fringe_per_m` f makes the flux spread as the gap opens. r is per henry, g in m.
    """

    k_h_m: float
    least_m: float
    fringe_per_m: float

    def r(self, gap_m: float) -> float:
        g = gap_m + self.least_m
        return g / (self.k_h_m * (1.0 + self.fringe_per_m * g))

    def slope(self, gap_m: float) -> float:
        q = 1.0 + self.fringe_per_m * (gap_m + self.least_m)
        return 1.0 / (self.k_h_m * q * q)


@dataclass(frozen=True)
class Iron:
    """Current that the iron takes for a flux: `law` "power", "froehlich" or "tanh"; the flux of saturation in Wb turns.

    Under "power" the iron goes on as air would, in a straight line, above `air_from` times that flux.
    """

    law: str
    inductance_h: float
    saturation_wb: float
    exponent: int = 6
    air_from: float = 1.5

    def need(self, flux: float) -> tuple[float, float]:
        """Current, A, and its derivative by the flux, 1/H."""
        a = 1.0 / self.inductance_h
        y = flux / self.saturation_wb
        if self.law == "power":
            edge = min(max(y, -self.air_from), self.air_from)
            p = edge**self.exponent
            slope = a * (1.0 + (self.exponent + 1) * p)
            return a * edge * self.saturation_wb * (1.0 + p) + slope * (y - edge) * self.saturation_wb, slope
        y = min(max(y, -0.995), 0.995)
        if self.law == "froehlich":
            q = 1.0 / (1.0 - abs(y))
            return a * self.saturation_wb * y * q, a * q * q
        return a * self.saturation_wb * math.atanh(y), a / (1.0 - y * y)

    def energy(self, flux: float, pieces: int = 400) -> float:
        """Energy stored, J: the integral of `need` by Simpson's rule."""
        h = flux / pieces
        f = [self.need(k * h)[0] for k in range(pieces + 1)]
        return h / 3.0 * (f[0] + f[-1] + 4.0 * sum(f[1:-1:2]) + 2.0 * sum(f[2:-1:2]))


class Magnet:
    """What the integrator asks of a formulation. `x` is the way gone from rest, m; `stroke_m` is the whole way."""

    stroke_m: float
    rest: State

    def current(self, m: State, x: float) -> float:
        raise NotImplementedError

    def quickest(self, m: State) -> float:
        """Bound on the quickest rate within the iron, 1/s: the integrator's steps stay below twice its inverse."""
        return 1.0

    def force(self, m: State, x: float) -> float:
        raise NotImplementedError

    def rates(self, m: State, x: float, v: float, source: Source, ohm: float) -> State:
        """Derivatives of the state; `source` gives the voltage that drives the loop from the current."""
        raise NotImplementedError

    def energy(self, m: State, x: float) -> float:
        """Energy of the field, J."""
        raise NotImplementedError

    def loss(self, m: State, x: float, rates: State) -> float:
        """Power lost in the iron, W."""
        raise NotImplementedError


@dataclass
class ReluctanceNetwork(Magnet):
    """State: main flux, Wb turns; hysteresis, -1 to 1."""

    gap: Gap
    iron: Iron
    stroke_m: float
    leakage_h: float = 0.0
    coercive_a: float = 0.0
    turn_wb: float = 1e-3
    rest: State = (0.0, 0.0)

    def current(self, m: State, x: float) -> float:
        return m[0] * self.gap.r(self.stroke_m - x) + self.iron.need(m[0])[0] + self.coercive_a * m[1]

    def force(self, m: State, x: float) -> float:
        return 0.5 * m[0] * m[0] * self.gap.slope(self.stroke_m - x)

    def rates(self, m: State, x: float, v: float, source: Source, ohm: float) -> State:
        flux, p = m
        g = self.stroke_m - x
        r = self.gap.r(g)
        need, slope = self.iron.need(flux)
        i = flux * r + need + self.coercive_a * p
        drive = source(i) - ohm * i
        if v and self.leakage_h:
            drive += self.leakage_h * flux * self.gap.slope(g) * v
        bend = (1.0 - p if drive > 0 else 1.0 + p) / self.turn_wb
        rate = drive / (1.0 + self.leakage_h * (r + slope + self.coercive_a * bend))
        return rate, rate * bend

    def energy(self, m: State, x: float) -> float:
        leak = 0.5 * self.leakage_h * self.current(m, x) ** 2
        return leak + 0.5 * m[0] ** 2 * self.gap.r(self.stroke_m - x) + self.iron.energy(m[0])

    def loss(self, m: State, x: float, rates: State) -> float:
        return self.coercive_a * m[1] * rates[0]


@dataclass
class DiffusionLadder(Magnet):
    """State: flux inside each loop, Wb turns; the first is the coil's own, the last the core's.

    Each shell of iron stands between two loops; the loop j carries the difference of the fields of the shells
    inside and outside of it, and its resistance `loops_ohm[j - 1]` (referred to the coil) makes its flux
    change.
    """

    gap: Gap
    shells: Sequence[Iron]
    loops_ohm: Sequence[float]
    stroke_m: float
    rest: State = field(init=False)

    def __post_init__(self) -> None:
        self.rest = (0.0,) * len(self.shells)

    def quickest(self, m: State) -> float:
        inside = (*m[1:], 0.0)
        steepest = max(s.need(a - b)[1] for s, a, b in zip(self.shells, m, inside, strict=True))
        return max(4.0 * steepest * max(self.loops_ohm), 1.0)

    def current(self, m: State, x: float) -> float:
        inner = m[1] if len(m) > 1 else 0.0
        return self.shells[0].need(m[0] - inner)[0] + m[0] * self.gap.r(self.stroke_m - x)

    def force(self, m: State, x: float) -> float:
        return 0.5 * m[0] * m[0] * self.gap.slope(self.stroke_m - x)

    def fields(self, m: State) -> list[float]:
        """Current that each shell takes, A, from the outside."""
        inside = (*m[1:], 0.0)
        return [s.need(a - b)[0] for s, a, b in zip(self.shells, m, inside, strict=True)]

    def rates(self, m: State, x: float, v: float, source: Source, ohm: float) -> State:
        h = self.fields(m)
        i = h[0] + m[0] * self.gap.r(self.stroke_m - x)
        return (source(i) - ohm * i, *[r * (a - b) for r, a, b in zip(self.loops_ohm, h, h[1:], strict=False)])

    def energy(self, m: State, x: float) -> float:
        inside = (*m[1:], 0.0)
        iron = sum(s.energy(a - b) for s, a, b in zip(self.shells, m, inside, strict=True))
        return 0.5 * m[0] ** 2 * self.gap.r(self.stroke_m - x) + iron

    def loss(self, m: State, x: float, rates: State) -> float:
        h = self.fields(m)
        return sum(r * (a - b) ** 2 for r, a, b in zip(self.loops_ohm, h, h[1:], strict=False))


@dataclass
class SaturableCoil(Magnet):
    """State: current, A. Flux is L0 i + dL w(x) is asinh(i / is), with w rising from 0 to 1 along the stroke.

    w is u - bow u (1 - u), u = x / stroke: `bow` +1 makes the inductance rise late, -1 early, 0 evenly.
    """

    least_h: float
    rise_h: float
    saturation_a: float
    bow: float
    stroke_m: float
    rest: State = (0.0,)

    def current(self, m: State, x: float) -> float:
        return m[0]

    def way(self, x: float) -> tuple[float, float]:
        u = x / self.stroke_m
        return u + self.bow * u * (u - 1.0), (1.0 + self.bow * (2.0 * u - 1.0)) / self.stroke_m

    def force(self, m: State, x: float) -> float:
        y = m[0] / self.saturation_a
        co = y * math.asinh(y) - math.sqrt(1.0 + y * y) + 1.0
        return self.rise_h * self.saturation_a**2 * co * self.way(x)[1]

    def rates(self, m: State, x: float, v: float, source: Source, ohm: float) -> State:
        i = m[0]
        y = i / self.saturation_a
        w, dw = self.way(x)
        motion = self.rise_h * self.saturation_a * math.asinh(y) * dw * v if v else 0.0
        return ((source(i) - ohm * i - motion) / (self.least_h + self.rise_h * w / math.sqrt(1.0 + y * y)),)

    def energy(self, m: State, x: float) -> float:
        y = m[0] / self.saturation_a
        stored = self.saturation_a**2 * (math.sqrt(1.0 + y * y) - 1.0)
        return 0.5 * self.least_h * m[0] ** 2 + self.rise_h * self.way(x)[0] * stored

    def loss(self, m: State, x: float, rates: State) -> float:
        return 0.0
