"""Hold vacuum: what leaks into a shut-off reservoir, told apart from the gas in it warming up again.

Pumping down cools the gas; afterwards the wall warms it, and the pressure rises as if something leaked: 14 K at 41
kPa in half a litre look like the leak of a minute. One fit of the mass and energy balance
(`analysis.gas.reservoir`) takes both apart: the leak goes on, the recovery dies away with its time constant. The
flow of the leak falls as the pressure rises past the critical ratio (ISO 6358-1), so that a gross leak, whose curve
is no straight line, is fitted just the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.gas.air import orifice_mm, pv_flow_pa_m3_s_from_sccm
from benchrig.analysis.leak.explanations import TAIL
from benchrig.analysis.leak.goodness_of_fit import FALSE_ALARM
from benchrig.analysis.leak.gross_leak import FEW_SAMPLES, gross_leak
from benchrig.analysis.leak.hold_judgement import CHANGES, CLOGS, FIT, KNOWN_SCCM, RISE, WANDERS, judged, no_hold
from benchrig.analysis.leak.hold_result import Explanation, HoldResult
from benchrig.analysis.leak.leak_fit import usual_leak
from benchrig.analysis.leak.leak_model import LeakFit, LeakSetting
from benchrig.analysis.leak.room_drift import drift_allowed_for
from benchrig.analysis.leak.shut_off import since_shut_off
from benchrig.analysis.leak.slow_rise import WET_ODDS
from benchrig.analysis.results import Bound, Samples
from benchrig.analysis.statistics.fitting import check_positive, checked_trace, noise_sd, time_constant_prior

__all__ = [
    "RECOVERY_VARIES",
    "SAME_DAY_VARIES",
    "Explanation",
    "FittedHold",
    "HoldResult",
    "analyse_hold",
    "fit_hold",
    "leak_setting",
]


LEAST_VACUUM_PA = 50.0
GROSS_FALL = 0.3
"""The vacuum fell by more than this part: a gross leak, whose beginning matters and is fitted too."""
RESPONSE_S = 0.003
USUAL_TAU_S, USUAL_TAU_LN_U = 2.5, 0.7
BOUND_FROM_U = 0.3
"""A gross leak known no better than this is given as a bound."""
KNOWN_PART = 0.03
MOST_CLOGGED_SCCM = 30.0
"""A leak that clogs within the record, where little speaks for it, was larger at first by no more than this and what is
left (engineering judgement)."""
CHANGE_KNOWN = 0.4
"""How a leak changes with the vacuum is known no better than by this part of what the change makes (engineering
judgement)."""
RECOVERY_VARIES, SAME_DAY_VARIES = (0.1, 0.01), (0.03, 0.005)
"""Recovery's time constant and chill of the gas differ from what was found earlier by these parts of themselves,
standard uncertainties; and from what was found on the same day: the vacuum reached differs by a hundred pascals, the
pump's speed by a hundredth, the weather's pressure by a kilopascal, of 41 left (engineering judgement)."""
TAU_KNOWN_LN_U = 0.2
"""A time constant of the recovery that is known no better than this, relative, is not stated."""


def analyse_hold(
    time_s: Samples,
    pressure_pa: Samples,
    *,
    volume_m3: float,
    volume_u_m3: float,
    ambient_pa: float,
    ambient_k: float,
    ambient_u_k: float = 0.5,
    background_sccm: float = 0.0,
    background_u_sccm: float = 0.0,
    pressure_u_rel: float = 0.0,
    pressure_u_pa: float = 0.0,
    thermal_time_constant_s: float | None = None,
    thermal_time_constant_u_s: float | None = None,
    chill_k: float | None = None,
    chill_u_k: float | None = None,
    response_s: float = RESPONSE_S,
    limit_sccm: float | None = None,
    ambient_drift_k_s: float | None = None,
    ambient_drift_u_k_s: float | None = None,
    vapour_odds: float = WET_ODDS,
    recovery_varies: tuple[float, float] = RECOVERY_VARIES,
) -> HoldResult:
    """Leak into a reservoir that was shut off from its pump, from the rise of its pressure.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Time since the reservoir was shut off, s, strictly increasing, a lead-in with negative times welcome; absolute
        pressure, Pa.
    volume_m3, volume_u_m3 : float
        Volume of the reservoir with its standard uncertainty, m3.
    ambient_pa, ambient_k, ambient_u_k : float
        Ambient pressure as the same transducer shows it, Pa; ambient temperature and its standard uncertainty, K.
    background_sccm, background_u_sccm : float
        What the closed bench leaks by itself, and its standard uncertainty.
    pressure_u_rel, pressure_u_pa : float
        Standard uncertainty of the transducer: of its scale, relative; of its reading, Pa.
    thermal_time_constant_s, thermal_time_constant_u_s : float, optional
        What is known beforehand of the recovery's time constant at this pressure, s.
    chill_k, chill_u_k : float, optional
        What is known beforehand of how much colder than the wall the gas is when it is shut off, K.
    response_s : float
        Time constant of the transducer, s; matters for a gross leak only.
    limit_sccm : float, optional
        Limit for which `decided_after_s` is wanted.
    ambient_drift_k_s, ambient_drift_u_k_s : float, optional
        Slope of the room's temperature as a thermistor showed it around the record, with its standard uncertainty,
        K/s. Without it the room, and the gas with it, is taken to be as steady as rooms usually are: to 0.03 K/min,
        standard uncertainty.
    vapour_odds : float
        Odds of fuel vapour beforehand, over none; a look for it without vacuum may have told.
    recovery_varies : (float, float)
        By which parts of themselves time constant and chill differ from what was found before.

    Returns
    -------
    HoldResult

    Raises
    ------
    ValueError
        Malformed arrays, or a volume, pressure or temperature that is not positive.

    Notes
    -----
    Sources: rise of pressure as in EN 13184 and 40 CFR 1065.644; flow of the leak by ISO 6358-1.

    Examples
    --------
    14 K cold after pumping down, 5 sccm leak, 10 Pa of noise:

    >>> t = np.arange(0.0, 20.0, 0.005)
    >>> warm = 1 - 14 / 295 * np.exp(-t / 2.0)
    >>> p = 42000 * warm + pv_flow_pa_m3_s_from_sccm(5.0, 295.0) / 5e-4 * t
    >>> p = p + 10 * np.random.default_rng(1).standard_normal(len(t))
    >>> found = analyse_hold(t, p, volume_m3=5e-4, volume_u_m3=0.0, ambient_pa=101325, ambient_k=295.0)
    >>> round(found.hold_leak_sccm), round(found.thermal_time_constant_s, 1)
    (5, 2.0)
    """
    setting = leak_setting(
        volume_m3=volume_m3,
        volume_u_m3=volume_u_m3,
        ambient_pa=ambient_pa,
        ambient_k=ambient_k,
        ambient_u_k=ambient_u_k,
        background_sccm=background_sccm,
        background_u_sccm=background_u_sccm,
        pressure_u_rel=pressure_u_rel,
        pressure_u_pa=pressure_u_pa,
        thermal_time_constant_s=thermal_time_constant_s,
        thermal_time_constant_u_s=thermal_time_constant_u_s,
        chill_k=chill_k,
        chill_u_k=chill_u_k,
        response_s=response_s,
        vapour_odds=vapour_odds,
        recovery_varies=recovery_varies,
    )
    return fit_hold(time_s, pressure_pa, setting).result(limit_sccm, ambient_drift_k_s, ambient_drift_u_k_s)


def leak_setting(
    *,
    volume_m3: float,
    volume_u_m3: float,
    ambient_pa: float,
    ambient_k: float,
    ambient_u_k: float = 0.5,
    background_sccm: float = 0.0,
    background_u_sccm: float = 0.0,
    pressure_u_rel: float = 0.0,
    pressure_u_pa: float = 0.0,
    thermal_time_constant_s: float | None = None,
    thermal_time_constant_u_s: float | None = None,
    chill_k: float | None = None,
    chill_u_k: float | None = None,
    response_s: float = RESPONSE_S,
    vapour_odds: float = WET_ODDS,
    recovery_varies: tuple[float, float] = RECOVERY_VARIES,
) -> LeakSetting:
    """What the fits need to know, from what `analyse_hold` is told."""
    check_positive(volume_m3=volume_m3, ambient_pa=ambient_pa, ambient_k=ambient_k)
    tau_s, tau_ln_u = time_constant_prior(
        thermal_time_constant_s, thermal_time_constant_u_s, USUAL_TAU_S, USUAL_TAU_LN_U, recovery_varies[0]
    )
    chill = _chill(chill_k, chill_u_k, ambient_k, recovery_varies[1])
    return LeakSetting(
        volume_m3, volume_u_m3, ambient_pa, ambient_k, ambient_u_k, background_sccm, background_u_sccm, pressure_u_rel,
        pressure_u_pa, tau_s, tau_ln_u, response_s, max(vapour_odds, 1e-9), *chill,
    )  # fmt: skip


@dataclass(frozen=True)
class FittedHold:
    """A hold's record explained; what the room did meanwhile may be told later, for nothing is fitted to it.

    Attributes
    ----------
    setting : LeakSetting
        What was known.
    leak : LeakFit or None
        The fit; None where there was nothing to fit, `instead` says why.
    instead : HoldResult or None
        The result then.
    moved : str
        Where the record does not begin when it should: a word on that.
    """

    setting: LeakSetting
    leak: LeakFit | None = None
    instead: HoldResult | None = None
    moved: str = ""

    def result(
        self,
        limit_sccm: float | None = None,
        ambient_drift_k_s: float | None = None,
        ambient_drift_u_k_s: float | None = None,
    ) -> HoldResult:
        """The leak; parameters as for `analyse_hold`."""
        if self.leak is None:
            assert self.instead is not None
            return self.instead
        drift = drift_allowed_for(ambient_drift_k_s, ambient_drift_u_k_s)
        try:
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                found = _result(self.leak, self.setting, limit_sccm, drift)
        except (np.linalg.LinAlgError, ArithmeticError):
            return _nothing_fits(self.leak.curve[0])
        return replace(found, notes=(self.moved, *found.notes)) if self.moved else found


def _nothing_fits(began_pa: float) -> HoldResult:
    return HoldResult(
        start_pressure_pa=began_pa,
        notes=("no steady leak fits the rise: something changed while it was measured",),
        explanation="changing",
    )


def fit_hold(time_s: Samples, pressure_pa: Samples, setting: LeakSetting) -> FittedHold:
    """Explain the record of a hold; parameters, and what is raised, as for `analyse_hold`."""
    t, p = checked_trace(time_s, pressure_pa)
    ambient_pa = setting.ambient_pa
    noise_pa = max(noise_sd(p), 0.3)
    t, moved = since_shut_off(t, p, noise_pa)
    held = t >= 0
    if np.count_nonzero(held) < 10:
        raise ValueError(
            f"time_s: only {np.count_nonzero(held)} samples at or after time 0, when the reservoir was shut off"
        )
    began_pa = float(np.mean(p[~held][-20:] if np.count_nonzero(~held) >= 5 else p[held][:5]))
    vacuum_pa = ambient_pa - began_pa
    if vacuum_pa < max(LEAST_VACUUM_PA, 4 * noise_pa):
        said = f"no vacuum to hold: {max(vacuum_pa, 0):.0f} Pa below ambient when the reservoir was shut off"
        return FittedHold(setting, instead=HoldResult(start_pressure_pa=began_pa, notes=(said,)))
    absurd, named = no_hold(p[held], ambient_pa)
    if absurd:
        nothing = HoldResult(start_pressure_pa=began_pa, notes=(absurd,), explanation=named)
        return FittedHold(setting, instead=nothing)
    left_pa = ambient_pa - float(np.mean(p[-max(5, len(p) // 50) :]))
    gross = left_pa < (1 - GROSS_FALL) * vacuum_pa
    try:
        with np.errstate(
            over="ignore", invalid="ignore", divide="ignore"
        ):  # a step too far is taken back by the search
            leak = gross_leak(t, p, began_pa, noise_pa, setting) if gross else usual_leak(t, p, noise_pa, setting)
        return FittedHold(setting, leak, moved=moved)
    except (np.linalg.LinAlgError, ArithmeticError):
        return FittedHold(setting, instead=_nothing_fits(began_pa))


def _chill(
    chill_k: float | None, chill_u_k: float | None, ambient_k: float, varies: float
) -> tuple[float, float | None]:
    """The same as parts of the ambient temperature; no chill varies from one pump-down to the next by less."""
    if chill_k is None or chill_u_k is None:
        return 0.0, None
    return chill_k / ambient_k, math.hypot(chill_u_k, varies * chill_k) / ambient_k


def _result(leak: LeakFit, setting: LeakSetting, limit_sccm: float | None, drift: tuple[float, float]) -> HoldResult:
    fitted, at_least_sccm = leak.fitted, leak.at_least_sccm
    q = fitted.values
    start_pa = q["start"] * setting.ambient_pa
    found = leak.explained
    rate, rate_u = (found.leak, found.leak_u) if found else (q["leak"], fitted.u("leak"))
    drift_k_s, drift_u_k_s = drift
    gross_sccm = setting.sccm(rate * setting.ambient_pa - start_pa * drift_k_s / setting.ambient_k)
    leak_sccm = gross_sccm - setting.background_sccm
    fit_u = setting.sccm(min(found.fit_u if found else rate_u, rate_u) * setting.ambient_pa)
    parts = {
        FIT: fit_u,
        "volume of the reservoir": abs(gross_sccm) * setting.volume_u_m3 / setting.volume_m3,
        "ambient temperature": abs(gross_sccm) * setting.ambient_u_k / setting.ambient_k,
        "drift of the ambient temperature": setting.sccm(start_pa * drift_u_k_s / setting.ambient_k),
        "background leak of the bench": setting.background_u_sccm,
        "pressure transducer": abs(gross_sccm)
        * math.hypot(setting.pressure_u_rel, setting.pressure_u_pa / setting.ambient_pa),
    }
    slow_u = math.sqrt(max(setting.sccm(rate_u * setting.ambient_pa) ** 2 - fit_u**2, 0.0))
    if slow_u > 0.01 * fit_u:
        parts[RISE] = slow_u
    if leak.slow is not None and found is not None:
        # a leak that clogs as it goes on looks the same, and was larger at the start by all of that; what is less
        # probable than two standard uncertainties leave out anyway is left out here as it is of vapour
        clogged_sccm = setting.sccm(leak.slow.rate_pa_s)
        if found.slow_probability < 0.5:
            clogged_sccm = min(clogged_sccm, MOST_CLOGGED_SCCM + max(leak_sccm, 0.0))
        parts[CLOGS] = max(found.slow_probability - TAIL, 0.0) / (1 - TAIL) * clogged_sccm
    if found is not None and found.changing_probability > 0.5 and math.isfinite(found.changing_apart):
        parts[CHANGES] = CHANGE_KNOWN * abs(setting.sccm(found.changing_apart * setting.ambient_pa))
    if leak.goodness is not None and leak.goodness.p < FALSE_ALARM:
        parts[WANDERS] = setting.sccm(leak.goodness.wandering[list(q).index("leak")] * setting.ambient_pa)
    u_sccm = math.sqrt(sum(u * u for u in parts.values()))
    tau_ln, tau_ln_u = (found.tau_ln, found.tau_ln_u) if found else (q["tau_ln"], fitted.u("tau_ln"))
    tau_s = math.exp(tau_ln) if tau_ln_u < TAU_KNOWN_LN_U else None
    chill_k = (1 - q["warmth"]) * setting.ambient_k
    notes = []
    bound: Bound = ""
    too_fast = leak.half_s <= FEW_SAMPLES * leak.period_s
    if at_least_sccm > 0 and (too_fast or u_sccm > BOUND_FROM_U * leak_sccm):
        bound = "above"
        leak_sccm = at_least_sccm if too_fast else max(leak_sccm - 2 * u_sccm, at_least_sccm)
        so = "too fast for this record" if too_fast else "which this record does not tell any better"
        notes.append(f"a gross leak, {so}: the value is what it certainly exceeds")
    rate_pa_s = pv_flow_pa_m3_s_from_sccm(leak_sccm, setting.ambient_k) / setting.volume_m3
    hole_mm = orifice_mm(leak_sccm, setting.ambient_pa, start_pa, setting.ambient_k)
    if "shut_s" in q:
        notes.append(
            f"gross leak: measured from {(setting.ambient_pa - start_pa) / 1000:.2f} kPa of vacuum, the most there was"
        )
    result = HoldResult(
        hold_leak_sccm=leak_sccm,
        hold_leak_sccm_u=None if bound else u_sccm,
        pressure_rate_pa_s=rate_pa_s,
        pressure_rate_pa_s_u=None
        if bound
        else pv_flow_pa_m3_s_from_sccm(u_sccm, setting.ambient_k) / setting.volume_m3,
        equivalent_orifice_mm=hole_mm,
        equivalent_orifice_mm_u=0.5 * hole_mm * u_sccm / leak_sccm if leak_sccm > 0 and not bound else None,
        bound=bound,
        thermal_time_constant_s=tau_s,
        thermal_time_constant_s_u=None if tau_s is None else tau_s * tau_ln_u,
        chill_k=chill_k,
        chill_k_u=fitted.u("warmth") * setting.ambient_k,
        start_pressure_pa=start_pa,
        decided_after_s=_decided_after_s(leak, setting, limit_sccm),
        parts=tuple(sorted(parts.items(), key=lambda part: -part[1])),
        notes=tuple(notes),
        widening=fitted.widening,
        explanation="leak",
        goodness=leak.goodness.p if leak.goodness else None,
        drift_k_s=drift_k_s,
        fit_time_s=leak.x,
        fit_pressure_pa=leak.curve,
    )
    return judged(result, leak)


def _decided_after_s(leak: LeakFit, setting: LeakSetting, limit_sccm: float | None) -> float | None:
    """Shortest beginning of the record, s, that would have settled the question as well as it needed to be."""
    fitted, x, sd = leak.likelier, leak.x, leak.sd
    leak_sccm = setting.sccm(fitted.values["leak"] * setting.ambient_pa) - setting.background_sccm
    enough = max(KNOWN_SCCM, KNOWN_PART * abs(leak_sccm)) if limit_sccm is None else abs(leak_sccm - limit_sccm)
    at = list(fitted.values).index("leak")
    scaled = fitted.jacobian / sd[:, None] / fitted.widening
    prior = np.diag([1 / q.prior_u**2 for q in fitted.parameters])
    for part in range(1, 11):
        n = len(x) * part // 10
        known = scaled[:n].T @ scaled[:n] + prior
        size = 1 / np.sqrt(np.maximum(np.diag(known), 1e-300))
        covariance = np.linalg.pinv(known * np.outer(size, size), rcond=1e-12, hermitian=True)
        fit_u_sccm = setting.sccm(float(np.sqrt(max(covariance[at, at], 0.0)) * size[at]) * setting.ambient_pa)
        if 2 * math.hypot(fit_u_sccm, setting.background_u_sccm) < enough:
            return float(x[n - 1])
    return None
