"""Short fills by equations of their own: an ideal nozzle onto a reservoir with walls, seen through a lag."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp

R, CV, CP = 287.05, 717.6, 1004.65
AMBIENT_PA, AMBIENT_K, VOLUME_M3, STILL_W_K = 101_325.0, 295.15, 0.5e-3, 0.085


def nozzle_kg_s(area_m2: float, ratio: float) -> float:
    if ratio < 0.5283:
        return area_m2 * 0.040418 * AMBIENT_PA / math.sqrt(AMBIENT_K)
    x = min(ratio, 1.0)
    return area_m2 * AMBIENT_PA * math.sqrt(7 / (R * AMBIENT_K) * max(x ** (2 / 1.4) - x ** (2.4 / 1.4), 0.0))


def fill(
    area_m2: float,
    open_s: float,
    *,
    start_pa: float = 41_325.0,
    inflow_w_k: float = 1.6,
    power: float = 0.8,
    lag_s: float = 0.003,
    noise_pa: float = 12.0,
    travel_s: float = 0.0,
    until_s: float = 26.0,
    leak_kg_s: float = 0.0,
    seed: int = 1,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Times and pressures shown: quick, to 0.3 s after the end, and slow, until `until_s`. It opens at 10 ms."""

    def area(t: float) -> float:
        since = t - 0.010
        if travel_s == 0.0:
            return area_m2 if 0.0 < since < open_s else 0.0
        return area_m2 * max(0.0, min(since / travel_s, 1.0, (open_s + travel_s - since) / travel_s))

    def slopes(t: float, y: np.ndarray) -> list[float]:
        mass, energy, shown = y
        gas_k, pressure = energy / (mass * CV), 0.4 * energy / VOLUME_M3
        flow = nozzle_kg_s(area(t), pressure / AMBIENT_PA) + leak_kg_s
        heat = (STILL_W_K + inflow_w_k * (1e3 * flow) ** power * (area(t) > 0)) * (AMBIENT_K - gas_k)
        return [flow, flow * CP * AMBIENT_K + heat, (pressure - shown) / lag_s]

    y = [start_pa * VOLUME_M3 / (R * AMBIENT_K), start_pa * VOLUME_M3 / 0.4, start_pa]
    ends = [0.0, 0.010, 0.010 + open_s, 0.010 + open_s + 2 * travel_s + 1e-6, until_s]
    rng = np.random.default_rng(seed)
    quick = np.arange(-0.1, open_s + 0.31, 0.0002)
    slow = np.arange(quick[-1], until_s, 0.01)
    times = np.concatenate((quick, slow[1:]))
    shown = np.full(len(times), start_pa)
    for begin, end in pairwise(ends):
        here = (times > begin) & (times <= end)
        found = solve_ivp(slopes, (begin, end), y, method="LSODA", rtol=1e-9, atol=1e-9, dense_output=True)
        shown[here] = found.sol(times[here])[2]
        y = found.y[:, -1].tolist()
    shown = shown + noise_pa * rng.standard_normal(len(times))
    n = len(quick)
    return quick, shown[:n], times[n:], shown[n:]
