"""Gas in the reservoir: mass and energy, with orifices to the ambient, a pump, and walls that give heat.

Air is an ideal gas with constant specific heats. Every orifice is a nozzle (`nozzle.py`). Fuel vapour (`vapour.py`) may
be mixed with the air.

A vacuum tank (`tank.py`) may stand between isolation valve and pump.

Not modelled: humidity, pressure drop and waves in hoses, temperature layers in the reservoir, leaks narrow enough to be
laminar, and what a diaphragm pump leaks back through its valves.
"""

from __future__ import annotations

import math

from simulators.world.extrema import turning_points
from simulators.world.nozzle import AIR_R, CP, CV, KAPPA, discharge, leak_area_m2, nozzle_flux, vent_area_m2
from simulators.world.parameters import BenchParameters, PortParameters
from simulators.world.stiff_solver import rodas3
from simulators.world.tank import JOINED_S, Tank
from simulators.world.trajectory import Cubic, GasSegment, GasState, cubic, hermite, play
from simulators.world.vapour import GAS_J_MOL_K, VapourStep, evaporate, evaporation_mol_s_pa

__all__ = ["Gas"]

DRY: Cubic = (0.0, 0.0, 0.0, 0.0)
RELATIVE = 2e-7
"""Wanted error per step of mass and energy. Tests compare with references at 1e-6 and better."""
LONGEST_S, FIRST_S = 2.0, 2e-4
LINED_S, WET_S, SWEPT_S = 0.25, 0.5, 0.05
"""Longest steps with a liner, with fuel vapour, and with fuel vapour that is pumped or blown out."""
CUBIC_BELOW = 4.0
"""A step longer than this many time constants of the pressure is interpolated by a straight line."""


def _in_series_m2(first: float, second: float) -> float:
    return first * second / math.hypot(first, second)


def _slope(c: Cubic, s: float) -> float:
    return c[1] + s * (2.0 * c[2] + 3.0 * s * c[3])


class Gas:
    """Mass and energy of the gas, moved on segment by segment.

    Parameters
    ----------
    bench : BenchParameters
        Reservoir, walls, pump and openings at the start.
    port : PortParameters
        Of the valve under test.
    pump_strength : float
        Part of its volume flow that the pump really has.
    """

    def __init__(self, bench: BenchParameters, port: PortParameters, *, pump_strength: float = 1.0) -> None:
        self.bench = bench
        self._port = port
        self.ambient_pa = bench.ambient_pa
        self.ambient_k = bench.ambient_k
        self.line_leak_sccm = bench.line_leak_sccm
        self.pump_strength = pump_strength
        self.pumping = self.vented = self.referenced = self.joined = False
        self._vent_m2 = vent_area_m2(bench.vent_c_m3_s_pa)
        self._reference_m2 = leak_area_m2(bench.reference_leak_sccm)
        self._seat_m2 = leak_area_m2(port.leak_sccm)
        self.volume_m3 = bench.volume_m3
        self._pressure_per_j = (KAPPA - 1.0) / bench.volume_m3
        energy_j = self.ambient_pa / self._pressure_per_j
        self.state = GasState(
            energy_j / (CV * self.ambient_k),
            energy_j,
            self.ambient_pa,
            self.ambient_pa,
            self.ambient_k,
            FIRST_S,
            self.ambient_k,
            port.fuel_mol,
        )
        self.tank = Tank(bench) if bench.tank_volume_m3 else None
        if self.tank is not None:
            self.tank.fill(self.state, bench.tank_starts_pa, self.ambient_k)
        self._surface_mol_s_pa = evaporation_mol_s_pa(port)
        self._vapour: VapourStep | None = None
        self.wall_heat_w = bench.wall_heat_w
        self.tap_loss_1_m4 = bench.tap_loss_1_m4
        self.liner = bench.liner_share, bench.liner_j_k, bench.liner_wall_w_k
        self._side_k = self.ambient_k
        self._valve_m2 = 0.0
        self._plain_m2 = 0.0
        self._valve_joined = True
        self._orifice_m2 = 0.0
        self.dirt_m2 = 0.0
        self.line_m2 = math.inf
        self.transducer_lag_s = bench.transducer_lag_s
        self.play_pa = 0.5 * bench.transducer_hysteresis_pa
        self.rate_pa_s = 0.0

    @property
    def pressure_pa(self) -> float:
        """Absolute pressure in the reservoir at the end of the last segment, vapour included."""
        state = self.state
        air_pa = state.energy_j * self._pressure_per_j
        return air_pa + self._vapour_pa(state.vapour_mol, state.mass_kg, state.energy_j) if state.vapour_mol else air_pa

    @property
    def is_wet(self) -> bool:
        """Whether there is fuel vapour, or liquid fuel on the port that could make some."""
        return self.state.vapour_mol > 0.0 or (self.state.fuel_mol > 0.0 and self._valve_joined)

    def _vapour_pa(self, vapour_mol: float, mass_kg: float, energy_j: float) -> float:
        return vapour_mol * GAS_J_MOL_K * energy_j / (mass_kg * CV * self.volume_m3)

    def port_area_m2(self, lift_m: float) -> float:
        """Area of the port at a lift: its narrowest area and the curtain at the seat, one after the other."""
        if lift_m <= 0.0 or not self._valve_joined:
            return 0.0
        curtain = math.pi * self._port.seat_m * lift_m
        return _in_series_m2(self._port.area_m2, curtain)

    def through_line_m2(self, lift_m: float) -> float:
        """The same, seen through the line between valve and manifold, which something may block."""
        area_m2 = self.port_area_m2(lift_m)
        return self._behind_line_m2(area_m2)

    def _behind_line_m2(self, area_m2: float) -> float:
        return area_m2 if math.isinf(self.line_m2) else _in_series_m2(area_m2, self.line_m2)

    def valve_kg_s(self, valve_m2: float, ratio: float, inlet_k: float) -> float:
        """Mass flow from the ambient through the valve alone, its seat leak included."""
        area = valve_m2 * discharge(self._port, ratio) + self._seat_m2
        return area * self.ambient_pa / math.sqrt(inlet_k) * nozzle_flux(ratio)

    def _through(self, pressure_pa: float, gas_k: float, valve_m2: float, plain_m2: float) -> float:
        if pressure_pa <= self.ambient_pa:
            ratio = pressure_pa / self.ambient_pa
            upstream = self.ambient_pa / math.sqrt(self.ambient_k)
        else:
            ratio = self.ambient_pa / pressure_pa
            upstream = -pressure_pa / math.sqrt(gas_k)
        area = plain_m2 + (valve_m2 * discharge(self._port, ratio) if valve_m2 else 0.0)
        return area * upstream * nozzle_flux(ratio)

    def pump_kg_s(self, pressure_pa: float, gas_k: float) -> float:
        """Mass flow that the pump takes out: a volume flow that falls to nothing at the ultimate pressure."""
        return self._pumped_m3_s(pressure_pa) * pressure_pa / (AIR_R * gas_k)

    def _pumped_m3_s(self, pressure_pa: float) -> float:
        if not self.pumping or pressure_pa <= self.bench.pump_ultimate_pa:
            return 0.0
        return self.bench.pump_m3_s * self.pump_strength * (1.0 - self.bench.pump_ultimate_pa / pressure_pa)

    def _into_tank_kg_s(self, s: float, mass_kg: float, pressure_pa: float, gas_k: float) -> float:
        if self.tank is None or not self.joined:
            return 0.0
        return self.tank.flow_kg_s(s, mass_kg, pressure_pa, gas_k, self.state.tank_j / (self.state.tank_kg * CV))

    def wall_w_k(self, flow_kg_s: float) -> float:
        """Heat conductance between gas and wall while gas flows in or out."""
        if flow_kg_s == 0.0:
            return self.bench.wall_w_k
        stirred: float = (abs(flow_kg_s) * 1000.0) ** 0.8
        return self.bench.wall_w_k + self.bench.wall_flow_w_k * stirred

    def _slopes(self, s: float, mass_kg: float, energy_j: float) -> tuple[float, float]:
        gas_k = energy_j / (mass_kg * CV)
        pressure_pa = energy_j * self._pressure_per_j
        vapour, power_w = self._vapour, 0.0
        if vapour is None:
            inflow = self._through(pressure_pa, gas_k, self._valve_m2, self._plain_m2)
            pumped = self.pump_kg_s(pressure_pa, gas_k) + self._into_tank_kg_s(s, mass_kg, pressure_pa, gas_k)
        else:
            air_pa = pressure_pa
            vapour_mol = cubic(vapour.mol, s)
            power_w = vapour.power_w(vapour_mol, self.ambient_k, gas_k)
            pressure_pa += self._vapour_pa(vapour_mol, mass_kg, energy_j)
            inflow = self._through(pressure_pa, gas_k, self._valve_m2, self._plain_m2)
            pumped = self.pump_kg_s(pressure_pa, gas_k) + self._into_tank_kg_s(s, mass_kg, pressure_pa, gas_k)
            if pumped > 0.0:
                pumped *= air_pa / pressure_pa
            if inflow < 0.0:
                inflow *= air_pa / pressure_pa
        heat = self.wall_w_k(abs(inflow) + abs(pumped)) * (self._side_k - gas_k)
        carried = inflow * CP * (self.ambient_k if inflow > 0.0 else gas_k)
        return inflow - pumped, carried - pumped * CP * self._leaving_k(pumped, gas_k) + heat + power_w

    def _leaving_k(self, flow_kg_s: float, gas_k: float) -> float:
        """Temperature of what goes to pump or tank, or comes out of the tank."""
        return gas_k if flow_kg_s >= 0.0 else self.state.tank_j / (self.state.tank_kg * CV)

    def fit(self, *, valve: bool, orifice_c_m3_s_pa: float = 0.0, vessel_m3: float = 0.0) -> None:
        """Put on the port: the valve, or else an orifice to the ambient, a vessel full of ambient air, or a plug.

        A vessel that was there takes its share of the gas away with it.
        """
        self._valve_joined = valve
        self._orifice_m2 = vent_area_m2(orifice_c_m3_s_pa)
        state = self.state
        kept = self.bench.volume_m3 / self.volume_m3
        state.mass_kg *= kept
        state.energy_j *= kept
        state.vapour_mol *= kept
        self.volume_m3 = self.bench.volume_m3 + vessel_m3
        energy_j = self.ambient_pa * vessel_m3 / (KAPPA - 1.0)
        state.energy_j += energy_j
        state.mass_kg += energy_j / (CV * self.ambient_k)
        self._pressure_per_j = (KAPPA - 1.0) / self.volume_m3
        self.disturb()

    def disturb(self) -> None:
        """Something has been switched: begin with short steps again."""
        self.state.step_s = FIRST_S

    def segment(self, begin_s: float, limit_s: float, valve_m2: float, *, whole: bool = False) -> GasSegment:
        """Move on by one step, to `limit_s` at most (exactly there if `whole`), with the valve's area constant."""
        state = self.state
        self._valve_m2 = valve_m2
        self._plain_m2 = leak_area_m2(self.line_leak_sccm)
        self._plain_m2 += self._seat_m2 + self.dirt_m2 if self._valve_joined else self._behind_line_m2(self._orifice_m2)
        self._plain_m2 += (self._vent_m2 if self.vented else 0.0) + (self._reference_m2 if self.referenced else 0.0)
        mass, energy = state.mass_kg, state.energy_j
        self._side_k = state.wall_k + self.liner[0] * (state.liner_k - state.wall_k)
        room_s = limit_s - begin_s
        h = room_s if whole else min(state.step_s, room_s, self._longest_s())
        swept_1_s = self._swept_1_s() if self.is_wet else 0.0
        self._evaporate(h, swept_1_s)
        if self.tank is not None and self.joined:
            refill = self._refill_kg_s(mass, energy)
            self.tank.look_ahead(state, (self.ambient_pa, self.ambient_k), self.pump_strength, refill)
        first = self._slopes(0.0, mass, energy)
        jacobian = self._jacobian(mass, energy, first)
        while True:
            drift = self._drift(mass, energy, first, h) if self._vapour is not None or self.joined else (0.0, 0.0)
            mass_1, energy_1, error_m, error_u = rodas3(self._slopes, mass, energy, h, first, jacobian, drift)
            error = max(abs(error_m) / mass, abs(error_u) / energy) / RELATIVE
            if error <= 1.0 or whole or h < 1e-7:
                break
            h *= max(0.2, 0.85 * error ** (-1.0 / 3.0))
            self._evaporate(h, swept_1_s)
        growth = 0.85 * max(error, 5e-3) ** (-1.0 / 3.0)
        if not whole or growth < 1.0:
            state.step_s = min(h * growth, LONGEST_S) if h < room_s or growth < 1.0 else max(state.step_s, h)
        end_s = limit_s if h >= room_s else begin_s + h
        last = self._slopes(h, mass_1, energy_1)
        if h * abs(jacobian[3]) > CUBIC_BELOW:
            first = last = ((mass_1 - mass) / h, (energy_1 - energy) / h)
        middle_k = (energy + energy_1) / ((mass + mass_1) * CV)
        flow = abs(mass_1 - mass) / h
        self._warm_walls(h, self.wall_w_k(flow), middle_k)
        pressure = self._pressure(h, (mass, mass_1, first[0], last[0]), (energy, energy_1, first[1], last[1]))
        felt = pressure
        if self.tap_loss_1_m4 and valve_m2:
            felt = self._at_tap(h, pressure, (energy, mass), (energy_1, mass_1))
        if self.tank is not None:
            self._move_tank(self.tank, h, (mass, energy), (mass_1, energy_1))
        state.mass_kg, state.energy_j = mass_1, energy_1
        if self._vapour is not None:
            state.vapour_mol, state.fuel_mol = cubic(self._vapour.mol, h), self._vapour.left_mol
        self.rate_pa_s = _slope(pressure, h)
        return self._remember(begin_s, end_s, h, hermite(h, mass, mass_1, first[0], last[0]), pressure, felt)

    # --- tank ---------------------------------------------------------------------------------------------------------

    def _refill_kg_s(self, mass_kg: float, energy_j: float) -> float:
        """What comes into the manifold from the room."""
        return self._through(energy_j * self._pressure_per_j, energy_j / (mass_kg * CV), self._valve_m2, self._plain_m2)

    def _move_tank(self, tank: Tank, h: float, begin: tuple[float, float], end: tuple[float, float]) -> None:
        """Give the tank what the manifold lost to it: what is gone, and what came in from elsewhere meanwhile."""
        taken = 0.0, 0.0
        if self.joined:
            middle = 0.5 * (begin[0] + end[0]), 0.5 * (begin[1] + end[1])
            came = h / 6.0 * (self._refill_kg_s(*begin) + 4.0 * self._refill_kg_s(*middle) + self._refill_kg_s(*end))
            kg = begin[0] - end[0] + came
            taken = kg, kg * CP * self._leaving_k(kg, middle[1] / (middle[0] * CV))
        tank.advance(self.state, h, taken, (self.ambient_pa, self.ambient_k), self.pump_strength)

    # --- vapour -------------------------------------------------------------------------------------------------------

    def _longest_s(self) -> float:
        longest_s = JOINED_S if self.joined else LINED_S if self.liner[0] else LONGEST_S
        if self.is_wet:
            longest_s = min(longest_s, SWEPT_S if self.pumping or self.joined or self.vented else WET_S)
        return longest_s

    def _swept_1_s(self) -> float:
        """Part of the reservoir's volume that leaves it in a second, at the beginning of a step."""
        state = self.state
        pressure_pa, gas_k = self.pressure_pa, state.energy_j / (state.mass_kg * CV)
        swept_m3_s = self._pumped_m3_s(pressure_pa)
        if self.tank is not None and self.joined:
            self.tank.look_ahead(state, (self.ambient_pa, self.ambient_k), self.pump_strength, 0.0)
            into = self._into_tank_kg_s(0.0, state.mass_kg, pressure_pa, gas_k)
            swept_m3_s += max(0.0, into) * AIR_R * gas_k / pressure_pa
        if pressure_pa > self.ambient_pa:
            out_kg_s = -self._through(pressure_pa, gas_k, self._valve_m2, self._plain_m2)
            swept_m3_s += out_kg_s * AIR_R * gas_k / pressure_pa
        return swept_m3_s / self.volume_m3

    def _evaporate(self, h: float, swept_1_s: float) -> None:
        """Prepare the vapour of a step."""
        state = self.state
        if not self.is_wet:
            self._vapour = None
            return
        self._vapour = evaporate(
            state.vapour_mol,
            state.fuel_mol,
            h,
            saturated_pa=self._port.fuel_pa,
            surface_mol_s_pa=self._surface_mol_s_pa if self._valve_joined and state.fuel_mol > 0.0 else 0.0,
            pa_per_mol=self._vapour_pa(1.0, state.mass_kg, state.energy_j),
            swept_1_s=swept_1_s,
        )

    def _drift(self, mass: float, energy: float, first: tuple[float, float], h: float) -> tuple[float, float]:
        """How fast the slopes change by the vapour alone."""
        later = self._slopes(1e-3 * h, mass, energy)
        return (later[0] - first[0]) / (1e-3 * h), (later[1] - first[1]) / (1e-3 * h)

    def _pressure(self, h: float, mass: Cubic, energy: Cubic) -> Cubic:
        """Pressure along a step, from both ends' values and slopes of mass and energy."""
        e0, e1, de0, de1 = (each * self._pressure_per_j for each in energy)
        if self._vapour is None:
            return hermite(h, e0, e1, de0, de1)
        vapour = self._vapour.mol
        n0, d0 = vapour[:2]
        n1, d1 = cubic(vapour, h), _slope(vapour, h)
        m0, m1, dm0, dm1 = mass
        v0, v1 = self._vapour_pa(n0, m0, energy[0]), self._vapour_pa(n1, m1, energy[1])
        # n T: the rate of each adds up, T being energy over mass
        dv0 = self._vapour_pa(d0, m0, energy[0]) + v0 * (energy[2] / energy[0] - dm0 / m0)
        dv1 = self._vapour_pa(d1, m1, energy[1]) + v1 * (energy[3] / energy[1] - dm1 / m1)
        return hermite(h, e0 + v0, e1 + v1, de0 + dv0, de1 + dv1)

    # --- walls and tap ------------------------------------------------------------------------------------------------

    def _warm_walls(self, h: float, gas_w_k: float, gas_k: float) -> None:
        """Move wall and liner on, with the gas at its mean temperature."""
        state, (share, liner_j_k, liner_wall_w_k) = self.state, self.liner
        out_w = (1.0 - share) * gas_w_k * (state.wall_k - gas_k)
        if share:
            gas_side = share * gas_w_k
            rest_k = (gas_side * gas_k + liner_wall_w_k * state.wall_k) / (gas_side + liner_wall_w_k)
            rate_1_s = (gas_side + liner_wall_w_k) / liner_j_k
            gone = -math.expm1(-rate_1_s * h)
            mean_k = rest_k + (state.liner_k - rest_k) * gone / (rate_1_s * h)
            out_w += liner_wall_w_k * (state.wall_k - mean_k)
            state.liner_k += (rest_k - state.liner_k) * gone
        in_w = self.wall_heat_w + self.bench.wall_ambient_w_k * (self.ambient_k - state.wall_k)
        state.wall_k += h * (in_w - out_w) / self.bench.wall_j_k

    def _at_tap(self, h: float, pressure: Cubic, begins: tuple[float, float], ends: tuple[float, float]) -> Cubic:
        """Pressure at a tap in the way of what comes through the valve."""
        (energy_0, mass_0), (energy_1, mass_1) = begins, ends
        more = []
        for energy, mass, pressure_pa in ((energy_0, mass_0, pressure[0]), (energy_1, mass_1, cubic(pressure, h))):
            flow = self._through(pressure_pa, energy / (mass * CV), self._valve_m2, 0.0)
            more.append(math.copysign(self.tap_loss_1_m4 * flow * flow * self.volume_m3 / mass, flow))
        return pressure[0] + more[0], pressure[1] + (more[1] - more[0]) / h, pressure[2], pressure[3]

    def _jacobian(self, mass: float, energy: float, first: tuple[float, float]) -> tuple[float, float, float, float]:
        dm, du = mass * 1e-6, energy * 1e-7
        f_m, g_m = self._slopes(0.0, mass + dm, energy)
        f_u, g_u = self._slopes(0.0, mass, energy + du)
        return (f_m - first[0]) / dm, (f_u - first[0]) / du, (g_m - first[1]) / dm, (g_u - first[1]) / du

    def _remember(
        self, begin_s: float, end_s: float, h: float, mass: Cubic, pressure: Cubic, at_tap: Cubic
    ) -> GasSegment:
        """Keep the step as cubics; move the transducer on: the exact answer of a lag to a cubic, then the play."""
        p0, p1, p2, p3 = at_tap
        lag = self.transducer_lag_s
        f1 = p1 - lag * (2.0 * p2 - lag * 6.0 * p3)
        felt = (p0 - lag * f1, f1, p2 - lag * 3.0 * p3, p3)
        decaying = self.state.felt_pa - felt[0]
        decay = math.exp(-h / lag) if lag > 0.0 else 0.0
        self.state.felt_pa = felt[0] + h * (felt[1] + h * (felt[2] + h * felt[3])) + decaying * decay
        vapour = DRY if self._vapour is None else self._vapour.mol
        segment = GasSegment(begin_s, end_s, mass, pressure, felt, decaying, lag, self.play_pa, [], vapour)
        shown = self.state.shown_pa
        for turn in turning_points(felt, decaying, lag, h) if self.play_pa > 0.0 else ():
            segment.turns.append((turn, shown))
            shown = play(shown, segment.felt_pa(turn), self.play_pa)
        segment.turns.append((h, shown))
        self.state.shown_pa = play(shown, self.state.felt_pa, self.play_pa)
        return segment
