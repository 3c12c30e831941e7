"""Coil and armature, moved on segment by segment: long implicit steps at rest, short explicit ones while it moves.

At rest only current and flux change, on scales from microseconds to minutes: an implicit method with steps as the error
allows. In motion the armature's travel and speed join them: classical Runge-Kutta steps, cut exactly at contacts with
the stops and where the speed changes sign. Breaking away from rest is located on the flux.

Not modelled: sideways play and tilting of the armature, rubber at the seat (a stop is hard), friction that changes with
temperature or wear during the run.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from simulators.world.circuit import Circuit
from simulators.world.coil_at_rest import cross, electric_step
from simulators.world.parameters import ArmatureParameters, PortParameters
from simulators.world.trajectory import ActuatorSegment, ActuatorState, StopEvent, cubic, hermite

__all__ = ["REST_SPEED_M_S", "Actuator"]

MOVE_STEP_S, DAMPED_STEP_S = 25e-6, 40e-6
DAMPED_1_S = 3000.0
"""Viscous friction over mass from which the armature creeps: nothing then happens fast, and longer steps do."""
FAST_LIMIT = 1.6
"""Step times the rate of the fastest electric mode while moving; the method is stable up to 2.78."""
REST_SPEED_M_S = 0.008
"""A slower bounce is not followed."""
RELATIVE = 5e-6
"""Wanted error per step at rest, of the full current and of the knee flux."""
FIRST_S, LONGEST_S = 5e-6, 0.5
JOINT_STEP_S = 0.02
"""Longest step of a coil whose joints fail: the winding warms by less than 0.01 K meanwhile."""
GONE = 1e-7
"""Flux below this part of the knee is taken as none."""


class Actuator:
    """Coil and armature of one valve.

    Parameters
    ----------
    circuit : Circuit
        Electric and magnetic constants.
    armature : ArmatureParameters
        Mechanical ones.
    port : PortParameters
        For the vacuum's force on the seat.
    normally_closed : bool
        Whether the armature at rest closes the port.
    start_k, ambient_k : float
        Temperature of the coil at the beginning, and of its surroundings.

    Attributes
    ----------
    state : ActuatorState
        At the end of the last segment.
    joint_open : bool
        Whether a loose joint is open now; whoever moves the actuator on sets it.
    about_to_move : bool
        Whether the last segment at rest ended because the armature breaks away.
    """

    def __init__(
        self,
        circuit: Circuit,
        armature: ArmatureParameters,
        port: PortParameters,
        *,
        normally_closed: bool,
        start_k: float,
        ambient_k: float,
    ) -> None:
        self.circuit = circuit
        self.armature = armature
        self.ambient_k = ambient_k
        self.about_to_move = False
        self.joint_open = False
        coil = circuit.coil
        self._has_joints = not (coil.opens_k == coil.gap_every_s == math.inf and coil.joint_ohm == 0.0)
        self._viscous_n_s_m = armature.viscous_n_s_m
        self._closed_at_rest = normally_closed
        self._seat_m2 = math.pi / 4.0 * port.seat_m**2
        self._lift_decay_m = port.lift_decay_m
        self._low_m, self._high_m = armature.free_from * armature.stroke_m, armature.free_to * armature.stroke_m
        travel_m = armature.reached(0.0) * armature.stroke_m
        self.state = ActuatorState(0.0, 0.0, travel_m, 0.0, 0.0, False, start_k, start_k, FIRST_S)

    # --- forces -------------------------------------------------------------------------------------------------------

    def lift_m(self, travel_m: float) -> float:
        """Distance of the armature from the seat."""
        return travel_m if self._closed_at_rest else self.armature.stroke_m - travel_m

    def push_n(self, travel_m: float, vacuum_pa: float) -> float:
        """Force of spring and vacuum, in the direction of the magnetic pull. The vacuum holds the valve on its seat."""
        lift = self.lift_m(travel_m) / self._lift_decay_m
        suction = vacuum_pa * self._seat_m2 / (1.0 + lift * lift)
        spring = self.armature.preload_n + self.armature.spring_n_m * travel_m
        return -spring - suction if self._closed_at_rest else suction - spring

    def _heading(self, flux_wb: float, travel_m: float, vacuum_pa: float) -> float:
        """Direction in which an armature at rest breaks away; 0 when it stays."""
        net = self.circuit.pull_n(flux_wb, travel_m) + self.push_n(travel_m, vacuum_pa)
        if net > self.armature.static_n and travel_m < self._high_m:
            return 1.0
        if net < -self.armature.static_n and travel_m > self._low_m:
            return -1.0
        return 0.0

    def break_away(self, t_s: float, vacuum_pa: float) -> StopEvent | None:
        """Let an armature at rest start if the forces say so."""
        state = self.state
        if state.moving or self.armature.blocked is not None:
            return None
        heading = self._heading(state.flux_wb, state.travel_m, vacuum_pa)
        if not heading:
            return None
        state.moving, state.heading = True, heading
        return StopEvent(t_s, "leaves", state.travel_m / self.armature.stroke_m)

    # --- at rest ------------------------------------------------------------------------------------------------------

    @property
    def is_dead(self) -> bool:
        """Neither current nor flux, nor anything to make them."""
        return self.circuit.is_open or not (
            self.circuit.driven or self.state.current_a > 0.0 or self.state.flux_wb != 0.0
        )

    def _feel_joints(self) -> None:
        """Part or join the winding as its temperature and a loose joint have it."""
        coil, state = self.circuit.coil, self.state
        if state.winding_k >= coil.opens_k:
            state.parted = True
        elif state.winding_k <= coil.closes_k:
            state.parted = False
        interrupted = state.parted or self.joint_open
        self.circuit.interrupt(interrupted=interrupted)
        if interrupted != state.interrupted:
            state.interrupted = interrupted
            state.step_s = FIRST_S
        if interrupted:
            state.current_a = 0.0

    def disturb(self) -> None:
        """Something has been switched: begin with short steps again."""
        self.state.step_s = FIRST_S

    def rest(self, begin_s: float, limit_s: float, vacuum_pa: float) -> ActuatorSegment:
        """Move on at rest by one step, to `limit_s` at most, or to where the armature breaks away."""
        state = self.state
        travel = state.travel_m
        self.about_to_move = False
        if self._has_joints:
            self._feel_joints()
            limit_s = min(limit_s, begin_s + JOINT_STEP_S)
        if self.is_dead:
            warm = state.winding_k
            self._heat(limit_s - begin_s, 0.0)
            bypass = self.circuit.bypass_a, self.circuit.bypass_part
            return ActuatorSegment(
                begin_s, limit_s, 0.0, 0.0, 0.0, 0.0, travel, travel, 0.0, 0.0, warm, state.winding_k, 0.0, *bypass
            )
        current, flux = state.current_a, state.flux_wb
        room = limit_s - begin_s
        ohm, drift = self._loop()
        step, slope = electric_step(self.circuit, current, flux, travel, ohm, drift)
        h = min(state.step_s, room)
        scale_i, scale_f = RELATIVE * self.circuit.full_a, RELATIVE * self.circuit.coil.saturation_wb
        while True:
            current_1, flux_1, error_i, error_f = step(h)
            error = max(abs(error_i) / scale_i, abs(error_f) / scale_f)
            if error <= 1.0 or h < 1e-8:
                break
            h *= max(0.2, 0.85 * error ** (-1.0 / 3.0))
        growth = min(0.85 * max(error, 1e-4) ** (-1.0 / 3.0), 5.0)
        state.step_s = min(h * growth, LONGEST_S) if h < room or growth < 1.0 else max(state.step_s, h)
        if not self.circuit.driven and current > 0.0 and current_1 < 0.0:
            h = cross(lambda s: step(s)[0], 0.0, h, current_1)
            _, flux_1, _, _ = step(h)
            current_1 = 0.0
            state.step_s = FIRST_S
        if self.armature.blocked is None and self._heading(flux_1, travel, vacuum_pa):
            self.about_to_move = True
            h = self._locate(step, h, travel, vacuum_pa)
            current_1, flux_1, _, _ = step(h)
            current_1 = current_1 if self.circuit.driven else max(current_1, 0.0)
        if not self.circuit.driven and current_1 == 0.0 and abs(flux_1) < GONE * self.circuit.coil.saturation_wb:
            flux_1 = 0.0
        slope_0, slope_1 = slope(current, flux, h, 0.0), slope(current_1, flux_1, h, h)
        middle = 0.5 * (current + current_1) + 0.125 * h * (slope_0 - slope_1)
        warm = state.winding_k
        self._heat(h, (current * current + 4.0 * middle * middle + current_1 * current_1) / 6.0)
        state.current_a, state.flux_wb = current_1, flux_1
        end_s = limit_s if h >= room else begin_s + h
        c = self.circuit
        at_rest = (travel, travel, 0.0, 0.0, warm, state.winding_k, c.source_ohm, c.bypass_a, c.bypass_part)
        return ActuatorSegment(begin_s, end_s, current, current_1, slope_0, slope_1, *at_rest)

    def _loop(self) -> tuple[float, float]:
        """Resistance of the current's loop, and its drift as the winding warms."""
        c, state = self.circuit, self.state
        if c.is_open:
            return math.inf, 0.0
        ohm = c.winding_ohm(state.winding_k)
        watts = state.current_a * state.current_a * ohm - c.coil.winding_body_w_k * (state.winding_k - state.body_k)
        return ohm + c.loop_ohm, c.warming_ohm_k(state.winding_k) * watts / c.coil.winding_j_k

    def _locate(
        self, step: Callable[[float], tuple[float, float, float, float]], h: float, travel: float, vacuum_pa: float
    ) -> float:
        """Instant within a step at which the forces break the armature away, to a nanosecond."""
        low, high = 0.0, h
        while high - low > 1e-9:
            middle = 0.5 * (low + high)
            if self._heading(step(middle)[1], travel, vacuum_pa):
                high = middle
            else:
                low = middle
        return high

    def idle(self, seconds: float) -> None:
        """Let time pass with the plug pulled: the coil cools, current and flux are gone, the armature is at rest."""
        state = self.state
        state.current_a = state.flux_wb = state.speed_m_s = 0.0
        state.travel_m, state.moving = self.armature.reached(0.0) * self.armature.stroke_m, False
        steps = math.ceil(seconds)
        for _ in range(steps):
            self._heat(seconds / steps, 0.0)

    def _heat(self, h: float, mean_square_a2: float) -> None:
        """Move winding and body on in temperature (Heun's rule; the time constants are tens of seconds)."""
        coil, state = self.circuit.coil, self.state
        watts = mean_square_a2 * self.circuit.winding_ohm(state.winding_k) if mean_square_a2 else 0.0

        def rates(winding_k: float, body_k: float) -> tuple[float, float]:
            passed = coil.winding_body_w_k * (winding_k - body_k)
            lost = coil.body_ambient_w_k * (body_k - self.ambient_k)
            return (watts - passed) / coil.winding_j_k, (passed - lost) / coil.body_j_k

        w0, b0 = rates(state.winding_k, state.body_k)
        w1, b1 = rates(state.winding_k + h * w0, state.body_k + h * b0)
        state.winding_k += 0.5 * h * (w0 + w1)
        state.body_k += 0.5 * h * (b0 + b1)

    def _viscous(self) -> float:
        """Viscous friction as it is now: warm, and with what dirt is left."""
        arm = self.armature
        viscous = arm.viscous_n_s_m + arm.dirt_n_s_m * self.dirt_left
        if self.state.winding_k > arm.sticks_from_k:
            viscous += arm.sticks_n_s_m_k * (self.state.winding_k - arm.sticks_from_k)
        return viscous

    @property
    def dirt_left(self) -> float:
        """Part of the dirt that the clicks so far have left."""
        return self.armature.dirt_left(self.state.strokes // 2)

    # --- in motion ----------------------------------------------------------------------------------------------------

    def move(
        self, begin_s: float, limit_s: float, vacuum_pa: float, vacuum_rate_pa_s: float
    ) -> tuple[list[ActuatorSegment], list[StopEvent]]:
        """Move on in short steps to `limit_s`, or to where the armature comes to rest."""
        state, c = self.state, self.circuit
        segments: list[ActuatorSegment] = []
        motions: list[StopEvent] = []
        if self._has_joints:
            self._feel_joints()
        self._viscous_n_s_m = self._viscous()
        ohm, _ = self._loop()
        step_s = DAMPED_STEP_S if self._viscous_n_s_m > DAMPED_1_S * self.armature.mass_kg else MOVE_STEP_S
        longest = min(step_s, FAST_LIMIT / c.fast_rate(ohm)) if not c.is_open else step_s
        t = begin_s
        squares = 0.0
        while state.moving and t < limit_s:
            h = limit_s - t
            if h > longest:
                h = longest
            vacuum = vacuum_pa + vacuum_rate_pa_s * (t - begin_s)
            h, segment, motion = self._move_step(t, h, ohm, vacuum)
            squares += h * 0.5 * (segment.current_0**2 + segment.current_1**2)
            segments.append(segment)
            if motion is not None:
                motions.append(motion)
            t = segment.end_s
            if limit_s - t < 1e-10:
                segments[-1] = segment._replace(end_s=limit_s)
                t = limit_s
        span = t - begin_s
        if span > 0.0:
            self._heat(span, squares / span)
        if not state.moving:
            self.disturb()
        return segments, motions

    def _move_step(
        self, t: float, h: float, ohm: float, vacuum: float
    ) -> tuple[float, ActuatorSegment, StopEvent | None]:
        """Take one step in motion, cut short at a contact or where the speed changes sign."""
        state, arm = self.state, self.armature
        i, f, x, v = state.current_a, state.flux_wb, state.travel_m, state.speed_m_s
        heading = state.heading
        i1, f1, x1, v1 = self._runge_kutta(i, f, x, v, h, ohm, vacuum)
        motion = None
        stop = self._high_m if heading > 0.0 else self._low_m
        first_slope = self._current_slope(i, f, x, ohm)
        arrived_v = v1
        if (x1 - stop) * heading > 0.0:
            path = hermite(h, x - stop, x1 - stop, v, v1)
            h = cross(lambda s: cubic(path, s), 0.0, h, x1 - stop)
            i1, f1, _, arrived_v = self._runge_kutta(i, f, x, v, h, ohm, vacuum)
            x1 = stop
            v1 = -arm.restitution * arrived_v
            motion = StopEvent(t + h, "meets", x1 / arm.stroke_m)
            state.strokes += state.strokes % 2 == (0 if heading > 0.0 else 1)
            state.heading = -heading
            if abs(v1) < REST_SPEED_M_S:
                v1 = 0.0
                self._settle(f1, x1, vacuum)
        elif v1 * heading < 0.0:
            if v * heading > 0.0:
                h *= v / (v - v1)
                i1, f1, x1, _ = self._runge_kutta(i, f, x, v, h, ohm, vacuum)
            else:
                x1 = x
            v1 = arrived_v = 0.0
            self._settle(f1, x1, vacuum)
        state.current_a, state.flux_wb, state.travel_m, state.speed_m_s = i1, f1, x1, v1
        slope_1 = self._current_slope(i1, f1, x1, ohm)
        warm, c = state.winding_k, self.circuit
        fixed = (warm, warm, c.source_ohm, c.bypass_a, c.bypass_part)
        segment = ActuatorSegment(t, t + h, i, i1, first_slope, slope_1, x, x1, v, arrived_v, *fixed)
        return h, segment, motion

    def _settle(self, flux: float, travel: float, vacuum: float) -> None:
        """Without speed: start again where the forces point, or come to rest."""
        heading = self._heading(flux, travel, vacuum)
        self.state.heading = heading
        self.state.moving = heading != 0.0

    def _current_slope(self, i: float, f: float, x: float, ohm: float) -> float:
        c = self.circuit
        if c.is_open:
            return 0.0
        rate = (c.turns * i - c.drive_a(f, x)) * c.inverse_eddy
        slope = (c.emf_v - ohm * i - c.turns * rate) * c.inverse_leakage
        return 0.0 if not c.driven and i <= 0.0 and slope < 0.0 else slope

    def _runge_kutta(
        self, i: float, f: float, x: float, v: float, h: float, ohm: float, vacuum: float
    ) -> tuple[float, float, float, float]:
        """One classical step of current, flux, travel and speed."""
        c, arm = self.circuit, self.armature
        turns, inv_l, inv_g, emf, driven = c.turns, c.inverse_leakage, c.inverse_eddy, c.emf_v, c.driven
        iron, knee, fringe, inv_a = c.iron, c.inverse_knee2, c.fringe_1_m, c.inverse_area
        widest = c.stroke_m + c.coil.residual_gap_m
        closed_at_rest, stroke = self._closed_at_rest, arm.stroke_m
        inv_m, inv_d = 1.0 / arm.mass_kg, 1.0 / self._lift_decay_m
        suction = -vacuum * self._seat_m2 if closed_at_rest else vacuum * self._seat_m2
        preload = arm.preload_n + self.state.heading * arm.coulomb_n
        spring, viscous, dead = arm.spring_n_m, self._viscous_n_s_m, c.is_open

        def slopes(i: float, f: float, x: float, v: float) -> tuple[float, float, float]:
            gap = widest - x
            wide = 1.0 + fringe * gap
            u = f * f * knee
            rate = (turns * i - f * (gap * inv_a / wide + iron * (1.0 + u * u * u))) * inv_g
            if dead:
                rate = slope = 0.0
            else:
                slope = (emf - ohm * i - turns * rate) * inv_l
                if not driven and i <= 0.0 and slope < 0.0:
                    slope = 0.0
            lift = (x if closed_at_rest else stroke - x) * inv_d
            force = 0.5 * f * f * inv_a / (wide * wide) + suction / (1.0 + lift * lift)
            return slope, rate, (force - preload - spring * x - viscous * v) * inv_m

        half = 0.5 * h
        i1, f1, a1 = slopes(i, f, x, v)
        v2 = v + half * a1
        i2, f2, a2 = slopes(i + half * i1, f + half * f1, x + half * v, v2)
        v3 = v + half * a2
        i3, f3, a3 = slopes(i + half * i2, f + half * f2, x + half * v2, v3)
        v4 = v + h * a3
        i4, f4, a4 = slopes(i + h * i3, f + h * f3, x + h * v3, v4)
        sixth = h / 6.0
        i_new = i + sixth * (i1 + 2.0 * (i2 + i3) + i4)
        return (
            i_new if driven or i_new > 0.0 else 0.0,
            f + sixth * (f1 + 2.0 * (f2 + f3) + f4),
            x + sixth * (v + 2.0 * (v2 + v3) + v4),
            v + sixth * (a1 + 2.0 * (a2 + a3) + a4),
        )
