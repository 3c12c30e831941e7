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
    step_pa : float
        Height of the converter's steps where it is they that do not average out; else zero.
    alike : float
        Over so many samples the rest of it stays about the same: half a period of a hum, longer where it drifts.
    """

    sample_pa: float
    slow_pa: float
    step_pa: float = 0.0
    alike: float = 1.0

    @property
    def stepped(self) -> bool:
        """Whether it is the converter's steps that do not average out."""
        return self.step_pa > 0

    @property
    def averages_out(self) -> bool:
        """Whether means of many samples are as independent as single ones."""
        return self.slow_pa < 0.1 * self.sample_pa

    def of_means(self, n: Samples, mean_pa: Samples) -> Samples:
        """Standard deviation of the means of blocks of n samples in succession about the fitted curve, Pa.

        What is alike from one block to the next is told once, not by each: a step of the converter until the curve
        has gone through it, other slow noise for as long as it stays the same. Such blocks count less.

        Examples
        --------
        >>> rises = np.array([0.0, 40.0, 80.0, 90.0, 100.0, 105.0, 105.0, 105.0, 105.0])
        >>> Noise(1.0, 4.0, step_pa=30.0).of_means(np.full(9, 100.0), rises).round(1)
        array([5. , 5. , 5.3, 7.6, 7.6, 7.6, 7.6, 7.6, 7.6])
        """
        together = np.maximum(self.alike / n, 1.0)
        if self.stepped:
            together = np.clip(self.step_pa / np.maximum(np.abs(np.gradient(mean_pa)), 1e-9), 1.0, max(len(n) / 3, 1.0))
        slow_pa = self.slow_pa * np.sqrt(together)
        return np.asarray(np.sqrt(self.sample_pa**2 / n + slow_pa**2 + MODEL_U_PA**2), dtype=np.float64)


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
    step_pa, steps_pa = _between_steps(pressure_pa, sample_pa)
    slow_pa, alike = steps_pa, 1.0
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
            alike = _alike(still)
    return Noise(sample_pa, slow_pa, step_pa if steps_pa > 0.1 * sample_pa else 0.0, alike)


def _alike(still: Samples) -> float:
    """Samples for which the slow noise of a record at rest stays the same: twice the lag that ends its correlation."""
    n = len(still)
    at = np.arange(n) - (n - 1) / 2
    left = still - still.mean() - at * float(at @ still) / float(at @ at)
    power = np.abs(np.fft.rfft(left, 2 * n)) ** 2
    correlation = np.fft.irfft(power)[:n]
    # means of a few lags, for the noise of the samples is in each
    smooth = np.convolve(correlation, np.full(5, 0.2), mode="valid")
    below = np.flatnonzero(smooth[1:] <= 0)
    return 2.0 * (float(below[0]) + 3 if len(below) else n)


def _between_steps(pressure_pa: Samples, sample_pa: float) -> tuple[float, float]:
    """A converter's step, and what it leaves in means of samples whose noise is too small to smear it, Pa."""
    jumps = np.abs(np.diff(pressure_pa))
    jumps = jumps[jumps > 0]
    if not len(jumps):
        return 0.0, 0.0
    step = float(jumps.min())
    smear = math.sqrt(max(sample_pa**2 - step**2 / 12, 0.0)) / step
    return step, step / math.sqrt(12) * math.exp(-2 * math.pi**2 * smear**2)


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
