"""Which valve model a part is of, by what was measured of it: for a counter that gets a part back.

Each model has a usual value of a few characteristics, by its own accepted runs or, with less weight, by its limits. A
faulty part is off in some of them, so each counts with a chance that it tells nothing (`TELLS_NOTHING`): a coil is
seldom off in a part whose coil is sound, a flow often.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.results import Characteristic
from benchrig.verdict.judgement import Limit

__all__ = ["FAR_BETTER", "LEAST_RUNS", "Fit", "Signature", "by_limits", "by_runs", "fits"]

TELLS_NOTHING: Mapping[str, float] = {
    "coil_resistance_20c_ohm": 0.02,
    "flow_at_rated_vacuum_lpm_anr": 0.15,
    "pull_in_time_ms": 0.08,
    "drop_out_time_ms": 0.10,
}
"""Characteristics that tell models apart, each with the chance that a part's value is off for a fault (judgement)."""
ANYWHERE = math.log(100.0)
"""A value that is off lies anywhere within so wide a range of its logarithm."""
LEAST_RUNS = 5
LEAST_SD = 0.01
"""Nothing is made more alike than this, relative: guards against a few runs of one part."""
OTHER_WAY = 0.002
"""The chance that a valve looks as if it were open without current although its model is closed, or the other way
round, and works (judgement)."""
FAR_BETTER = 1000.0
"""Odds from which another model fits far better than the one on the ticket."""


@dataclass(frozen=True)
class Signature:
    """What is usual of a model's good parts.

    Attributes
    ----------
    usual : dict
        Characteristic -> natural logarithm of its usual value, and the standard deviation of that among good parts.
    runs : int
        Of how many accepted runs that was learned; 0: from the limits.
    """

    model: str
    normally: Literal["closed", "open"]
    usual: Mapping[str, tuple[float, float]]
    runs: int = 0


@dataclass(frozen=True)
class Fit:
    """How well a model fits a part: its probability among the models that were asked about, all alike beforehand."""

    model: str
    probability: float
    runs: int


def by_limits(model: str, normally: Literal["closed", "open"], limits: Sequence[Limit]) -> Signature:
    """What a model's limits say of its parts: between two limits much, beside one little.

    Examples
    --------
    >>> signature = by_limits("alder-24", "closed", [Limit("coil_resistance_20c_ohm", 22.0, 27.0, "")])
    >>> [round(each, 3) for each in signature.usual["coil_resistance_20c_ohm"]]
    [3.193, 0.051]
    """
    usual = {}
    for limit in limits:
        if limit.name not in TELLS_NOTHING:
            continue
        if limit.low and limit.high:
            usual[limit.name] = (math.log(limit.low * limit.high) / 2, math.log(limit.high / limit.low) / 4)
        elif limit.high:
            usual[limit.name] = (math.log(limit.high / 2), 0.5)
        elif limit.low:
            usual[limit.name] = (math.log(limit.low * 1.3), 0.4)
    return Signature(model, normally, usual)


def by_runs(limits: Signature, values: Mapping[str, Sequence[float]]) -> Signature:
    """What accepted runs say; a characteristic with fewer than `LEAST_RUNS` values stays as the limits have it."""
    usual, most = dict(limits.usual), 0
    for name in TELLS_NOTHING:
        logs = sorted(math.log(each) for each in values.get(name, ()) if each > 0)
        if len(logs) < LEAST_RUNS:
            continue
        middle = _median(logs)
        spread = 1.4826 * _median(sorted(abs(each - middle) for each in logs))
        usual[name] = (middle, max(LEAST_SD, spread) * math.sqrt(1 + 2 / len(logs)))
        most = max(most, len(logs))
    return Signature(limits.model, limits.normally, usual, most)


def fits(
    found: Mapping[str, Characteristic], works_as: Literal["closed", "open", ""], models: Sequence[Signature]
) -> tuple[Fit, ...]:
    """Put a part against models; the likeliest first.

    Parameters
    ----------
    found : dict
        What was measured, by name. Bounds, and what was not measured, tell nothing.
    works_as : {"closed", "open", ""}
        State of the part without current, as it showed; empty where it did not.
    models : sequence of Signature

    Examples
    --------
    >>> models = [by_limits(name, "closed", [Limit("coil_resistance_20c_ohm", low, low + 4, "")])
    ...           for name, low in (("alder-24", 22.0), ("cedar-44", 42.0))]
    >>> coil = Characteristic("coil_resistance_20c_ohm", 43.1, 0.1, "ohm", how="")
    >>> best = fits({coil.name: coil}, "closed", models)[0]
    >>> best.model, best.probability > 0.99
    ('cedar-44', True)
    """
    likely = {each.model: _log_likelihood(found, works_as, each) for each in models}
    if not likely:
        return ()
    best = max(likely.values())
    weights = {model: math.exp(each - best) for model, each in likely.items()}
    total = math.fsum(weights.values())
    runs = {each.model: each.runs for each in models}
    return tuple(
        Fit(model, weight / total, runs[model]) for model, weight in sorted(weights.items(), key=lambda item: -item[1])
    )


def _log_likelihood(found: Mapping[str, Characteristic], works_as: str, model: Signature) -> float:
    total = 0.0
    for name, off in TELLS_NOTHING.items():
        measured = found.get(name)
        if measured is None or measured.bound or measured.value is None or measured.value <= 0:
            continue
        anywhere = off / ANYWHERE
        if name not in model.usual:
            total += math.log(1 / ANYWHERE)
            continue
        centre, sd = model.usual[name]
        sd = math.hypot(sd, (measured.u or 0.0) / measured.value)
        z = (math.log(measured.value) - centre) / sd
        total += math.log((1 - off) * math.exp(-z * z / 2) / (sd * math.sqrt(2 * math.pi)) + anywhere)
    if works_as:
        total += math.log(1 - OTHER_WAY if works_as == model.normally else OTHER_WAY)
    return total


def _median(ordered: Sequence[float]) -> float:
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2
