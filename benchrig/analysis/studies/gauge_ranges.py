"""Gauge study by averages and ranges: the paper-and-pencil route, for comparison with older studies."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchrig.analysis.studies.gauge_study import DISTINCT, Fitness, fitness
from benchrig.analysis.studies.gauge_table import StudyTable
from benchrig.analysis.studies.range_constants import d2, d2_star, upper_range_factor

__all__ = ["RangeStudy", "range_study"]


@dataclass(frozen=True)
class RangeStudy:
    """What came out. Standard deviations are in the value's unit, percentages are of the total variation `tv`.

    Attributes
    ----------
    mean_ranges : tuple of float
        Mean range of each operator's repeats.
    mean_range, operator_range, part_range : float
        Mean of all ranges, range of the operators' means, range of the parts' means.
    range_limit : float
        Upper control limit of the ranges.
    beyond : tuple of (str, str, float)
        Part, operator and range of each cell above that limit: measure it again, or find out what happened.
    """

    mean_ranges: tuple[float, ...]
    mean_range: float
    operator_range: float
    part_range: float
    range_limit: float
    ev: float
    av: float
    grr: float
    pv: float
    tv: float
    ndc: int | None
    beyond: tuple[tuple[str, str, float], ...]

    @property
    def ev_percent(self) -> float:
        """Repeatability in per cent of the total variation."""
        return 100 * self.ev / self.tv

    @property
    def av_percent(self) -> float:
        """Reproducibility in per cent of the total variation."""
        return 100 * self.av / self.tv

    @property
    def grr_percent(self) -> float:
        """Repeatability and reproducibility in per cent of the total variation."""
        return 100 * self.grr / self.tv

    @property
    def pv_percent(self) -> float:
        """Part variation in per cent of the total variation."""
        return 100 * self.pv / self.tv

    @property
    def fitness(self) -> Fitness:
        """Good, marginal or not fit."""
        return fitness(self.grr_percent, self.ndc)


def range_study(table: StudyTable) -> RangeStudy:
    """Split the variation by averages and ranges (AIAG, Measurement Systems Analysis, 4th ed., 2010, III B).

    Parameters
    ----------
    table : StudyTable
        Complete and with some variation.

    Returns
    -------
    RangeStudy
        AV is zero with one operator, and where the operators differ less than their repeats explain.

    Examples
    --------
    >>> import numpy as np
    >>> table = StudyTable(np.array([[[1.0, 1.1]], [[2.0, 2.2]], [[3.1, 3.0]]]), ("1", "2", "3"), ("A",))
    >>> study = range_study(table)
    >>> round(study.ev, 4), study.av, study.ndc
    (0.1182, 0.0, 12)
    """
    values = table.values
    parts, operators, trials = values.shape
    ranges = values.max(axis=2) - values.min(axis=2)
    of_operator, of_part = values.mean(axis=(0, 2)), values.mean(axis=(1, 2))
    mean_range = float(ranges.mean())
    operator_range = float(of_operator.max() - of_operator.min())
    part_range = float(of_part.max() - of_part.min())
    ev = mean_range / d2(trials)
    av = 0.0
    if operators > 1:
        av = math.sqrt(max(0.0, (operator_range / d2_star(operators)) ** 2 - ev**2 / (parts * trials)))
    grr = math.hypot(ev, av)
    pv = part_range / d2_star(parts)
    limit = upper_range_factor(trials) * mean_range
    return RangeStudy(
        mean_ranges=tuple(float(each) for each in ranges.mean(axis=0)),
        mean_range=mean_range,
        operator_range=operator_range,
        part_range=part_range,
        range_limit=limit,
        ev=ev,
        av=av,
        grr=grr,
        pv=pv,
        tv=math.hypot(grr, pv),
        ndc=None if grr == 0 else math.floor(DISTINCT * pv / grr),
        beyond=tuple(
            (table.parts[p], table.operators[o], float(ranges[p, o]))
            for p in range(parts)
            for o in range(operators)
            if ranges[p, o] > limit
        ),
    )
