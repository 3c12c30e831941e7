"""What a drifting room does to the pressure of a closed reservoir, and how much of it is allowed for."""

from __future__ import annotations

import math

__all__ = ["AMBIENT_DRIFT_U_K_S", "drift_allowed_for"]

AMBIENT_DRIFT_U_K_S = 0.03 / 60
"""Ambient temperature wanders by this in a quiet room, standard uncertainty: common practice, no source."""
UNQUIET, UNQUIET_U_K_S = 0.1, 1.0 / 60
"""A room is unquiet (doors, sun, heating) so likely, and then wanders by this (engineering judgement)."""


def drift_allowed_for(seen_k_s: float | None, seen_u_k_s: float | None) -> tuple[float, float]:
    """Drift of the gas in a reservoir, K/s, and its standard uncertainty.

    A reservoir follows the room at once if it is light and not at all if it is heavy, or the thermistor alone may have
    been warmed: its gas drifts by something between nothing and what the room does, anything between being equally
    likely. What the room does is what the thermistor shows in the light of what rooms usually do: two readings within
    half a minute alone know it no better.

    Parameters
    ----------
    seen_k_s, seen_u_k_s : float or None
        Slope of the thermistor's readings around the record and its standard uncertainty, K/s; None: nobody looked.

    Examples
    --------
    1.2 K/min at the thermistor; none seen, to 0.07 K/min:

    >>> [round(60 * k, 2) for k in drift_allowed_for(0.02, 0.0)]
    [0.6, 0.35]
    >>> [round(60 * k, 3) for k in drift_allowed_for(0.0, 0.07 / 60)]
    [0.0, 0.016]
    """
    if seen_k_s is None:
        return 0.0, AMBIENT_DRIFT_U_K_S
    looked = max(seen_u_k_s or 0.0, 1e-9) ** 2
    ways = []
    for odds, usual in ((1 - UNQUIET, AMBIENT_DRIFT_U_K_S**2), (UNQUIET, UNQUIET_U_K_S**2)):
        both = usual + looked
        log_evidence = math.log(odds / math.sqrt(both)) - 0.5 * seen_k_s**2 / both
        ways.append((log_evidence, seen_k_s * usual / both, usual * looked / both))
    likeliest = max(log for log, _, _ in ways)
    total = sum(math.exp(log - likeliest) for log, _, _ in ways)
    shares = [math.exp(log - likeliest) / total for log, _, _ in ways]
    mean = sum(share * m for share, (_, m, _) in zip(shares, ways, strict=True))
    square = sum(share * (v + m * m) for share, (_, m, v) in zip(shares, ways, strict=True))
    return mean / 2, math.sqrt(square / 3 - mean * mean / 4)
