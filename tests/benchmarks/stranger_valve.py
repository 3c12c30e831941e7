"""Coils, armatures and supplies that a workshop could meet, drawn from broad ranges and marched through a pulse.

A draw that does not pull in within 3 to 40 ms or drop out within 2 to 40 ms is drawn again, so that every class starts
from a working valve, to which its fault is then added.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from stranger_armature import Drive, Mechanics, Run, diode, march
from stranger_magnetics import DiffusionLadder, Gap, Iron, Magnet, ReluctanceNetwork, SaturableCoil

__all__ = ["ANY", "Valve", "Want", "changed", "draw_valve", "log_uniform", "pulse_drives"]

FORMULATIONS = ("network", "ladder", "inductance")


@dataclass(frozen=True)
class Want:
    """What a class asks of the draw; ranges are (low, high), and log-uniform where both are above zero."""

    formulations: tuple[str, ...] = FORMULATIONS
    pull_in_ms: tuple[float, float] = (3.0, 40.0)
    drop_out_ms: tuple[float, float] = (2.0, 40.0)
    flight_ms: tuple[float, float] = (1.0, 8.0)
    damping: tuple[float, float] = (0.05, 0.8)
    restitution: tuple[float, float] = (0.0, 0.2)
    picks_at: tuple[float, float] = (0.3, 0.85)
    lets_go_at: tuple[float, float] = (0.2, 0.6)
    spring_part: tuple[float, float] = (0.5, 3.0)
    friction: tuple[float, float] = (0.0, 0.06)
    eddy_ms: tuple[float, float] = (0.2, 3.0)
    coercive: tuple[float, float] = (0.0, 0.03)
    tau_ms: tuple[float, float] = (2.0, 15.0)
    open_part: tuple[float, float] = (0.35, 0.8)
    settles_in: tuple[float, float] = (6.0, 14.0)
    saturates_at: tuple[float, float] = (0.7, 2.5)
    stuck: bool = False
    works: bool = True


ANY = Want()


@dataclass(frozen=True)
class Valve:
    """One valve with its loop: winding and source, the pulse and how it is released."""

    magnet: Magnet
    mechanics: Mechanics
    ohm: float
    supply_v: float
    pulse_s: float
    forward_v: float
    tau_s: float

    @property
    def steady_a(self) -> float:
        return self.supply_v / self.ohm


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high)))) if low > 0 else float(rng.uniform(low, high))


def _magnet(rng: np.random.Generator, want: Want, seated_h: float, full_a: float, stroke: float) -> Magnet:
    """A magnetic circuit of this inductance when seated, that begins to saturate somewhere about the full current."""
    kind = want.formulations[int(rng.integers(len(want.formulations)))]
    open_h = seated_h * rng.uniform(*want.open_part)
    if kind == "inductance":
        saturation = full_a * log_uniform(rng, *want.saturates_at)
        return SaturableCoil(open_h, seated_h - open_h, saturation, rng.uniform(0.0, 0.8), stroke)
    iron_part = rng.uniform(0.05, 0.3)
    r_seated, r_open = (1.0 - iron_part) / seated_h, 1.0 / open_h - iron_part / seated_h
    fringe = rng.uniform(0.0, 0.6) / stroke
    least = _least_gap(r_open / r_seated, fringe, stroke)
    gap = Gap(least / (1.0 + fringe * least) / r_seated, least, fringe)
    iron_h = seated_h / iron_part
    saturation = seated_h * full_a * log_uniform(rng, *want.saturates_at)
    if kind == "network":
        law = ("power", "froehlich", "tanh")[int(rng.integers(3))]
        more = {"power": 1.0, "froehlich": 2.0, "tanh": 1.2}[law]
        return ReluctanceNetwork(
            gap,
            Iron(law, iron_h, saturation * more, int(rng.choice([4, 6, 8]))),
            stroke,
            leakage_h=seated_h * rng.uniform(0.02, 0.15),
            coercive_a=full_a * rng.uniform(*want.coercive),
            turn_wb=seated_h * full_a * rng.uniform(0.05, 0.2),
        )
    count = int(rng.integers(5, 7))
    shells = [Iron("power", iron_h / count, saturation / count * 1.4, 4, 1.0) for _ in range(count)]
    # a loop so that the flux has gone into the core after about this time, with the gap closed
    # count^2 shells in series of resistance and inductance: the slowest rate is (pi / 2 count)^2 of one loop's
    ohm = shells[0].inductance_h * (2.0 * count / math.pi) ** 2 / (log_uniform(rng, *want.eddy_ms) * 1e-3)
    ohm = min(ohm, 5e3 * shells[0].inductance_h)
    return DiffusionLadder(gap, shells, [ohm] * (count - 1), stroke)


def _least_gap(ratio: float, fringe: float, stroke: float) -> float:
    """Gap that remains when seated, for this ratio of the gap's magnetising currents open and seated, by bisection."""
    low, high = 1e-9, 100.0 * stroke
    for _ in range(80):
        g = math.sqrt(low * high)
        got = (g + stroke) / (1.0 + fringe * (g + stroke)) * (1.0 + fringe * g) / g
        low, high = (g, high) if got > ratio else (low, g)
    return g


def _force_at(magnet: Magnet, current: float, x: float) -> float:
    """Force at a settled current, N: the flux is looked for by bisection."""
    if isinstance(magnet, SaturableCoil):
        return magnet.force((current,), x)
    low, high = 0.0, 10.0
    n = len(magnet.rest)
    for _ in range(60):
        flux = 0.5 * (low + high)
        m = (flux, 0.0) if isinstance(magnet, ReluctanceNetwork) else tuple(flux * (n - k) / n for k in range(n))
        low, high = (flux, high) if magnet.current(m, x) < current else (low, flux)
    return magnet.force(m, x)


def _draw(rng: np.random.Generator, want: Want) -> Valve | None:
    ohm, volt = log_uniform(rng, 14.0, 60.0), rng.uniform(9.0, 16.0)
    full = volt / ohm
    tau = log_uniform(rng, *want.tau_ms) * 1e-3
    stroke = log_uniform(rng, 0.4e-3, 2.5e-3)
    magnet = _magnet(rng, want, tau * ohm, full, stroke)
    opens = _force_at(magnet, full * rng.uniform(*want.picks_at), 0.0)
    drops = _force_at(magnet, full * rng.uniform(*want.lets_go_at), stroke)
    gas = opens * rng.uniform(0.0, 0.4) if rng.random() < 0.6 else 0.0
    preload = opens - gas
    spring = (drops - preload) / stroke
    if spring < 0.0 and want.works:
        spring, preload = 0.05 * drops / stroke, min(preload, 0.95 * drops)
    # a spring as they are wound: over the stroke it gains a part of its preload, usually up to three times
    spring = min(max(spring, 0.02 * preload / stroke), rng.uniform(*want.spring_part) * preload / stroke)
    flight = log_uniform(rng, *want.flight_ms) * 1e-3
    mass = opens * flight**2 / (2.0 * stroke)
    mechanics = Mechanics(
        mass_kg=mass,
        stroke_m=stroke,
        preload_n=preload,
        spring_n_m=spring,
        damping_n_s_m=2.0 * mass / flight * log_uniform(rng, *want.damping),
        friction_n=opens * rng.uniform(*want.friction),
        restitution=rng.uniform(*want.restitution),
        gas_n=gas,
        gas_reach_m=stroke * rng.uniform(0.1, 0.5),
        stuck=want.stuck,
    )
    pulse_s = tau * rng.uniform(*want.settles_in)
    if want.works:
        pulse_s += 0.02 * rng.random()
        pulse_s = min(max(pulse_s, 0.04), 0.3)
        if pulse_s < want.settles_in[0] * tau:
            return None
    return Valve(magnet, mechanics, ohm, volt, pulse_s, rng.uniform(0.5, 0.9), tau)


def pulse_drives(valve: Valve, tail_s: float, release: Callable[[float, float], float] | None = None) -> list[Drive]:
    """Switched on at 0, released through the diode (or what is given)."""
    volt = valve.supply_v
    return [
        Drive(valve.pulse_s, lambda t, i: volt, valve.ohm),
        Drive(valve.pulse_s + tail_s, release or diode(valve.forward_v), valve.ohm, "off"),
    ]


def draw_valve(
    rng: np.random.Generator, want: Want, drives: Callable[[Valve], Sequence[Drive]] | None = None
) -> tuple[Valve, Run]:
    """A valve as wanted and its run through the pulse (or through these drives)."""
    for _ in range(400):
        valve = _draw(rng, want)
        if valve is None:
            continue
        run = march(valve.magnet, valve.mechanics, list(drives(valve)) if drives else pulse_drives(valve, 0.06))
        if not want.works or _works(valve, run, want):
            return valve, run
    raise RuntimeError(f"no valve of this kind in 400 draws: {want}")


def _works(valve: Valve, run: Run, want: Want) -> bool:
    stroke = valve.mechanics.stroke_m
    there = run.first("arrive", 0.0, stroke, stroke)
    back = run.first("arrive", valve.pulse_s, 0.0, 0.0)
    if there is None or back is None or there.t_s > valve.pulse_s - 3e-3:
        return False
    if run.first("arrive", 0.0, 0.0, 0.0) is not back:
        return False
    pull, drop = there.t_s * 1e3, (back.t_s - valve.pulse_s) * 1e3
    return want.pull_in_ms[0] <= pull <= want.pull_in_ms[1] and want.drop_out_ms[0] <= drop <= want.drop_out_ms[1]


def changed(valve: Valve, **values: object) -> Valve:
    """The same valve with other mechanics."""
    return dataclasses.replace(valve, mechanics=dataclasses.replace(valve.mechanics, **values))  # type: ignore[arg-type]
