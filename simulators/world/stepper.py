"""How bench and valve are moved on: in blocks that depend on what happens in them and on nothing else.

A block is one step of the gas with the steps of the actuator within it. Blocks follow each other without regard to
where calls of `Stepper.advance_to` stop; readings between are interpolated. So ``advance_to(a); advance_to(b)`` gives
the same as ``advance_to(b)``, to the last bit. Only a change from outside (an output, a fault) cuts a block short.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from simulators.world.actuator import Actuator
from simulators.world.circuit import Circuit
from simulators.world.gas import Gas
from simulators.world.loose_joint import LooseJoint
from simulators.world.nozzle import leak_area_m2
from simulators.world.parameters import ROOM_MOST_K, BenchParameters, ValveParameters
from simulators.world.relays import COIL, ISOLATION, METER, PUMP, REFERENCE, VENT, Relays
from simulators.world.sampler import WorldSampler
from simulators.world.trajectory import ActuatorSegment, ActuatorState, GasSegment, GasState, StopEvent, cubic

__all__ = ["Stepper"]

MOVING_GAS_S = 250e-6
"""Longest step of the gas while the armature moves."""
ROOM_S = 0.25
"""Longest block while the room's temperature drifts: its air is taken to have that of the beginning."""


@dataclass(slots=True)
class _Block:
    """What happens between two instants, and the state it began from."""

    begin_s: float
    end_s: float
    actuator: list[ActuatorSegment]
    gas: GasSegment
    motions: list[StopEvent]
    from_actuator: ActuatorState
    from_gas: GasState
    from_rate_pa_s: float


class Stepper:
    """Time in the world: what `World` builds on. Parameters as there."""

    def __init__(self, bench: BenchParameters, valve: ValveParameters, *, seed: int) -> None:
        draw = random.Random(f"world {seed}")
        self.bench = bench
        self.valve = valve
        self._motions: list[StopEvent] = []
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
        self._room_k_s = bench.room_k_s
        self._room_from = 0.0, bench.ambient_k
        self._wire()

    @property
    def t_s(self) -> float:
        """Where the world stands, in seconds."""
        return self._t_s

    @property
    def motions(self) -> list[StopEvent]:
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
        self._actuator.joint_open, toggle_s = self._joint_at(begin)
        limit_s = min(limit_s, toggle_s)
        if self._room_k_s:
            self._gas.ambient_k = self._actuator.ambient_k = self._room_k(begin)
            limit_s = min(limit_s, begin + ROOM_S)
        gas, actuator = self._gas, self._actuator
        before = actuator.state.copy(), gas.state.copy(), gas.rate_pa_s
        motions: list[StopEvent] = []
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

    def _room_k(self, t_s: float) -> float:
        """Temperature of the room's air."""
        since_s, from_k = self._room_from
        gone_k = self._room_k_s * (t_s - since_s)
        return from_k + min(max(gone_k, -ROOM_MOST_K), ROOM_MOST_K)

    def _joint_at(self, t_s: float) -> tuple[bool, float]:
        """Whether a loose joint is open, and when that changes."""
        is_open, toggle_s = self._joint.at(t_s)
        return is_open and not (self._circuit.coil.gap_under_load and not self._relays.arrived & COIL), toggle_s

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

    # --- what is switched ---------------------------------------------------------------------------------------------

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
        if self._gas.tank is None:
            self._gas.pumping = bool(on & PUMP and on & ISOLATION)
        else:
            self._gas.joined, self._gas.tank.driven = bool(on & ISOLATION), bool(on & PUMP)
        self._gas.vented = not on & VENT
        self._gas.referenced = bool(on & REFERENCE)
        # The route to the meter opens the supply's path first, whatever K1 does.
        driven = bool(on & COIL) and not on & METER and self._supply_on and not self._circuit.is_open
        if driven != self._circuit.fed:
            self._circuit.feed(driven=driven)

    def _supply_open_v(self) -> float:
        return self.bench.supply_open_v if self._supply_on else 0.0

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
            self._t_s, block.actuator, block.gas, supply_v=self._supply_open_v(), thermistor_k=self._room_k(self._t_s)
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

    def _segment(self) -> ActuatorSegment | None:
        if self._block is None:
            return None
        for segment in self._block.actuator:
            if self._t_s <= segment.end_s:
                return segment
        return self._block.actuator[-1] if self._block.actuator else None
