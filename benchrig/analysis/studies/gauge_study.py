"""Gauge study by analysis of variance: how much of the seen variation is the gauge's and how much the parts'.

Crossed study, parts x operators x trials, all taken as random (AIAG, Measurement Systems Analysis, 4th ed., 2010,
chapter III B); with one operator, parts x trials. Trade words: EV, equipment variation, is the repeatability; AV,
appraiser variation, the reproducibility (operator and interaction); GRR both; PV the parts; TV the total.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import f as f_distribution

from benchrig.analysis.results import Samples
from benchrig.analysis.studies.gauge_table import StudyTable

__all__ = [
    "COMPONENTS",
    "AnovaLine",
    "Fitness",
    "GaugeStudy",
    "Question",
    "VarianceComponent",
    "fitness",
    "gauge_study",
]

COMPONENTS = ("GRR", "EV", "AV", "operator", "interaction", "PV", "TV")
DISTINCT = 1.41
"""Number of distinct categories: ndc = 1.41 PV / GRR, cut to a whole number (AIAG)."""
GOOD_PERCENT, MARGINAL_PERCENT, FEWEST_CATEGORIES = 10.0, 30.0, 5
STUDY_SIGMAS = 6.0
"""Width that a component is given when it is put against a tolerance."""
DRAWS = 20_000

Fitness = Literal["good", "marginal", "not fit"]
Question = Literal["tolerance", "parts"]


@dataclass(frozen=True)
class AnovaLine:
    """One line of the table of variance. `f` and `p` are None where nothing is tested; `p` is for "no effect"."""

    source: str
    ss: float
    df: int
    ms: float | None
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class VarianceComponent:
    """One component of the variation.

    Attributes
    ----------
    variance, sd : float
        In the square of the value's unit, and its unit. A negative estimate is put to zero.
    contribution_percent : float
        Variance over the total variance.
    study_percent : float
        Standard deviation over the total standard deviation.
    sd_low, sd_high : float
        Limits of confidence of the standard deviation.
    """

    variance: float
    sd: float
    contribution_percent: float
    study_percent: float
    sd_low: float
    sd_high: float


@dataclass(frozen=True)
class GaugeStudy:
    """What came out.

    Attributes
    ----------
    anova : tuple of AnovaLine
        With the interaction line always; when it was pooled, a line "pooled error" follows the repeatability.
    pooled : bool
        Whether the interaction was not significant at `alpha` and was counted with the repeatability.
    components : mapping of str to VarianceComponent
        Keys as in `COMPONENTS`.
    ndc : int or None
        Number of distinct categories; None when the gauge showed no variation, so that there is no end to them.
    grr_low_percent, grr_high_percent : float
        Limits of confidence of the study variation of GRR.
    tolerance_percent : float or None
        Six GRR over the tolerance's width, when one was given.
    notes : tuple of str
        What the reader should know.
    """

    anova: tuple[AnovaLine, ...]
    pooled: bool
    alpha: float
    confidence: float
    components: Mapping[str, VarianceComponent]
    ndc: int | None
    grr_low_percent: float
    grr_high_percent: float
    tolerance_percent: float | None
    notes: tuple[str, ...]

    @property
    def asked(self) -> Question:
        """What the fitness is about: the tolerance where there is one, or else these parts."""
        return "parts" if self.tolerance_percent is None else "tolerance"

    @property
    def fitness(self) -> Fitness:
        """Good, marginal or not fit: by the share of the tolerance where there is one, or else by `parts_fitness`.

        A gauge that takes little of the tolerance is fit to judge by it, however much the parts are alike.
        """
        return self.parts_fitness if self.tolerance_percent is None else fitness(self.tolerance_percent, None)

    @property
    def parts_fitness(self) -> Fitness:
        """Whether it tells these parts apart, by the study variation of GRR and the distinct categories."""
        return fitness(self.components["GRR"].study_percent, self.ndc)


def fitness(grr_percent: float, ndc: int | None) -> Fitness:
    """The usual bands (AIAG): under 10 % good, to 30 % marginal, above not fit; under 5 categories never good.

    Examples
    --------
    >>> fitness(8.0, 17), fitness(27.9, 4), fitness(30.1, 4)
    ('good', 'marginal', 'not fit')
    """
    if grr_percent > MARGINAL_PERCENT:
        return "not fit"
    enough = ndc is None or ndc >= FEWEST_CATEGORIES
    return "good" if grr_percent < GOOD_PERCENT and enough else "marginal"


def gauge_study(
    table: StudyTable,
    *,
    alpha: float = 0.25,
    confidence: float = 0.95,
    tolerance: float | None = None,
) -> GaugeStudy:
    """Split the variation by analysis of variance.

    Parameters
    ----------
    table : StudyTable
        Complete and with some variation.
    alpha : float
        The interaction is kept when its p is not above this. 0.25 is the classic choice (AIAG), 0.05 the newer one; 1
        always keeps it, 0 always pools.
    confidence : float
        Of the limits: generalized confidence intervals (Burdick, Borror and Montgomery, 2005; from memory), by 20,000
        draws of a fixed seed.
    tolerance : float, optional
        Width of the tolerance, in the value's unit.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    ValueError
        `alpha`, `confidence` or `tolerance` is out of range.

    Examples
    --------
    >>> table = StudyTable(np.array([[[1.0, 1.1]], [[2.0, 2.2]], [[3.1, 3.0]]]), ("1", "2", "3"), ("A",))
    >>> study = gauge_study(table)
    >>> round(study.components["GRR"].study_percent, 1), study.ndc, study.fitness
    (10.0, 14, 'good')
    """
    if not 0 <= alpha <= 1:
        raise ValueError(f"alpha is a probability, not {alpha:g}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence lies between 0 and 1, not at {confidence:g}")
    if tolerance is not None and not (math.isfinite(tolerance) and tolerance > 0):
        raise ValueError(f"a tolerance has a width above zero, not {tolerance:g}")
    lines, squares, pooled = _analysis_of_variance(table.values, alpha)
    shape = table.values.shape
    variances = {name: float(each) for name, each in _components(squares, shape).items()}
    drawn = _components(_drawn(squares), shape)
    tails = (100 * (1 - confidence) / 2, 100 * (1 + confidence) / 2)
    total = variances["TV"]
    components = {}
    for name in COMPONENTS:
        low, high = np.percentile(np.sqrt(drawn[name]), tails)
        components[name] = VarianceComponent(
            variances[name],
            math.sqrt(variances[name]),
            100 * variances[name] / total,
            100 * math.sqrt(variances[name] / total),
            float(low),
            float(high),
        )
    share = np.percentile(100 * np.sqrt(drawn["GRR"] / drawn["TV"]), tails)
    grr, pv = components["GRR"].sd, components["PV"].sd
    return GaugeStudy(
        anova=lines,
        pooled=pooled,
        alpha=alpha,
        confidence=confidence,
        components=components,
        ndc=None if grr == 0 else math.floor(DISTINCT * pv / grr),
        grr_low_percent=float(share[0]),
        grr_high_percent=float(share[1]),
        tolerance_percent=None if tolerance is None else 100 * STUDY_SIGMAS * grr / tolerance,
        notes=_notes(table, variances, pooled),
    )


# A mean square with its degrees of freedom, by source: "part", "operator", "interaction", "error".
_Squares = Mapping[str, tuple[float, int]]


def _analysis_of_variance(values: Samples, alpha: float) -> tuple[tuple[AnovaLine, ...], _Squares, bool]:
    parts, operators, trials = values.shape
    middle = values.mean()
    of_part = values.mean(axis=(1, 2))
    of_operator = values.mean(axis=(0, 2))
    of_cell = values.mean(axis=2)
    ss_part = operators * trials * float(((of_part - middle) ** 2).sum())
    ss_operator = parts * trials * float(((of_operator - middle) ** 2).sum())
    crossed = of_cell - of_part[:, None] - of_operator[None, :] + middle
    ss_crossed = trials * float((crossed**2).sum())
    ss_error = float(((values - of_cell[:, :, None]) ** 2).sum())
    total = AnovaLine("total", float(((values - middle) ** 2).sum()), values.size - 1, None)
    df_part, df_operator, df_error = parts - 1, operators - 1, parts * operators * (trials - 1)
    if operators == 1:
        squares: dict[str, tuple[float, int]] = {
            "part": (ss_part / df_part, df_part),
            "error": (ss_error / df_error, df_error),
        }
        tested = _tested("part", ss_part, df_part, squares["error"])
        return (tested, _line("repeatability", ss_error, df_error), total), squares, False
    df_crossed = df_part * df_operator
    crossed_line = _tested("part x operator", ss_crossed, df_crossed, (ss_error / df_error, df_error))
    pooled = crossed_line.p is not None and crossed_line.p > alpha
    error = (ss_error / df_error, df_error)
    against = (ss_crossed / df_crossed, df_crossed)
    extra: tuple[AnovaLine, ...] = ()
    if pooled:
        df_pooled = df_error + df_crossed
        error = against = ((ss_error + ss_crossed) / df_pooled, df_pooled)
        extra = (_line("pooled error", ss_error + ss_crossed, df_pooled),)
    squares = {
        "part": (ss_part / df_part, df_part),
        "operator": (ss_operator / df_operator, df_operator),
        "error": error,
    }
    if not pooled:
        squares["interaction"] = against
    lines = (
        _tested("part", ss_part, df_part, against),
        _tested("operator", ss_operator, df_operator, against),
        crossed_line,
        _line("repeatability", ss_error, df_error),
        *extra,
        total,
    )
    return lines, squares, pooled


def _line(source: str, ss: float, df: int) -> AnovaLine:
    return AnovaLine(source, ss, df, ss / df)


def _tested(source: str, ss: float, df: int, against: tuple[float, int]) -> AnovaLine:
    ms, (ms_against, df_against) = ss / df, against
    if ms_against == 0:
        return AnovaLine(source, ss, df, ms)
    ratio = ms / ms_against
    return AnovaLine(source, ss, df, ms, ratio, float(f_distribution.sf(ratio, df, df_against)))


def _drawn(squares: _Squares) -> dict[str, tuple[Samples, int]]:
    """What the expected mean squares may be, given the seen ones: df MS / chi-square."""
    draw = np.random.default_rng(20_10)
    return {name: (df * ms / draw.chisquare(df, DRAWS), df) for name, (ms, df) in squares.items()}


def _components(squares: Mapping[str, tuple[float | Samples, int]], shape: tuple[int, ...]) -> dict[str, Samples]:
    """Variances from mean squares (method of moments); a negative one is put to zero."""
    parts, operators, trials = shape
    error = np.asarray(squares["error"][0])
    crossed = np.asarray(squares["interaction"][0]) if "interaction" in squares else error
    none = np.zeros_like(error)
    interaction = np.maximum((crossed - error) / trials, 0.0)
    operator = (
        np.maximum((np.asarray(squares["operator"][0]) - crossed) / (parts * trials), 0.0)
        if "operator" in squares
        else none
    )
    part = np.maximum((np.asarray(squares["part"][0]) - crossed) / (operators * trials), 0.0)
    reproducibility = operator + interaction
    gauge = error + reproducibility
    return {
        "GRR": gauge,
        "EV": error,
        "AV": reproducibility,
        "operator": operator,
        "interaction": interaction,
        "PV": part,
        "TV": gauge + part,
    }


def _notes(table: StudyTable, variances: Mapping[str, float], pooled: bool) -> tuple[str, ...]:
    notes = []
    if variances["EV"] == 0:
        notes.append("repeats do not differ at all: is the value rounded too coarsely, or one reading copied?")
    if variances["PV"] == 0:
        notes.append("the parts cannot be told apart: choose parts that span what comes to the bench")
    operators, parts = len(table.operators), len(table.parts)
    if operators == 1:
        notes.append("one operator: reproducibility between operators is not in these figures")
    elif operators == 2:
        notes.append(
            "two operators: their variation is known with one degree of freedom, so its upper limit is far off"
        )
    if parts < 5:
        notes.append(f"{parts} parts: part variation, and each percentage with it, is only roughly known")
    if pooled:
        notes.append("the interaction is not significant and is counted with the repeatability")
    return tuple(notes)
