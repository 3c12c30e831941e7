"""The one place that reads time and sleeps.

Everything else is handed a `Clock`. On a real bench it is `RealClock`; the simulated bench brings its own, whose
seconds pass as fast as the computer can work them out.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol

__all__ = ["Clock", "RealClock", "utc_now"]


class Clock(Protocol):
    """Seconds that only go forward. All deadlines in the program are instants on this clock."""

    def now(self) -> float:
        """Seconds since an arbitrary origin, monotonic."""

    def sleep_until(self, t: float) -> None:
        """Return once `now` is at least `t`; at once if it already is."""


class RealClock:
    """The computer's monotonic clock."""

    def now(self) -> float:
        """Seconds since an arbitrary origin, monotonic."""
        return time.monotonic()

    def sleep_until(self, t: float) -> None:
        """Return once `now` is at least `t`; at once if it already is."""
        left = t - time.monotonic()
        if left > 0:
            time.sleep(left)


def utc_now() -> datetime:
    """The date and time of day for records, in UTC."""
    return datetime.now(UTC)
