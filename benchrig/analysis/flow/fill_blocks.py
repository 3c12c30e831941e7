"""The samples of a fill as block means: narrow about the opening, wider where the curve is nearly straight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.analysis.flow.fill_goodness import Noise
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import block_means

__all__ = ["Blocks", "thinned"]


def thinned(
    t: Samples, p: Samples, opening_s: tuple[float, float], fill_s: float, period_s: float
) -> tuple[Samples, Samples, Samples]:
    """Block means: narrow blocks about the opening, then blocks short enough for the curve to be straight in each."""
    first_s, last_s = opening_s[0] - 0.015, opening_s[1] + 0.010
    narrow = max(period_s, (last_s - first_s) / 60)
    wide = max(fill_s / 60, period_s)
    edges = [max(float(t[0]), first_s - 0.4)]
    while edges[-1] < t[-1] + period_s:
        at = edges[-1]
        if at < first_s:
            step = max(period_s, min(0.05, first_s - at))
        elif at < last_s:
            step = narrow
        else:
            step = min(wide * max(1.0, (at - last_s) / (2 * fill_s)), max(t[-1] / 50, period_s))
        edges.append(at + step)
    return block_means(t, p, np.array(edges) - period_s / 2)


@dataclass(frozen=True)
class Blocks:
    """Thinned samples of a fill and first guesses from them.

    Attributes
    ----------
    time_s, pressure_pa, sd_pa : ndarray, shape (n,)
        Mean times, mean pressures and their standard deviations.
    opened_s, slope_pa_s, start_pa : float
        First guesses: instant of opening, slope of the first rise, pressure before it.
    period_s : float
        Time between samples.
    noise : Noise
    """

    time_s: Samples
    pressure_pa: Samples
    sd_pa: Samples
    opened_s: float
    slope_pa_s: float
    start_pa: float
    period_s: float
    noise: Noise
