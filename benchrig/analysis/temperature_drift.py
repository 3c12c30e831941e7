"""What a drifting room does to the pressure of a closed reservoir, and how much of it is allowed for."""

from __future__ import annotations

import math

__all__ = ["AMBIENT_DRIFT_U_K_S", "drift_allowed_for"]

AMBIENT_DRIFT_U_K_S = 0.03 / 60
"""Ambient temperature wanders by this while nobody looks, standard uncertainty: common practice, no source."""


def drift_allowed_for(seen_k_s: float | None, seen_u_k_s: float | None) -> tuple[float, float]:
    """Drift of the gas in a reservoir, K/s, and its standard uncertainty.

    A reservoir follows the room at once if it is light and not at all if it is heavy, or the thermistor alone may have
    been warmed: its gas drifts by something between nothing and what the thermistor shows, anything between being
    equally likely.

    Parameters
    ----------
    seen_k_s, seen_u_k_s : float or None
        Slope of the thermistor's readings around the record and its standard uncertainty, K/s; None: nobody looked.

    Examples
    --------
    1.2 K/min at the thermistor:

    >>> [round(60 * k, 2) for k in drift_allowed_for(0.02, 0.0)]
    [0.6, 0.35]
    """
    if seen_k_s is None:
        return 0.0, AMBIENT_DRIFT_U_K_S
    u = math.hypot(seen_k_s / math.sqrt(12), (seen_u_k_s or 0.0) / 2)
    return 0.5 * seen_k_s, math.hypot(u, AMBIENT_DRIFT_U_K_S)
