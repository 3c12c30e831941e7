"""The world: bench and valve together, what can be done to them and what can be read from them."""

from __future__ import annotations

import math
from dataclasses import replace

from simulators.world.actuator import Actuator
from simulators.world.circuit import Circuit
from simulators.world.fittings import FITTINGS, ON_PLUG, OPEN_PORT_C_M3_S_PA, resistor
from simulators.world.loose_joint import LooseJoint
from simulators.world.nozzle import AIR_R, ANR_K, ANR_KG_M3
from simulators.world.relays import METER
from simulators.world.stepper import Stepper
from simulators.world.trajectory import cubic
from simulators.world.vapour import GAS_J_MOL_K

__all__ = ["World"]


class World(Stepper):
    """Bench and valve. Time begins at 0 with everything off, vented and at ambient temperature.

    Parameters
    ----------
    bench : BenchParameters
        The bench.
    valve : ValveParameters
        The valve on it.
    seed : int
        Draws what differs from bench to bench within its description: strength of the pump.

    Examples
    --------
    >>> from simulators.world import BenchParameters, draw_valve
    >>> world = World(BenchParameters(), draw_valve("alder-24", "good", 1), seed=1)
    >>> world.set_outputs(0x01)
    >>> world.advance_to(0.05)
    >>> world.plunger_position()
    1.0
    """

    # --- switching ----------------------------------------------------------------------------------------------------

    def set_outputs(self, mask: int) -> None:
        """Drive exactly these outputs from now on; each takes its time to switch."""
        if self._relays.command(mask, self._t_s):
            self._cut()

    @property
    def connected(self) -> str:
        """What is on the plug and on the port: "valve", or what stands in its place."""
        return self._connected

    def connect(self, fitting: str) -> None:
        """Put something in the valve's place, or the valve back: one of `fittings.FITTINGS`.

        Raises
        ------
        ValueError
            Nothing of that name.
        """
        if fitting not in FITTINGS:
            raise ValueError(f"Nothing to connect is called {fitting!r}; there are {', '.join(FITTINGS)}.")
        if fitting == self._connected:
            return
        self._cut()
        self._retire()
        was_valve = self._connected not in ON_PLUG
        self._connected = fitting
        if fitting in ON_PLUG:
            if was_valve:
                self._pulled_s = self._t_s
            coil = resistor(self.bench, fitting)
            self._joint = LooseJoint(coil)
            armature = replace(self.valve.armature, blocked=self.valve.armature.reached(0.0))
            circuit = Circuit(self.bench, coil, armature)
            circuit.bench_source_ohm = self.source_ohm
            self._actuator = Actuator(
                circuit,
                armature,
                self.valve.port,
                normally_closed=self.valve.normally_closed,
                start_k=self.bench.ambient_k,
                ambient_k=self._gas.ambient_k,
            )
        elif not was_valve:
            self._actuator = self._valve_actuator
            self._joint = LooseJoint(self.valve.coil)
            self._actuator.ambient_k = self._gas.ambient_k
            self._actuator.idle(self._t_s - self._pulled_s)
        self._circuit = self._actuator.circuit
        self._gas.fit(
            valve=fitting in ("valve", *ON_PLUG),
            orifice_c_m3_s_pa={
                "reference-orifice": self.bench.reference_orifice_c_m3_s_pa,
                "open-port": OPEN_PORT_C_M3_S_PA,
            }.get(fitting, 0.0),
            vessel_m3=self.bench.known_volume_m3 if fitting == "known-volume" else 0.0,
        )
        self._wire()
        self._actuator.disturb()

    @property
    def supply_on(self) -> bool:
        """Whether the coil supply is alive."""
        return self._supply_on

    @supply_on.setter
    def supply_on(self, on: bool) -> None:
        self._cut()
        self._supply_on = on
        self._wire()
        self._actuator.disturb()

    @property
    def line_leak_sccm(self) -> float:
        """Leak of the bench itself, choked, in cm3/min at 0 degC and 101.325 kPa."""
        return self._gas.line_leak_sccm

    @line_leak_sccm.setter
    def line_leak_sccm(self, sccm: float) -> None:
        self._cut()
        self._gas.line_leak_sccm = sccm
        self._gas.disturb()

    @property
    def pump_strength(self) -> float:
        """Part of its volume flow that the pump has."""
        return self._gas.pump_strength

    @pump_strength.setter
    def pump_strength(self, part: float) -> None:
        self._cut()
        self._gas.pump_strength = part
        self._gas.disturb()

    @property
    def source_ohm(self) -> float:
        """Resistance of source and wiring, over which the supply sags."""
        return self._circuit.bench_source_ohm

    @source_ohm.setter
    def source_ohm(self, ohm: float) -> None:
        self._cut()
        for circuit in {id(c): c for c in (self._circuit, self._valve_actuator.circuit)}.values():
            circuit.bench_source_ohm = ohm
            circuit.feed(driven=circuit.fed)
        self._actuator.disturb()

    @property
    def transducer_lag_s(self) -> float:
        """Time constant of the transducer."""
        return self._gas.transducer_lag_s

    @transducer_lag_s.setter
    def transducer_lag_s(self, seconds: float) -> None:
        self._cut()
        self._gas.transducer_lag_s = seconds
        self._gas.disturb()

    def block_line(self, left_m2: float) -> None:
        """Leave the line between valve and manifold no more than so much area."""
        self._cut()
        self._gas.line_m2 = left_m2
        self._gas.disturb()

    def fail_relays(self, *, welded: int = 0, dead: int = 0) -> None:
        """Weld the relays of these outputs (on for good), or let them die (off for good); dead goes before welded."""
        self._cut()
        self._relays.fail(welded=welded, dead=dead)
        self._wire()
        self._actuator.disturb()
        self._gas.disturb()

    @property
    def ambient_pa(self) -> float:
        """Absolute pressure of the ambient air."""
        return self._gas.ambient_pa

    @ambient_pa.setter
    def ambient_pa(self, pressure_pa: float) -> None:
        self._cut()
        self._gas.ambient_pa = pressure_pa
        self._gas.disturb()

    @property
    def ambient_k(self) -> float:
        """Temperature of the ambient air."""
        return self._gas.ambient_k

    @ambient_k.setter
    def ambient_k(self, kelvin: float) -> None:
        self._cut()
        self._room_from = self._t_s, kelvin
        self._gas.ambient_k = self._actuator.ambient_k = kelvin
        self._gas.disturb()

    @property
    def room_k_s(self) -> float:
        """How fast the room becomes warmer."""
        return self._room_k_s

    @room_k_s.setter
    def room_k_s(self, rate: float) -> None:
        self._cut()
        self._room_from = self._t_s, self._room_k(self._t_s)
        self._room_k_s = rate
        self._gas.disturb()

    @property
    def wall_heat_w(self) -> float:
        """What the sun or a lamp heats the reservoir's wall with."""
        return self._gas.wall_heat_w

    @wall_heat_w.setter
    def wall_heat_w(self, watts: float) -> None:
        self._cut()
        self._gas.wall_heat_w = watts

    @property
    def tap_loss_1_m4(self) -> float:
        """Loss that a tap in the way of the flow shows; see `BenchParameters`."""
        return self._gas.tap_loss_1_m4

    @tap_loss_1_m4.setter
    def tap_loss_1_m4(self, loss: float) -> None:
        self._cut()
        self._gas.tap_loss_1_m4 = loss
        self._gas.disturb()

    def line_wall(self, share: float, heat_j_k: float, wall_w_k: float) -> None:
        """Put a liner over so much of the wall: its heat capacity, and its conductance to the wall behind."""
        self._cut()
        self._gas.liner = share, heat_j_k, wall_w_k
        self._gas.state.liner_k = self._gas.state.wall_k
        self._gas.disturb()

    # --- tank ---------------------------------------------------------------------------------------------------------

    @property
    def has_tank(self) -> bool:
        """Whether the bench has a vacuum tank."""
        return self._gas.tank is not None

    @property
    def pump_fed(self) -> bool:
        """Whether the tank's pump is supplied: the emergency stop takes that away. True without a tank."""
        return self._gas.tank is None or self._gas.tank.fed

    @pump_fed.setter
    def pump_fed(self, fed: bool) -> None:
        if self._gas.tank is not None and self._gas.tank.fed != fed:
            self._cut()
            self._gas.tank.fed = fed

    def fail_tank(
        self, *, leak_sccm: float = 0.0, line_left: float = 1.0, switch_dead: bool = False, vacuum_lost: bool = False
    ) -> None:
        """Have something go wrong with the tank, if there is one.

        Parameters
        ----------
        leak_sccm : float
            Leaks in beside what it leaks already.
        line_left : float
            Part of the line's area that dirt leaves.
        switch_dead, vacuum_lost : bool
            Its vacuum switch starts the pump no more; it is full of air now.
        """
        tank = self._gas.tank
        if tank is None:
            return
        self._cut()
        tank.leak_sccm += leak_sccm
        tank.line_m2 *= line_left
        tank.switch_alive = tank.switch_alive and not switch_dead
        if vacuum_lost:
            tank.fill(self._gas.state, self._gas.ambient_pa, self._gas.ambient_k)
        self._gas.disturb()

    def tank_pa(self) -> float:
        """Absolute pressure in the tank; not a number without one."""
        tank, block = self._gas.tank, self._block
        if tank is None:
            return math.nan
        end_pa = tank.pressure_pa(self._gas.state)
        if block is None or block.end_s <= block.begin_s:
            return end_pa
        begin_pa = tank.pressure_pa(block.from_gas)
        return begin_pa + (end_pa - begin_pa) * (self._t_s - block.begin_s) / (block.end_s - block.begin_s)

    # --- readings -----------------------------------------------------------------------------------------------------

    def coil_current_a(self) -> float:
        """Current through shunt and coil."""
        segment = self._segment()
        return self._circuit.shunt_a(self._actuator.state.current_a) if segment is None else segment.shunt_a(self._t_s)

    def supply_v(self) -> float:
        """Supply voltage at the board's divider, sagging under load."""
        segment = self._segment()
        source_ohm = self._circuit.source_ohm if segment is None else segment.source_ohm
        return self._supply_open_v() - source_ohm * self.coil_current_a()

    def pressure_pa(self) -> float:
        """Absolute pressure in reservoir and manifold."""
        if self._block is None:
            return self._gas.pressure_pa
        return cubic(self._block.gas.pressure, self._t_s - self._block.gas.begin_s)

    def gas_k(self) -> float:
        """Temperature of the gas in the reservoir."""
        per_k = self.gas_mass_kg() * AIR_R + self.vapour_mol() * GAS_J_MOL_K
        return self.pressure_pa() * self._gas.volume_m3 / per_k

    def vapour_mol(self) -> float:
        """Fuel vapour in the reservoir."""
        if self._block is None:
            return self._gas.state.vapour_mol
        return cubic(self._block.gas.vapour, self._t_s - self._block.gas.begin_s)

    def vapour_pa(self) -> float:
        """Its partial pressure."""
        return self.vapour_mol() * GAS_J_MOL_K * self.gas_k() / self._gas.volume_m3

    def gas_mass_kg(self) -> float:
        """Mass of the air in the reservoir."""
        if self._block is None:
            return self._gas.state.mass_kg
        return cubic(self._block.gas.mass, self._t_s - self._block.gas.begin_s)

    def transducer_pa(self) -> float:
        """Pressure as the transducer's element shows it, after its lag and its play."""
        if self._block is None:
            return self._gas.state.shown_pa
        gas = self._block.gas
        return gas.shown_pa(self._t_s - gas.begin_s)

    def ambient_thermistor_k(self) -> float:
        """Temperature of the ambient thermistor: that of the air."""
        return self._room_k(self._t_s)

    def plunger_position(self) -> float:
        """Lift of the armature from the seat: 0 closed to 1 open."""
        segment = self._segment()
        travel = self._actuator.state.travel_m if segment is None else segment.travel_m(self._t_s)
        return self._actuator.lift_m(travel) / self.valve.armature.stroke_m

    def winding_k(self) -> float:
        """Temperature of the winding."""
        segment = self._segment()
        if segment is None or segment.end_s <= segment.begin_s:
            return self._actuator.state.winding_k
        part = (self._t_s - segment.begin_s) / (segment.end_s - segment.begin_s)
        return segment.winding_0 + (segment.winding_1 - segment.winding_0) * part

    def meter_ohm(self, wires: int) -> float:
        """Resistance between the meter's terminals; infinite when the coil is open or not joined to the meter."""
        if not self._is_routed() or self._actuator.state.parted or self._joint_at(self._t_s)[0]:
            return math.inf
        ohm = self._circuit.winding_ohm(self.winding_k()) + self._circuit.coil.plug_ohm + self.bench.four_wire_ohm
        return ohm + (self.bench.lead_ohm if wires == 2 else 0.0)

    def meter_volts(self) -> float:
        """Voltage on the meter's terminals: none but what a current still running down through the diode makes."""
        return -self.bench.diode_v if self._is_routed() and self.coil_current_a() > 1e-4 else 0.0

    def _is_routed(self) -> bool:
        return bool(self._relays.at(self._t_s) & METER)

    # --- truths -------------------------------------------------------------------------------------------------------

    def sonic_conductance_m3_s_pa(self) -> float:
        """Sonic conductance of the valve switched open, leak included (ISO 6358-1): choked mass flow / (rho0 p1)."""
        return self._open_flow_kg_s(0.1) / (ANR_KG_M3 * self._gas.ambient_pa)

    def flow_lpm_anr(self, vacuum_pa: float) -> float:
        """Flow through the valve switched open at a vacuum behind it, in L/min of reference air (ISO 8778)."""
        return self._open_flow_kg_s(1.0 - vacuum_pa / self._gas.ambient_pa) / ANR_KG_M3 * 60_000.0

    def _open_flow_kg_s(self, ratio: float) -> float:
        travel = self.valve.armature.reached(1.0 if self.valve.normally_closed else 0.0)
        area = self._gas.port_area_m2(self._actuator.lift_m(travel * self.valve.armature.stroke_m))
        return self._gas.valve_kg_s(area, ratio, ANR_K)
