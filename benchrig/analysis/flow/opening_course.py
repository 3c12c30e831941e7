"""How open a valve was from moment to moment while a reservoir filled, and words for a course that is not one opening.

Looked at only when no model of one opening describes the record. The slope of the pressure over what an open valve
would make of it, in windows just long enough for the noise; heat and the opening's curve bend it by some tens of per
cent, a valve that shuts takes it to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from benchrig.analysis.gas.air import flow_function
from benchrig.analysis.results import Samples

__all__ = ["Course", "course_of", "words_for"]

USUAL_RATIO = 0.35
SURE = 0.05
"""Windows are as long as it takes to know the opening to this part."""
SHUT, OPEN = 0.3, 0.55
"""Part of the full opening below which it counts as shut and above which as open again."""
WIDE, GRADUAL = 0.75, 0.25
"""A fall from the first part of the opening to `SHUT` that takes longer than the second part of the time since the
opening began is no valve's."""
LEFT = 0.15
"""Looked at until this part of the vacuum is left; closer to ambient the slope says nothing of the opening."""
PULSES = 3


@dataclass(frozen=True)
class Course:
    """Opening over time.

    Attributes
    ----------
    time_s, part : ndarray, shape (n,)
        Middle of each window, and the opening there over the usual opening of the record.
    ended_full : bool
        The vacuum was gone within the record.
    """

    time_s: Samples
    part: Samples
    ended_full: bool


def course_of(
    time_s: Samples, pressure_pa: Samples, *, from_s: float, ambient_pa: float, start_pa: float, noise_pa: float
) -> Course:
    """Follow the opening from `from_s` until the vacuum is nearly gone.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
    from_s : float
        First rise of the pressure, s.
    ambient_pa, start_pa, noise_pa : float
        Ambient pressure, pressure before the rise, and noise of a sample.
    """
    vacuum_pa = ambient_pa - start_pa
    gone = np.flatnonzero(pressure_pa > ambient_pa - LEFT * vacuum_pa)
    until_s = float(time_s[gone[0]]) if len(gone) else float(time_s[-1])
    period_s = float(np.median(np.diff(time_s)))
    mean_slope = (1 - LEFT) * vacuum_pa / max(until_s - from_s, 4 * period_s)
    if not len(gone):
        mean_slope = max(mean_slope, 0.2 * vacuum_pa)
    width_s = max((12 * noise_pa**2 * period_s / (SURE * mean_slope) ** 2) ** (1 / 3), 4 * period_s)
    edges = np.arange(from_s, until_s + 0.5 * width_s, width_s)
    middles, parts = [], []
    for begin_s, end_s in pairwise(edges.tolist()):
        i, j = np.searchsorted(time_s, (begin_s, end_s))
        if j - i < 3:
            continue
        t, p = time_s[i:j] - time_s[i:j].mean(), pressure_pa[i:j]
        slope = float(t @ p) / float(t @ t)
        shape = float(flow_function(float(p.mean()) / ambient_pa, USUAL_RATIO))
        middles.append(0.5 * (begin_s + end_s))
        parts.append(slope / max(shape, 0.2))
    part = np.array(parts)
    full = float(np.sort(part)[-3:].mean()) if len(part) else 1.0
    return Course(np.array(middles), part / max(full, 1e-9), bool(len(gone)))


def words_for(course: Course) -> str:
    """What the valve did, if it did not open once and stay open; empty when that does not show.

    Examples
    --------
    >>> at = np.arange(40) * 0.01
    >>> words_for(Course(at, np.where(at < 0.2, 1.0, 0.0), False))
    'the valve shuts again 200 ms after it began to open'
    >>> words_for(Course(at, np.where(at % 0.1 < 0.05, 1.0, 0.0), True))
    'the valve opens and shuts again and again, about 10 times a second: is its coil driven by pulses?'
    >>> words_for(Course(at, np.ones(40), True))
    ''
    """
    part = course.part
    if len(part) < 4:
        return ""
    opened = np.flatnonzero(part > OPEN)
    if not len(opened):
        return ""
    shuts: list[int] = []
    opens: list[int] = []
    is_open = True
    for i in range(int(opened[0]), len(part)):
        if is_open and part[i] < SHUT:
            shuts.append(i)
            is_open = False
        elif not is_open and part[i] > OPEN:
            opens.append(i)
            is_open = True
    if not shuts:
        return ""
    at = course.time_s
    if len(shuts) >= PULSES:
        rate = (len(shuts) - 1) / max(float(at[shuts[-1]] - at[shuts[0]]), 1e-6)
        return (
            f"the valve opens and shuts again and again, about {rate:.0f} times a second: is its coil driven by pulses?"
        )
    after_ms = 1e3 * (float(at[shuts[0]]) - float(at[0]))
    if not opens and _dies_away(course, shuts[0]):
        return (
            f"the rise of the pressure dies away over {after_ms:.0f} ms, as no valve shuts: is the transducer slow, "
            "its hose kinked or blocked?"
        )
    if not opens:
        if course.ended_full and shuts[0] >= len(part) - 2:
            return ""
        return f"the valve shuts again {after_ms:.0f} ms after it began to open"
    return f"the valve shuts {after_ms:.0f} ms after it began to open, and opens again"


def _dies_away(course: Course, shut: int) -> bool:
    """Whether the opening seems to fall little by little: a valve that shuts does so at once."""
    at = course.time_s
    wide = np.flatnonzero(course.part[:shut] > WIDE)
    since_s = float(at[shut] - at[wide[-1] if len(wide) else 0])
    return since_s > max(GRADUAL * float(at[shut] - at[0]), 2.5 * float(at[1] - at[0]))
