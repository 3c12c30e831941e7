"""Was the computer's clock put forward or back? Its date against the seconds since the computer was started.

The date alone cannot tell a clock that was put forward from time that passed. The seconds since the start of the
computer can: nobody sets them. So a step shows between two looks within one start, and a clock that went back shows
across starts too. What was put forward while the computer was off does not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from benchrig.clock import SinceBoot, since_boot, utc_now

__all__ = ["CLOCK_STEP", "ClockLook", "look_at_clock", "stepped"]

CLOCK_STEP = timedelta(hours=1)
"""Less is no matter: no check and no calibration counts by minutes."""


@dataclass(frozen=True)
class ClockLook:
    """The date, and the seconds since the computer was started at the same moment, where they are known."""

    at: datetime
    since_boot: SinceBoot | None = None


def look_at_clock() -> ClockLook:
    """Read both at once."""
    return ClockLook(utc_now(), since_boot())


def stepped(before: ClockLook | None, now: ClockLook) -> str:
    """What was done to the clock between two looks; empty when nothing, or when it does not show.

    Examples
    --------
    >>> from datetime import UTC
    >>> noon = datetime(2026, 12, 1, 12, tzinfo=UTC)
    >>> before = ClockLook(noon, SinceBoot("a", 100.0))
    >>> stepped(before, ClockLook(noon + timedelta(hours=5), SinceBoot("a", 100.0 + 3600)))
    'was put forward by 4.0 h'
    >>> stepped(before, ClockLook(noon + timedelta(hours=5), SinceBoot("a", 100.0 + 5 * 3600)))
    ''
    """
    if before is None or before.since_boot is None or now.since_boot is None:
        return ""
    if before.since_boot.boot == now.since_boot.boot:
        passed = timedelta(seconds=now.since_boot.seconds - before.since_boot.seconds)
        step = now.at - before.at - passed
        if abs(step) <= CLOCK_STEP:
            return ""
        way = "forward" if step > timedelta(0) else "back"
        return f"was put {way} by {_long(abs(step))}"
    # Another start of the computer: it came after the look before it, so that much time has passed at least.
    short = before.at + timedelta(seconds=now.since_boot.seconds) - now.at
    return f"was put back by at least {_long(short)}" if short > CLOCK_STEP else ""


def _long(span: timedelta) -> str:
    hours = span.total_seconds() / 3600
    return f"{hours:.1f} h" if hours < 72 else f"{hours / 24:.0f} days"
