"""Whether what has been measured so far settles the matter, so that the rest may be left out."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import NormalDist

from benchrig.analysis.results import Characteristic
from benchrig.sequencer.context import Context

__all__ = ["beyond_limits", "clear_of_limits"]

LOOKS = 4
"""Early ends are looked for so often at most; the model's risk is shared out among them."""


def clear_of_limits(run: Context, found: Iterable[Characteristic]) -> bool:
    """Whether everything that has a limit lies within it, by what the model's risk of a false accept demands.

    A bound never settles it, nor does a value without uncertainty.
    """
    band = _band(run.model.false_accept)
    limits = {limit.name: limit for limit in run.model.limits}
    for each in found:
        limit = limits.get(each.name)
        if limit is None:
            continue
        if each.value is None or each.u is None or each.bound:
            return False
        if limit.high is not None and each.value + band * each.u >= limit.high:
            return False
        if limit.low is not None and each.value - band * each.u <= limit.low:
            return False
    return True


def beyond_limits(run: Context, found: Iterable[Characteristic]) -> bool:
    """Whether something lies beyond its limit for certain, by what the model's risk of a false reject demands."""
    band = _band(run.model.false_reject)
    limits = {limit.name: limit for limit in run.model.limits}
    for each in found:
        limit = limits.get(each.name)
        if limit is None or each.value is None:
            continue
        least = each.value - band * each.u if each.u is not None else each.value if each.bound == "above" else None
        most = each.value + band * each.u if each.u is not None else each.value if each.bound == "below" else None
        if limit.high is not None and least is not None and least > limit.high:
            return True
        if limit.low is not None and most is not None and most < limit.low:
            return True
    return False


def _band(risk: float) -> float:
    return -NormalDist().inv_cdf(risk / LOOKS)
