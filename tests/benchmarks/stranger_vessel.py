"""Gas in a rigid vessel with openings, walls, pump and vapour: mass and internal energy, integrated as they are.

Part of the generator of strangers' traces: nothing here comes from `benchrig.analysis` or from the simulators. SI
units throughout; flows in kg/s, positive into the vessel.

Sources: first law for an open system (any text on thermodynamics); ISO 6358-1 for the flow of openings and ISO 8778
for the reference air; the ideal nozzle by isentropic expansion; laminar capillary by Hagen and Poiseuille for a gas.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp

R_AIR, GAMMA = 287.05, 1.4
C_V, C_P = R_AIR / (GAMMA - 1), R_AIR * GAMMA / (GAMMA - 1)
R_FUEL, CV_FUEL = 8.314 / 0.070, 1_550.0
"""Light petrol fractions, 70 g/mol; c_v from the order of pentane's. J/(kg K)."""
KG_S_PER_SCCM = 101_325.0 * 1e-6 / 60 / (R_AIR * 273.15)
RHO_ANR, T_ANR = 1.185, 293.15

Curve = Callable[[float], float]
"""Share of the choked flow, from the pressure ratio p2/p1."""
InTime = Callable[[float], float]
Opening = Callable[[float, float], float]
"""Flow of air into the vessel in kg/s, from time and the vessel's pressure."""


def always(value: float) -> InTime:
    return lambda t: value


def iso(b: float, index: float = 0.5) -> Curve:
    """ISO 6358-1; the last 0.1 % before equal pressures is made linear, so that the slope stays finite."""

    def share(ratio: float) -> float:
        if ratio <= b:
            return 1.0
        if ratio >= 1.0:
            return 0.0
        edge = 0.999
        if ratio > edge:
            return share(edge) * (1 - ratio) / (1 - edge)
        return (1 - ((ratio - b) / (1 - b)) ** 2) ** index

    return share


def nozzle(ratio: float) -> float:
    """Isentropic expansion of air through an ideal nozzle."""
    critical = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
    if ratio <= critical:
        return 1.0
    edge = 0.999  # linear beyond, as above
    if ratio > edge:
        return nozzle(edge) * max(0.0, 1 - ratio) / (1 - edge)

    def outflow(r: float) -> float:
        return math.sqrt(r ** (2 / GAMMA) - r ** ((GAMMA + 1) / GAMMA))

    return outflow(ratio) / outflow(critical)


def capillary(ratio: float) -> float:
    """Laminar flow of a gas through a long narrow gap goes with the difference of the squares of the pressures."""
    return max(0.0, 1 - ratio * ratio)


def pore(ratio: float) -> float:
    """Flow in proportion to the difference of the pressures."""
    return max(0.0, 1 - ratio)


def choked_kg_s(c_dm3_s_bar: float, p1_pa: float, t1_k: float) -> float:
    return c_dm3_s_bar * 1e-8 * RHO_ANR * p1_pa * math.sqrt(T_ANR / t1_k)


@dataclass(frozen=True)
class Walls:
    """Surface that the gas sees.

    `conductance(t, gas_k, surface_k, pressure_pa, inflow_kg_s)` in W/K. `outside_k(t)`: temperature behind it all.
    `capacities` and `links`: chain of nodes from the gas outwards, J/K, and the conductance from each node to the next
    one (the last: to the outside), W/K. No nodes: the surface is at `outside_k`. `share`: part of the surface that the
    chain covers; the rest is at `outside_k`.
    """

    conductance: Callable[[float, float, float, float, float], float]
    outside_k: InTime
    capacities: tuple[float, ...] = ()
    links: tuple[float, ...] = ()
    share: float = 1.0

    def heat(self, t: float, gas_k: float, nodes: np.ndarray, p: float, inflow: float) -> tuple[float, np.ndarray]:
        outside = self.outside_k(t)
        if not self.capacities:
            return self.conductance(t, gas_k, outside, p, inflow) * (outside - gas_k), nodes
        g = self.conductance(t, gas_k, float(nodes[0]), p, inflow)
        into_chain = self.share * g * (gas_k - nodes[0])
        passed = np.asarray(self.links) * (nodes - np.append(nodes[1:], outside))
        rates = (np.concatenate(([into_chain], passed[:-1])) - passed) / np.asarray(self.capacities)
        return -into_chain + (1 - self.share) * g * (outside - gas_k), rates


def thick_wall(area_m2: float, effusivity: float, seconds: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Half space as 24 layers growing outwards, good from a hundredth of `seconds` to `seconds`.

    With x in m scaled by sqrt(diffusivity) the layer has capacity A e dx and conductance A e / dx.
    """
    widths = 0.02 * math.sqrt(seconds) * 1.25 ** np.arange(24)
    capacities = area_m2 * effusivity * widths
    gaps = np.append((widths[1:] + widths[:-1]) / 2, widths[-1] / 2)
    return tuple(capacities), tuple(area_m2 * effusivity / gaps)


@dataclass(frozen=True)
class Vessel:
    """What the gas is in. `pump_m3_s` may vary in time; `hose`: volume before it (m3) and what joins both (an opening
    curve's C, dm3/(s bar)): then the openings lead into the hose."""

    volume_m3: float
    walls: Walls
    openings: Sequence[Opening]
    ambient_k: InTime
    pump_m3_s: InTime = field(default=always(0.0))
    vapour_pa: float = 0.0
    vapour_s: float = 1.0
    outgassing: Callable[[float], float] = field(default=always(0.0))
    hose_m3: float = 0.0
    hose_c: float = 0.0


@dataclass(frozen=True)
class State:
    """Masses in kg, internal energy in J, temperatures in K."""

    time_s: float
    values: np.ndarray

    def advanced(self, seconds: float) -> State:
        return replace(self, time_s=self.time_s + seconds)


@dataclass(frozen=True)
class Course:
    """What was integrated, piece by piece. Pieces begin where `time_s` of the breaks says."""

    vessel: Vessel
    starts: tuple[float, ...]
    pieces: tuple[Callable[[np.ndarray], np.ndarray], ...]
    end: State

    def at(self, t: np.ndarray) -> np.ndarray:
        """States in columns, at times from the first start to the end (clipped to it)."""
        t = np.clip(np.asarray(t, dtype=float), self.starts[0], self.end.time_s)
        out = np.empty((self.end.values.size, t.size))
        piece = np.searchsorted(self.starts, t, side="right") - 1
        for i, solution in enumerate(self.pieces):
            mine = piece == i
            if mine.any():
                out[:, mine] = solution(t[mine])
        return out

    def pressure(self, t: np.ndarray) -> np.ndarray:
        return gas_of(self.vessel, self.at(t))[0]


def gas_of(vessel: Vessel, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pressure and temperature from the state's vector, or from columns of it."""
    temperature = y[1] / (y[0] * C_V + y[2] * CV_FUEL)
    return (y[0] * R_AIR + y[2] * R_FUEL) * temperature / vessel.volume_m3, temperature


def filled(vessel: Vessel, t: float, pressure_pa: float, gas_k: float) -> State:
    """Air at rest everywhere, walls as warm as the outside."""
    mass = pressure_pa * vessel.volume_m3 / R_AIR / gas_k
    hose = pressure_pa * vessel.hose_m3 / R_AIR / gas_k
    outside = vessel.walls.outside_k(t)
    nodes = np.full(len(vessel.walls.capacities), outside)
    return State(t, np.concatenate(([mass, mass * C_V * gas_k, 0.0, hose, hose * C_V * gas_k], nodes)))


def _rates(vessel: Vessel, t: float, y: np.ndarray) -> np.ndarray:
    p, gas_k = (float(v) for v in gas_of(vessel, y))
    room = vessel.ambient_k(t)
    out = np.zeros_like(y)
    inflow = 0.0
    if vessel.hose_m3:
        hose_k = y[4] / y[3] / C_V
        hose_p = y[3] * R_AIR * hose_k / vessel.hose_m3
        entering = [opening(t, hose_p) for opening in vessel.openings]
        up, up_k, sign = (hose_p, hose_k, 1) if hose_p >= p else (p, gas_k, -1)
        through = sign * choked_kg_s(vessel.hose_c, up, up_k) * _JOINT(min(p, hose_p) / up)
        hose_heat = 0.05 * vessel.hose_m3 / 1e-5 * (vessel.walls.outside_k(t) - hose_k)
        out[3] = sum(entering) - through
        out[4] = sum(entering) * C_P * room - through * C_P * up_k + hose_heat
        inflow, warm = through, through * C_P * up_k
    else:
        inflow = sum(opening(t, p) for opening in vessel.openings)
        warm = inflow * C_P * (room if inflow >= 0 else gas_k)
    gas_out = vessel.pump_m3_s(t) / vessel.volume_m3
    heat, nodes = vessel.walls.heat(t, gas_k, y[5:], p, max(inflow, 0.0))
    vapour = 0.0
    if vessel.vapour_pa:
        partial = y[2] * R_FUEL * gas_k / vessel.volume_m3
        vapour = (vessel.vapour_pa - partial) / vessel.vapour_s * vessel.volume_m3 / R_FUEL / gas_k
    gassing = vessel.outgassing(t)
    wall_k = vessel.walls.outside_k(t)
    pumped = y[0] * gas_out, y[2] * gas_out
    out[0] = inflow + gassing - pumped[0]
    out[2] = vapour - pumped[1]
    out[1] = (
        warm
        + heat
        + gassing * C_P * wall_k
        + vapour * (CV_FUEL + R_FUEL) * wall_k
        - (pumped[0] * C_P + pumped[1] * (CV_FUEL + R_FUEL)) * gas_k
    )
    out[5:] = nodes
    return out


_JOINT = iso(0.4)


def run(
    vessel: Vessel,
    start: State,
    until_s: float,
    breaks: Sequence[float] = (),
    stop_below_pa: float | None = None,
    longest_step_s: float = math.inf,
) -> Course:
    """Integrate, anew at each of `breaks` (where something jumps); stop when the pressure has fallen enough."""
    scale = np.maximum(
        np.abs(start.values), np.concatenate(([0.0, 0.0, start.values[0], 0.0, 0.0], np.zeros(start.values.size - 5)))
    )
    scale[scale == 0] = 1.0

    def low(t: float, z: np.ndarray) -> float:
        return float(gas_of(vessel, z * scale)[0]) - (stop_below_pa or 0.0)

    low.terminal = True  # type: ignore[attr-defined]
    edges = [start.time_s, *sorted({b for b in breaks if start.time_s < b < until_s}), until_s]
    z, starts, pieces = start.values / scale, [], []
    end = start.time_s
    for a, b in pairwise(edges):
        if b - a < 1e-9:
            continue
        # a hair inside the piece, so that each side of a jump is seen from its own side
        inside = (b - a) * 1e-12 + abs(b) * 1e-15
        done = solve_ivp(
            lambda t, z, a=a, b=b, e=inside: _rates(vessel, min(max(t, a + e), b - e), z * scale) / scale,
            (a, b),
            z,
            method="LSODA",
            rtol=1e-9,
            atol=1e-11,
            dense_output=True,
            max_step=min(longest_step_s, b - a),
            events=low if stop_below_pa is not None else None,
        )
        if not done.success:
            raise RuntimeError(f"integration failed at {done.t[-1]}: {done.message}")
        starts.append(a)
        pieces.append(lambda t, f=done.sol: f(t) * scale[:, None])
        z, end = done.y[:, -1], float(done.t[-1])
        if done.status == 1:
            break
    return Course(vessel, tuple(starts), tuple(pieces), State(end, z * scale))


def joined(first: Course, then: Course) -> Course:
    """Two courses end to end, as one."""
    return Course(then.vessel, first.starts + then.starts, first.pieces + then.pieces, then.end)
