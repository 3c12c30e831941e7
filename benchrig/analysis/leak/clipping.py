"""A transducer that stands at an end of its range: the lowest or highest value comes again and again.

Noise makes neighbouring samples differ. Where it is larger than the converter's step, the extreme values of a record
are the rarest; a run of many samples at exactly the lowest or the highest is an end of the range, or a value that was
held. Where the noise is smaller than a step, the record is a staircase and such runs are usual; then a run counts only
if the pressure had been moving by many steps within such a time just beside it.
"""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import noise_sd

__all__ = ["clipped"]

RUN = 12
"""So many samples in a row at exactly an extreme value are no chance where noise exceeds a step: at most two of five
samples show one value then, 1 in 100,000 for twelve."""
NOISE_OVER_STEP = 1.0
STEPS_BESIDE = 8.0
"""Steps by which a staircase rises beside such a run within its length: one that flattens out rises less."""
LEAST_SAMPLES = 30


def clipped(values: Samples) -> tuple[str, int, int]:
    """Which end of its range a record stands at, its first sample there and how many; empty for neither.

    Parameters
    ----------
    values : ndarray, shape (n,)
        As recorded.

    Examples
    --------
    >>> p = 4e4 + 10.0 * np.arange(200.0) + np.random.default_rng(1).normal(0.0, 5.0, 200)
    >>> clipped(p), clipped(np.maximum(p, 4.05e4))[::2]
    (('', 0, 0), ('lowest', 50))
    """
    if len(values) < LEAST_SAMPLES:
        return "", 0, 0
    for which, extreme in (("lowest", float(np.min(values))), ("highest", float(np.max(values)))):
        first, length = _longest_run(values == extreme)
        if length < RUN:
            continue
        free = values[values != extreme]
        if len(free) < LEAST_SAMPLES:
            continue
        levels = np.abs(np.diff(free))
        levels = levels[levels > 0]
        step = float(levels.min()) if len(levels) else 0.0
        last = first + length
        if noise_sd(free) < NOISE_OVER_STEP * step:
            before, after = values[max(first - length, 0) : first], values[last : last + length]
            moved = max((abs(float(b[-1] - b[0])) for b in (before, after) if len(b) >= 2), default=0.0)
            if moved < STEPS_BESIDE * step:
                continue
        return which, first, length
    return "", 0, 0


def _longest_run(at: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at, [False]]).astype(np.int8)))
    if not len(edges):
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    k = int(np.argmax(lengths))
    return int(edges[2 * k]), int(lengths[k])
