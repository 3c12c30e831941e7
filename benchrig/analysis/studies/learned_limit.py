"""What known-good parts allow: a limit from their values, or why there is none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.tolerance_interval import (
    Sides,
    content_of_extremes,
    least_sample,
    one_sided_factor,
    two_sided_factor,
)

Shape = Literal["normal", "normal, cube roots"]

__all__ = ["LEAST_PARTS", "LearnedLimit", "learn_limit"]

LEAST_PARTS = 10
"""With fewer nobody can say whether they are normally distributed, and limits would lie twice as far out as with thirty
(exact two-sided factors for 95 % and 95 %: 5.08 for 5 parts, 3.39 for 10, 2.55 for 30)."""
ODD_FROM = 3.5
"""Modified z score from which a value is shown as an outlier: 0.6745 |x - median| / MAD (Iglewicz and Hoaglin 1993,
from memory)."""
NOT_NORMAL_P = 0.01
"""Below such a p of the test of Shapiro and Wilk values are not taken for normally distributed."""
LEAST_CONTENT = 0.9
"""Extremes that hold less of the good parts than this make no limit (judgement)."""
TWO_GROUPS_BITS = 10.0
"""So much lower must the Bayes information criterion of two normal groups be than of one: very strong evidence by the
scale of Kass and Raftery (1995, from memory)."""


@dataclass(frozen=True)
class LearnedLimit:
    """One characteristic of known-good parts.

    Attributes
    ----------
    parts, repeats : int
        How many parts, and how many measurements beyond one of each.
    mean, sd : float
        Of the parts, the scatter of repeated measurements taken out of `sd`.
    repeat_sd : float or None
        Standard deviation of one part measured again, pooled; None: no part was measured twice.
    normal_p : float
        Of the test of Shapiro and Wilk over the parts; small where they are not normally distributed.
    method : {"normal", "normal, cube roots", "extremes", ""}
        How the limits were found; "extremes" of the sample need no distribution. Empty: there are none.
    content : float
        What part of all good parts the limits hold; of extremes perhaps less than was asked for.
    factor : float or None
        k of mean and k standard deviations.
    low, high : float or None
        The limits; both None where there are none, see `why_not`.
    outliers : tuple of int
        Which parts lie far from the rest; they count like all others.
    groups : tuple of int
        Which parts make the smaller of two groups, if the values fall into two; then there is no limit.
    """

    parts: int
    repeats: int
    mean: float
    sd: float
    repeat_sd: float | None
    normal_p: float
    content: float = 0.0
    method: Shape | Literal["extremes", ""] = ""
    factor: float | None = None
    low: float | None = None
    high: float | None = None
    outliers: tuple[int, ...] = ()
    groups: tuple[int, ...] = ()
    why_not: str = field(default="")


GAP = 1.0
"""So many standard deviations of a group must lie between the two: a long tail has no gap (judgement)."""


def learn_limit(
    measured: Sequence[Samples],
    sides: Sides,
    *,
    content: float,
    confidence: float,
    from_zero: bool = False,
    allowance: float = 0.0,
) -> LearnedLimit:
    """Make a limit of one characteristic.

    Parameters
    ----------
    measured : sequence of ndarray
        The values of each part, one or more.
    sides : {"both", "low", "high"}
        Which limits are wanted.
    content, confidence : float
        The limits hold at least this part of all good parts, with this probability.
    from_zero : bool
        The characteristic cannot be below zero and may pile up near it: if its cube roots look more normal than its
        values, they are taken (Krishnamoorthy, Mathew and Mukherjee 2008, for the gamma distribution; from memory).
    allowance : float
        The limits are put so much further out: the guard band within which a measured value would not pass.

    Raises
    ------
    ValueError
        Fewer than `LEAST_PARTS` parts.

    Examples
    --------
    >>> parts = [np.array([24.0 + 0.1 * step]) for step in (-4, -3, -2, -1, -1, 0, 0, 0, 1, 1, 2, 4)]
    >>> learned = learn_limit(parts, "both", content=0.95, confidence=0.95)
    >>> learned.method, round(learned.low, 2), round(learned.high, 2)
    ('normal', 23.28, 24.67)
    """
    if len(measured) < LEAST_PARTS:
        raise ValueError(f"{len(measured)} parts are too few to learn from; it takes {LEAST_PARTS}")
    n = len(measured)
    plain = np.array([float(np.mean(each)) for each in measured])
    samples = [_Sample.of(measured, "normal")]
    if from_zero and min(float(np.min(each)) for each in measured) > 0:
        samples.append(_Sample.of([np.cbrt(each) for each in measured], "normal, cube roots"))
    taken = max(samples, key=lambda each: each.normal_p)
    sizes = sum(len(each) for each in measured)
    learned = LearnedLimit(
        parts=n,
        repeats=sizes - n,
        mean=float(plain.mean()),
        sd=samples[0].sd,
        repeat_sd=samples[0].repeat_sd,
        normal_p=taken.normal_p,
        content=content,
        outliers=_outliers(taken.means),
    )
    groups = _two_groups(taken.means)
    if groups:
        why = (
            f"the values fall into two groups, of {n - len(groups)} and {len(groups)} parts: two models, or two sorts?"
        )
        return replace(learned, groups=groups, why_not=why)
    if taken.normal_p >= NOT_NORMAL_P:
        factor = (
            two_sided_factor(n, content, confidence) if sides == "both" else one_sided_factor(n, content, confidence)
        )
        low, high = taken.limits(factor)
        learned = replace(learned, method=taken.shape, factor=factor)
    else:
        reached = min(content, content_of_extremes(n, confidence, sides))
        if reached < LEAST_CONTENT:
            why = (
                f"the values are not normally distributed (p = {taken.normal_p:.2g}), and without that {n} parts tell "
                f"too little: it takes {least_sample(content, confidence, sides)} for {100 * content:g} %"
            )
            return replace(learned, why_not=why)
        learned = replace(learned, method="extremes", content=reached)
        low, high = float(plain.min()), float(plain.max())
    low, high = low - allowance, high + allowance
    kept_low = None if sides == "high" or low <= 0 else low
    return replace(learned, low=kept_low, high=None if sides == "low" else high)


@dataclass(frozen=True)
class _Sample:
    """The parts' values, or their cube roots, as if they were normally distributed."""

    shape: Shape
    means: Samples
    seen: float
    sd: float
    repeat_sd: float | None
    normal_p: float

    @classmethod
    def of(cls, measured: Sequence[Samples], shape: Shape) -> _Sample:
        from scipy import stats

        means = np.array([float(np.mean(each)) for each in measured])
        sizes = np.array([len(each) for each in measured])
        within = sum(float(((each - np.mean(each)) ** 2).sum()) for each in measured)
        repeats = int(sizes.sum()) - len(measured)
        repeat_sd = math.sqrt(within / repeats) if repeats else None
        seen = float(means.std(ddof=1))
        # The mean of m measurements of a part scatters by repeat_sd / sqrt(m) about its own value.
        taken_out = 0.0 if repeat_sd is None else repeat_sd**2 * float((1 / sizes).mean())
        normal_p = float(stats.shapiro(means).pvalue) if seen > 0 else 1.0
        return cls(shape, means, seen, math.sqrt(max(0.0, seen**2 - taken_out)), repeat_sd, normal_p)

    def limits(self, factor: float) -> tuple[float, float]:
        """Both limits at so many standard deviations, of the values themselves."""
        # However little parts differ, their mean is known no better than by what was seen.
        half = factor * max(self.sd, self.seen / math.sqrt(len(self.means)))
        low, high = float(self.means.mean()) - half, float(self.means.mean()) + half
        return (low, high) if self.shape == "normal" else (low**3, high**3)


def _outliers(values: Samples) -> tuple[int, ...]:
    median = float(np.median(values))
    mad = float(np.median(np.abs(values - median)))
    if mad == 0:
        return ()
    return tuple(int(at) for at in np.flatnonzero(0.6745 * np.abs(values - median) / mad > ODD_FROM))


def _two_groups(values: Samples) -> tuple[int, ...]:
    """The smaller of two groups of two values at least, if two normal ones of a common width fit far better."""
    n = len(values)
    least = max(2, n // 10)
    order = np.argsort(values)
    ordered = values[order]
    total = float(((ordered - ordered.mean()) ** 2).sum())
    best, at, within = math.inf, 0, 0.0
    for cut in range(least, n - least + 1):
        one, other = ordered[:cut], ordered[cut:]
        left = float(((one - one.mean()) ** 2).sum() + ((other - other.mean()) ** 2).sum())
        # Which group a part belongs to has to be paid for too: the entropy of the shares.
        share = cut / n
        cost = n * math.log(max(left, 1e-12 * total) / n) - 2 * n * (
            share * math.log(share) + (1 - share) * math.log(1 - share)
        )
        if cost < best:
            best, at, within = cost, cut, math.sqrt(left / n)
    if total == 0 or not at:
        return ()
    one_group = n * math.log(total / n)
    if one_group - (best + 2 * math.log(n)) < TWO_GROUPS_BITS:
        return ()
    if ordered[at] - ordered[at - 1] < GAP * within:
        return ()  # one group with a long tail
    smaller = order[:at] if at <= n - at else order[at:]
    return tuple(sorted(int(each) for each in smaller))
