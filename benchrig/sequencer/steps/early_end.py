"""Whether what has been measured so far settles the matter, so that the rest may be left out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from benchrig.analysis.leak.stopping_rule import band_for
from benchrig.analysis.results import Characteristic
from benchrig.sequencer.context import Context

__all__ = ["beyond_limits", "clear_of_limits"]

LOOKS = 4
"""Early ends are looked for so often at most; the model's risk is shared out among them."""


def clear_of_limits(run: Context, found: Iterable[Characteristic]) -> bool:
    """Whether everything that has a limit lies within it, by what the model's risk of a false accept demands.

    A bound never settles it, nor does a value without uncertainty.
    """
    return all(
        not each.bound and low < least and most < high
        for each, least, most, low, high in _limited(run, found, run.model.false_accept)
    )


def beyond_limits(run: Context, found: Iterable[Characteristic]) -> bool:
    """Whether something lies beyond its limit for certain, by what the model's risk of a false reject demands."""
    return any(least > high or most < low for _, least, most, low, high in _limited(run, found, run.model.false_reject))


def _limited(
    run: Context, found: Iterable[Characteristic], risk: float
) -> Iterator[tuple[Characteristic, float, float, float, float]]:
    """Each characteristic that has a limit: the least and the most that it may be, and the limit's two sides."""
    limits = {limit.name: limit for limit in run.model.limits}
    band = band_for(risk, LOOKS)
    for each in found:
        if each.name in limits:
            low, high = limits[each.name].low, limits[each.name].high
            yield each, *_span(each, band), -math.inf if low is None else low, math.inf if high is None else high


def _span(each: Characteristic, band: float) -> tuple[float, float]:
    """Where the value lies for certain; a bound closes one side, and what was not measured neither."""
    if each.value is None:
        return -math.inf, math.inf
    if each.u is not None:
        return each.value - band * each.u, each.value + band * each.u
    return (each.value if each.bound == "above" else -math.inf), (each.value if each.bound == "below" else math.inf)
