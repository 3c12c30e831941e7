"""The one place that reads time and sleeps.

Everything else is handed a `Clock`. On a real bench it is `RealClock`; the simulated bench brings its own, whose
seconds pass as fast as the computer can work them out.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

__all__ = ["Clock", "PacedClock", "RealClock", "SinceBoot", "since_boot", "utc_now"]

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


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


class PacedClock:
    """Another clock whose seconds take as long as real ones, for somebody who looks on.

    It never hurries to catch up: what took the computer longer has taken longer.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ahead_s = clock.now() - time.monotonic()

    def now(self) -> float:
        """Seconds of the other clock."""
        return self._clock.now()

    def sleep_until(self, t: float) -> None:
        """Let the other clock come to `t`, and wait until as much real time has passed."""
        self._clock.sleep_until(t)
        early_s = self._clock.now() - time.monotonic() - self._ahead_s
        if early_s > 0:
            time.sleep(early_s)
        else:
            self._ahead_s += early_s


@dataclass(frozen=True)
class SinceBoot:
    """Seconds since the computer was started, sleep included, which nobody can set; and which start that was."""

    boot: str
    seconds: float


def since_boot() -> SinceBoot | None:
    """Seconds since the computer was started; None where the system does not tell one start from another (not Linux).

    The boot's name is that of random(4), the seconds those of CLOCK_BOOTTIME, clock_gettime(2).
    """
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    if clock is not None:
        with suppress(OSError):
            return SinceBoot(_BOOT_ID.read_text(encoding="ascii").strip(), time.clock_gettime(clock))
    return None


def utc_now() -> datetime:
    """The date and time of day for records, in UTC."""
    return datetime.now(UTC)
