"""Checks and calibrations on the terminal: local time with its zone, no sign on nothing."""

from __future__ import annotations

import time
from datetime import UTC, datetime

import pytest
from rich.console import Console

from benchrig.bench.calibrations import Calibration, Constant
from benchrig.bench.traceability import CheckDone
from benchrig.reports.bench_text import print_calibration, print_history


@pytest.fixture
def east(monkeypatch: pytest.MonkeyPatch):
    """A computer 13 hours east of Greenwich."""
    monkeypatch.setenv("TZ", "EST-13")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_the_history_is_in_local_time_and_names_the_zone(east: None) -> None:
    done = CheckDone(7, passed=True, ended=datetime(2026, 11, 25, 18, 30, tzinfo=UTC), operator="R. Counter", failed=())
    console = Console(width=100, record=True)
    print_history((), (done,), console)
    assert "2026-11-26 07:30 EST" in console.export_text()


def test_a_constant_that_has_not_moved_has_no_sign_before_its_nought() -> None:
    now, was = (Constant("shunt volts_per_amp", value, 0.003, "V/A") for value in (1.99999, 2.0))
    made = datetime(2026, 11, 25, 18, 30, tzinfo=UTC)
    calibration = Calibration("shunt", (now,), (was,), (), made, made, "R. Counter", "against the meter at 22 degC")
    console = Console(width=100, record=True)
    print_calibration(calibration, console)
    text = console.export_text()
    assert "moved by 0.00 %" in text
    assert "-0.00" not in text
    assert "at 22 °C" in text
