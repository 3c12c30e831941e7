"""A vacuum tank between pump and isolation valve: what the manifold is let down into, and what keeps it drawn down.

Its pump runs while the board's relay or the tank's own vacuum switch has it run, as long as it is fed. A check valve
lets nothing back through a pump that stands. The line to the manifold, its restrictor included, is a nozzle.

Not modelled: the tank's wall warming or cooling (it is heavy, and at the temperature of the room), vapour in the tank,
a check valve that leaks, delays of pump and vacuum switch.
"""

from __future__ import annotations

import math

from simulators.world.nozzle import AIR_R, CP, CV, KAPPA, leak_area_m2, nozzle_flux, vent_area_m2
from simulators.world.parameters import BenchParameters
from simulators.world.trajectory import GasState

__all__ = ["Tank"]

SUBSTEP_S = 0.01
"""Longest step of the tank. Tests compare with a general solver at 1e-4."""
JOINED_S = 0.02
"""Longest step of the manifold while it is joined to the tank."""


class Tank:
    """The tank of a bench; its mass and energy are in the state of the gas.

    Parameters
    ----------
    bench : BenchParameters
        With a tank.

    Attributes
    ----------
    driven, fed : bool
        Whether the board's relay has the pump run; whether the pump is supplied at all.
    switch_alive : bool
        Whether the vacuum switch can start the pump.
    line_m2, leak_sccm : float
        Of the line to the manifold, and what leaks into the tank from the room.
    """

    def __init__(self, bench: BenchParameters) -> None:
        self._bench = bench
        self.driven, self.fed, self.switch_alive = False, True, True
        self.line_m2 = vent_area_m2(bench.tank_c_m3_s_pa)
        self.leak_sccm = bench.tank_leak_sccm
        self._per_j = (KAPPA - 1.0) / bench.tank_volume_m3
        self._from_pa = self._rate_pa_s = self._left_kg = self._refill_kg_s = self._pa_per_kg = 0.0

    def fill(self, state: GasState, pressure_pa: float, kelvin: float) -> None:
        """Begin with so much in it."""
        state.tank_j = pressure_pa / self._per_j
        state.tank_kg = state.tank_j / (CV * kelvin)
        state.tank_calls = pressure_pa > self._bench.tank_on_pa

    def pressure_pa(self, state: GasState) -> float:
        """Absolute pressure in the tank."""
        return state.tank_j * self._per_j

    def is_pumped(self, state: GasState) -> bool:
        """Whether the pump runs."""
        return self.fed and (self.driven or (state.tank_calls and self.switch_alive))

    # --- while joined -------------------------------------------------------------------------------------------------

    def look_ahead(self, state: GasState, ambient: tuple[float, float], strength: float, refill_kg_s: float) -> None:
        """Prepare a step of the manifold: how the tank's pressure will follow from what it takes in.

        `ambient` is pressure and temperature of the room; `refill_kg_s` is what comes into the manifold from elsewhere.
        """
        self._from_pa = self.pressure_pa(state)
        self._rate_pa_s = self._slopes(state.tank_kg, state.tank_j, 0.0, 0.0, ambient, strength, state)[1] * self._per_j
        self._left_kg, self._refill_kg_s = state.mass_kg, refill_kg_s
        self._pa_per_kg = CP * state.energy_j / (state.mass_kg * CV) * self._per_j

    def flow_kg_s(self, s: float, mass_kg: float, pressure_pa: float, gas_k: float, tank_k: float) -> float:
        """Mass flow from the manifold into the tank within that step; below zero: out of the tank."""
        taken_kg = self._left_kg + self._refill_kg_s * s - mass_kg
        tank_pa = self._from_pa + self._rate_pa_s * s + self._pa_per_kg * taken_kg
        if pressure_pa >= tank_pa:
            return self.line_m2 * pressure_pa / math.sqrt(gas_k) * nozzle_flux(tank_pa / pressure_pa)
        return -self.line_m2 * tank_pa / math.sqrt(tank_k) * nozzle_flux(pressure_pa / tank_pa)

    # --- moving on ----------------------------------------------------------------------------------------------------

    def advance(
        self,
        state: GasState,
        h: float,
        taken: tuple[float, float],
        ambient: tuple[float, float],
        strength: float,
    ) -> None:
        """Move the tank on by a step in which it takes in so much (kg, J) from the manifold, evenly."""
        steps = max(1, math.ceil(h / SUBSTEP_S))
        part_s = h / steps
        kg_s, watts = taken[0] / h, taken[1] / h
        mass, energy = state.tank_kg, state.tank_j
        for _ in range(steps):
            first = self._slopes(mass, energy, kg_s, watts, ambient, strength, state)
            then = self._slopes(
                mass + part_s * first[0], energy + part_s * first[1], kg_s, watts, ambient, strength, state
            )
            mass += 0.5 * part_s * (first[0] + then[0])
            energy += 0.5 * part_s * (first[1] + then[1])
            pressure_pa = energy * self._per_j
            if pressure_pa >= self._bench.tank_on_pa:
                state.tank_calls = True
            elif pressure_pa <= self._bench.tank_off_pa:
                state.tank_calls = False
        state.tank_kg, state.tank_j = mass, energy

    def _slopes(
        self,
        mass: float,
        energy: float,
        kg_s: float,
        watts: float,
        ambient: tuple[float, float],
        strength: float,
        state: GasState,
    ) -> tuple[float, float]:
        bench, (ambient_pa, ambient_k) = self._bench, ambient
        gas_k, pressure_pa = energy / (mass * CV), energy * self._per_j
        pumped = 0.0
        if self.is_pumped(state) and pressure_pa > bench.pump_ultimate_pa:
            swept_m3_s = bench.pump_m3_s * strength * (1.0 - bench.pump_ultimate_pa / pressure_pa)
            pumped = swept_m3_s * pressure_pa / (AIR_R * gas_k)
        leaks = 0.0
        if self.leak_sccm and pressure_pa < ambient_pa:
            flux = nozzle_flux(pressure_pa / ambient_pa)
            leaks = leak_area_m2(self.leak_sccm) * ambient_pa / math.sqrt(ambient_k) * flux
        stirred = (abs(kg_s) + pumped) * 1000.0
        wall_w_k = bench.tank_wall_w_k + (bench.wall_flow_w_k * stirred**0.8 if stirred else 0.0)
        heat = wall_w_k * (ambient_k - gas_k)
        return kg_s + leaks - pumped, watts + leaks * CP * ambient_k - pumped * CP * gas_k + heat
