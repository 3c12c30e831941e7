"""The critical pressure ratio of an opening that is no ellipse, as the standard has it measured.

A seat and a port in series, a rim that is not well rounded: their flow leaves the choked one earlier or later than any
ellipse that fits the rest of it. So b is not where the fitted curve bends first, but that of the ellipse which comes
nearest to its flow at four parts of the choked one, as on a bench that measures steady flows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchrig.analysis.flow.fill_model import opening_of

__all__ = ["measured_ratio"]

FLOWS = (0.8, 0.6, 0.4, 0.2)
"""Parts of the choked flow (ISO 6358-1, from memory)."""


def measured_ratio(q: Mapping[str, float]) -> float:
    """Critical ratio b of the opening with these fitted parameters, to first order in how it departs from its ellipse.

    Examples
    --------
    >>> round(measured_ratio({"rate": 1.0, "critical_ratio": 0.3}), 3)
    0.3
    >>> departs = {f"departure_{i}": each for i, each in enumerate((0.1, 0.0, 0.0, 0.0))}
    >>> round(measured_ratio({"rate": 1.0, "critical_ratio": 0.3, "start": 0.4, **departs}), 3)
    0.332
    """
    b, opening = q["critical_ratio"], opening_of(q)
    shifts = leanings = 0.0
    for flow in FLOWS:
        x = math.sqrt(1 - flow * flow)
        by_ratio = x * (1 - x) / flow / (1 - b)
        shifts += by_ratio * (opening.shape(b + x * (1 - b)) - flow)
        leanings += by_ratio * by_ratio
    return b + shifts / leanings
