"""A characteristic against its limit: decision rules with and without a guard band.

ILAC-G8:09/2019: a guard band w moves the acceptance limit inside the tolerance limit, AL = TL - w. The rules here are
w = 0 (simple acceptance), w = 0.83 U (ISO 14253-1:2017, probability of false accept below 5 %) and w = U (below 2.5 %),
with U = 2 u. With a guard band there are four outcomes (4.2.3): pass, conditional pass, conditional fail, fail.
Probability of conformance by JCGM 106:2012, clause 7 (clause from memory), for a normal distribution around the value.
"""

from __future__ import annotations

import math

from benchrig.analysis.characteristics import number_text, with_unit
from benchrig.analysis.results import Bound, Characteristic
from benchrig.verdict.judgement import Judged, Limit, Outcome

__all__ = [
    "GUARD_BANDS",
    "guard_band_width",
    "judge",
    "limit_with_unit",
    "normal_cdf",
    "probability_of_conformance",
    "remark",
]

GUARD_BANDS = {"none": 0.0, "0.83 U": 0.83, "U": 1.0}
"""Width of the guard band as a multiple of U, by the word that stands in the model's file."""
COVERAGE_FACTOR = 2.0


def normal_cdf(z: float) -> float:
    """Standard normal distribution function.

    Examples
    --------
    >>> normal_cdf(0.0), round(normal_cdf(1.6449), 4)
    (0.5, 0.95)
    """
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def guard_band_width(guard_band: str, u: float) -> float:
    """Width w of the guard band, in the unit of u.

    Raises
    ------
    ValueError
        Not one of the rules in `GUARD_BANDS`.

    Examples
    --------
    >>> round(guard_band_width("0.83 U", 0.05), 3)
    0.083
    """
    if guard_band not in GUARD_BANDS:
        raise ValueError(f"guard band {guard_band!r} is not one of {', '.join(GUARD_BANDS)}")
    return GUARD_BANDS[guard_band] * COVERAGE_FACTOR * u


def probability_of_conformance(value: float, u: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies within the limits (JCGM 106, 7.2 to 7.4).

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty, u not negative. With u = 0 the answer is 0 or 1; a value on the
        limit conforms.
    low, high : float or None
        Tolerance limits; None leaves that side open.

    Examples
    --------
    A Zener diode, JCGM 106 example in clause 7 (figures from memory):

    >>> round(probability_of_conformance(-5.47, 0.05, None, -5.40), 2)
    0.92
    """
    if u == 0.0:
        return float((low is None or value >= low) and (high is None or value <= high))
    above = 0.0 if high is None else normal_cdf((value - high) / u)
    below = 0.0 if low is None else normal_cdf((low - value) / u)
    return max(0.0, 1.0 - above - below)


def limit_with_unit(limit: Limit) -> str:
    """The limit as a person says it.

    Examples
    --------
    >>> limit_with_unit(Limit("hold_leak_sccm", None, 5.0, ""))
    'at most 5 sccm'
    >>> limit_with_unit(Limit("coil_resistance_20c_ohm", 22.0, 27.0, ""))
    '22 to 27 ohm'
    """
    unit = with_unit(limit.name, 0.0).partition(" ")[2]
    if limit.low is None and limit.high is None:
        return "no limit"
    if limit.low is None:
        return f"at most {limit.high:g} {unit}".rstrip()
    if limit.high is None:
        return f"at least {limit.low:g} {unit}".rstrip()
    return f"{limit.low:g} to {limit.high:g} {unit}".rstrip()


def judge(characteristic: Characteristic, limit: Limit | None, guard_band: str) -> Judged:
    """Put one characteristic against its limit.

    Parameters
    ----------
    characteristic : Characteristic
        Measured, only a bound, or not measured.
    limit : Limit or None
        Of the same name; None or open on both sides: ``no limit``.
    guard_band : {"none", "0.83 U", "U"}
        The decision rule.

    Returns
    -------
    Judged
        A value exactly on an acceptance or tolerance limit is on its better side, as in ILAC-G8.

        *Bounds.* The true value is anywhere beyond the bound, so a bound decides only where all that lies beyond it is
        on one side of the limits: above the upper limit or below the lower one it is a fail, inside an open side a
        pass, with `p_conform` 0 or 1. Anywhere else both are possible with no probability to be had, and the outcome
        is ``not measured``: a longer pulse or another range has to tell.

        *No uncertainty stated.* With a guard band it has not been shown that the value is clear of the limit, so the
        outcome is conditional at best; with guard band ``none`` the bare value decides. `p_conform` is None.

        *Not measured* keeps the reason.

    Raises
    ------
    ValueError
        The names differ, the rule is unknown, or the uncertainty is negative.

    Examples
    --------
    >>> read = Characteristic("coil_resistance_20c_ohm", 27.900, 0.0579, "ohm", how="4-wire")
    >>> judged = judge(read, Limit("coil_resistance_20c_ohm", None, 28.0, "maker's data"), "U")
    >>> judged.outcome, round(judged.p_conform, 3)
    ('conditional pass', 0.958)
    """
    guard_band_width(guard_band, 0.0)
    if limit is not None and limit.name != characteristic.name:
        raise ValueError(f"{characteristic.name} against the limit for {limit.name}")
    value, u = characteristic.value, characteristic.u
    if value is None:
        return Judged(characteristic, limit, "not measured", None, characteristic.why_not or "no reason given")
    if u is not None and not u >= 0.0:
        raise ValueError(f"{characteristic.name}: value {value!r} with u {u!r}")
    if limit is None or (limit.low is None and limit.high is None):
        return Judged(characteristic, limit, "no limit", None, "the model sets no limit")
    if characteristic.bound:
        outcome, p_conform = _outcome_of_bound(characteristic.bound, value, limit)
    else:
        outcome = _outcome(value, limit, 0.0 if u is None else guard_band_width(guard_band, u))
        if u is None and guard_band != "none":
            outcome = "conditional pass" if outcome == "pass" else "conditional fail"
        p_conform = None if u is None else probability_of_conformance(value, u, limit.low, limit.high)
    why = f"{characteristic.bound} {with_unit(limit.name, value)}, {limit_with_unit(limit)} allowed".lstrip()
    if outcome == "not measured":
        why = f"only known to be {why}: it may lie on either side"
    if said := remark(characteristic, outcome, guard_band):
        why = f"{why}; {said}"
    return Judged(characteristic, limit, outcome, p_conform, why)


def remark(characteristic: Characteristic, outcome: Outcome, guard_band: str) -> str:
    """What there is to say of an outcome beside value and limit: where the value lies in the guard band, or nothing."""
    value, u = characteristic.value, characteristic.u
    if value is None or characteristic.bound or guard_band == "none" or outcome not in _IN_THE_BAND:
        return ""
    if u is None:
        return "its uncertainty is not known"
    if u == 0.0:
        return ""
    width = guard_band_width(guard_band, u)
    band = number_text(characteristic.name, width)
    text = f"{band if float(band) else f'{width:.1g}'} {characteristic.unit}".rstrip()
    return f"{_IN_THE_BAND[outcome]} the guard band of {text}"


_IN_THE_BAND: dict[Outcome, str] = {
    "pass": "clear of the limit by more than",
    "conditional pass": "allowed, but closer to the limit than",
    "conditional fail": "not allowed, but closer to the limit than",
    "fail": "beyond the limit by more than",
}


def _outcome(value: float, limit: Limit, width: float) -> Outcome:
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    if low + width <= value <= high - width:
        return "pass"
    if low <= value <= high:
        return "conditional pass"
    if low - width <= value <= high + width:
        return "conditional fail"
    return "fail"


def _outcome_of_bound(bound: Bound, value: float, limit: Limit) -> tuple[Outcome, float | None]:
    low, high = limit.low, limit.high
    if bound == "above":
        fails = high is not None and value >= high
        passes = high is None and low is not None and value >= low
    else:
        fails = low is not None and value <= low
        passes = low is None and high is not None and value <= high
    if fails:
        return "fail", 0.0
    return ("pass", 1.0) if passes else ("not measured", None)
