"""A valve that is still wet with fuel: its vapour raises the pressure like a leak, and a leak can hide behind it.

Such a valve is neither accepted nor, for its vapour, rejected: it is aired out and tested again. Only what is certain
whatever the vapour does is held against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.verdict.judgement import Cause, Judged

__all__ = ["NAMED_FROM", "WET", "Vapour", "certain_beside_vapour", "retest_after_min", "vapour_said", "wet_cause"]

WET = "wet"
NAMED_FROM = 0.5
"""Probability of vapour from which a valve is called wet."""
SURE_U = 4.0
"""A leak beside vapour rejects only when it lies beyond its limit by so many standard uncertainties: how vapour rises
is known less well than noise (engineering judgement)."""
LEAST_MIN, MOST_MIN, ROUND_MIN = 15, 120, 5
MINUTES_A_SECOND = 1.0
"""A film that fills half a litre with its vapour in so many seconds is gone after about as many minutes in moving air:
4 g of 3 kPa leave at the rate that the same surface shows on the bench (estimate; nobody has measured it)."""
USUAL_MIN = 30
LEAK = "hold_leak_sccm"


@dataclass(frozen=True)
class Vapour:
    """What the hold showed of fuel vapour.

    Attributes
    ----------
    probability : float
        That there is some.
    pressure_kpa, time_constant_s : float or None
        Pressure by which it would still rise, and how fast; None where the record does not say.
    at_rest_pa : float or None
        By how much the pressure rose in the closed manifold before the pump had run, where it did.
    """

    probability: float
    pressure_kpa: float | None = None
    time_constant_s: float | None = None
    at_rest_pa: float | None = None


def retest_after_min(vapour: Vapour) -> int:
    """Minutes of airing out after which testing again is worth while.

    Examples
    --------
    >>> [retest_after_min(Vapour(1.0, 2.0, seconds)) for seconds in (5.0, 37.0, 400.0, None)]
    [15, 40, 120, 30]
    """
    seconds = vapour.time_constant_s
    if seconds is None or not math.isfinite(seconds):
        return USUAL_MIN
    wanted = ROUND_MIN * math.ceil(MINUTES_A_SECOND * seconds / ROUND_MIN)
    return min(max(wanted, LEAST_MIN), MOST_MIN)


def vapour_said(vapour: Vapour) -> str:
    """What was seen, in a sentence's worth of words.

    Examples
    --------
    >>> vapour_said(Vapour(0.98, 2.31, 14.2))
    'beside any leak the pressure rises by 2.3 kPa and levels off with 14 s, as vapour of residual fuel does'
    """
    if vapour.at_rest_pa is not None:
        return (
            f"the pressure rises by {vapour.at_rest_pa:.0f} Pa in the closed manifold before the pump runs, as vapour "
            "of residual fuel makes it"
        )
    by = "" if vapour.pressure_kpa is None else f" by {vapour.pressure_kpa:.2g} kPa"
    seconds = "" if vapour.time_constant_s is None else f" with {vapour.time_constant_s:.0f} s"
    return f"beside any leak the pressure rises{by} and levels off{seconds}, as vapour of residual fuel does"


def wet_cause(vapour: Vapour) -> Cause:
    """Wet, as a cause."""
    return Cause(WET, vapour.probability, vapour_said(vapour))


def certain_beside_vapour(failing: Sequence[Judged]) -> list[Judged]:
    """Those failures that stand whatever the vapour does: all but a leak that is not far beyond its limit."""
    return [each for each in failing if each.characteristic.name != LEAK or _far_beyond(each)]


def _far_beyond(judged: Judged) -> bool:
    leak, limit = judged.characteristic, judged.limit
    if leak.bound:
        return True
    if leak.value is None or leak.u is None or limit is None or limit.high is None:
        return False
    return leak.value - SURE_U * leak.u > limit.high
