"""States of actuator and gas at one instant, and segments: what they did between two, ready to be interpolated."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

__all__ = [
    "ActuatorSegment",
    "ActuatorState",
    "Cubic",
    "GasSegment",
    "GasState",
    "StopEvent",
    "cubic",
    "hermite",
    "play",
]

Cubic = tuple[float, float, float, float]
"""Coefficients of powers 0 to 3."""


def hermite(h: float, y0: float, y1: float, d0: float, d1: float) -> Cubic:
    """Coefficients of the cubic through two values with two slopes, a step h apart."""
    secant = (y1 - y0) / h
    return y0, d0, (3.0 * secant - 2.0 * d0 - d1) / h, (d0 + d1 - 2.0 * secant) / (h * h)


def cubic(c: Cubic, s: float) -> float:
    """Value of a cubic."""
    return c[0] + s * (c[1] + s * (c[2] + s * c[3]))


def play(before: float, felt: float, half: float) -> float:
    """What follows with a play after a stretch on which `felt` only rose or only fell: no further off than `half`.

    The play operator (backlash) of M. A. Krasnosel'skii and A. V. Pokrovskii, "Systems with Hysteresis" (1989); what is
    left of the input is Prandtl's stop. Definition from memory.
    """
    return max(felt - half, min(felt + half, before))


class ActuatorSegment(NamedTuple):
    """Current and travel between two instants, with their slopes at both ends."""

    begin_s: float
    end_s: float
    current_0: float
    current_1: float
    slope_0: float
    slope_1: float
    travel_0: float
    travel_1: float
    speed_0: float
    speed_1: float
    winding_0: float
    winding_1: float
    source_ohm: float
    """Over which the current makes the supply sag; 0 while it runs through the diode."""
    bypass_a: float
    bypass_part: float
    """Current through a diode beside the winding: the first, and the second for each ampere in the winding."""

    def shunt_a(self, t_s: float) -> float:
        """Current through the shunt at an instant."""
        current = self.current_a(t_s)
        return current + self.bypass_a + self.bypass_part * current

    def current_a(self, t_s: float) -> float:
        """Current in the winding at an instant."""
        h = self.end_s - self.begin_s
        if h <= 0.0:
            return self.current_1
        return cubic(hermite(h, self.current_0, self.current_1, self.slope_0, self.slope_1), t_s - self.begin_s)

    def travel_m(self, t_s: float) -> float:
        """Travel of the armature at an instant."""
        h = self.end_s - self.begin_s
        if h <= 0.0:
            return self.travel_1
        return cubic(hermite(h, self.travel_0, self.travel_1, self.speed_0, self.speed_1), t_s - self.begin_s)


class StopEvent(NamedTuple):
    """Something that the armature did: "leaves" or "meets" a travel, given as part of the stroke."""

    t_s: float
    what: str
    stroke: float


@dataclass(slots=True)
class ActuatorState:
    """State at one instant."""

    current_a: float
    flux_wb: float
    travel_m: float
    speed_m_s: float
    heading: float
    moving: bool
    winding_k: float
    body_k: float
    step_s: float
    parted: bool = False
    """The warm winding has parted."""
    interrupted: bool = False
    """What the last step saw: parted, or a loose joint open."""
    strokes: int = 0
    """Arrivals, there and back: twice the clicks."""

    def copy(self) -> ActuatorState:
        """The same, apart."""
        return ActuatorState(
            self.current_a,
            self.flux_wb,
            self.travel_m,
            self.speed_m_s,
            self.heading,
            self.moving,
            self.winding_k,
            self.body_k,
            self.step_s,
            self.parted,
            self.interrupted,
            self.strokes,
        )


@dataclass(slots=True)
class GasState:
    """State at one instant, and the step that the next attempt begins with."""

    mass_kg: float
    energy_j: float
    felt_pa: float
    shown_pa: float
    wall_k: float
    step_s: float
    liner_k: float
    fuel_mol: float = 0.0
    vapour_mol: float = 0.0
    tank_kg: float = 0.0
    tank_j: float = 0.0
    tank_calls: bool = False
    """The tank's vacuum switch has the pump run."""

    def copy(self) -> GasState:
        """The same, apart."""
        return GasState(
            self.mass_kg,
            self.energy_j,
            self.felt_pa,
            self.shown_pa,
            self.wall_k,
            self.step_s,
            self.liner_k,
            self.fuel_mol,
            self.vapour_mol,
            self.tank_kg,
            self.tank_j,
            self.tank_calls,
        )


@dataclass(slots=True)
class GasSegment:
    """What happened between two instants: cubics in time since `begin_s` for mass and pressure, and the lag's decay.

    `turns` divides it into stretches on which the felt pressure only rises or only falls: (end of the stretch, in
    seconds since `begin_s`; what was shown at its beginning), the last one to the end. `mass` is that of the air in kg,
    `vapour` is in moles.
    """

    begin_s: float
    end_s: float
    mass: Cubic
    pressure: Cubic
    felt: Cubic
    decaying_pa: float
    lag_s: float
    play_pa: float
    turns: list[tuple[float, float]]
    vapour: Cubic = (0.0, 0.0, 0.0, 0.0)

    def felt_pa(self, s: float) -> float:
        """Pressure that the transducer's element feels, so many seconds after the beginning."""
        return cubic(self.felt, s) + (self.decaying_pa * math.exp(-s / self.lag_s) if self.lag_s > 0.0 else 0.0)

    def shown_pa(self, s: float) -> float:
        """Pressure that it shows."""
        before = next((shown for end, shown in self.turns if s <= end), self.turns[-1][1])
        return play(before, self.felt_pa(s), self.play_pa)
