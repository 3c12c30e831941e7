"""Other events in a record than were said: a second pulse, a pump that still draws, a second fill."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError

__all__ = ["check_fill", "check_hold", "check_one_pulse"]

BLOCKS: Final = 200
FALLS_PA, FALLS_PA_S, FALLS_MOST_PA = 300.0, 7.0, 1_000.0
"""A room that cools by 3 K a minute takes 7 Pa/s off a hold at 41 kPa; none cools for long."""
FALLS_IN_FILL: Final = 0.1
OFF, ON = 0.2, 0.6
"""Parts of the largest current. A chopped coil stays above the one between its pulses; an armature's dip does too."""


def check_one_pulse(path: Path, time_s: Samples, current_a: Samples) -> None:
    """Refuse a record with a second pulse in it. Raises ConfigError.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Since the switching on, s.
    current_a : ndarray, shape (n,)
        A, either sign.
    """
    width = max(1, min(len(current_a) // 200, 15))
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(current_a, width), axis=1) if width > 1 else current_a
    shift = width // 2
    before = time_s < 0
    zero = float(np.median(current_a[before])) if np.count_nonzero(before) >= 5 else 0.0
    off_zero = smooth - zero
    largest = float(np.max(np.abs(off_zero)))
    scatter = 1.48 * float(np.median(np.abs(np.diff(smooth) - np.median(np.diff(smooth)))))
    if largest <= 20.0 * scatter:
        return  # nothing but noise: that is for the analysis to say
    share = np.abs(off_zero) / largest
    state, began = False, []
    for index in np.flatnonzero((share > ON) | (share < OFF)).tolist():
        on = bool(share[index] > ON)
        if on and not state:
            began.append(index + shift)
        state = on
    if len(began) > 1:
        raise ConfigError(
            f"{path}: line {began[1] + 2}, column current_a: the current comes up a second time, at "
            f"{time_s[began[1]]:.4g} s after switch-on; the first was at {time_s[began[0]]:.4g} s.",
            hint="One pulse in a file: cut the record to the one that is meant, and give its --on-s and --off-s.",
        )


def check_hold(path: Path, time_s: Samples, pressure_pa: Samples) -> None:
    """Refuse a hold whose pressure falls after time 0: nothing but a pump does that. Raises ConfigError."""
    fell = _fall(time_s, pressure_pa)
    if fell is None:
        return
    (high, high_at), (low, low_at) = fell
    allowed_pa = min(FALLS_PA + FALLS_PA_S * float(time_s[-1]), FALLS_MOST_PA)
    if high - low > allowed_pa + 6.0 * _noise(pressure_pa):
        raise ConfigError(
            f"{path}: column pressure_pa falls from {high:.0f} Pa (line {high_at + 2}, {time_s[high_at]:.4g} s after "
            f"shut-off) to {low:.0f} Pa (line {low_at + 2}, {time_s[low_at]:.4g} s); in a reservoir that is "
            "shut off it only rises.",
            hint="Was the pump still drawing? Say with --from-s when it was shut off, or cut the record. If not: is "
            "the column vacuum below ambient (gauge)? Then the absolute pressure is ambient less that.",
        )


def check_fill(path: Path, time_s: Samples, pressure_pa: Samples, *, ambient_pa: float) -> None:
    """Refuse a fill after which the pressure falls again: two fills, or a pump that draws. Raises ConfigError."""
    fell = _fall(time_s, pressure_pa)
    if fell is None:
        return
    (high, high_at), (low, low_at) = fell
    if high - low > FALLS_IN_FILL * ambient_pa + 6.0 * _noise(pressure_pa):
        raise ConfigError(
            f"{path}: column pressure_pa falls from {high:.0f} Pa (line {high_at + 2}, {time_s[high_at]:.4g} s after "
            f"the switching) to {low:.0f} Pa (line {low_at + 2}, {time_s[low_at]:.4g} s); while air comes in it only "
            "rises.",
            hint="One fill in a file, the pump shut off before: cut the record, and say with --from-s when the valve "
            "was told to open.",
        )


def _fall(time_s: Samples, pressure_pa: Samples) -> tuple[tuple[float, int], tuple[float, int]] | None:
    """The largest fall after time 0, over means of blocks: pressure and sample, before and after."""
    first = int(np.searchsorted(time_s, 0.0))
    after = pressure_pa[first:]
    size = max(1, len(after) // BLOCKS)
    count = len(after) // size
    if count < 2:
        return None
    means = after[: count * size].reshape(count, size).mean(axis=1)
    low = int(np.argmax(np.maximum.accumulate(means) - means))
    high = int(np.argmax(means[: low + 1]))
    middle = first + size // 2
    return (float(means[high]), middle + high * size), (float(means[low]), middle + low * size)


def _noise(values: Samples) -> float:
    """Standard deviation of white noise, from second differences (their variance is six times that of the noise)."""
    second = np.diff(values, 2)
    return float(1.48 * np.median(np.abs(second - np.median(second))) / math.sqrt(6.0))
