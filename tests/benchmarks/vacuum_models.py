"""Traces of holds and fills for the Monte Carlo, by a model of our own that shares nothing with the analysis.

Mass and internal energy in SI units, many draws at once, classical Runge-Kutta with fixed steps. The opening is an
ISO 6358 ellipse, an isentropic nozzle, or (a seat's leak) laminar; the wall's heat transfer is constant, grows with
the inflow, or follows free convection. All parameter ranges are our own invention around a bench with half a litre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

CV, CP, R = 717.6, 1004.7, 287.1
KAPPA = CP / CV
SCCM_KG_S = 101325 / (R * 273.15) * 1e-6 / 60
FULL_SCALE_PA, NOISE_PA, LAG_S = 124_000.0, 12.0, 0.003
ELLIPSE, NOZZLE, LAMINAR = 0, 1, 2


@dataclass
class Bench:
    """One value per draw, shape (n,)."""

    volume: np.ndarray
    ambient_pa: np.ndarray
    ambient_k: np.ndarray
    start_pa: np.ndarray
    start_k: np.ndarray
    tau_s: np.ndarray
    grows: np.ndarray
    """Heat transfer added by the inflow over the constant part, at a mass flow of 0.5 g/s."""
    power: np.ndarray
    free: np.ndarray
    """Exponent of the temperature difference in the constant part: 0 constant, 0.25 free convection."""

    def __len__(self):
        return len(self.volume)


@dataclass
class Hole:
    kind: np.ndarray
    conductance: np.ndarray
    """kg/s of choked flow per Pa sqrt(K)."""
    b: np.ndarray
    laminar_from: np.ndarray
    index: np.ndarray | float = 0.5
    """Subsonic index of the ellipse."""
    wave: np.ndarray | float = 0.0
    wave_turns: np.ndarray | float = 1.0
    """A real opening's departure from the ellipse: a sine over the subsonic part, as part of the choked flow."""

    def flow(self, bench: Bench, p: np.ndarray) -> np.ndarray:
        r = np.clip(p / bench.ambient_pa, 0, 1)
        choked = self.conductance * bench.ambient_pa / np.sqrt(bench.ambient_k)
        inner = np.clip((r - self.b) / (1 - self.b), 0, 1)
        edge = (self.laminar_from - self.b) / (1 - self.b)
        ellipse = np.where(
            r < self.laminar_from,
            (1 - inner**2) ** self.index + self.wave * np.sin(np.pi * self.wave_turns * inner) * (1 - inner**2),
            (1 - edge**2) ** self.index * (1 - r) / (1 - self.laminar_from),
        )
        rc = np.clip(r, (2 / (KAPPA + 1)) ** (KAPPA / (KAPPA - 1)), 1)
        best = ((KAPPA - 1) / 2) ** 0.5 * (2 / (KAPPA + 1)) ** ((KAPPA + 1) / 2 / (KAPPA - 1))
        nozzle = np.sqrt(np.clip(rc ** (2 / KAPPA) - rc ** ((KAPPA + 1) / KAPPA), 0, None)) / best
        shape = np.select([self.kind == ELLIPSE, self.kind == NOZZLE], [ellipse, nozzle], 1 - r**2)
        return choked * shape


def conductance_from_iso(c_dm3_s_bar: np.ndarray) -> np.ndarray:
    """kg/s per Pa sqrt(K) from C: ISO 6358-1 with 1.185 kg/m3 and 293.15 K."""
    return c_dm3_s_bar * 1e-8 * 1.185 * np.sqrt(293.15)


def integrate(bench: Bench, hole: Hole, times: np.ndarray, opened_s=None, travel_s=None) -> np.ndarray:
    """Pressure at `times`, shape (n draws, n times). Opening instants should lie on the time grid: the steps end on
    them."""
    opened_s = np.full(len(bench), times[0]) if opened_s is None else opened_s
    travel_s = np.zeros(len(bench)) if travel_s is None else travel_s
    m = bench.start_pa * bench.volume / (R * bench.start_k)
    u = m * CV * bench.start_k
    reference_m = bench.start_pa * bench.volume / (R * bench.ambient_k)
    wall = reference_m * CV / bench.tau_s
    cold = np.abs(bench.start_k - bench.ambient_k) + 1e-9

    def opening(t):
        # right of the opening instant by a hair: the steps begin on it
        since = t - opened_s + 1e-9
        return np.where(
            since < 0, 0.0, np.clip(np.divide(since, travel_s, out=np.ones_like(since), where=travel_s > 0), 0, 1)
        )

    def rates(m, u, a):
        temperature = u / (m * CV)
        p = m * R * temperature / bench.volume
        w = a * hole.flow(bench, p)
        g = wall * np.where(bench.free > 0, ((np.abs(temperature - bench.ambient_k) + 1e-6) / cold) ** bench.free, 1.0)
        g = g + wall * bench.grows * (w / 5e-4) ** bench.power
        return w, w * CP * bench.ambient_k - g * (temperature - bench.ambient_k)

    out = np.empty((len(bench), len(times)))
    for i, t in enumerate(times):
        out[:, i] = u / CV * R / bench.volume
        h = times[min(i + 1, len(times) - 1)] - t
        a0, a1 = opening(t), opening(t + h - 2e-9)
        a1 = np.where(a0 == 0, 0.0, a1)
        half = (a0 + a1) / 2
        k1, e1 = rates(m, u, a0)
        k2, e2 = rates(m + h / 2 * k1, u + h / 2 * e1, half)
        k3, e3 = rates(m + h / 2 * k2, u + h / 2 * e2, half)
        k4, e4 = rates(m + h * k3, u + h * e3, a1)
        m = m + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        u = u + h / 6 * (e1 + 2 * e2 + 2 * e3 + e4)
    return out


def seen(pressure: np.ndarray, period_s: float, rng: np.random.Generator, *, lag_s=LAG_S, noise_pa=NOISE_PA, bits=16):
    """What the transducer and converter make of a pressure, shape (n draws, n times): lag, noise, steps."""
    shown = pressure.copy()
    if lag_s > 0:
        decay = np.exp(-period_s / lag_s)
        # exact for a pressure that is straight between samples
        near = 1 - lag_s / period_s * (1 - decay)
        begin = pressure[:, :1]
        driven = near * (pressure[:, 1:] - begin) + (1 - decay - near) * (pressure[:, :-1] - begin)
        shown[:, 1:] = begin + lfilter([1.0], [1.0, -decay], driven, axis=1)
    step = FULL_SCALE_PA / 2**bits
    return np.round((shown + noise_pa * rng.standard_normal(shown.shape)) / step) * step


def draw_bench(n: int, rng: np.random.Generator, *, cold_k=(0.0, 0.0), grows=0.0, free=0.0, start_u_k=0.0) -> Bench:
    ambient_k = rng.uniform(290, 300, n)
    return Bench(
        volume=np.full(n, 0.5e-3),
        ambient_pa=rng.uniform(95e3, 103e3, n),
        ambient_k=ambient_k,
        start_pa=rng.uniform(40e3, 42e3, n),
        start_k=ambient_k - rng.uniform(*cold_k, n) + start_u_k * rng.standard_normal(n),
        tau_s=rng.uniform(1.0, 4.0, n),
        grows=grows * rng.uniform(0, 1, n),
        power=rng.uniform(0.6, 1.0, n),
        free=np.full(n, free),
    )
