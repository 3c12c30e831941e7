"""Noise and small errors that depend on the seed and on which sample it is, never on who asked or how often."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["SampleNoise", "normal", "within"]

_WORD = (1 << 64) - 1
_STRIDE = 0x9E3779B97F4A7C15  # 2**64 divided by the golden ratio, odd: the SplitMix step (Steele, Lea, Flood 2014)


def _scrambled(words: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Scramble 64-bit words so that neighbouring counters give unrelated results (SplitMix64 finaliser)."""
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return words ^ (words >> np.uint64(31))


def _scrambled_word(word: int) -> int:
    word &= _WORD
    word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) & _WORD
    word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & _WORD
    return word ^ (word >> 31)


class SampleNoise:
    """Standard normal noise as a pure function of seed, stream and index.

    A generator that is drawn from in turn gives other noise when a program asks in another order. Here sample 1234
    of a stream is the same number whether it is asked for alone, in a block, twice, or never before.

    Parameters
    ----------
    seed : int
        Any integer; the seed of the whole simulated bench.
    stream : int
        Which instrument or channel; streams are independent.

    Examples
    --------
    >>> noise = SampleNoise(seed=7, stream=1)
    >>> block = noise.at(np.arange(100))
    >>> bool(block[42] == noise.at(np.array([42]))[0]), bool(abs(block[42] - noise.one(42)) < 1e-9)
    (True, True)
    """

    def __init__(self, seed: int, stream: int) -> None:
        words = np.array([seed & _WORD, (stream * _STRIDE + 1) & _WORD], dtype=np.uint64)
        first, second = (int(word) for word in _scrambled(words))
        self._key = (first * 3 + second) & _WORD

    def at(self, index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the noise of these samples.

        Parameters
        ----------
        index : ndarray of int, any shape
            Sample numbers, 0 or more, below 2**62.

        Returns
        -------
        ndarray of float, same shape
            Standard normal values: Box and Muller's transform (1958) of two scrambled counters.
        """
        counter = np.asarray(index).astype(np.uint64) * np.uint64(2)
        key = np.uint64(self._key)
        stride = np.uint64(_STRIDE)
        first = _scrambled((counter + np.uint64(1)) * stride + key)
        second = _scrambled((counter + np.uint64(2)) * stride + key)
        radius = np.sqrt(-2.0 * np.log(((first >> np.uint64(11)).astype(np.float64) + 1.0) * 2.0**-53))
        turn = (second >> np.uint64(11)).astype(np.float64) * 2.0**-53
        return np.asarray(radius * np.cos(2.0 * np.pi * turn), dtype=np.float64)

    def one(self, index: int) -> float:
        """Return the noise of one sample: as `at` to the last few bits, and many times faster for a single number."""
        first = _scrambled_word((2 * index + 1) * _STRIDE + self._key)
        second = _scrambled_word((2 * index + 2) * _STRIDE + self._key)
        radius = math.sqrt(-2.0 * math.log(((first >> 11) + 1.0) * 2.0**-53))
        return radius * math.cos(2.0 * math.pi * (second >> 11) * 2.0**-53)


def within(half_width: float, *, seed: int, stream: int) -> float:
    """Draw one fixed error, uniform in the inner 80 % of plus or minus `half_width`: inside the specification.

    >>> abs(within(0.5, seed=3, stream=9)) <= 0.4
    True
    """
    return float(np.random.default_rng([seed & _WORD, stream]).uniform(-0.8, 0.8)) * half_width


def normal(sd: float, *, seed: int, stream: int) -> float:
    """Draw one fixed error, normally distributed: as large as a stated standard uncertainty says.

    >>> abs(normal(0.5, seed=3, stream=9)) < 2.5
    True
    """
    return float(np.random.default_rng([seed & _WORD, stream]).normal(0.0, sd))
