"""Made-up histories of a check valve. All figures are our own invention."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from benchrig.records.history import CheckValveHistory, CheckValveRun


def history(
    days: int, drift: Callable[[int], float] = lambda _day: 0.0, *, seed: int = 1, barometer: bool = True
) -> CheckValveHistory:
    """A flow that follows the weather and, from the drift, the transducer; a coil that does not."""
    draw = np.random.default_rng(seed)
    runs = []
    air_kpa, room_c = 101.3, 22.0
    for day in range(days):
        air_kpa += 0.3 * (101.3 - air_kpa) + float(draw.normal(0, 0.5))
        room_c += 0.5 * (22.0 - room_c) + float(draw.normal(0, 1.0))
        shown_kpa = air_kpa * (1 + drift(day))
        values = {
            "coil_resistance_20c_ohm": 24.7 + float(draw.normal(0, 0.002)),
            "flow_at_rated_vacuum_lpm_anr": 22.3 + 0.14 * (shown_kpa - 101.3) + float(draw.normal(0, 0.01)),
        }
        readings = {"ambient temperature": room_c, "ambient pressure": shown_kpa}
        if barometer:
            readings["transducer less barometer"] = 1000 * (shown_kpa - air_kpa) + float(draw.normal(0, 20))
        at = datetime(2026, 1, 1, 7, tzinfo=UTC) + timedelta(days=day)
        runs.append(CheckValveRun(f"{day + 1:04d}", at, "accept", values, readings))
    units = {"coil_resistance_20c_ohm": "ohm", "flow_at_rated_vacuum_lpm_anr": "L/min ANR"}
    return CheckValveHistory("SHELF <1>", "alder-24", True, tuple(runs), units)
