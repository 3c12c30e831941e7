"""The likely cause of a bad valve, as honest probabilities over the faults that the program knows.

Bayes' rule over the table in `benchrig.verdict.hypotheses`, each feature taken as independent given the fault; features
that were not measured are skipped. The features are not really independent, which makes such a rule too sure of itself,
so the evidence is tempered: the logarithm of its likelihood counts `TEMPER` times (engineering judgement).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

from benchrig.verdict.evidence import Evidence, Feature, features
from benchrig.verdict.hypotheses import CAUSES, DOMAINS, UNCLEAR, Hypothesis, hypotheses
from benchrig.verdict.judgement import Cause, Judged
from benchrig.verdict.likelihood import beta_binomial

__all__ = ["CAUSES", "UNCLEAR", "Evidence", "likely_causes"]

TEMPER = 0.8
MOST_REASONS = 3
SPEAKS_FOR = 0.35
"""A feature is told as a reason when it favours the cause over the others by more than this (natural logarithm)."""


def likely_causes(
    judged: Sequence[Judged], evidence: Evidence, normally: Literal["closed", "open"]
) -> tuple[Cause, ...]:
    """Candidate faults with their probabilities, given that the valve is bad.

    Parameters
    ----------
    judged : sequence of Judged
        Characteristics with their limits; the features are ratios to the limits, so one table serves every model.
    evidence : Evidence
        What else was seen.
    normally : {"closed", "open"}
        State of the valve model without current.

    Returns
    -------
    tuple of Cause
        Every name in `CAUSES` once, most likely first; the probabilities sum to 1. With nothing seen they are the
        priors. `because` says what was seen that speaks for this cause more than for the others.

    Examples
    --------
    >>> from benchrig.analysis.results import Characteristic
    >>> from benchrig.verdict.judgement import Limit
    >>> coil = Characteristic("coil_resistance_20c_ohm", 24.6, 0.05, "ohm", how="")
    >>> sound = Judged(coil, Limit(coil.name, 22.0, 27.0, ""), "pass", 1.0, "")
    >>> seen = Evidence(moved_fraction=0.0, clicks=10, still_fraction=1.0, reached_vacuum_kpa=60.0, opened=False)
    >>> first = likely_causes([sound], seen, "closed")[0]
    >>> first.name, round(first.probability, 2)
    ('stuck closed', 0.9)
    >>> first.because.split("; ")[:2]
    ['no air came in when it was told to open', 'the armature moved in 0 of 10 clicks']
    """
    table = hypotheses(normally)
    seen = features(judged, evidence)
    logs = [[_log_likelihood(hypothesis, feature) for feature in seen] for hypothesis in table]
    weights = _normalised(
        [
            math.log(hypothesis.prior) + TEMPER * math.fsum(f.weight * log for f, log in zip(seen, row, strict=True))
            for hypothesis, row in zip(table, logs, strict=True)
        ]
    )
    causes = []
    for name in CAUSES:
        own = [number for number, hypothesis in enumerate(table) if hypothesis.name == name]
        probability = math.fsum(weights[number] for number in own)
        causes.append(Cause(name, probability, _because(name, table, seen, logs)))
    causes.sort(key=lambda cause: -cause.probability)
    return tuple(causes)


def _normalised(logs: Sequence[float]) -> list[float]:
    top = max(logs)
    weights = [math.exp(each - top) for each in logs]
    total = math.fsum(weights)
    return [weight / total for weight in weights]


def _log_likelihood(hypothesis: Hypothesis, feature: Feature) -> float:
    finite = 1.0 - hypothesis.no_path - hypothesis.intermittent
    match feature.kind:
        case "coil path":
            likelihood = hypothesis.intermittent if feature.value else hypothesis.no_path
        case "coil":
            likelihood = finite * hypothesis.density("coil", _clipped("coil", feature.value))
        case "moved":
            likelihood = beta_binomial(round(feature.value * feature.trials), feature.trials, *hypothesis.moved)
        case "opened":
            likelihood = hypothesis.opened if feature.value else 1.0 - hypothesis.opened
        case "hold above":
            likelihood = _share(hypothesis, "hold", _clipped("hold", feature.value), DOMAINS["hold"][1])
        case "flow below":
            likelihood = _share(hypothesis, "flow", DOMAINS["flow"][0], _clipped("flow", feature.value))
        case kind:
            likelihood = _blurred(hypothesis, kind, feature.value, feature.u)
    return math.log(likelihood)


BLUR = (-1.593, -0.967, -0.589, -0.282, 0.0, 0.282, 0.589, 0.967, 1.593)
"""Standard normal quantiles at 1/18, 3/18 and so on: nine equally likely points."""


def _blurred(hypothesis: Hypothesis, kind: str, value: float, u: float) -> float:
    """Density of a feature, averaged over where its true value may lie."""
    if u == 0.0:
        return hypothesis.density(kind, _clipped(kind, value))
    return math.fsum(hypothesis.density(kind, _clipped(kind, value + z * u)) for z in BLUR) / len(BLUR)


def _clipped(kind: str, value: float) -> float:
    """Beyond the range that a feature can lie in, further is no stronger evidence."""
    low, high = DOMAINS[kind]
    return min(max(value, low), high)


def _share(hypothesis: Hypothesis, kind: str, start: float, end: float) -> float:
    """Probability that a feature lies between start and end, by the midpoint rule; never quite zero."""
    steps = 200
    width = max(end - start, 1e-3) / steps
    return width * math.fsum(hypothesis.density(kind, start + (number + 0.5) * width) for number in range(steps)) + 1e-6


def _because(name: str, table: Sequence[Hypothesis], seen: Sequence[Feature], logs: Sequence[Sequence[float]]) -> str:
    if name == UNCLEAR:
        return "a fault that the program does not know, or more than one at once"
    reasons: list[tuple[float, str]] = []
    for number, feature in enumerate(seen):
        own = _average(table, logs, number, lambda each: each.name == name)
        others = _average(table, logs, number, lambda each: each.name not in (name, UNCLEAR))
        reasons.append((feature.weight * (own - others), feature.said))
    reasons.sort(key=lambda reason: -reason[0])
    told = [said for gain, said in reasons[:MOST_REASONS] if gain > SPEAKS_FOR]
    return "; ".join(told) if told else "nothing that was seen speaks for it more than for the others"


def _average(
    table: Sequence[Hypothesis], logs: Sequence[Sequence[float]], number: int, wanted: Callable[[Hypothesis], bool]
) -> float:
    """Logarithm of the prior-weighted mean likelihood of one feature over some of the hypotheses."""
    chosen = [(h.prior, math.exp(row[number])) for h, row in zip(table, logs, strict=True) if wanted(h)]
    return math.log(math.fsum(p * each for p, each in chosen) / math.fsum(p for p, _ in chosen))
