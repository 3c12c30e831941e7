"""Coil currents of solenoid valves, worked out from equations of our own: neither the program's nor the simulator's.

Everything is solved in normalised units: resistance 1, supply 1, time in milliseconds, so that current is a fraction of
the full current and flux linkage is in full current times milliseconds. `Draws.current_a` scales it back.

Iron is two parallel shells, an outer and an inner one; each needs the coil current ``f(flux, gap)``, a saturation curve
of one of five shapes plus a gap reluctance with fringing. An eddy loop around both shells (resistance `eddy`) and one
around the inner shell (resistance `inner`) make the flux lag; a leakage path without iron carries the rest. Coercive
force follows the flux as a play that saturates. The armature is a mass with preload, spring, friction, viscous damping
and restitution at both ends. After release the current flows on through a diode and stops at zero.

All populations are our own invention.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SHAPES = ("power", "frohlich", "tangent", "sinh", "inverse tanh")
LEAD_MS = 20.0
PULSE_MS = 120.0
DECAY_MS = 80.0


@dataclass
class Parameters:
    """One row per draw; all arrays have shape (n,)."""

    resistance_ohm: np.ndarray
    supply_v: np.ndarray
    tau_open: np.ndarray  # inductance of the core path at full gap over resistance, ms
    ratio: np.ndarray  # seated over open inductance, unsaturated
    leakage: np.ndarray  # leakage inductance over resistance, ms
    shape: np.ndarray  # index into SHAPES
    iron: np.ndarray  # share of the seated reluctance that is iron
    knee: np.ndarray  # flux of the knee, full current x ms
    order: np.ndarray  # sharpness of the knee
    rayleigh: np.ndarray  # extra iron reluctance at low flux (initial permeability), relative
    fringe: np.ndarray
    eddy: np.ndarray
    inner: np.ndarray
    share: np.ndarray  # share of the outer shell
    coercive: np.ndarray
    diode: np.ndarray  # forward voltage over supply
    # armature
    start_flux: np.ndarray
    spring: np.ndarray
    vigour: np.ndarray  # acceleration scale, strokes per ms^2
    damping: np.ndarray  # 1/ms
    cushion: np.ndarray  # growth of the damping towards the seat
    friction: np.ndarray
    bounce: np.ndarray
    position: np.ndarray  # where it starts: 0 rest, 1 seated
    blocked: np.ndarray  # bool
    sag: np.ndarray  # share of the supply lost with `sag_ms`
    sag_ms: np.ndarray

    def take(self, index: np.ndarray) -> Parameters:
        return Parameters(**{k: v[index] for k, v in self.__dict__.items()})


@dataclass
class Draws:
    """Solutions: `time_ms` (m,), `current` and `voltage` (m, n) normalised; the truths (n,) are NaN if not happened."""

    parameters: Parameters
    time_ms: np.ndarray
    current: np.ndarray
    voltage: np.ndarray
    start_ms: np.ndarray
    arrival_ms: np.ndarray
    release_ms: np.ndarray  # leaves its seat for good, from release
    return_ms: np.ndarray  # first arrival back at rest, from release
    dip: np.ndarray

    @property
    def full_a(self) -> np.ndarray:
        return self.parameters.supply_v / self.parameters.resistance_ohm

    def current_a(self, index: int) -> np.ndarray:
        return self.current[:, index] * self.full_a[index]

    def take(self, index: np.ndarray) -> Draws:
        one = {k: getattr(self, k)[index] for k in ("start_ms", "arrival_ms", "release_ms", "return_ms", "dip")}
        return Draws(self.parameters.take(index), self.time_ms, self.current[:, index], self.voltage[:, index], **one)


TABLE_STEP = 0.02  # knees
TABLE_ROWS = 400


def saturation_curve(shape: int, z: np.ndarray, order: float) -> np.ndarray:
    """Iron's share of the coil current against flux over knee flux `z`; slope one at the origin."""
    if shape == 0:
        return z + z ** (order + 1.0)
    if shape == 1:
        return z / np.maximum(1.0 - 0.8 * np.minimum(z, 1.1), 0.05)
    if shape == 2:
        return np.tan(np.minimum(z, 1.5))
    if shape == 3:
        return np.sinh(np.minimum(z * order * 0.6, 50.0)) / (order * 0.6)
    return np.arctanh(np.minimum(z * 0.75, 0.9999)) / 0.75


def iron_tables(p: Parameters) -> tuple[np.ndarray, np.ndarray]:
    """Coil current spent on the iron and its slope at multiples of `TABLE_STEP` knees; shape (TABLE_ROWS, n).

    Saturated iron still carries what air would: the slope of current over flux is cut off at half that of the leakage.
    """
    z = np.arange(TABLE_ROWS) * TABLE_STEP
    seated = 1.0 / (p.tau_open * p.ratio)
    table = np.zeros((TABLE_ROWS, len(seated)))
    for k in range(len(seated)):
        h = saturation_curve(int(p.shape[k]), z, float(p.order[k])) + p.rayleigh[k] * z / (1.0 + (6.0 * z) ** 2)
        slope = np.diff(h) / TABLE_STEP * seated[k] * p.iron[k]
        passed = np.maximum.accumulate(slope >= 0.5 / p.leakage[k])
        slope = np.where(passed, 0.5 / p.leakage[k], slope)
        table[1:, k] = np.cumsum(slope) * TABLE_STEP * p.knee[k]
    return table, np.diff(table, axis=0, append=2 * table[-1:] - table[-2:-1])


def iron_current(flux: np.ndarray, p: Parameters, tables: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Coil current spent on the iron for `flux` (as if all of it went through this shell's share)."""
    z = np.abs(flux) / (p.knee * TABLE_STEP)
    row = np.minimum(z.astype(np.int64), TABLE_ROWS - 1)
    flat = row * len(flux) + np.arange(len(flux))
    return np.sign(flux) * (tables[0].take(flat) + (z - row) * tables[1].take(flat))


def gap_reluctance(seat: np.ndarray, p: Parameters) -> tuple[np.ndarray, np.ndarray]:
    """Reluctance of the gaps and minus its slope, at position `seat` (0 rest, 1 seated)."""
    seated = 1.0 / (p.tau_open * p.ratio)
    swing = 1.0 / p.tau_open - seated
    gap = 1.0 - seat
    b = p.fringe
    return seated * (1.0 - p.iron) + swing * gap * (1.0 + b) / (1.0 + b * gap), swing * (1.0 + b) / (1.0 + b * gap) ** 2


def _slopes(
    state: np.ndarray,
    volts: np.ndarray,
    on: bool,
    free: np.ndarray,
    p: Parameters,
    tables: tuple[np.ndarray, np.ndarray],
) -> np.ndarray:
    i, outer, inner, play, seat, speed = state
    g, pull = gap_reluctance(seat, p)
    hysteresis = p.coercive * play
    f_out = iron_current(outer / p.share, p, tables) + g * (outer / p.share) + hysteresis
    f_in = iron_current(inner / (1 - p.share), p, tables) + g * (inner / (1 - p.share)) + hysteresis
    if not on:
        i = np.maximum(i, 0.0)
    total = p.eddy * (i - f_out)  # induced in the loop around both shells
    d_in = p.inner * (f_out - f_in)
    d_out = total - d_in
    di = (volts - i - total) / p.leakage
    if not on:
        di = np.where((i <= 0.0) & (di < 0.0), 0.0, di)
    flux = outer + inner
    d_play = total / (0.15 * p.knee) * (1.0 - play * np.sign(total))
    push = (flux / p.start_flux) ** 2 * pull / ((1 / p.tau_open - 1 / (p.tau_open * p.ratio)) / (1 + p.fringe))
    net = push - 1.0 - p.spring * seat
    moving = np.abs(speed) > 1e-6
    rub = np.where(moving, np.tanh(speed / 0.002) * p.friction, np.clip(net, -p.friction, p.friction))
    force = p.vigour * (net - rub) - p.damping * (1.0 + p.cushion * np.clip(seat, 0.0, 1.0) ** 2) * speed
    stopped = (
        ((seat <= 0.0) & (speed <= 0.0) & (force < 0.0)) | ((seat >= 1.0) & (speed >= 0.0) & (force > 0.0)) | ~free
    )
    d_speed = np.where(stopped, 0.0, force)
    d_seat = np.where(stopped, 0.0, speed)
    return np.stack([di, d_out, d_in, d_play, d_seat, d_speed])


def supply(t: float, p: Parameters) -> np.ndarray:
    """Supply over its nominal value, `t` ms after switching on."""
    return 1.0 - p.sag * (1.0 - np.exp(-t / p.sag_ms))


def solve(
    p: Parameters,
    *,
    sample_ms: float = 0.1,
    step_ms: float = 0.01,
    pulse_ms: float = PULSE_MS,
    decay_ms: float = DECAY_MS,
) -> Draws:
    """Solve all draws at once by classical Runge-Kutta with fixed steps."""
    n = len(p.tau_open)
    every = round(sample_ms / step_ms)
    lead = round(LEAD_MS / sample_ms)
    n_on, n_off = round(pulse_ms / sample_ms), round(decay_ms / sample_ms)
    time_ms = (np.arange(lead + n_on + n_off) - lead) * sample_ms
    current = np.zeros((len(time_ms), n))
    voltage = np.zeros((len(time_ms), n))
    voltage[:lead] = 1.0
    state = np.zeros((6, n))
    tables = iron_tables(p)
    state[4] = p.position
    free = ~p.blocked
    start, arrival, release, back = (np.full(n, np.nan) for _ in range(4))
    t = 0.0
    for k in range(n_on + n_off):
        on = k < n_on
        current[lead + k] = state[0]
        voltage[lead + k] = supply(t, p) if on else 1.0
        for _ in range(every):
            old = state
            va, vb, vc = (supply(t + s, p) if on else -p.diode for s in (0.0, step_ms / 2, step_ms))
            k1 = _slopes(state, va, on, free, p, tables)
            k2 = _slopes(state + step_ms / 2 * k1, vb, on, free, p, tables)
            k3 = _slopes(state + step_ms / 2 * k2, vb, on, free, p, tables)
            k4 = _slopes(state + step_ms * k3, vc, on, free, p, tables)
            state = state + step_ms / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
            if not on:
                state[0] = np.maximum(state[0], 0.0)
            seat, speed = state[4], state[5]
            over, under = (seat > 1.0) & (speed > 0), (seat < 0.0) & (speed < 0)
            if over.any():
                hit = t + step_ms * (1.0 - old[4]) / np.where(over, seat - old[4], 1.0)
                arrival = np.where(over & np.isnan(arrival) & on, hit, arrival)
            if under.any():
                hit = t + step_ms * old[4] / np.where(under, old[4] - seat, 1.0) - pulse_ms
                back = np.where(under & np.isnan(back) & (not on), hit, back)
            struck = over | under
            if struck.any():
                bounced = -p.bounce * speed
                bounced = np.where(np.abs(bounced) < 0.02, 0.0, bounced)
                state[5] = np.where(struck, bounced, speed)
                state[4] = np.clip(seat, 0.0, 1.0)
            t += step_ms
            if on:
                start = np.where(np.isnan(start) & (state[4] > p.position + 1e-4), t, start)
            else:
                seated = free & ~np.isnan(arrival) & np.isnan(back) & (state[4] >= 1 - 1e-4)
                release = np.where(seated, t - pulse_ms, release)
    rise = current[lead : lead + n_on]
    dip = np.max(np.maximum.accumulate(rise, axis=0) - rise, axis=0)
    return Draws(p, time_ms, current, voltage, start, arrival, release, back, dip)


def draw_parameters(kind: str, n: int, rng: np.random.Generator) -> Parameters:
    """Draw `n` candidates of ``blocked``, ``brisk`` or ``damped``; the latter two still need `population`'s sieve."""
    r = np.exp(rng.uniform(np.log(12), np.log(60), n))
    tau = np.exp(rng.uniform(np.log(1.0), np.log(10.0), n))
    tau = np.clip(tau, 20 / r, 200 / r)  # 20 to 200 mH
    ratio = rng.uniform(1.3, 4.0, n)
    vigour = np.exp(rng.uniform(np.log(0.05), np.log(2.0), n))
    damping, cushion = rng.uniform(0.0, 0.2, n), np.zeros(n)
    if kind == "damped":
        # slow enough against the coil's own time constant that the current need not dip
        wanted = np.exp(rng.uniform(np.log(5.0), np.log(40.0), n))
        cushion = rng.uniform(0.0, 4.0, n)
        for _ in range(60):
            bad = wanted * (1.0 + 0.5 * cushion) < 1.2 * tau * ratio * (ratio - 1.0)
            tau[bad] = np.exp(rng.uniform(np.log(1.0), np.log(10.0), bad.sum()))
            ratio[bad] = rng.uniform(1.3, 4.0, bad.sum())
            r[bad] = np.exp(rng.uniform(np.log(12), np.log(60), bad.sum()))
            tau = np.clip(tau, 20 / r, 200 / r)
        damping = vigour * np.exp(rng.uniform(np.log(1.0), np.log(8.0), n)) * wanted / (1.0 + cushion / 3.0)
        lighter = np.minimum(1.0, 60.0 / (damping * (1.0 + cushion)))  # slow all the same, and not too stiff to solve
        damping, vigour = damping * lighter, vigour * lighter
    leak_share = rng.uniform(0.06, 0.18, n)
    leakage = tau * leak_share
    eddy_current = np.exp(rng.uniform(np.log(0.01), np.log(0.16), n))  # share of full current at switch-on
    eddy = np.minimum(1.0 / eddy_current - 1.0, leakage / 0.011 - 1.0)
    share = rng.uniform(0.4, 0.7, n)
    inner = np.exp(rng.uniform(np.log(1.0), np.log(30.0), n)) * eddy * 0.3
    inner = np.minimum(inner, tau * np.minimum(share, 1 - share) * leak_share / 0.03)
    shape = rng.integers(0, len(SHAPES), n)
    blocked = np.full(n, kind == "blocked")
    position = np.where(blocked & (rng.random(n) < 0.5), 1.0, 0.0)
    # the flux that full current would make without saturation, in the position where the current settles
    at_full = np.where(blocked & (position == 0.0), tau, tau * ratio)
    knee = at_full * np.exp(rng.uniform(np.log(0.35), np.log(2.5), n))
    return Parameters(
        resistance_ohm=r,
        supply_v=rng.uniform(11.0, 14.5, n),
        tau_open=tau * (1 - leak_share),
        ratio=ratio,
        leakage=leakage,
        shape=shape,
        iron=rng.uniform(0.1, 0.9, n),
        knee=knee,
        order=rng.uniform(2.0, 8.0, n),
        rayleigh=np.where(rng.random(n) < 0.5, rng.uniform(0.0, 1.5, n), 0.0),
        fringe=rng.uniform(0.0, 1.2, n),
        eddy=eddy,
        inner=inner,
        share=share,
        coercive=rng.uniform(0.0, 0.015, n),
        diode=rng.uniform(0.6, 0.85, n) / 13.0,
        start_flux=tau * rng.uniform(0.15, 0.9, n),
        spring=rng.uniform(0.05, 0.8, n),
        vigour=vigour,
        damping=damping,
        cushion=cushion,
        friction=rng.uniform(0.0, 0.1, n),
        bounce=np.where(rng.random(n) < 0.8, rng.uniform(0.05, 0.5, n), 0.0),
        position=position,
        blocked=blocked,
        sag=np.zeros(n),
        sag_ms=np.full(n, 20.0),
    )


def population(kind: str, n: int, seed: int, *, sample_ms: float = 0.1, batch: int = 3000) -> Draws:
    """Draw and solve until `n` draws of the kind are there.

    ``blocked``: half in the open, half in the seated position. ``brisk``: motion starts 2 to 12 ms after switching on
    and takes 1 to 5 ms. ``damped``: takes 5 to 40 ms, and the current never falls by more than 0.5 % on the way.
    """
    rng = np.random.default_rng([seed, sum(map(ord, kind))])
    parts: list[Draws] = []
    have = 0
    while have < n:
        p = draw_parameters(kind, batch if kind != "blocked" else n, rng)
        if kind != "blocked":
            p = p.take(_promising(p, kind))
        d = solve(p, sample_ms=sample_ms)
        if kind != "blocked":
            d = d.take(np.flatnonzero(_fits(d, kind)))
        parts.append(d)
        have += len(d.dip)
    whole = _join(parts)
    return whole.take(np.arange(n))


def _fits(d: Draws, kind: str) -> np.ndarray:
    flight = d.arrival_ms - d.start_ms
    early = (d.start_ms >= 2.0) & (d.start_ms <= 12.0)
    if kind == "brisk":
        return early & (flight >= 1.0) & (flight <= 5.0)
    return early & (flight >= 5.0) & (flight <= 40.0) & (d.dip < 0.005)


def _promising(p: Parameters, kind: str) -> np.ndarray:
    """Coarse look with long steps over the pulse only, so that the fine solution is not wasted on misfits."""
    quick = Parameters(**p.__dict__)
    quick.leakage = np.maximum(p.leakage, 0.15)
    quick.eddy = np.minimum(p.eddy, quick.leakage / 0.03 - 1.0)
    quick.inner = np.minimum(p.inner, 0.3 * quick.eddy)
    with np.errstate(all="ignore"):
        d = solve(quick, sample_ms=0.1, step_ms=0.025, pulse_ms=55.0, decay_ms=0.0)
    flight = d.arrival_ms - d.start_ms
    ok = (d.start_ms > 1.5) & (d.start_ms < 13.0) & (flight > 0.7) & (flight < 45.0)
    ok &= (flight < 6.0) if kind == "brisk" else (flight > 4.0) & (d.dip < 0.02)
    return np.flatnonzero(ok)


def _join(parts: list[Draws]) -> Draws:
    p = Parameters(
        **{k: np.concatenate([d.parameters.__dict__[k] for d in parts]) for k in parts[0].parameters.__dict__}
    )
    one = {
        k: np.concatenate([getattr(d, k) for d in parts])
        for k in ("start_ms", "arrival_ms", "release_ms", "return_ms", "dip")
    }
    both = {k: np.concatenate([getattr(d, k) for d in parts], axis=1) for k in ("current", "voltage")}
    return Draws(p, parts[0].time_ms, **both, **one)


def measure(
    current_a: np.ndarray,
    full_a: float,
    rng: np.random.Generator,
    *,
    bits: int = 12,
    noise: float = 0.01,
    span: float = 2.0,
    unipolar: bool = True,
    hum: float = 0.0,
    time_ms: np.ndarray | None = None,
) -> np.ndarray:
    """What an ADC of `bits` over `span` times full current reads; `noise` and `hum` as fractions of full current."""
    y = current_a + rng.normal(0.0, noise * full_a, len(current_a))
    if hum and time_ms is not None:
        y = y + hum * full_a * np.sin(2e-3 * np.pi * rng.choice([50.0, 60.0]) * time_ms + rng.uniform(0, 2 * np.pi))
    step = span * full_a / 2**bits
    low = 0.0 if unipolar else -(2**bits) / 2
    return np.clip(np.round(y / step), low, 2**bits - 1) * step
