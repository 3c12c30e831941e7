"""When the reservoir was shut off, in records whose time axis begins somewhere else."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["FOREIGN_FROM_S", "since_shut_off"]

FOREIGN_FROM_S = 2.0
"""A record whose first sample is later than this, and later than a tenth of its length, has a clock of its own."""
LOOK_S = 2.0
NEAR = 4.0


def since_shut_off(time_s: Samples, pressure_pa: Samples, noise_pa: float) -> tuple[Samples, str]:
    """Time since shutting off, s, shape (n,), and a note if time 0 had to be found.

    A logger's clock may begin anywhere. Where time 0 cannot be the shutting off, the lowest pressure of the first two
    seconds is: a pump draws the pressure down until then, and it rises from then on.

    Examples
    --------
    >>> t = np.arange(0.0, 10.0, 0.01)
    >>> p = 4e4 + 50 * np.abs(t - 1.0)
    >>> moved, note = since_shut_off(1.7e9 + t, p, 1.0)
    >>> round(float(moved[0]), 3), note
    (-1.0, 'time 0 is not when the reservoir was shut off: the lowest pressure, 1.0 s later, was taken')
    """
    first_s = float(time_s[0])
    length_s = float(time_s[-1]) - first_s
    if first_s <= max(FOREIGN_FROM_S, 0.1 * length_s):
        return time_s, ""
    t = time_s - first_s
    early = t <= min(LOOK_S, 0.2 * length_s)
    width = min(5, max(int(np.count_nonzero(early)), 1))
    smooth = np.convolve(pressure_pa[early], np.ones(width) / width, mode="valid")
    lowest = int(np.argmin(smooth))
    # the pressure of a record that begins with the shutting off is lowest at its beginning, give or take the noise
    shut_s = 0.0 if lowest == 0 or smooth[0] - smooth[lowest] < NEAR * noise_pa else float(t[lowest + width // 2])
    where = "the first sample" if shut_s == 0.0 else f"the lowest pressure, {shut_s:.1f} s later,"
    return t - shut_s, f"time 0 is not when the reservoir was shut off: {where} was taken"
