"""How the gas warms up on a bench today, from those holds of the day that were long enough to tell it themselves."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.analysis.leak.hold_vacuum import SAME_DAY_VARIES

__all__ = ["LONG_ENOUGH_TAUS", "KnownRecovery", "known_recovery"]

LEAST_HOLDS = 3
LONG_ENOUGH_TAUS = 6.0
"""A hold of so many time constants tells its recovery by itself to a few percent: what was known before hardly counts,
so that knowledge is not taken for evidence of itself."""
FEW = {3: 1.32, 4: 1.2, 5: 1.14, 6: 1.11, 7: 1.09}
"""Student's t over the normal quantile at 68 %, for the scatter of so many values (tables of the t distribution)."""


@dataclass(frozen=True)
class KnownRecovery:
    """Time constant, s, and chill, K, of the next hold, with standard uncertainties; from so many holds.

    `expected_k` is what these holds' chills were expected to be, K, where that is known: another is as much colder.
    """

    tau_s: float
    tau_u_s: float
    chill_k: float
    chill_u_k: float
    holds: int
    expected_k: float | None = None


def known_recovery(
    taus_s: Sequence[float], chills_k: Sequence[float], expected_k: Sequence[float] = ()
) -> KnownRecovery | None:
    """What the next hold's recovery will be like; None where too few are known.

    The mean, and as uncertainty the scatter of a single hold about it, with what the mean is unsure of, but never less
    than what differs within a day beyond what a few holds show (`SAME_DAY_VARIES`).

    Parameters
    ----------
    taus_s, chills_k : sequence of float, length n
        Of the day's holds at the same vacuum.
    expected_k : sequence of float, length n or 0
        What each of the chills was expected to be.

    Examples
    --------
    >>> known = known_recovery([2.0, 2.1, 2.2], [20.0, 20.0, 20.0])
    >>> round(known.tau_s, 2), round(known.tau_u_s, 2), round(known.chill_u_k, 2)
    (2.1, 0.15, 0.1)
    """
    n = len(taus_s)
    if n < LEAST_HOLDS:
        return None

    mean_k = statistics.fmean(expected_k) if len(expected_k) == n else None
    if mean_k is not None:
        chills_k = [chill * mean_k / expected for chill, expected in zip(chills_k, expected_k, strict=True)]

    def next_one(values: Sequence[float], varies: float) -> tuple[float, float]:
        mean = statistics.fmean(values)
        scatter = statistics.stdev(values) * math.sqrt(1 + 1 / n) * FEW.get(n, 1.07)
        return mean, max(scatter, varies * mean)

    return KnownRecovery(*next_one(taus_s, SAME_DAY_VARIES[0]), *next_one(chills_k, SAME_DAY_VARIES[1]), n, mean_k)
