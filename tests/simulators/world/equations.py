"""Coil and armature written down anew for a general solver: the reference that the world's own stepping is held to.

The equations are those in simulators/README.md. Contacts, breaking away, turning round and the diode's blocking are
events of the solver; between events the right-hand side is smooth.
"""

import math

import numpy as np
from scipy.integrate import solve_ivp

MU_0 = 4e-7 * math.pi
TOLERANCES = {"method": "LSODA", "rtol": 1e-9, "atol": [1e-11, 1e-14, 1e-13, 1e-10], "max_step": 5e-4}


class Reference:
    """A valve in front of a constant vacuum, its winding at a constant resistance."""

    def __init__(self, bench, valve, vacuum_pa=0.0):
        self.bench, self.valve, self.vacuum_pa = bench, valve, vacuum_pa
        self.r = valve.coil.r20_ohm * (1 + 0.00393 * (bench.ambient_k - 293.15))
        self.driven = self.conducts = True
        self.heading = 0

    def reluctances(self, x):
        """Of the working gap, and its fall with travel."""
        c = self.valve.coil
        g = self.valve.armature.stroke_m - x + c.residual_gap_m
        area = MU_0 * c.pole_m2
        return g / (area * (1 + c.fringe_1_m * g)), 1 / (area * (1 + c.fringe_1_m * g) ** 2)

    def flux_rate(self, i, flux, x):
        c = self.valve.coil
        drop = flux * (self.reluctances(x)[0] + c.fixed_reluctance * (1 + (flux / c.saturation_wb) ** 6))
        return (c.turns * i - drop) / c.eddy_s

    def net_n(self, flux, x):
        """Force on the armature without friction."""
        a, p = self.valve.armature, self.valve.port
        lift = x if self.valve.normally_closed else a.stroke_m - x
        suction = self.vacuum_pa * math.pi / 4 * p.seat_m**2 / (1 + (lift / p.lift_decay_m) ** 2)
        sign = -1 if self.valve.normally_closed else 1
        return 0.5 * flux**2 * self.reluctances(x)[1] - a.preload_n - a.spring_n_m * x + sign * suction

    def slopes(self, _t, y):
        b, c, a = self.bench, self.valve.coil, self.valve.armature
        i, flux, x, v = y
        d_flux = self.flux_rate(i, flux, x)
        d_i = 0.0
        if self.conducts:
            volts = b.supply_open_v if self.driven else -b.diode_v
            ohm = self.r + c.plug_ohm + b.shunt_ohm + (b.source_ohm if self.driven else 0)
            d_i = (volts - ohm * i - c.turns * d_flux) / c.leakage_h
        if self.heading == 0:
            return d_i, d_flux, 0.0, 0.0
        force = self.net_n(flux, x) - self.heading * a.coulomb_n - a.viscous_n_s_m * v
        return d_i, d_flux, v, force / a.mass_kg

    def events(self):
        """Name, and function that passes zero upwards."""
        a, heading = self.valve.armature, self.heading
        stop = a.stroke_m if heading > 0 else 0.0
        if heading:
            yield "meets", lambda t, y: heading * (y[2] - stop)
            yield "turns", lambda t, y: -heading * y[3] - 1e-9
        elif a.blocked is None:
            yield "leaves up", lambda t, y: self.net_n(y[1], y[2]) - a.static_n if y[2] < a.stroke_m else -1.0
            yield "leaves down", lambda t, y: -self.net_n(y[1], y[2]) - a.static_n if y[2] > 0 else -1.0
        if not self.driven and self.conducts:
            yield "blocks", lambda t, y: -y[0]
        elif not self.driven:
            turns, diode_v = self.valve.coil.turns, self.bench.diode_v
            yield "conducts", lambda t, y: -turns * self.flux_rate(0.0, y[1], y[2]) - diode_v

    def run(self, start, t, until, driven, at, rest_speed):
        """Integrate to `until`. Returns the state, what happened when, and the current at the instants asked for."""
        a = self.valve.armature
        y, happened, current = np.array(start, dtype=float), [], {}
        self.driven, self.conducts = driven, driven or start[0] > 0
        self.heading = self.towards(y)
        while t < until:
            named = list(self.events())
            for _, f in named:
                f.terminal, f.direction = True, 1
            s = solve_ivp(
                self.slopes, (t, until), y, dense_output=True, events=[f for _, f in named] or None, **TOLERANCES
            )
            y, end = s.y[:, -1].copy(), s.t[-1]
            current |= {k: s.sol(k)[0] for k in at if t < k <= end}
            t = end
            what = next((named[k][0] for k, hits in enumerate(s.t_events or []) if len(hits)), "")
            if what == "blocks":
                y[0], self.conducts = 0.0, False
            elif what == "conducts":
                self.conducts = True
            elif what.startswith("leaves"):
                self.heading = 1 if what.endswith("up") else -1
                happened.append((t, "leaves"))
            elif what == "meets":
                happened.append((t, "meets"))
                y[2] = a.stroke_m if self.heading > 0 else 0.0
                y[3] *= -a.restitution
                self.heading = -self.heading
                if abs(y[3]) < rest_speed:
                    y[3], self.heading = 0.0, self.towards(y)
            elif what == "turns":
                y[3], self.heading = 0.0, self.towards(y)
        return y, happened, current

    def towards(self, y):
        """Direction in which an armature without speed sets off."""
        a = self.valve.armature
        net = 0.0 if a.blocked is not None else self.net_n(y[1], y[2])
        if net > a.static_n and y[2] < a.stroke_m:
            return 1
        return -1 if net < -a.static_n and y[2] > 0 else 0
