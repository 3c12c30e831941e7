"""The time axis of a trace: where it begins is of no account, gaps and other units than seconds are refused.

The analyses count time from an event: the switching on, the shutting off, the opening. A file counts from wherever its
instrument did, 1970 included. Here the one is taken off the other, once, before anything is computed: in numbers of ten
digits the analyses would lose what they are about.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError
from benchrig.tracefile.reading import TIME

__all__ = ["TimeAxis", "hold_axis", "opening_axis", "pulse_axis"]

GAP: Final = 5.0
"""A step so many times the usual one is a gap: loggers that miss a sample or two are common, and do no harm."""
LEAST_AFTER: Final = 12
"""Samples after the event: the least that any of the analyses can do anything with."""


@dataclass(frozen=True)
class TimeAxis:
    """Seconds since the event.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Time since the event, s.
    event_s : float
        When the event was, on the file's own axis, s.
    notes : tuple of str
        What was assumed.
    """

    time_s: Samples
    event_s: float
    notes: tuple[str, ...] = ()


def hold_axis(path: Path, time_s: Samples, from_s: float | None) -> TimeAxis:
    """Count from the shutting off: `from_s`, or 0, or the first sample where the file begins after 0.

    A record that begins late has nothing of what was before, so its first sample serves as well as any.
    """
    _whole(path, time_s, shortest_s=0.5, longest_s=3600.0, what="a hold takes seconds to an hour")
    notes: tuple[str, ...] = ()
    began_s = float(time_s[0])
    if from_s is None:
        from_s = max(began_s, 0.0)
        if began_s > 2.0 * float(np.median(np.diff(time_s))):
            notes = (
                f"the times begin at {began_s:.10g} s: the reservoir is taken to have been shut off by then; if it "
                "was later, say when with --from-s",
            )
    _inside(path, time_s, from_s, "the reservoir was shut off", "--from-s")
    return TimeAxis(time_s - from_s, from_s, notes)


def opening_axis(path: Path, time_s: Samples, from_s: float | None) -> TimeAxis:
    """Count from the switching: `from_s`, or 0. A delay from any other instant would be an invention."""
    _whole(path, time_s, shortest_s=0.05, longest_s=600.0, what="a reservoir fills within seconds")
    step_s = float(np.median(np.diff(time_s)))
    if from_s is None:
        from_s = 0.0
        if 0.0 < float(time_s[0]) <= 2.0 * step_s:
            from_s = float(time_s[0])
    _inside(path, time_s, from_s, "the valve was told to open", "--from-s")
    return TimeAxis(time_s - from_s, from_s)


def pulse_axis(path: Path, time_s: Samples, on_s: float, off_s: float | None = None) -> TimeAxis:
    """Count from the switching on; the release, if it was said, comes after it."""
    _whole(path, time_s, shortest_s=0.002, longest_s=20.0, what="an inrush is over within a second")
    _inside(path, time_s, on_s, "the coil was switched on", "--on-s")
    if off_s is not None and off_s <= on_s:
        raise ConfigError(
            f"--off-s {off_s:.10g} does not come after --on-s {on_s:.10g}.",
            hint="Give both on the file's own time axis.",
        )
    return TimeAxis(time_s - on_s, on_s)


def _whole(path: Path, time_s: Samples, *, shortest_s: float, longest_s: float, what: str) -> None:
    span_s = float(time_s[-1] - time_s[0])
    said = f"{path}: column {TIME} spans {span_s:g} s, from line 2 to line {len(time_s) + 1}; {what}"
    if span_s > longest_s:
        raise ConfigError(
            f"{said}, {longest_s:g} s at most.", hint="Are the times in milliseconds? Divide them by 1000."
        )
    if span_s < shortest_s:
        raise ConfigError(
            f"{said}, {shortest_s:g} s at least.",
            hint="Is the column in seconds, and not in minutes or thousands of seconds? Otherwise record for longer.",
        )
    steps_s = np.diff(time_s)
    usual_s = float(np.median(steps_s))
    largest = int(np.argmax(steps_s))
    if steps_s[largest] > GAP * usual_s:
        count = int(np.count_nonzero(steps_s > GAP * usual_s))
        raise ConfigError(
            f"{path}: line {largest + 3}: {steps_s[largest]:.4g} s without a sample, from {time_s[largest]:.10g} to "
            f"{time_s[largest + 1]:.10g} s, where {usual_s:.4g} s is usual: samples are missing"
            + (f" ({count:,} such gaps)." if count > 1 else "."),
            hint="Export all samples, at one rate; or cut the record before or after the gap.",
        )


def _inside(path: Path, time_s: Samples, event_s: float, event: str, option: str) -> None:
    began_s, ended_s = float(time_s[0]), float(time_s[-1])
    if not began_s <= event_s < ended_s:
        given = f"{option} {event_s:.10g} lies" if event_s != 0.0 else f"time 0, when {event}, lies"
        raise ConfigError(
            f"{path}: {given} outside the record, which goes from {began_s:.10g} to {ended_s:.10g} s.",
            hint=f"Say with {option} when {event}, on the file's own time axis.",
        )
    after = int(np.count_nonzero(time_s >= event_s))
    if after < LEAST_AFTER:
        raise ConfigError(
            f"{path}: only {after} samples after {event_s:.10g} s, when {event}; at least {LEAST_AFTER} needed.",
            hint=f"Record for longer or at a higher rate; or is it another instant? Say it with {option}.",
        )
