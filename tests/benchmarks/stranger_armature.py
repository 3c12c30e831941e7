"""The armature and the loop around its coil, marched in time: contact, friction, bounces, what drives the coil.

Fourth-order Runge-Kutta steps, shortened where something happens (arrival, departure, switching), to end on it.
The formulations of the magnetic circuit are in `stranger_magnetics.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from stranger_magnetics import Magnet, State

__all__ = ["Barrier", "Drive", "Event", "Mechanics", "Run", "clamp", "diode", "march"]

CREEP = 2e-3
"""Speed below which dry friction fades, m/s."""


@dataclass(frozen=True)
class Barrier:
    """Something in the way at `at_m` for motion in `direction` (+1 towards the pole), passed by more than `hold_n`."""

    at_m: float
    direction: int
    hold_n: float = math.inf


@dataclass(frozen=True)
class Mechanics:
    """Moving part. Forces in N, positive when they push the armature back to rest.

    The gas (vacuum on the seat) pushes with `gas_n`, falling off over `gas_reach_m`; `stick_n` holds only at rest.
    """

    mass_kg: float
    stroke_m: float
    preload_n: float
    spring_n_m: float
    damping_n_s_m: float = 0.0
    friction_n: float = 0.0
    restitution: float = 0.0
    gas_n: float = 0.0
    gas_reach_m: float = 1e-4
    stick_n: float = 0.0
    stuck: bool = False
    barriers: tuple[Barrier, ...] = ()

    def back(self, x: float) -> float:
        gas = self.gas_n * math.exp(min(-x / self.gas_reach_m, 50.0)) if self.gas_n else 0.0
        return self.preload_n + self.spring_n_m * x + gas


@dataclass(frozen=True)
class Drive:
    """Until `until_s` the loop has this source, V from (time s, current A), and this resistance, ohm."""

    until_s: float
    source: Callable[[float, float], float]
    ohm: float
    name: str = "on"


def diode(forward_v: float, knee_a: float = 2e-3, ohm: float = 0.05) -> Callable[[float, float], float]:
    """Drop of a freewheel diode, which rounds off below its knee."""
    return lambda t, i: -forward_v * math.tanh(i / knee_a) - ohm * i


def clamp(volt: float, knee_a: float) -> Callable[[float, float], float]:
    """Zener clamp: its knee must be wide enough not to make the equations stiff."""
    return lambda t, i: -volt * math.tanh(i / knee_a)


@dataclass(frozen=True)
class Event:
    """`name`: leave, arrive, stop (at a barrier). `x_m` where it was; `speed` before it."""

    t_s: float
    name: str
    x_m: float
    speed_m_s: float


@dataclass
class Run:
    """What happened: at the end of each step the time, state, current; and the events."""

    t: list[float] = field(default_factory=list)
    i: list[float] = field(default_factory=list)
    x: list[float] = field(default_factory=list)
    v: list[float] = field(default_factory=list)
    m: list[State] = field(default_factory=list)
    u: list[float] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def first(self, name: str, after_s: float, low_m: float, high_m: float) -> Event | None:
        for event in self.events:
            if event.name == name and event.t_s >= after_s and low_m <= event.x_m <= high_m:
                return event
        return None

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Current at these times, A; zero before the first."""
        return np.interp(time_s, self.t, self.i, left=0.0)


def _crosses(wall: Barrier, x: float, x1: float) -> bool:
    return wall.direction * (x - wall.at_m) <= 1e-12 < wall.direction * (x1 - wall.at_m)


def march(
    magnet: Magnet, mechanics: Mechanics, drives: Sequence[Drive], *, finer: float = 1.0, longest_s: float = 2.5e-4
) -> Run:
    """March through all drives from rest without current. `finer` divides the steps."""
    run = Run()
    stroke, mass = mechanics.stroke_m, mechanics.mass_kg
    damping, friction, restitution = mechanics.damping_n_s_m, mechanics.friction_n, mechanics.restitution
    back, rates_of, force_of = mechanics.back, magnet.rates, magnet.force
    t, x, v, m = 0.0, 0.0, 0.0, magnet.rest
    held: Barrier | None = Barrier(0.0, -1)
    walls = (Barrier(0.0, -1), Barrier(stroke, 1), *mechanics.barriers)
    passed: Barrier | None = None

    def slopes(t: float, x: float, v: float, m: State, drive: Drive, free: bool) -> tuple[float, float, State]:
        source = drive.source
        rate = rates_of(m, x, v, lambda i: source(t, i), drive.ohm)
        if not free:
            return 0.0, 0.0, rate
        f = force_of(m, x) - back(x) - damping * v
        if friction:
            f -= friction * math.tanh(v / CREEP)
        return v, f / mass, rate

    def step(h: float, drive: Drive, free: bool) -> tuple[float, float, State]:
        g = 0.5 * h
        a, b, c = slopes(t, x, v, m, drive, free)
        n = tuple(p + g * q for p, q in zip(m, c, strict=True))
        a2, b2, c2 = slopes(t + g, x + g * a, v + g * b, n, drive, free)
        n = tuple(p + g * q for p, q in zip(m, c2, strict=True))
        a3, b3, c3 = slopes(t + g, x + g * a2, v + g * b2, n, drive, free)
        n = tuple(p + h * q for p, q in zip(m, c3, strict=True))
        a4, b4, c4 = slopes(t + h, x + h * a3, v + h * b3, n, drive, free)
        s = h / 6.0
        weighed = tuple(p + s * (q + 2.0 * (q2 + q3) + q4) for p, q, q2, q3, q4 in zip(m, c, c2, c3, c4, strict=True))
        return x + s * (a + 2.0 * (a2 + a3) + a4), v + s * (b + 2.0 * (b2 + b3) + b4), weighed

    def lets_go(x: float, m: State) -> float:
        """Above zero when the armature leaves what holds it, N."""
        assert held is not None
        push = force_of(m, x) - back(x)
        if held.at_m == 0.0 and held.direction < 0:
            return push - friction - mechanics.stick_n
        away = -held.direction * push - friction
        through = held.direction * push - friction - held.hold_n
        return max(away, through)

    def keep(source: Callable[[float, float], float]) -> None:
        i = magnet.current(m, x)
        run.t.append(t)
        run.i.append(i)
        run.x.append(x)
        run.v.append(v)
        run.m.append(m)
        run.u.append(source(t, i))

    coarse = longest_s / finer
    fine, h_moving = 1.2e-5 / finer, 5e-5 / finer
    scale = 1e-9
    for drive in drives:
        keep(drive.source)
        h = fine
        while t < drive.until_s - 1e-12:
            free = held is None
            h = min(h, 2.0 / magnet.quickest(m), h_moving if free else coarse, drive.until_s - t)
            if free:  # damping, and friction near standstill, are stiff
                h = min(h, 2.0 * mass / (damping + (friction / CREEP if abs(v) < 4.0 * CREEP else 0.0) + 1e-30))
            x1, v1, m1 = step(h, drive, free)
            happened = ""
            if free:
                wall = next((w for w in walls if w is not passed and _crosses(w, x, x1)), None)
                if wall is not None:
                    lo, hi, at = 0.0, h, h
                    got = x1, v1, m1
                    at = h * min(max((wall.at_m - x) / (x1 - x), 0.05), 0.95)
                    while hi - lo > 1e-7:
                        got = step(at, drive, True)
                        past = wall.direction * (got[0] - wall.at_m)
                        if abs(past) < 1e-7 * stroke + 1e-7 * abs(got[1]):
                            break
                        lo, hi = (lo, at) if past > 0.0 else (at, hi)
                        newton = at - (got[0] - wall.at_m) / got[1] if got[1] else lo
                        at = newton if lo < newton < hi else 0.5 * (lo + hi)
                    h, (x1, v1, m1) = at, got
                    happened = "arrive"
            elif not mechanics.stuck:
                due = lets_go(x1, m1)
                if due > 0.0:
                    before = lets_go(x, m)
                    if before < 0.0 and h > 1e-6:
                        h *= before / (before - due)
                        x1, v1, m1 = step(h, drive, False)
                    happened = "leave"
            t, x, v, m = t + h, x1, v1, m1
            i0 = run.i[-1]
            keep(drive.source)
            change = abs(run.i[-1] - i0)
            scale = max(scale, abs(run.i[-1]))
            if happened == "arrive":
                assert wall is not None
                run.events.append(Event(t, "arrive", wall.at_m, abs(v)))
                end = wall.at_m in (0.0, stroke)
                x, v = wall.at_m, -restitution * v if end else 0.0
                if abs(v) < 0.01 or not end:
                    v, held = 0.0, wall
            elif happened == "leave":
                assert held is not None
                run.events.append(Event(t, "leave", held.at_m, 0.0))
                passed = held if force_of(m, x) * held.direction > back(x) * held.direction else None
                held = None
            if passed is not None and abs(x - passed.at_m) > 0.02 * stroke:
                passed = None
            if happened:
                h = fine
            elif change < 6e-3 * scale:
                h *= 1.4
            elif change > 1.5e-2 * scale:
                h = max(h * 0.7, fine)
    return run
