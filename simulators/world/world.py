"""The world: bench and valve together, moved on in blocks that depend on what happens in it and on nothing else.

A block is one step of the gas with the steps of the actuator within it. Blocks follow each other without regard to
where calls of `World.advance_to` stop; readings between are interpolated. So ``advance_to(a); advance_to(b)`` gives
the same as ``advance_to(b)``, to the last bit. Only a change from outside (an output, a fault) cuts a block short.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from simulators.world.actuator import Actuator
from simulators.world.circuit import Circuit
from simulators.world.fittings import FITTINGS, ON_PLUG, OPEN_PORT_C_M3_S_PA, resistor
from simulators.world.gas import AIR_R, ANR_K, ANR_KG_M3, Gas, leak_area_m2
from simulators.world.joint import LooseJoint
from simulators.world.relays import COIL, ISOLATION, METER, PUMP, REFERENCE, VENT, Relays
from simulators.world.sampler import WorldSampler
from simulators.world.segments import ActuatorSegment, ActuatorState, GasSegment, GasState, Motion, cubic
from simulators.world.truths import BenchTruth, ValveTruth

__all__ = ["World"]

MOVING_GAS_S = 250e-6
"""Longest step of the gas while the armature moves."""


@dataclass(slots=True)
class _Block:
    """What happens between two instants, and the state it began from."""

    begin_s: float
    end_s: float
    actuator: list[ActuatorSegment]
    gas: GasSegment
    motions: list[Motion]
    from_actuator: ActuatorState
    from_gas: GasState
    from_rate_pa_s: float


class World:
    """Bench and valve. Time begins at 0 with everything off, vented and at ambient temperature.

    Parameters
    ----------
    bench : BenchTruth
        The bench.
    valve : ValveTruth
        The valve on it.
    seed : int
        Draws what differs from bench to bench within its description: strength of the pump.

    Examples
    --------
    >>> from simulators.world import draw_valve
    >>> world = World(BenchTruth(), draw_valve("alder-24", "good", 1), seed=1)
    >>> world.set_outputs(0x01)
    >>> world.advance_to(0.05)
    >>> world.plunger_position()
    1.0
    """

    def __init__(self, bench: BenchTruth, valve: ValveTruth, *, seed: int) -> None:
        draw = random.Random(f"world {seed}")
        self.bench = bench
        self.valve = valve
        self._motions: list[Motion] = []
        self._gas = Gas(bench, valve.port, pump_strength=draw.uniform(0.97, 1.03))
        self._circuit = Circuit(bench, valve.coil, valve.armature)
        self._connected = "valve"
        self._pulled_s = 0.0
        self._valve_actuator = self._actuator = Actuator(
            self._circuit,
            valve.armature,
            valve.port,
            normally_closed=valve.normally_closed,
            start_k=bench.ambient_k if valve.start_k is None else valve.start_k,
            ambient_k=bench.ambient_k,
        )
        self._joint = LooseJoint(valve.coil)
        self._supply_on = True
        self._relays = Relays()
        self._t_s = 0.0
        self._end_s = 0.0
        self._block: _Block | None = None
        self._sampler: WorldSampler | None = None
        self._wire()

    # --- time ---------------------------------------------------------------------------------------------------------

    @property
    def t_s(self) -> float:
        """Where the world stands, in seconds."""
        return self._t_s

    @property
    def motions(self) -> list[Motion]:
        """Everything that the armature has done so far."""
        running = [] if self._block is None else [m for m in self._block.motions if m.t_s <= self._t_s]
        return [*self._motions, *running]

    def advance_to(self, t_s: float) -> None:
        """Move on to an instant.

        Raises
        ------
        ValueError
            The instant is past, or no number.
        """
        if not t_s >= self._t_s or math.isinf(t_s):
            raise ValueError(f"The world stands at {self._t_s} s and cannot go to {t_s} s.")
        while self._end_s < t_s:
            self._run_block(math.inf)
        self._t_s = t_s
        if self._sampler is not None:
            self._sampler.reach(t_s)

    def _run_block(self, limit_s: float) -> None:
        """Compute the next block, up to the next relay that arrives and to `limit_s` at most."""
        self._retire()
        begin = self._end_s
        self._arrive(self._relays.arrive(begin))
        limit_s = min(limit_s, self._relays.next_s)
        self._actuator.joint_open, toggle_s = self._joint.at(begin)
        limit_s = min(limit_s, toggle_s)
        gas, actuator = self._gas, self._actuator
        before = actuator.state.copy(), gas.state.copy(), gas.rate_pa_s
        motions: list[Motion] = []
        if self.valve.port.dirt_sccm:
            gas.dirt_m2 = leak_area_m2(self.valve.port.dirt_sccm) * actuator.dirt_left
        started = actuator.break_away(begin, gas.ambient_pa - gas.pressure_pa)
        if started is not None:
            motions.append(started)
        if actuator.state.moving:
            segments, more = actuator.move(
                begin, min(limit_s, begin + MOVING_GAS_S), gas.ambient_pa - gas.pressure_pa, -gas.rate_pa_s
            )
            motions += more
            end = segments[-1].end_s
            gas_segment = gas.segment(begin, end, self._mean_area(segments), whole=True)
        else:
            area = gas.through_line_m2(actuator.lift_m(actuator.state.travel_m))
            gas_segment = gas.segment(begin, limit_s, area)
            end = gas_segment.end_s
            segments = []
            t = begin
            while t < end:
                vacuum = gas.ambient_pa - cubic(gas_segment.pressure, t - begin)
                segments.append(actuator.rest(t, end, vacuum))
                t = segments[-1].end_s
                if t < end and actuator.about_to_move:
                    grown = gas.state.step_s
                    gas.state = before[1].copy()
                    gas_segment = gas.segment(begin, t, area, whole=True)
                    gas.state.step_s = min(gas.state.step_s, grown)
                    end = t
        self._block = _Block(begin, end, segments, gas_segment, motions, *before)
        self._end_s = end

    def _mean_area(self, segments: list[ActuatorSegment]) -> float:
        """Mean area of the port over segments in motion."""
        total = 0.0
        for s in segments:
            middle = self._gas.through_line_m2(self._actuator.lift_m(0.5 * (s.travel_0 + s.travel_1)))
            total += middle * (s.end_s - s.begin_s)
        return total / (segments[-1].end_s - segments[0].begin_s)

    def _retire(self) -> None:
        """The running block is history."""
        block = self._block
        if block is None:
            return
        self._motions += block.motions
        if self._sampler is not None and not self._sampler.finished:
            self._sampler.keep(block.actuator, block.gas)
        self._block = None

    def _cut(self) -> None:
        """End the running block here and now, because something is about to change: compute its part again."""
        self._catch_up()
        block, t_s = self._block, self._t_s
        if block is None or self._end_s <= t_s:
            return
        self._actuator.state, self._gas.state = block.from_actuator, block.from_gas
        self._gas.rate_pa_s = block.from_rate_pa_s
        self._block, self._end_s = None, block.begin_s
        sampler, self._sampler = self._sampler, None
        while self._end_s < t_s:
            self._run_block(t_s)
        self._sampler = sampler

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

    def _arrive(self, came: int) -> None:
        if not came:
            return
        self._wire()
        if came & (COIL | METER):
            self._actuator.disturb()
        if came & ~(COIL | METER):
            self._gas.disturb()

    def _wire(self) -> None:
        on = self._relays.arrived
        self._gas.pumping = bool(on & PUMP and on & ISOLATION)
        self._gas.vented = not on & VENT
        self._gas.referenced = bool(on & REFERENCE)
        # The route to the meter opens the supply's path first, whatever K1 does.
        driven = bool(on & COIL) and not on & METER and self._supply_on and not self._circuit.is_open
        if driven != self._circuit.fed:
            self._circuit.feed(driven=driven)

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
        self._gas.ambient_k = self._actuator.ambient_k = kelvin
        self._gas.disturb()

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
        return self.pressure_pa() * self._gas.volume_m3 / (self.gas_mass_kg() * AIR_R)

    def gas_mass_kg(self) -> float:
        """Mass of the gas in the reservoir."""
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
        return self._gas.ambient_k

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
        if not self._is_routed() or self._actuator.state.parted or self._joint.at(self._t_s)[0]:
            return math.inf
        ohm = self._circuit.winding_ohm(self.winding_k()) + self._circuit.coil.plug_ohm + self.bench.four_wire_ohm
        return ohm + (self.bench.lead_ohm if wires == 2 else 0.0)

    def meter_volts(self) -> float:
        """Voltage on the meter's terminals: none but what a current still running down through the diode makes."""
        return -self.bench.diode_v if self._is_routed() and self.coil_current_a() > 1e-4 else 0.0

    def _is_routed(self) -> bool:
        return bool(self._relays.at(self._t_s) & METER)

    def _supply_open_v(self) -> float:
        return self.bench.supply_open_v if self._supply_on else 0.0

    def _segment(self) -> ActuatorSegment | None:
        if self._block is None:
            return None
        for segment in self._block.actuator:
            if self._t_s <= segment.end_s:
                return segment
        return self._block.actuator[-1] if self._block.actuator else None

    # --- recording ----------------------------------------------------------------------------------------------------

    def start_sampler(self, t0_s: float, period_s: float, samples: int) -> WorldSampler:
        """Record at t0_s, t0_s + period_s, and so on. One sampler at a time: an earlier one records no further."""
        self._catch_up()
        self._sampler = WorldSampler(
            t0_s,
            period_s,
            samples,
            not_before_s=self._t_s,
            catch_up=self._catch_up,
        )
        self._sampler.reach(self._t_s)
        return self._sampler

    def _catch_up(self) -> None:
        sampler = self._sampler
        if sampler is None or sampler.finished:
            return
        block = self._still() if self._block is None else self._block
        sampler.fill(
            self._t_s, block.actuator, block.gas, supply_v=self._supply_open_v(), thermistor_k=self._gas.ambient_k
        )

    def _still(self) -> _Block:
        """A block without length that shows the state as it is."""
        a, g, t = self._actuator.state, self._gas.state, self._t_s
        at_rest = (a.current_a, a.current_a, 0.0, 0.0, a.travel_m, a.travel_m, 0.0, 0.0, a.winding_k, a.winding_k)
        c = self._circuit
        segment = ActuatorSegment(t, t, *at_rest, c.source_ohm, c.bypass_a, c.bypass_part)
        flat = (g.mass_kg, 0.0, 0.0, 0.0), (self._gas.pressure_pa, 0.0, 0.0, 0.0), (g.felt_pa, 0.0, 0.0, 0.0)
        return _Block(
            t, t, [segment], GasSegment(t, t, *flat, 0.0, 0.0, self._gas.play_pa, [(0.0, g.shown_pa)]), [], a, g, 0.0
        )

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
