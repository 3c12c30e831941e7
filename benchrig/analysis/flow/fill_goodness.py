"""Whether a fitted fill describes its record: a test with a stated rate of false alarms, and the noise it rests on.

Blocks of samples are compared with the fit in four windows of the record, each by chi-square and by how alike
neighbours are, so that a misfit of the first milliseconds is not drowned by seconds of quiet tail.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import noise_sd

__all__ = ["FALSE_ALARMS", "Noise", "goodness", "noise_of_record"]

FALSE_ALARMS = 1e-3
"""Part of the records that keep to the model and are questioned all the same, by the noise alone."""
WINDOWS = 4
MODEL_U_PA = 3.0
"""What the numerical solution and what is left out of the balance may be off by (see ``test_reservoir.py``)."""
LEAST_BLOCKS = 8
STILL_BLOCK = 20


@dataclass(frozen=True)
class Noise:
    """Of a pressure record, Pa.

    Attributes
    ----------
    sample_pa : float
        Standard deviation of a single sample, from sample to sample.
    slow_pa : float
        Standard deviation of what does not average out over a block of some samples: hum, drift, coarse steps.
    stepped : bool
        It is the converter's steps that do not average out.
    """

    sample_pa: float
    slow_pa: float
    stepped: bool = False

    @property
    def averages_out(self) -> bool:
        """Whether means of many samples are as independent as single ones."""
        return self.slow_pa < 0.1 * self.sample_pa

    def of_mean(self, n: Samples) -> Samples:
        """Standard deviation of means of n samples about the fitted curve, Pa."""
        steady_pa = math.hypot(self.slow_pa, MODEL_U_PA)
        return np.asarray(np.hypot(self.sample_pa / np.sqrt(n), steady_pa), dtype=np.float64)


def noise_of_record(pressure_pa: Samples, still: Samples) -> Noise:
    """Noise of a record, and what of it does not average out.

    Parameters
    ----------
    pressure_pa : ndarray, shape (n,)
        The record.
    still : ndarray, shape (k,)
        The samples before the opening, when the pressure stands or drifts evenly.

    Examples
    --------
    >>> still = 4e4 + 12 * np.random.default_rng(1).standard_normal(400)
    >>> noise = noise_of_record(still, still)
    >>> round(noise.sample_pa, 1), noise.slow_pa
    (11.8, 0.0)
    """
    sample_pa = max(noise_sd(pressure_pa), 0.3)
    steps_pa = _between_steps(pressure_pa, sample_pa)
    slow_pa = steps_pa
    blocks = len(still) // STILL_BLOCK
    if blocks >= LEAST_BLOCKS:
        means = still[-blocks * STILL_BLOCK :].reshape(blocks, STILL_BLOCK).mean(axis=1)
        at = np.arange(blocks) - (blocks - 1) / 2
        left = means - means.mean() - at * float(at @ means) / float(at @ at)
        spare = blocks - 2
        variance = float(left @ left) / spare
        white = sample_pa**2 / STILL_BLOCK + slow_pa**2
        # only what white noise would show once in a thousand records counts
        if variance > white * _chi_square_limit(spare, 3.1) / spare:
            slow_pa = math.sqrt(max(variance - sample_pa**2 / STILL_BLOCK, slow_pa**2))
    return Noise(sample_pa, slow_pa, steps_pa > 0.1 * sample_pa)


def _between_steps(pressure_pa: Samples, sample_pa: float) -> float:
    """What a converter's steps leave in means of samples whose noise is too small to smear them, Pa."""
    jumps = np.abs(np.diff(pressure_pa))
    jumps = jumps[jumps > 0]
    if not len(jumps):
        return 0.0
    step = float(jumps.min())
    smear = math.sqrt(max(sample_pa**2 - step**2 / 12, 0.0)) / step
    return step / math.sqrt(12) * math.exp(-2 * math.pi**2 * smear**2)


def goodness(residual: Samples, parameters: int, alike: bool = True) -> float:
    """How far a fit is beyond what noise explains: over 1 in a part `FALSE_ALARMS` of the fits that are right.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        Data less fit over the standard deviation, in the order of time.
    parameters : int
        Number of parameters that were free.
    alike : bool
        Whether noise would be independent from one block to the next. Coarse steps of a converter are not.

    Examples
    --------
    >>> noise = np.random.default_rng(3).standard_normal(200)
    >>> goodness(noise, 12) < 1, goodness(noise + np.sin(np.arange(200) / 5), 12) > 1
    (True, True)
    """
    tests = 2 * WINDOWS
    limit = _normal_limit(FALSE_ALARMS / tests)
    spare = max(len(residual) - parameters, 1) / len(residual)
    worst = 0.0
    for part in np.array_split(residual, WINDOWS):
        if len(part) < LEAST_BLOCKS:
            continue
        free = len(part) * spare
        squares = float(part @ part)
        worst = max(worst, squares / _chi_square_limit(free, limit))
        if alike and squares > 0.5 * free:
            together = float(part[1:] @ part[:-1]) / squares * math.sqrt(len(part))
            # squared, so that both grow like a chi-square
            worst = max(worst, (max(together, 0.0) / limit) ** 2)
    return worst


def _chi_square_limit(free: float, z: float) -> float:
    """Chi-square exceeded with the probability with which a normal deviate exceeds z (Wilson and Hilferty)."""
    spread = 2 / (9 * free)
    return float(free * (1 - spread + z * math.sqrt(spread)) ** 3)


def _normal_limit(tail: float) -> float:
    """Normal deviate exceeded with a small probability, by Newton steps on the complementary error function."""
    z = 3.0
    for _ in range(20):
        density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
        z += (0.5 * math.erfc(z / math.sqrt(2)) - tail) / density
    return z
