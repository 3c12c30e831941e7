"""Records of a hold for the tests: a leak into cold gas, by an integration of its own, as a transducer shows it."""

import numpy as np
from scipy.integrate import solve_ivp

VOLUME, AMBIENT_PA, AMBIENT_K = 0.5e-3, 101_325.0, 295.15
BENCH = {
    "volume_m3": VOLUME,
    "volume_u_m3": 0.005 * VOLUME,
    "ambient_pa": AMBIENT_PA,
    "ambient_k": AMBIENT_K,
    "ambient_u_k": 0.3,
}
SCCM_KG_S = 101_325 / (287.05 * 273.15) * 1e-6 / 60


def noisy(p, seed=1, noise_pa=12.0):
    rng = np.random.default_rng(seed)
    step = 124e3 / 2**16
    return np.round((p + noise_pa * rng.standard_normal(len(p))) / step) * step


def cold_hold(leak_sccm, *, seconds=10.0, tau_s=1.8, cold_k=14.0, start_pa=41_000.0, period_s=0.005, grows=0.0):
    """Leak of constant mass flow into a cold gas; the recovery is exponential. Own integration of mass and energy.

    With `grows` it is so many times larger when all of the vacuum is gone.
    """
    m0 = start_pa * VOLUME / (287.05 * (AMBIENT_K - cold_k))
    g = m0 * 717.6 / tau_s

    def rates(_, state):
        m, t = state
        lost = (m * 287.05 * t / VOLUME - start_pa) / (AMBIENT_PA - start_pa)
        w = leak_sccm * SCCM_KG_S * (1 + grows * lost)
        return [w, (w * (1004.7 * AMBIENT_K - 717.6 * t) - g * (t - AMBIENT_K)) / (m * 717.6)]

    times = np.arange(0, seconds, period_s)
    m, t = solve_ivp(rates, (0, seconds), [m0, AMBIENT_K - cold_k], t_eval=times, rtol=1e-9, atol=1e-12).y
    return times, m * 287.05 * t / VOLUME


def gross_hold(
    leak_sccm, *, seconds=20.0, tau_s=1.8, cold_k=10.0, start_pa=70_000.0, period_s=0.005, laminar=0.0, critical=0.3
):
    """Leak through a hole with a critical ratio, `leak_sccm` at the start; the recovery is exponential.

    Within the part `laminar` of ambient pressure the flow is in proportion to the difference.
    """
    m0 = start_pa * VOLUME / (287.05 * (AMBIENT_K - cold_k))
    g = m0 * 717.6 / tau_s

    def flow(p):
        if 1 - p / AMBIENT_PA < laminar:
            return (1 - p / AMBIENT_PA) / laminar * flow((1 - 1.0000001 * laminar) * AMBIENT_PA)
        x = min(max((p / AMBIENT_PA - critical) / (1 - critical), 0.0), 1.0)
        return np.sqrt(1 - x * x)

    def rates(_, state):
        m, t = state
        w = leak_sccm * SCCM_KG_S * flow(m * 287.05 * t / VOLUME) / flow(start_pa)
        return [w, (w * (1004.7 * AMBIENT_K - 717.6 * t) - g * (t - AMBIENT_K)) / (m * 717.6)]

    times = np.arange(0, seconds, period_s)
    m, t = solve_ivp(rates, (0, seconds), [m0, AMBIENT_K - cold_k], t_eval=times, rtol=1e-8, atol=1e-12).y
    return times, m * 287.05 * t / VOLUME
