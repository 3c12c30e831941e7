"""Chart of individual values and moving ranges, with run rules and an exponentially weighted average for slow drift.

Limits come from a baseline of values taken while all was known to be well, and then stand still. There are two
strengths of signal, because many charts are looked at every day, and chance breaks some rule somewhere on most of them.

Notices, the standard run rules; they are marked on the chart and ask for a look:

- ``beyond``: a value beyond three standard deviations (ISO 7870-2; NIST/SEMATECH e-Handbook 6.3.2);
- ``two of three``: two of three successive values beyond two standard deviations on one side (the same handbook);
- ``one side``: nine values in a row on one side of the centre (ISO 8258 had nine; from memory).

A warning, which asks to act: ``drift``, the exponentially weighted average (ISO 7870-6; e-Handbook 6.3.2.4; weight 0.2)
is further from the centre than five of its standard deviations, the uncertainty of the centre included. Chance does
that so seldom that ten charts may be kept; a step of three standard deviations is still seen within days.

The rule "four of five beyond one standard deviation" is left out: the average finds the same slow shifts. Moving ranges
are shown with their limit, but give no signal: in control one in 110 passes it, and it adds little to what the values
themselves say (Rigdon, Cruthis and Champ, 1994; from memory). How often a chart in control gives a signal all the same,
and how soon a shift shows: ``tests/benchmarks/chart_run_lengths.py``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.analysis.studies.range_constants import d2, upper_range_factor

__all__ = [
    "EWMA_WEIGHT",
    "EWMA_WIDTH",
    "FEWEST_BASELINE",
    "RULES",
    "WARNING",
    "Chart",
    "ChartLimits",
    "NoChart",
    "Rule",
    "Signal",
    "chart",
    "chart_limits",
    "ewma",
]

Rule = Literal["beyond", "two of three", "one side", "drift"]
RULES: Mapping[Rule, str] = MappingProxyType(
    {
        "beyond": "a value beyond three standard deviations",
        "two of three": "two of three values beyond two standard deviations on one side",
        "one side": "nine values in a row on one side of the centre",
        "drift": "the average of the latest values has left its limits",
    }
)
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 5.0
WARNING: Rule = "drift"
FEWEST_BASELINE = 8
"""Limits from fewer values are too uncertain to act on; twenty and more are better."""
_ONE_SIDE = 9


class NoChart(ValueError):
    """There is nothing to make a chart from; the message says why."""


@dataclass(frozen=True)
class ChartLimits:
    """Where the values should lie.

    Attributes
    ----------
    centre, sigma : float
        Mean, and standard deviation from the mean moving range over d2 = 1.128: short-term variation only.
    low, high : float
        Centre less and plus three sigma.
    range_mean, range_high : float
        Mean moving range, and the upper limit of moving ranges.
    baseline : int
        So many values were used.
    """

    centre: float
    sigma: float
    low: float
    high: float
    range_mean: float
    range_high: float
    baseline: int


@dataclass(frozen=True)
class Signal:
    """A rule that was broken.

    Attributes
    ----------
    at : int
        Index of the value at which it showed.
    rule : Rule
        Which.
    side : {1, -1}
        Above or below the centre.
    """

    at: int
    rule: Rule
    side: int


@dataclass(frozen=True)
class Chart:
    """A whole chart; arrays have shape (n,), with NaN where there is nothing yet."""

    values: Samples
    limits: ChartLimits
    moving_ranges: Samples
    average: Samples
    average_low: Samples
    average_high: Samples
    signals: tuple[Signal, ...]

    @property
    def warnings(self) -> tuple[Signal, ...]:
        """The signals that ask to act; the others are notices."""
        return tuple(signal for signal in self.signals if signal.rule == WARNING)

    def latest(self) -> tuple[Signal, ...]:
        """The signals that the last value gave."""
        return tuple(signal for signal in self.signals if signal.at == len(self.values) - 1)


def chart_limits(baseline: Sequence[float] | Samples, *, resolution: float = 0.0, widening: float = 1.0) -> ChartLimits:
    """Estimate the limits from values taken while all was well.

    Parameters
    ----------
    baseline : array of float, shape (n,)
        In the order in which they were measured; n at least 2.
    resolution : float
        Step in which the values are rounded; sigma is at least this over the square root of 12.
    widening : float
        Factor on sigma, for values from which something was fitted away (`to_mean_surroundings`).

    Returns
    -------
    ChartLimits

    Raises
    ------
    NoChart
        Fewer than two values, a value that is not finite, or no variation at all.

    Examples
    --------
    The e-Handbook's example (6.3.2.2; from memory):

    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    >>> limits = chart_limits(flow)
    >>> round(limits.centre, 2), round(limits.range_mean, 4), round(limits.high, 2), round(limits.low, 2)
    (50.81, 1.8778, 55.8, 45.82)
    """
    values = _checked(baseline)
    if len(values) < 2:
        raise NoChart(f"limits need at least 2 values; there is {len(values)}")
    range_mean = float(np.abs(np.diff(values)).mean())
    centre = float(values.mean())
    sigma = max(widening * range_mean / d2(2), resolution / math.sqrt(12.0))
    if sigma == 0.0:
        raise NoChart(f"all {len(values)} values are {centre:g}: rounded too coarsely, or one reading copied?")
    return ChartLimits(
        centre,
        sigma,
        centre - 3 * sigma,
        centre + 3 * sigma,
        range_mean,
        upper_range_factor(2) * range_mean,
        len(values),
    )


def chart(values: Sequence[float] | Samples, limits: ChartLimits, *, first: int = 0) -> Chart:
    """Put values on a chart and apply the rules.

    Parameters
    ----------
    values : array of float, shape (n,)
        All of them, in the order in which they were measured, those of the baseline too.
    limits : ChartLimits
        From `chart_limits`.
    first : int
        Signals are looked for from this index on; runs of values do not begin before it either, nor does the average.

    Returns
    -------
    Chart

    Raises
    ------
    NoChart
        A value is not finite.

    Examples
    --------
    >>> limits = chart_limits([10.0, 10.2, 9.9, 10.1, 10.0, 9.8, 10.1, 9.9])
    >>> [(signal.at, signal.rule) for signal in chart([10.0, 10.1, 11.0], limits).signals]
    [(2, 'beyond')]
    """
    whole = _checked(values)
    average, width = ewma(whole[first:], limits)
    before = np.full(min(first, len(whole)), math.nan)
    moving = np.concatenate([[math.nan], np.abs(np.diff(whole))])[: len(whole)]
    judged = whole[first:]
    signals = [
        *_beyond(judged, limits),
        *_two_of_three(judged, limits),
        *_one_side(judged, limits),
        *_drift(average, width, limits),
    ]
    order = {rule: position for position, rule in enumerate(RULES)}
    ordered = sorted(signals, key=lambda signal: (signal.at, order[signal.rule]))
    return Chart(
        whole,
        limits,
        moving,
        np.concatenate([before, average]),
        np.concatenate([before, limits.centre - width]),
        np.concatenate([before, limits.centre + width]),
        tuple(Signal(signal.at + first, signal.rule, signal.side) for signal in ordered),
    )


def ewma(values: Samples, limits: ChartLimits) -> tuple[Samples, Samples]:
    """Exponentially weighted average, begun at the centre, and the half-width of its limits.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Successive values.
    limits : ChartLimits
        Give centre and sigma.

    Returns
    -------
    average, half_width : ndarray, shape (n,)
        z_i = w x_i + (1 - w) z_(i-1); its variance is w / (2 - w) (1 - (1 - w)^(2 i)) of that of a value, and that of
        the centre, one over the number of values in the baseline, comes to it.

    Examples
    --------
    >>> limits = ChartLimits(0.0, 1.0, -3.0, 3.0, 1.128, 3.69, 20)
    >>> average, half_width = ewma(np.array([1.0, 1.0]), limits)
    >>> average.round(3).tolist(), half_width.round(3).tolist()
    ([0.2, 0.36], [1.5, 1.7])
    """
    average = np.empty(len(values))
    last = limits.centre
    for index, value in enumerate(values.tolist()):
        last = EWMA_WEIGHT * value + (1 - EWMA_WEIGHT) * last
        average[index] = last
    count = np.arange(1, len(values) + 1)
    spread = np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT) * (1 - (1 - EWMA_WEIGHT) ** (2 * count)))
    return average, np.asarray(EWMA_WIDTH * limits.sigma * np.hypot(spread, limits.baseline**-0.5), dtype=np.float64)


def _checked(values: Sequence[float] | Samples) -> Samples:
    array = np.asarray(values, dtype=np.float64)
    odd = np.flatnonzero(~np.isfinite(array))
    if len(odd):
        raise NoChart(f"value {odd[0] + 1} of {len(array)} is {array[odd[0]]:g}, not a number that can be worked with")
    return array


def _side(value: float, limits: ChartLimits) -> int:
    return (value > limits.centre) - (value < limits.centre)


def _beyond(values: Samples, limits: ChartLimits) -> Iterable[Signal]:
    for at, value in enumerate(values.tolist()):
        if value > limits.high or value < limits.low:
            yield Signal(at, "beyond", _side(value, limits))


def _two_of_three(values: Samples, limits: ChartLimits) -> Iterable[Signal]:
    for side in (1, -1):
        far = side * (values - limits.centre) > 2 * limits.sigma
        for at in np.flatnonzero(far).tolist():
            if far[max(0, at - 2) : at].any():
                yield Signal(at, "two of three", side)


def _one_side(values: Samples, limits: ChartLimits) -> Iterable[Signal]:
    run, side = 0, 0
    for at, value in enumerate(values.tolist()):
        here = _side(value, limits)
        run = run + 1 if here == side and here else int(here != 0)
        side = here
        if run >= _ONE_SIDE:
            yield Signal(at, "one side", side)


def _drift(average: Samples, width: Samples, limits: ChartLimits) -> Iterable[Signal]:
    off = average - limits.centre
    for at in np.flatnonzero(np.abs(off) > width).tolist():
        yield Signal(at, "drift", 1 if off[at] > 0 else -1)
