"""A clock that was put forward or back is told from time that passed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from benchrig.bench.clock_steps import ClockLook, look_at_clock, stepped
from benchrig.clock import SinceBoot, since_boot

NOON = datetime(2026, 12, 1, 12, tzinfo=UTC)
BEFORE = ClockLook(NOON, SinceBoot("this start", 5_000.0))


def later(passed: timedelta, step: timedelta, boot: str = "this start") -> ClockLook:
    seconds = passed.total_seconds() + (5_000.0 if boot == "this start" else 0.0)
    return ClockLook(NOON + passed + step, SinceBoot(boot, seconds))


@pytest.mark.parametrize("passed", [timedelta(seconds=50), timedelta(days=40)])
@pytest.mark.parametrize(
    ("step", "told"),
    [
        (timedelta(0), ""),
        (timedelta(minutes=59), ""),
        (timedelta(minutes=-59), ""),
        (timedelta(minutes=90), "was put forward by 1.5 h"),
        (timedelta(minutes=-90), "was put back by 1.5 h"),
        (timedelta(days=365), "was put forward by 365 days"),
    ],
)
def test_a_step_is_told_from_time_that_passed(passed: timedelta, step: timedelta, told: str) -> None:
    assert stepped(BEFORE, later(passed, step)) == told


def test_after_another_start_of_the_computer_only_a_step_back_shows() -> None:
    assert stepped(BEFORE, later(timedelta(hours=9), timedelta(hours=5), "another start")) == ""
    # It has run for nine hours since, and the clock shows four.
    assert stepped(BEFORE, later(timedelta(hours=9), timedelta(hours=-5), "another start")) == (
        "was put back by at least 5.0 h"
    )


def test_where_the_computer_does_not_tell_its_start_nothing_is_said() -> None:
    assert stepped(None, BEFORE) == ""
    assert stepped(BEFORE, ClockLook(NOON + timedelta(days=99))) == ""
    assert stepped(ClockLook(NOON), later(timedelta(0), timedelta(days=99))) == ""


def test_the_seconds_since_the_start_go_on_and_the_start_stays_the_same() -> None:
    first, second = since_boot(), since_boot()
    if first is None or second is None:
        pytest.skip("this system does not tell one start from another")
    assert first.boot == second.boot
    assert 0.0 <= second.seconds - first.seconds < 60.0
    assert stepped(look_at_clock(), look_at_clock()) == ""
